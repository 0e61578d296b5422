//! A spot card laid beside the frame, by itself or partly covered.

use crate::card::{Card, MODULE_MM, QUIET_MODULES, SIDE_MODULES};

use super::body::{Body, Pile, Place};
use super::chance::Dice;
use super::layout::{Camera, Seat};
use super::maths::{Turn, V3, linear, v3};
use super::stuff::{Label, Stuff, Thing};

/// A card to be laid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CardDesign {
    /// What it says.
    pub card: Card,
    /// Share of its code that something lies on, 0 to 1.
    pub covered: f64,
}

/// Half the card's sides, mm: as `podfall sheet --cards` prints it.
const HALF_MM: (f32, f32) = (31.0, 42.0);
/// From the bar to the card, mm.
const GAP_MM: f32 = 14.0;
/// How high it lies over the bars' underside, mm: on top of the straw, where a person lays it.
const UP_MM: f32 = 17.0;

/// Lays the card on the first side of the frame where all of it is in the picture.
pub(super) fn lay(
    design: &CardDesign,
    seat: &Seat,
    camera: &Camera,
    dice: &mut Dice,
    pile: &mut Pile,
) {
    let (w, h) = seat.size_mm();
    let bar = seat.bar_mm() + GAP_MM;
    let (x, y) = (w / 2.0 + bar + HALF_MM.0, h / 2.0 + bar + HALF_MM.1);
    let along = dice.between(-0.3, 0.3) * h;
    let yaw = dice.between(-0.16, 0.16);
    let lean = (dice.between(-0.05, 0.05), dice.between(-0.05, 0.05));
    let spots = [(x, along), (-x, along), (along, y), (along, -y)];
    let place = |(u, v): (f32, f32)| {
        let turn = seat.turn();
        let own = Turn::roll_pitch_yaw(lean.0, lean.1, yaw);
        Place {
            at: seat.world(v3(u, v, UP_MM)),
            turn: Turn(own.0.map(|c| turn.apply(c))),
        }
    };
    let in_view = |spot: &&(f32, f32)| {
        let place = place(**spot);
        [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]
            .iter()
            .all(|(u, v)| {
                let corner = place.at + place.turn.apply(v3(u * HALF_MM.0, v * HALF_MM.1, 0.0));
                camera.see(corner).is_some_and(|p| {
                    (0.0..f64::from(camera.width_px)).contains(&p.x)
                        && (0.0..f64::from(camera.height_px)).contains(&p.y)
                })
            })
    };
    let place = place(*spots.iter().find(in_view).unwrap_or(&spots[0]));
    let mut put = |body: &Body, colour: V3, stuff: Stuff| {
        let thing = Thing {
            stuff,
            colour,
            second: linear(96, 78, 60),
            dirt: 0.05,
            seed: dice.unit(),
            label: Label::Residue,
            turn: Turn::NONE,
        };
        pile.lay(body, &place, &[thing], |p| p);
    };
    let (a, b) = HALF_MM;
    put(
        &sheet((-a, -b), (a, b), 0.0),
        linear(236, 236, 232),
        Stuff::Chaff,
    );
    put(&code(design.card), linear(32, 32, 34), Stuff::Chaff);
    if design.covered > 0.0 {
        let half = (SIDE_MODULES as f32 * MODULE_MM as f32) / 2.0;
        let up_to = -half + 2.0 * half * design.covered as f32;
        put(
            &sheet((-a, -half), (up_to, half), 1.5),
            linear(150, 128, 92),
            Stuff::Leaf,
        );
    }
}

/// A flat rectangle facing up.
fn sheet(low: (f32, f32), high: (f32, f32), up: f32) -> Body {
    let mut body = Body::default();
    let row = |y: f32| vec![v3(low.0, y, up), v3(high.0, y, up)];
    body.skin(&[row(low.1), row(high.1)], false, |_| 0);
    body
}

/// The dark modules, a run of them at a time, in the card's middle.
fn code(card: Card) -> Body {
    let modules = card.modules();
    let module = MODULE_MM as f32;
    let half = SIDE_MODULES as f32 * module / 2.0;
    let mut body = Body::default();
    for (y, row) in modules.chunks(SIDE_MODULES).enumerate() {
        let top = half - y as f32 * module;
        let mut x = 0;
        while x < SIDE_MODULES {
            let run = row[x..].iter().take_while(|dark| **dark).count();
            if run > 0 {
                let left = x as f32 * module - half;
                let corner = |x: f32, y: f32| v3(x, y, 0.12);
                let low = vec![
                    corner(left, top - module),
                    corner(left + run as f32 * module, top - module),
                ];
                let high = vec![corner(left, top), corner(left + run as f32 * module, top)];
                body.skin(&[low, high], false, |_| 0);
            }
            x += run.max(1);
        }
    }
    // The quiet zone is the card's own white: it must reach that far.
    debug_assert!(half + QUIET_MODULES as f32 * module <= HALF_MM.0);
    body
}

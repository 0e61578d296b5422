//! The frame's bars as bodies.

use std::f32::consts::{FRAC_PI_2, TAU};

use super::body::{Body, Pile, Place};
use super::chance::Dice;
use super::layout::Seat;
use super::maths::{Turn, V3, v3};
use super::palette;
use super::scene::Bar;
use super::stuff::{Label, Stuff, Thing};

/// Builds the frame into the pile.
pub(super) fn build(seat: &Seat, soil: V3, dice: &mut Dice, pile: &mut Pile) {
    if seat.design.bar == Bar::None {
        return;
    }
    let mut bars = Bars {
        seat,
        soil,
        colour: palette::bar(dice, seat.design.bar),
        dirt: dice.between(0.0, 0.35),
        pile,
    };
    if seat.is_ring() {
        bars.ring(dice);
    } else if seat.is_pipe() {
        bars.pipes(dice);
    } else {
        bars.laths(dice);
    }
}

struct Bars<'a> {
    seat: &'a Seat,
    soil: V3,
    colour: V3,
    dirt: f32,
    pile: &'a mut Pile,
}

impl Bars<'_> {
    fn lay(&mut self, body: &Body, at: V3, yaw: f32, colour: V3, stuff: Stuff, seed: f32) {
        let thing = Thing {
            stuff,
            colour,
            second: self.soil,
            dirt: self.dirt,
            seed,
            label: Label::Frame,
            turn: Turn::NONE,
        };
        let turn = self.seat.turn();
        let own = Turn::roll_pitch_yaw(0.0, 0.0, yaw);
        let place = Place {
            at: self.seat.world(at),
            turn: Turn(own.0.map(|c| turn.apply(c))),
        };
        self.pile.lay(body, &place, &[thing], |p| p);
    }

    fn pipes(&mut self, dice: &mut Dice) {
        let (w, h) = self.seat.size_mm();
        let r = self.seat.bar_mm() / 2.0;
        let (x, y) = (w / 2.0 + r, h / 2.0 + r);
        let fit = r + dice.between(2.2, 3.4);
        let reach = dice.between(16.0, 24.0);
        let sides = [
            (v3(0.0, y, r), 0.0, x),
            (v3(0.0, -y, r), 0.0, x),
            (v3(x, 0.0, r), FRAC_PI_2, y),
            (v3(-x, 0.0, r), FRAC_PI_2, y),
        ];
        for (at, yaw, half) in sides {
            let pipe = tube(-half, half, r);
            self.lay(&pipe, at, yaw, self.colour, Stuff::Paint, dice.unit());
            for side in [-1.0, 1.0] {
                let (a, b) = (side * (half - r - reach), side * half);
                let sleeve = tube(a.min(b), a.max(b), fit);
                self.lay(&sleeve, at, yaw, self.colour, Stuff::Paint, dice.unit());
            }
        }
        for (u, v) in [(x, y), (-x, y), (x, -y), (-x, -y)] {
            let knee = Body::ball(3).shaped(|p| p * fit);
            self.lay(
                &knee,
                v3(u, v, r),
                0.0,
                self.colour,
                Stuff::Paint,
                dice.unit(),
            );
        }
    }

    fn laths(&mut self, dice: &mut Dice) {
        let (w, h) = self.seat.size_mm();
        let (b, t) = (self.seat.bar_mm(), self.seat.design.height_mm as f32);
        let (x, y) = ((w + b) / 2.0, (h + b) / 2.0);
        let stuff = if self.seat.design.bar == Bar::Wood {
            Stuff::Wood
        } else {
            Stuff::Paint
        };
        let sides = [
            (
                v3(0.0, y, 0.0),
                0.0,
                w / 2.0 + b + dice.between(0.0, 4.0),
                t,
            ),
            (v3(0.0, -y, 0.0), 0.0, w / 2.0 + b, t),
            (v3(x, 0.0, 0.0), FRAC_PI_2, h / 2.0 - 0.3, t - 0.2),
            (v3(-x, 0.0, 0.0), FRAC_PI_2, h / 2.0 - 0.3, t - 0.2),
        ];
        for (at, yaw, half, top) in sides {
            let lath = rounded(half, b / 2.0, top);
            self.lay(&lath, at, yaw, self.colour, stuff, dice.unit());
        }
        if self.seat.design.patches {
            let colours = palette::patches(dice);
            let half = b / 2.0 - 0.6;
            for ((u, v), c) in [(-x, y), (x, y), (x, -y), (-x, -y)]
                .into_iter()
                .zip(colours)
            {
                let patch = Body::block(v3(-half, -half, 0.0), v3(half, half, 0.4));
                self.lay(&patch, v3(u, v, t), 0.0, c, Stuff::Paint, dice.unit());
            }
        }
    }

    fn ring(&mut self, dice: &mut Dice) {
        let r = self.seat.bar_mm() / 2.0;
        let middle = self.seat.size_mm().0 / 2.0 + r;
        let sections: Vec<Vec<V3>> = (0..=240)
            .map(|i| {
                let (s, c) = (TAU * i as f32 / 240.0).sin_cos();
                (0..14)
                    .map(|k| {
                        let (sa, ca) = (TAU * k as f32 / 14.0).sin_cos();
                        let out = middle + r * ca;
                        v3(out * c, out * s, r + r * sa)
                    })
                    .collect()
            })
            .collect();
        let mut body = Body::default();
        body.skin(&sections, true, |_| 0);
        let stuff = if self.seat.design.bar == Bar::Wood {
            Stuff::Wood
        } else {
            Stuff::Paint
        };
        self.lay(&body, V3::ZERO, 0.0, self.colour, stuff, dice.unit());
    }
}

/// A pipe along x.
fn tube(from: f32, to: f32, radius: f32) -> Body {
    Body::rod(
        &[
            v3(from, 0.0, 0.0),
            v3((from + to) / 2.0, 0.0, 0.0),
            v3(to, 0.0, 0.0),
        ],
        36,
        |_, _| radius,
    )
}

/// A flat bar along x with its upper edges broken.
fn rounded(half_long: f32, half_wide: f32, top: f32) -> Body {
    const BEVEL: f32 = 0.7;
    let section = |x: f32| {
        vec![
            v3(x, -half_wide, 0.0),
            v3(x, -half_wide, top - BEVEL),
            v3(x, -half_wide + BEVEL, top),
            v3(x, half_wide - BEVEL, top),
            v3(x, half_wide, top - BEVEL),
            v3(x, half_wide, 0.0),
        ]
    };
    let (a, b) = (section(-half_long), section(half_long));
    let mut body = Body::default();
    // One skin a face, so that the edges stay sharp.
    for k in 0..5 {
        body.skin(&[vec![a[k], a[k + 1]], vec![b[k], b[k + 1]]], false, |_| 0);
    }
    for end in [a, b] {
        let middle = end.iter().fold(V3::ZERO, |s, p| s + *p) / end.len() as f32;
        body.cap(&end, middle, 0);
    }
    body
}

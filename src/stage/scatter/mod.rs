//! Strews the ground: stones, beans and pods, residue in layers, the frame, litter on its bars.

mod litter;
mod loss;
mod order;

use crate::units::M2_PER_FT2;

use super::body::{Body, Pile, Place};
use super::chance::Dice;
use super::layout::Seat;
use super::maths::{Turn, V3, v3};
use super::noise::rough2;
use super::palette::{self, Residue};
use super::relief::Relief;
use super::scene::{Bar, Scene, SceneError};
use super::soil::Ground;
use super::stuff::{Label, Stuff, Thing};

/// A bean as laid.
#[derive(Debug, Clone)]
pub(super) struct LaidBean {
    pub at: V3,
    pub half: bool,
    pub inside: bool,
    /// Its triangles in the pile.
    pub facets: std::ops::Range<usize>,
}

/// A pod as laid.
#[derive(Debug, Clone)]
pub(super) struct LaidPod {
    pub at: V3,
    /// Ends of its long axis.
    pub ends: [V3; 2],
    pub length_mm: f32,
    pub width_mm: f32,
    pub beans: usize,
    pub inside: bool,
    /// Its triangles in the pile.
    pub facets: std::ops::Range<usize>,
}

/// Everything that lies there.
#[derive(Debug, Clone, Default)]
pub(super) struct Strewn {
    pub pile: Pile,
    pub beans: Vec<LaidBean>,
    pub pods: Vec<LaidPod>,
}

/// What is to be dropped next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Item {
    Stem,
    Split,
    Stalk,
    Leaf,
    Chaff,
    Husk,
    SeedCoat,
    /// Inside the frame or not.
    Bean(bool),
    Pod(bool),
}

struct Strewer<'a> {
    scene: &'a Scene,
    seat: &'a Seat,
    dice: Dice,
    /// Soil and all that was dropped so far.
    top: Relief,
    soil: V3,
    hilum: V3,
    /// How fine the machine chopped: mean of the log of stem length.
    chop: f32,
    layer: i32,
    out: Strewn,
}

/// Strews a scene on its soil.
pub(super) fn strew(
    scene: &Scene,
    seat: &Seat,
    ground: &Ground,
    dice: Dice,
) -> Result<Strewn, SceneError> {
    let mut dice = dice;
    let hilum = palette::hilum(&mut dice);
    let mut s = Strewer {
        scene,
        seat,
        top: ground.relief.clone(),
        soil: ground.mean_colour(),
        hilum,
        chop: dice.between(3.75, 4.35),
        layer: 4000 + dice.below(5000) as i32,
        dice,
        out: Strewn::default(),
    };
    s.stones();
    if scene.ground.stubble {
        s.stubble();
    }
    s.layers()?;
    s.flecks();
    let mut bar_dice = Dice::new(scene.seed, 77);
    super::bars::build(seat, s.soil, &mut bar_dice, &mut s.out.pile);
    s.litter_on_bars();
    Ok(s.out)
}

impl Strewer<'_> {
    fn spot(&mut self) -> (f32, f32) {
        let (w, h) = (
            self.top.nx as f32 * self.top.step_mm,
            self.top.ny as f32 * self.top.step_mm,
        );
        (
            self.top.x0_mm + self.dice.unit() * w,
            self.top.y0_mm + self.dice.unit() * h,
        )
    }

    /// A spot, more often where residue drifted together.
    fn drifted(&mut self, strength: f32) -> (f32, f32) {
        for _ in 0..60 {
            let (x, y) = self.spot();
            let drift = (2.2 * rough2(x, y, 420.0, 3, 0.9, self.layer)).clamp(-2.0, 2.0);
            if self.dice.unit() < (strength * (drift - 2.0)).exp() {
                return (x, y);
            }
        }
        self.spot()
    }

    fn area_mm2(&self) -> f32 {
        self.top.nx as f32 * self.top.ny as f32 * self.top.step_mm * self.top.step_mm
    }

    fn area_ft2(&self) -> f32 {
        self.area_mm2() / (M2_PER_FT2 as f32 * 1e6)
    }

    fn thing(&mut self, stuff: Stuff, colour: V3, label: Label) -> Thing {
        let dirt = (self.dice.bell(0.35).abs() * (0.4 + self.scene.ground.wetness as f32)).min(0.8);
        Thing {
            stuff,
            colour,
            second: self.soil,
            dirt,
            seed: self.dice.unit(),
            label,
            turn: Turn::NONE,
        }
    }

    fn litter(&mut self, stuff: Stuff, kind: Residue) -> Thing {
        let g = &self.scene.ground;
        let (weathering, wetness) = (g.weathering as f32, g.wetness as f32);
        let colour = palette::residue(&mut self.dice, kind, weathering, wetness);
        self.thing(stuff, colour, Label::Residue)
    }

    /// Lays a body; what lies under the bars is pressed down.
    fn lay(
        &mut self,
        body: &Body,
        place: &Place,
        things: &[Thing],
        on_bars: bool,
    ) -> std::ops::Range<usize> {
        let seat = self.seat;
        let from = self.out.pile.facets.len();
        let room = if seat.is_pipe() {
            0.45 * seat.bar_mm()
        } else {
            seat.design.height_mm as f32 - 0.9
        };
        let framed = seat.design.bar != Bar::None && !on_bars;
        self.out.pile.lay(body, place, things, |p| {
            if framed && seat.under_bar(p.x, p.y, 0.0) {
                v3(p.x, p.y, p.z.min(seat.underside(p.x, p.y) + room))
            } else {
                p
            }
        });
        from..self.out.pile.facets.len()
    }
}

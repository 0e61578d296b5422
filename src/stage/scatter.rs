//! Strews the ground: stones, beans and pods, residue in layers, the frame, litter on its bars.

use crate::units::M2_PER_FT2;

use super::body::{Body, Pile, Place};
use super::chance::Dice;
use super::drop::{Plate, PlateRest, Rod, Roller};
use super::layout::Seat;
use super::maths::{Turn, V3, v3};
use super::noise::rough2;
use super::palette::{self, Residue};
use super::relief::Relief;
use super::residue;
use super::scene::{Amount, Bar, Scene, SceneError, Tilth};
use super::seed;
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
    fn lay(&mut self, body: &Body, place: &Place, things: &[Thing], on_bars: bool) -> std::ops::Range<usize> {
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

    fn stones(&mut self) {
        let n = (self.area_ft2() * self.scene.ground.stones_per_ft2 as f32) as usize;
        for _ in 0..n {
            let (x, y) = self.spot();
            let r = (1.1 + self.dice.bell(0.42)).exp().clamp(1.2, 10.0);
            if self.seat.under_bar(x, y, r) {
                continue;
            }
            let body = residue::stone(&mut self.dice, r);
            let z = self.top.at(x, y) + r * self.dice.between(-0.3, 0.4);
            let colour = palette::stone(&mut self.dice);
            let thing = self.thing(Stuff::Stone, colour, Label::Residue);
            let turn = Turn::roll_pitch_yaw(self.dice.angle(), self.dice.angle(), self.dice.angle());
            self.lay(&body, &Place { at: v3(x, y, z), turn }, &[thing], false);
            let roller = Roller { half: V3::all(r * 0.85), yaw: 0.0 };
            roller.pile_on(v3(x, y, z), &mut self.top);
        }
    }

    fn stubble(&mut self) {
        let spacing = self.dice.of(&[381.0, 508.0, 762.0]);
        let yaw = self.dice.of(&[0.0, std::f32::consts::FRAC_PI_2]) + self.dice.bell(0.14);
        let (s, c) = yaw.sin_cos();
        let (offset, height) = (self.dice.between(0.0, spacing), self.dice.between(25.0, 75.0));
        for row in -8..=8 {
            let across = row as f32 * spacing + offset;
            let mut along = -2400.0;
            while along < 2400.0 {
                along += self.dice.power(14.0, 260.0, 1.3);
                let a = across + self.dice.bell(9.0);
                let (x, y) = (along * c - a * s, along * s + a * c);
                let off = (x - self.top.x0_mm, y - self.top.y0_mm);
                let size = (self.top.nx as f32 * self.top.step_mm, self.top.ny as f32 * self.top.step_mm);
                if !(0.0..size.0).contains(&off.0) || !(0.0..size.1).contains(&off.1) || self.seat.under_bar(x, y, 12.0) {
                    continue;
                }
                let (h, r) = (height * self.dice.factor(0.2), self.dice.between(2.3, 4.4));
                let body = residue::stump(&mut self.dice, h, r);
                let things = [self.litter(Stuff::Stem, Residue::Stem), self.litter(Stuff::Pith, Residue::Stem)];
                let place = Place {
                    at: v3(x, y, self.top.at(x, y) - 4.0),
                    turn: Turn::roll_pitch_yaw(0.0, 0.0, self.dice.angle()),
                };
                self.lay(&body, &place, &things, false);
                self.top.raise(x, y, place.at.z + h * 0.4);
            }
        }
    }

    /// The order in which things fall: beans early and late, stems before chaff.
    fn order(&mut self) -> Vec<Item> {
        let cover = self.scene.ground.residue_cover as f32;
        let aim = -(1.0 - cover.min(0.9)).ln() * self.area_mm2() * (0.74 + 0.25 * cover);
        // Share of the covered area and mean area of one piece, mm².
        let kinds = [
            (Item::Stem, self.dice.between(0.28, 0.46), 400.0, 0.0),
            (Item::Split, self.dice.between(0.08, 0.18), 230.0, 0.0),
            (Item::Stalk, 0.05, 125.0, 0.05),
            (Item::Leaf, self.dice.between(0.12, 0.34), 290.0, -0.15),
            (Item::Chaff, self.dice.between(0.14, 0.28), 24.0, 0.18),
            (Item::Husk, self.dice.between(0.03, 0.08), 250.0, 0.1),
            (Item::SeedCoat, 0.008, 28.0, 0.18),
        ];
        let total: f32 = kinds.iter().map(|k| k.1).sum();
        let mut order: Vec<(f32, Item)> = Vec::new();
        for (item, share, area, late) in kinds {
            for _ in 0..(aim * share / total / area) as usize {
                order.push((self.dice.unit() + late, item));
            }
        }
        let (inside, outside) = self.amounts(self.scene.loss.beans);
        for (n, within) in [(inside, true), (outside, false)] {
            for _ in 0..n {
                let when = if self.dice.chance(0.42) { -1.0 } else { self.dice.between(0.1, 1.25) };
                order.push((when, Item::Bean(within)));
            }
        }
        let (inside, outside) = self.amounts(self.scene.loss.pods);
        for (n, within) in [(inside, true), (outside, false)] {
            for _ in 0..n {
                order.push((self.dice.between(0.15, 1.15), Item::Pod(within)));
            }
        }
        order.sort_by(|a, b| a.0.total_cmp(&b.0));
        order.into_iter().map(|o| o.1).collect()
    }

    /// How many inside the frame and how many outside.
    fn amounts(&mut self, amount: Amount) -> (usize, usize) {
        let frame_ft2 = self.scene.frame.spec.ground().ft2() as f32;
        let (inside, per_ft2) = match amount {
            Amount::Inside(n) => (n, n as f32 / frame_ft2),
            Amount::PerFt2(d) => (self.counted(d as f32 * frame_ft2), d as f32),
        };
        let rest = (self.area_ft2() - frame_ft2).max(0.0);
        (inside, self.counted(per_ft2 * rest))
    }

    /// A number drawn by chance about a mean (Poisson; for large means its bell curve).
    fn counted(&mut self, mean: f32) -> usize {
        if mean > 60.0 {
            return (mean + self.dice.bell(mean.sqrt())).round().max(0.0) as usize;
        }
        let (mut n, mut left) = (0, self.dice.unit());
        let mut p = (-mean).exp();
        while left > p && n < 400 {
            left -= p;
            n += 1;
            p *= mean / n as f32;
        }
        n
    }

    fn layers(&mut self) -> Result<(), SceneError> {
        let order = self.order();
        let first_late = order
            .iter()
            .position(|i| !matches!(i, Item::Bean(_)))
            .unwrap_or(order.len());
        for (k, item) in order.into_iter().enumerate() {
            match item {
                Item::Stem | Item::Split | Item::Stalk => self.rod(item, None),
                Item::Leaf => self.leaf(None),
                Item::Chaff => self.chaff(None),
                Item::Husk => self.husk(),
                Item::SeedCoat => self.seed_coat(),
                Item::Bean(inside) => self.bean(inside, k < first_late)?,
                Item::Pod(inside) => self.pod(inside)?,
            }
        }
        Ok(())
    }

    fn rod(&mut self, item: Item, on_bars: Option<(f32, f32)>) {
        let straw = self.scene.ground.straw && self.dice.chance(0.5);
        let (x, y) = on_bars.unwrap_or_else(|| self.drifted(0.45));
        let mut length = (self.chop + self.dice.bell(0.66)).exp().clamp(12.0, 260.0);
        let mut radius = self.dice.between(1.4, 3.9) * (0.8 + 0.2 * (length / 90.0).min(1.0));
        match item {
            Item::Split => length *= 0.75,
            Item::Stalk => {
                length = (4.2 + self.dice.bell(0.5)).exp().clamp(20.0, 180.0);
                radius = self.dice.between(0.55, 1.1);
            }
            _ if straw => radius = self.dice.between(1.2, 1.9),
            _ => {}
        }
        let body_radius = radius;
        if item == Item::Split {
            radius *= 0.55;
        }
        let rod = Rod { x, y, yaw: self.dice.angle(), length, radius };
        let Some(rod) = (if on_bars.is_some() { Some(rod) } else { self.clipped(rod) }) else {
            return;
        };
        let rest = rod.rest(&self.top);
        let (body, roll) = match item {
            Item::Split => (
                residue::split_stem(&mut self.dice, rod.length, body_radius),
                self.dice.of(&[0.0, std::f32::consts::PI]) + self.dice.bell(0.4),
            ),
            Item::Stalk => (residue::leaf_stalk(&mut self.dice, rod.length, radius), self.dice.bell(0.3)),
            _ => (residue::stem(&mut self.dice, rod.length, radius), self.dice.angle()),
        };
        let kind = if straw { Residue::Straw } else { Residue::Stem };
        let bark = self.litter(Stuff::Stem, kind);
        let pith = Thing { stuff: Stuff::Pith, ..bark };
        let place = Place {
            at: v3(rod.x, rod.y, rest.z),
            turn: Turn::roll_pitch_yaw(roll, rest.pitch, rod.yaw),
        };
        self.lay(&body, &place, &[bark, pith], on_bars.is_some());
        rod.pile_on(rest, &mut self.top);
    }

    /// A rod that runs under a bar ends there, out of sight; `None` when its middle is under the bar.
    fn clipped(&self, rod: Rod) -> Option<Rod> {
        if self.seat.design.bar == Bar::None {
            return Some(rod);
        }
        let half_bar = self.seat.bar_mm() / 2.0;
        let (s, c) = rod.yaw.sin_cos();
        let side = |t: f32| self.seat.inside_mm(rod.x + t * c, rod.y + t * s) + half_bar > 0.0;
        if self.seat.under_bar(rod.x, rod.y, -0.2 * half_bar) {
            return None;
        }
        let here = side(0.0);
        let reach = |sign: f32| {
            let mut t = 0.0;
            while t < rod.length / 2.0 && side(sign * t) == here {
                t += 1.5;
            }
            sign * t.min(rod.length / 2.0)
        };
        let (a, b) = (reach(-1.0), reach(1.0));
        let middle = (a + b) / 2.0;
        (b - a > 10.0).then_some(Rod {
            x: rod.x + middle * c,
            y: rod.y + middle * s,
            length: b - a,
            ..rod
        })
    }

    fn leaf(&mut self, on_bars: Option<(f32, f32)>) {
        let (x, y) = on_bars.unwrap_or_else(|| self.drifted(0.45));
        let r = (2.2 + self.dice.bell(0.42)).exp().clamp(3.5, 26.0);
        let long = self.dice.between(0.75, 1.3);
        let plate = Plate { x, y, yaw: self.dice.angle(), a: r * 0.85, b: r * 0.85 * long };
        let rest = plate.rest(&self.top);
        let body = residue::leaf(&mut self.dice, r).shaped(|p| v3(p.x, p.y * long, p.z));
        let thing = self.litter(Stuff::Leaf, Residue::Leaf);
        let place = self.place_plate(&plate, rest, 0.12);
        self.drape(&body, &place, &thing, on_bars.is_some());
        plate.pile_on(rest, 0.5, &mut self.top);
    }

    fn place_plate(&mut self, plate: &Plate, rest: PlateRest, unrest: f32) -> Place {
        let flip = if self.dice.chance(0.5) { std::f32::consts::PI } else { 0.0 };
        Place {
            at: v3(plate.x, plate.y, rest.z),
            turn: Turn::roll_pitch_yaw(
                rest.slope.1.atan() + self.dice.bell(unrest) + flip,
                -rest.slope.0.atan() + self.dice.bell(unrest),
                plate.yaw,
            ),
        }
    }

    /// Lays a sheet so that it nowhere dips below what it lies on.
    fn drape(&mut self, body: &Body, place: &Place, thing: &Thing, on_bars: bool) {
        let lifted: Vec<V3> = body
            .corners
            .iter()
            .map(|c| {
                let p = place.at + place.turn.apply(*c);
                let floor = self.top.at(p.x, p.y) + 0.15;
                // It gives half way: hard lumps dent it, the rest holds it up.
                let z = if p.z < floor { floor } else { p.z.min(floor + 0.55 * (p.z - floor) + 0.4) };
                place.turn.unapply(v3(p.x, p.y, z) - place.at)
            })
            .collect();
        let mut draped = body.clone();
        draped.corners = lifted;
        self.lay(&draped, place, &[*thing], on_bars);
    }

    fn chaff(&mut self, on_bars: Option<(f32, f32)>) {
        let (x, y) = on_bars.unwrap_or_else(|| self.drifted(0.5));
        let r = (1.1 + self.dice.bell(0.42)).exp().clamp(1.4, 8.0);
        let plate = Plate { x, y, yaw: self.dice.angle(), a: r, b: r * 0.7 };
        let rest = plate.rest(&self.top);
        let body = residue::chaff(&mut self.dice, r);
        let stuff = if self.dice.chance(0.5) { Stuff::Chaff } else { Stuff::PodWall };
        let thing = self.litter(stuff, Residue::Chaff);
        let place = self.place_plate(&plate, rest, 0.22);
        self.lay(&body, &place, &[thing], on_bars.is_some());
        plate.pile_on(rest, 0.5, &mut self.top);
    }

    fn seed_coat(&mut self) {
        let (x, y) = self.drifted(0.4);
        let plate = Plate { x, y, yaw: self.dice.angle(), a: 3.0, b: 3.0 };
        let rest = plate.rest(&self.top);
        let body = residue::seed_coat(&mut self.dice);
        let thing = self.litter(Stuff::PodWall, Residue::SeedCoat);
        let mut place = self.place_plate(&plate, rest, 0.3);
        place.at.z += 0.6;
        self.lay(&body, &place, &[thing], false);
        plate.pile_on(rest, 1.2, &mut self.top);
    }

    fn husk(&mut self) {
        let (x, y) = self.drifted(0.45);
        let (body, length) = residue::husk(&mut self.dice);
        let plate = Plate { x, y, yaw: self.dice.angle(), a: length / 2.0, b: 4.0 };
        if self.seat.under_bar(x, y, 0.0) {
            return;
        }
        let rest = plate.rest(&self.top);
        let thing = self.litter(Stuff::PodWall, Residue::Husk);
        let mut place = self.place_plate(&plate, rest, 0.2);
        place.at.z += 0.8;
        self.lay(&body, &place, &[thing], false);
        plate.pile_on(rest, 1.6, &mut self.top);
    }

    /// A place for a bean or pod: clear of the bars, inside or outside as asked.
    fn place_for(&mut self, inside: bool, clear_mm: f32) -> Option<(f32, f32)> {
        let (w, h) = self.seat.size_mm();
        for _ in 0..4000 {
            let (x, y) = if inside {
                let (u, v) = (self.dice.between(-0.5, 0.5), self.dice.between(-0.5, 0.5));
                self.seat.plan(u * w, v * h)
            } else {
                self.drifted(0.25)
            };
            if self.is_clear(x, y, inside, clear_mm) {
                return Some((x, y));
            }
        }
        None
    }

    fn is_clear(&self, x: f32, y: f32, inside: bool, clear_mm: f32) -> bool {
        let d = self.seat.inside_mm(x, y);
        if inside { d > clear_mm } else { d < -self.seat.bar_mm() - clear_mm }
    }

    fn bean(&mut self, inside: bool, early: bool) -> Result<(), SceneError> {
        let size = seed::bean_size(&mut self.dice);
        let half = self.dice.chance(self.scene.loss.split_share as f32);
        let roller = Roller { half: size * 0.5, yaw: self.dice.angle() };
        let near = self.out.beans.iter().rev().find(|b| b.inside == inside).map(|b| b.at);
        let mut found = None;
        for _ in 0..200 {
            let start = match near {
                Some(n) if self.dice.chance(self.scene.loss.cluster_share as f32) => {
                    Some((n.x + self.dice.bell(5.0), n.y + self.dice.bell(5.0)))
                }
                _ => self.place_for(inside, 0.5),
            };
            let Some((x, y)) = start else { break };
            let rest = roller.roll(x, y, 12, &self.top);
            if self.is_clear(rest.x, rest.y, inside, 0.5) {
                found = Some(rest);
                break;
            }
        }
        let number = self.out.beans.len() + 1;
        let rest = found.ok_or(SceneError::NoRoom { what: "bean", number })?;
        if half {
            self.lay_half(rest, size, &roller, inside);
        } else {
            self.lay_bean(rest, size, &roller, inside, early);
        }
        Ok(())
    }

    fn lay_bean(&mut self, rest: V3, size: V3, roller: &Roller, inside: bool, early: bool) {
        let sunk = if early {
            let u = self.dice.unit();
            let share = match u {
                _ if u < 0.14 => self.dice.between(0.25, 0.6),
                _ if u < 0.45 => self.dice.between(0.05, 0.25),
                _ => self.dice.between(0.0, 0.05),
            };
            share * size.z
        } else {
            0.0
        };
        let at = v3(rest.x, rest.y, rest.z - sunk);
        let roll_sd = if self.dice.chance(0.5) { 0.35 } else { 1.1 };
        let place = Place {
            at,
            turn: Turn::roll_pitch_yaw(self.dice.bell(roll_sd), self.dice.bell(0.25), roller.yaw),
        };
        let stretch = size / (2.0 * seed::TEXTURE_RADIUS_MM);
        let body = seed::bean(&mut self.dice);
        let coat = self.coat(sunk / size.z + if early { 0.15 } else { 0.0 });
        // The texture keeps the ball's own mm, so the stretch goes into the turn.
        let turn = Turn([
            place.turn.0[0] * stretch.x,
            place.turn.0[1] * stretch.y,
            place.turn.0[2] * stretch.z,
        ]);
        let facets = self.lay(&body, &Place { at, turn }, &[coat], false);
        roller.pile_on(at, &mut self.top);
        self.out.beans.push(LaidBean { at, half: false, inside, facets });
    }

    fn coat(&mut self, dirt: f32) -> Thing {
        let hilum = if self.dice.chance(0.8) { self.hilum } else { palette::hilum(&mut self.dice) };
        let wet = self.scene.ground.wetness as f32;
        Thing {
            stuff: Stuff::Coat,
            colour: palette::coat(&mut self.dice) * (1.0 - 0.15 * wet),
            second: hilum,
            dirt: (self.dice.bell(0.35).abs() * (0.5 + wet) + dirt).clamp(0.0, 1.0),
            seed: self.dice.unit(),
            label: Label::Bean(self.out.beans.len() as u32),
            turn: Turn::NONE,
        }
    }

    fn lay_half(&mut self, rest: V3, size: V3, roller: &Roller, inside: bool) {
        let face_up = self.dice.chance(0.55);
        let flip = if face_up { 0.0 } else { std::f32::consts::PI };
        let turn = Turn::roll_pitch_yaw(flip + self.dice.bell(0.25), self.dice.bell(0.25), roller.yaw);
        let stretch = size / (2.0 * seed::TEXTURE_RADIUS_MM);
        let turn = Turn([turn.0[0] * stretch.x, turn.0[1] * stretch.y, turn.0[2] * stretch.z]);
        // A half lies lower than a whole bean: round side down its face is where the middle was, flat side down it lies on it.
        let z = if face_up { rest.z - 0.2 } else { rest.z - 0.42 * size.z };
        let at = v3(rest.x, rest.y, z);
        let body = seed::half_bean(&mut self.dice);
        let coat = self.coat(0.05);
        let face = Thing { stuff: Stuff::Cotyledon, second: self.soil, dirt: coat.dirt * 0.5, ..coat };
        let facets = self.lay(&body, &Place { at, turn }, &[coat, face], false);
        let low = Roller { half: v3(roller.half.x, roller.half.y, 0.3), ..*roller };
        low.pile_on(v3(at.x, at.y, at.z + if face_up { 0.0 } else { 0.4 * size.z }), &mut self.top);
        self.out.beans.push(LaidBean { at, half: true, inside, facets });
    }

    fn pod(&mut self, inside: bool) -> Result<(), SceneError> {
        let beans = self.dice.weighted(&[(1usize, 0.12), (2, 0.38), (3, 0.44), (4, 0.06)]);
        let shape = seed::pod(&mut self.dice, beans);
        let number = self.out.pods.len() + 1;
        let clear = 6.0;
        let (x, y) = self
            .place_for(inside, clear)
            .ok_or(SceneError::NoRoom { what: "pod", number })?;
        let plate = Plate { x, y, yaw: self.dice.angle(), a: shape.length_mm / 2.0, b: shape.width_mm / 2.0 };
        let rest = plate.rest(&self.top);
        let lift = shape.half_thick_mm * self.dice.between(0.45, 0.9);
        let place = Place {
            at: v3(x, y, rest.z + lift),
            turn: Turn::roll_pitch_yaw(
                rest.slope.1.atan() + self.dice.bell(0.15),
                -rest.slope.0.atan(),
                plate.yaw,
            ),
        };
        let colour = palette::pod(&mut self.dice) * (1.0 - 0.35 * self.scene.ground.wetness as f32);
        let thing = self.thing(Stuff::Pod, colour, Label::Pod(self.out.pods.len() as u32));
        let facets = self.lay(&shape.body, &place, &[thing], false);
        plate.pile_on(rest, 1.7 * lift, &mut self.top);
        let end = |s: f32| place.at + place.turn.apply(v3(s * shape.length_mm / 2.0, 0.0, 0.0));
        self.out.pods.push(LaidPod {
            at: place.at,
            ends: [end(-1.0), end(1.0)],
            length_mm: shape.length_mm,
            width_mm: shape.width_mm,
            beans,
            inside,
            facets,
        });
        Ok(())
    }

    /// Crumbs of residue too small to have a shape.
    fn flecks(&mut self) {
        let cover = self.scene.ground.residue_cover as f32;
        let crust = if self.scene.ground.tilth == Tilth::Crust { 0.8 } else { 1.0 };
        let n = self.area_mm2() / 240.0 * (0.15 + 1.3 * cover) * crust;
        for _ in 0..n as usize {
            let (x, y) = self.drifted(0.6);
            let r = self.dice.power(0.55, 4.2, 2.2);
            let body = residue::fleck(&mut self.dice, r);
            let kind = self.dice.weighted(&[
                (Residue::Chaff, 0.62),
                (Residue::Stem, 0.22),
                (Residue::Leaf, 0.16),
            ]);
            let thing = self.litter(Stuff::Chaff, kind);
            let place = Place {
                at: v3(x, y, self.top.at(x, y) + 0.25),
                turn: Turn::roll_pitch_yaw(self.dice.bell(0.3), self.dice.bell(0.3), self.dice.angle()),
            };
            self.lay(&body, &place, &[thing], false);
        }
    }

    fn litter_on_bars(&mut self) {
        if self.seat.design.bar == Bar::None {
            return;
        }
        self.raise_bars();
        let (w, h) = self.seat.size_mm();
        let around = if self.seat.is_ring() { std::f32::consts::PI * w } else { 2.0 * (w + h) };
        let n = self.counted(around / 1000.0 * self.seat.design.litter_per_m as f32);
        for _ in 0..n {
            let (x, y) = self.seat.bar_spot(&mut self.dice);
            let spot = Some((x + self.dice.bell(9.0), y + self.dice.bell(9.0)));
            let what = self.dice.weighted(&[
                (Item::Stem, 0.4),
                (Item::Split, 0.15),
                (Item::Stalk, 0.1),
                (Item::Leaf, 0.2),
                (Item::Chaff, 0.15),
            ]);
            match what {
                Item::Leaf => self.leaf(spot),
                Item::Chaff => self.chaff(spot),
                rod => self.rod(rod, spot),
            }
        }
    }

    /// Puts the bars into what things come to rest on.
    fn raise_bars(&mut self) {
        let (b, seat) = (self.seat.bar_mm(), self.seat);
        for j in 0..self.top.ny {
            for i in 0..self.top.nx {
                let (x, y) = self.top.place(i, j);
                let d = seat.inside_mm(x, y);
                if d > 0.0 || d < -b {
                    continue;
                }
                let up = if seat.is_pipe() {
                    let off = d + b / 2.0;
                    b / 2.0 + (b * b / 4.0 - off * off).max(0.0).sqrt()
                } else {
                    seat.design.height_mm as f32
                };
                let z = seat.underside(x, y) + up;
                self.top.raise(x, y, z);
            }
        }
    }
}

//! Stones, stubble and residue: what the crop and the machine left.

use super::super::body::Body;
use super::super::body::Place;
use super::super::drop::{Plate, PlateRest, Rod, Roller};
use super::super::maths::{Turn, V3, v3};
use super::super::palette::{self, Residue};
use super::super::residue;
use super::super::scene::{Bar, Tilth};
use super::super::stuff::{Label, Stuff, Thing};
use super::{Item, Strewer};

impl Strewer<'_> {
    pub(super) fn stones(&mut self) {
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
            let turn =
                Turn::roll_pitch_yaw(self.dice.angle(), self.dice.angle(), self.dice.angle());
            self.lay(
                &body,
                &Place {
                    at: v3(x, y, z),
                    turn,
                },
                &[thing],
                false,
            );
            let roller = Roller {
                half: V3::all(r * 0.85),
                yaw: 0.0,
            };
            roller.pile_on(v3(x, y, z), &mut self.top);
        }
    }

    pub(super) fn stubble(&mut self) {
        let spacing = self.dice.of(&[381.0, 508.0, 762.0]);
        let yaw = self.dice.of(&[0.0, std::f32::consts::FRAC_PI_2]) + self.dice.bell(0.14);
        let (s, c) = yaw.sin_cos();
        let (offset, height) = (
            self.dice.between(0.0, spacing),
            self.dice.between(25.0, 75.0),
        );
        for row in -8..=8 {
            let across = row as f32 * spacing + offset;
            let mut along = -2400.0;
            while along < 2400.0 {
                along += self.dice.power(14.0, 260.0, 1.3);
                let a = across + self.dice.bell(9.0);
                let (x, y) = (along * c - a * s, along * s + a * c);
                let off = (x - self.top.x0_mm, y - self.top.y0_mm);
                let size = (
                    self.top.nx as f32 * self.top.step_mm,
                    self.top.ny as f32 * self.top.step_mm,
                );
                if !(0.0..size.0).contains(&off.0)
                    || !(0.0..size.1).contains(&off.1)
                    || self.seat.under_bar(x, y, 12.0)
                {
                    continue;
                }
                let (h, r) = (height * self.dice.factor(0.2), self.dice.between(2.3, 4.4));
                let body = residue::stump(&mut self.dice, h, r);
                let things = [
                    self.litter(Stuff::Stem, Residue::Stem),
                    self.litter(Stuff::Pith, Residue::Stem),
                ];
                let place = Place {
                    at: v3(x, y, self.top.at(x, y) - 4.0),
                    turn: Turn::roll_pitch_yaw(0.0, 0.0, self.dice.angle()),
                };
                self.lay(&body, &place, &things, false);
                self.top.raise(x, y, place.at.z + h * 0.4);
            }
        }
    }

    pub(super) fn rod(&mut self, item: Item, on_bars: Option<(f32, f32)>) {
        let straw = self.scene.ground.straw && self.dice.chance(0.5);
        let (x, y) = on_bars.unwrap_or_else(|| self.drifted(0.45));
        let (length, mut radius) = self.rod_size(item, straw);
        let body_radius = radius;
        if item == Item::Split {
            radius *= 0.55;
        }
        let rod = Rod {
            x,
            y,
            yaw: self.dice.angle(),
            length,
            radius,
        };
        let Some(rod) = (if on_bars.is_some() {
            Some(rod)
        } else {
            self.clipped(rod)
        }) else {
            return;
        };
        let rest = rod.rest(&self.top);
        let (body, roll) = match item {
            Item::Split => (
                residue::split_stem(&mut self.dice, rod.length, body_radius),
                self.dice.of(&[0.0, std::f32::consts::PI]) + self.dice.bell(0.4),
            ),
            Item::Stalk => (
                residue::leaf_stalk(&mut self.dice, rod.length, radius),
                self.dice.bell(0.3),
            ),
            _ => (
                residue::stem(&mut self.dice, rod.length, radius),
                self.dice.angle(),
            ),
        };
        let kind = if straw { Residue::Straw } else { Residue::Stem };
        let bark = self.litter(Stuff::Stem, kind);
        let pith = Thing {
            stuff: Stuff::Pith,
            ..bark
        };
        let place = Place {
            at: v3(rod.x, rod.y, rest.z),
            turn: Turn::roll_pitch_yaw(roll, rest.pitch, rod.yaw),
        };
        self.lay(&body, &place, &[bark, pith], on_bars.is_some());
        rod.pile_on(rest, &mut self.top);
    }

    /// Length and radius of a stem, strip or stalk, mm.
    fn rod_size(&mut self, item: Item, straw: bool) -> (f32, f32) {
        let mut length = (self.chop + self.dice.bell(0.66)).exp().clamp(12.0, 260.0);
        let mut radius =
            (1.2 + 2.7 * self.dice.unit().powf(1.5)) * (0.8 + 0.2 * (length / 90.0).min(1.0));
        match item {
            Item::Split => length *= 0.75,
            Item::Stalk => {
                length = (4.2 + self.dice.bell(0.5)).exp().clamp(20.0, 180.0);
                radius = self.dice.between(0.55, 1.1);
            }
            _ if straw => radius = self.dice.between(1.2, 1.9),
            _ => {}
        }
        (length, radius)
    }

    /// A rod that runs under a bar ends there, out of sight; `None` when its middle is under the bar.
    pub(super) fn clipped(&self, rod: Rod) -> Option<Rod> {
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

    pub(super) fn leaf(&mut self, on_bars: Option<(f32, f32)>) {
        let (x, y) = on_bars.unwrap_or_else(|| self.drifted(0.45));
        let r = (2.2 + self.dice.bell(0.42)).exp().clamp(3.5, 26.0);
        let long = self.dice.between(0.75, 1.3);
        let plate = Plate {
            x,
            y,
            yaw: self.dice.angle(),
            a: r * 0.85,
            b: r * 0.85 * long,
        };
        let rest = plate.rest(&self.top);
        let body = residue::leaf(&mut self.dice, r).shaped(|p| v3(p.x, p.y * long, p.z));
        let thing = self.litter(Stuff::Leaf, Residue::Leaf);
        let place = self.place_plate(&plate, rest, 0.12);
        self.drape(&body, &place, &thing, on_bars.is_some());
        plate.pile_on(rest, 0.5, &mut self.top);
    }

    pub(super) fn place_plate(&mut self, plate: &Plate, rest: PlateRest, unrest: f32) -> Place {
        let flip = if self.dice.chance(0.5) {
            std::f32::consts::PI
        } else {
            0.0
        };
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
    pub(super) fn drape(&mut self, body: &Body, place: &Place, thing: &Thing, on_bars: bool) {
        let lifted: Vec<V3> = body
            .corners
            .iter()
            .map(|c| {
                let p = place.at + place.turn.apply(*c);
                let near = 1.6;
                let floor = [
                    (0.0, 0.0),
                    (near, 0.0),
                    (-near, 0.0),
                    (0.0, near),
                    (0.0, -near),
                ]
                .iter()
                .map(|(dx, dy)| self.top.at(p.x + dx, p.y + dy))
                .fold(f32::MIN, f32::max)
                    + 0.1;
                // It gives half way: hard lumps dent it, the rest holds it up.
                let z = if p.z < floor {
                    floor
                } else {
                    p.z.min(floor + 0.8 * (p.z - floor) + 0.4)
                };
                place.turn.unapply(v3(p.x, p.y, z) - place.at)
            })
            .collect();
        let mut draped = body.clone();
        draped.corners = lifted;
        self.lay(&draped, place, &[*thing], on_bars);
    }

    pub(super) fn chaff(&mut self, on_bars: Option<(f32, f32)>) {
        let (x, y) = on_bars.unwrap_or_else(|| self.drifted(0.5));
        let r = (1.1 + self.dice.bell(0.42)).exp().clamp(1.4, 8.0);
        let plate = Plate {
            x,
            y,
            yaw: self.dice.angle(),
            a: r,
            b: r * 0.7,
        };
        let rest = plate.rest(&self.top);
        let body = residue::chaff(&mut self.dice, r);
        let stuff = if self.dice.chance(0.5) {
            Stuff::Chaff
        } else {
            Stuff::PodWall
        };
        let thing = self.litter(stuff, Residue::Chaff);
        let place = self.place_plate(&plate, rest, 0.22);
        self.lay(&body, &place, &[thing], on_bars.is_some());
        plate.pile_on(rest, 0.5, &mut self.top);
    }

    pub(super) fn seed_coat(&mut self) {
        let (x, y) = self.drifted(0.4);
        let plate = Plate {
            x,
            y,
            yaw: self.dice.angle(),
            a: 3.0,
            b: 3.0,
        };
        let rest = plate.rest(&self.top);
        let body = residue::seed_coat(&mut self.dice);
        let thing = self.litter(Stuff::PodWall, Residue::SeedCoat);
        let mut place = self.place_plate(&plate, rest, 0.3);
        place.at.z += 0.6;
        self.lay(&body, &place, &[thing], false);
        plate.pile_on(rest, 1.2, &mut self.top);
    }

    pub(super) fn husk(&mut self) {
        let (x, y) = self.drifted(0.45);
        let (body, length) = residue::husk(&mut self.dice);
        let plate = Plate {
            x,
            y,
            yaw: self.dice.angle(),
            a: length / 2.0,
            b: 4.0,
        };
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

    /// Crumbs of residue too small to have a shape.
    pub(super) fn flecks(&mut self) {
        let cover = self.scene.ground.residue_cover as f32;
        let crust = if self.scene.ground.tilth == Tilth::Crust {
            0.8
        } else {
            1.0
        };
        let n = self.area_mm2() / 190.0 * (0.15 + 1.3 * cover) * crust;
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
                turn: Turn::roll_pitch_yaw(
                    self.dice.bell(0.3),
                    self.dice.bell(0.3),
                    self.dice.angle(),
                ),
            };
            self.lay(&body, &place, &[thing], false);
        }
    }

    pub(super) fn litter_on_bars(&mut self) {
        if self.seat.design.bar == Bar::None {
            return;
        }
        self.raise_bars();
        let (w, h) = self.seat.size_mm();
        let around = if self.seat.is_ring() {
            std::f32::consts::PI * w
        } else {
            2.0 * (w + h)
        };
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
    pub(super) fn raise_bars(&mut self) {
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

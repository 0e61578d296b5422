//! Beans, split halves and pods: what the count is about.

use super::super::body::Place;
use super::super::drop::{Plate, Roller};
use super::super::maths::{Turn, V3, v3};
use super::super::palette;
use super::super::scene::SceneError;
use super::super::seed;
use super::super::stuff::{Label, Stuff, Thing};
use super::{LaidBean, LaidPod, Strewer};

impl Strewer<'_> {
    /// A place for a bean or pod: clear of the bars, inside or outside as asked.
    pub(super) fn place_for(&mut self, inside: bool, clear_mm: f32) -> Option<(f32, f32)> {
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

    pub(super) fn is_clear(&self, x: f32, y: f32, inside: bool, clear_mm: f32) -> bool {
        let d = self.seat.inside_mm(x, y);
        if inside {
            d > clear_mm
        } else {
            d < -self.seat.bar_mm() - clear_mm
        }
    }

    pub(super) fn bean(&mut self, inside: bool, early: bool) -> Result<(), SceneError> {
        let size = seed::bean_size(&mut self.dice);
        let half = self.dice.chance(self.scene.loss.split_share as f32);
        let roller = Roller {
            half: size * 0.5,
            yaw: self.dice.angle(),
        };
        let near = self
            .out
            .beans
            .iter()
            .rev()
            .find(|b| b.inside == inside)
            .map(|b| b.at);
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
        let rest = found.ok_or(SceneError::NoRoom {
            what: "bean",
            number,
        })?;
        if half {
            self.lay_half(rest, size, &roller, inside);
        } else {
            self.lay_bean(rest, size, &roller, inside, early);
        }
        Ok(())
    }

    pub(super) fn lay_bean(
        &mut self,
        rest: V3,
        size: V3,
        roller: &Roller,
        inside: bool,
        early: bool,
    ) {
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
        self.out.beans.push(LaidBean {
            at,
            half: false,
            inside,
            facets,
        });
    }

    pub(super) fn coat(&mut self, dirt: f32) -> Thing {
        let hilum = if self.dice.chance(0.8) {
            self.hilum
        } else {
            palette::hilum(&mut self.dice)
        };
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

    pub(super) fn lay_half(&mut self, rest: V3, size: V3, roller: &Roller, inside: bool) {
        let face_up = self.dice.chance(0.55);
        let flip = if face_up { 0.0 } else { std::f32::consts::PI };
        let turn = Turn::roll_pitch_yaw(
            flip + self.dice.bell(0.25),
            self.dice.bell(0.25),
            roller.yaw,
        );
        let stretch = size / (2.0 * seed::TEXTURE_RADIUS_MM);
        let turn = Turn([
            turn.0[0] * stretch.x,
            turn.0[1] * stretch.y,
            turn.0[2] * stretch.z,
        ]);
        // A half lies lower than a whole bean: round side down its face is where the middle was, flat side down it lies on it.
        let z = if face_up {
            rest.z - 0.2
        } else {
            rest.z - 0.42 * size.z
        };
        let at = v3(rest.x, rest.y, z);
        let body = seed::half_bean(&mut self.dice);
        let coat = self.coat(0.05);
        let face = Thing {
            stuff: Stuff::Cotyledon,
            second: self.soil,
            dirt: coat.dirt * 0.5,
            ..coat
        };
        let facets = self.lay(&body, &Place { at, turn }, &[coat, face], false);
        let low = Roller {
            half: v3(roller.half.x, roller.half.y, 0.3),
            ..*roller
        };
        low.pile_on(
            v3(at.x, at.y, at.z + if face_up { 0.0 } else { 0.4 * size.z }),
            &mut self.top,
        );
        self.out.beans.push(LaidBean {
            at,
            half: true,
            inside,
            facets,
        });
    }

    pub(super) fn pod(&mut self, inside: bool) -> Result<(), SceneError> {
        let beans = self
            .dice
            .weighted(&[(1usize, 0.12), (2, 0.38), (3, 0.44), (4, 0.06)]);
        let shape = seed::pod(&mut self.dice, beans);
        let number = self.out.pods.len() + 1;
        let clear = 6.0;
        let (x, y) = self.place_for(inside, clear).ok_or(SceneError::NoRoom {
            what: "pod",
            number,
        })?;
        let plate = Plate {
            x,
            y,
            yaw: self.dice.angle(),
            a: shape.length_mm / 2.0,
            b: shape.width_mm / 2.0,
        };
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
}

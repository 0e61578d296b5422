//! The bare soil: its surface and its colour.

use rayon::prelude::*;

use super::chance::{Dice, scramble};
use super::maths::{V3, linear, v3};
use super::noise::{noise2, rough2, rough3};
use super::relief::Relief;
use super::scene::{GroundDesign, Soil, Tilth};

/// Soil ready to be looked at.
#[derive(Debug, Clone)]
pub(super) struct Ground {
    pub relief: Relief,
    /// How far each grid point stands above its surroundings, mm.
    stands_mm: Vec<f32>,
    base: V3,
    wetness: f32,
    layer: i32,
}

/// Dry colours, linear, near the named colours of moist-to-dry field soils (practice).
fn dry_colour(soil: Soil) -> V3 {
    match soil {
        Soil::Black => linear(66, 58, 51),
        Soil::DarkBrown => linear(92, 76, 61),
        Soil::Brown => linear(124, 101, 78),
        Soil::Red => linear(128, 94, 72),
        Soil::Pale => linear(172, 147, 117),
        Soil::Grey => linear(138, 126, 107),
    }
}

/// Clods as heights 0 to 1 over a square of this many points a side.
const STAMP: usize = 40;

fn clod_stamp(dice: &mut Dice) -> Vec<f32> {
    let cuts: Vec<(V3, f32)> = (0..14)
        .map(|_| {
            let d = dice.direction();
            (
                v3(d.x, d.y, d.z.abs() * 0.9 + 0.12).unit(),
                dice.between(0.6, 0.95),
            )
        })
        .collect();
    let seed = dice.between(0.0, 200.0);
    let mut out = Vec::with_capacity(STAMP * STAMP);
    for j in 0..STAMP {
        for i in 0..STAMP {
            let x = 2.0 * (i as f32 + 0.5) / STAMP as f32 - 1.0;
            let y = 2.0 * (j as f32 + 0.5) / STAMP as f32 - 1.0;
            let wx = x + 0.12 * noise2(x * 2.0 + seed, y * 2.0, 5);
            let wy = y + 0.12 * noise2(x * 2.0, y * 2.0 + seed, 6);
            let ball = 0.95 - wx * wx - wy * wy;
            let mut z = if ball > 0.0 { ball.sqrt() } else { -1.0 };
            for (n, d) in &cuts {
                z = z.min((d - n.x * wx - n.y * wy) / n.z);
            }
            let rough = 1.0 + 0.22 * rough3(v3(x * 3.0, y * 3.0, seed), 3, 0.65);
            out.push(if z > 0.03 {
                (z * rough).clamp(0.0, 1.2)
            } else {
                -1.0
            });
        }
    }
    out
}

impl Ground {
    /// Soil over a rectangle, its grid no finer than `fine_mm`.
    pub fn make(
        design: &GroundDesign,
        low: (f32, f32),
        high: (f32, f32),
        fine_mm: f32,
        dice: &mut Dice,
    ) -> Self {
        let area = (high.0 - low.0) * (high.1 - low.1);
        let step = (area / 4.2e6).sqrt().max(0.55).max(fine_mm);
        let mut relief = Relief::flat(low, high, step);
        let layer = (dice.bits() & 0xffff) as i32 * 7;
        shape(&mut relief, design.tilth, layer, dice.between(3.5, 6.5));
        stamp_clods(&mut relief, design.tilth, dice, layer);
        every_point(&mut relief, |x, y, h| {
            h + 0.5 * rough2(x, y, 4.2, 3, 0.5, layer + 3)
        });
        Self {
            relief,
            stands_mm: Vec::new(),
            base: dry_colour(design.soil),
            wetness: design.wetness as f32,
            layer,
        }
    }

    /// Prepares for tracing; call after the last change of the relief.
    pub fn settle(&mut self) {
        self.relief.settle();
        let reach = (8.0 / self.relief.step_mm).round().max(1.0) as usize;
        let soft = box_blur(&self.relief.height_mm, self.relief.nx, reach);
        self.stands_mm = self
            .relief
            .height_mm
            .iter()
            .zip(&soft)
            .map(|(h, s)| h - s)
            .collect();
    }

    /// Colour of the soil at a place of its surface, linear.
    pub fn colour(&self, p: V3) -> V3 {
        let l = self.layer + 10;
        let (i, j) = self.relief.cell(p.x, p.y);
        let stands = self
            .stands_mm
            .get(j * self.relief.nx + i)
            .copied()
            .unwrap_or(0.0);
        let wet = (self.wetness * (1.0 + 0.9 * rough2(p.x, p.y, 330.0, 3, 1.0, l))
            - 0.045 * stands * (0.3 + self.wetness))
            .clamp(0.0, 1.0);
        // Each clod has a shade of its own.
        let dark = 1.12 - 0.55 * wet;
        let coarse = rough2(p.x, p.y, 60.0, 4, 0.6, l + 1);
        let grain = rough3(p * 0.42, 4, 0.85);
        let value = dark * (0.24 * coarse + 0.95 * grain + 0.05 * stands.clamp(-4.0, 4.0)).exp();
        let tint = noise2(p.x / 140.0, p.y / 140.0, l + 2);
        let c = self
            .base
            .times(v3(1.0 + 0.07 * tint, 1.0, 1.0 - 0.09 * tint))
            * value;
        speck(p, self.layer, c).clamp(0.0, 0.9)
    }

    /// The soil's plain colour at its wetness, linear.
    pub fn mean_colour(&self) -> V3 {
        self.base * (1.12 - 0.55 * self.wetness)
    }
}

/// Sets every height from its place and what it was.
fn every_point(relief: &mut Relief, height: impl Fn(f32, f32, f32) -> f32 + Sync) {
    let (nx, x0, y0, step) = (relief.nx, relief.x0_mm, relief.y0_mm, relief.step_mm);
    relief
        .height_mm
        .par_chunks_mut(nx)
        .enumerate()
        .for_each(|(j, row)| {
            let y = y0 + j as f32 * step;
            for (i, h) in row.iter_mut().enumerate() {
                *h = height(x0 + i as f32 * step, y, *h);
            }
        });
}

/// The soil before clods lie on it: long waves of `waves_mm`, lumps, crumbs, cracks.
fn shape(relief: &mut Relief, tilth: Tilth, layer: i32, waves_mm: f32) {
    let (lumps, fine) = match tilth {
        Tilth::Crumb => (2.2, 0.95),
        Tilth::Cloddy => (3.6, 0.95),
        Tilth::Crust => (1.0, 0.35),
    };
    every_point(relief, |x, y, _| {
        let h = waves_mm * rough2(x, y, 520.0, 3, 1.2, layer)
            + lumps * rough2(x, y, 85.0, 5, 0.95, layer + 1)
            + 0.9 * rough2(x, y, 22.0, 4, 0.6, layer + 2).abs()
            + fine * rough2(x, y, 9.0, 3, 0.6, layer + 8);
        if tilth == Tilth::Crust {
            h - crack(x, y, layer)
        } else {
            h
        }
    });
}

/// Mineral grains and bits of humus.
fn speck(p: V3, layer: i32, c: V3) -> V3 {
    const SIDE: f32 = 1.3;
    let (u, v) = (p.x / SIDE, p.y / SIDE);
    let (i, j) = (u.floor(), v.floor());
    let h =
        scramble((i as i64 as u64) << 32 ^ (j as i64 as u64 & 0xffff_ffff) ^ (layer as u64) << 20);
    let part = |k: u32| ((h >> k) & 0xff) as f32 / 255.0;
    let (cx, cy) = (0.25 + 0.5 * part(0), 0.25 + 0.5 * part(8));
    let size = 0.10 + 0.32 * part(16);
    let d = (u - i - cx).hypot((v - j - cy) * (0.6 + part(24)));
    if d > size {
        return c;
    }
    match (h >> 32) % 1000 {
        0..28 => c * 0.42,
        28..44 => c * 0.45 + linear(196, 178, 150) * 0.45,
        44..58 => c * 0.5 + linear(150, 110, 70) * 0.4,
        _ => c,
    }
}

/// Depth of a drying crack there, mm.
fn crack(x: f32, y: f32, layer: i32) -> f32 {
    const SIDE: f32 = 55.0;
    let wx = x + 6.0 * rough2(x, y, 40.0, 3, 0.8, layer + 4);
    let wy = y + 6.0 * rough2(x, y, 40.0, 3, 0.8, layer + 5);
    let (u, v) = (wx / SIDE, wy / SIDE);
    let (i, j) = (u.floor() as i32, v.floor() as i32);
    let (mut first, mut second) = (f32::MAX, f32::MAX);
    for dj in -1..=1 {
        for di in -1..=1 {
            let (ci, cj) = (i + di, j + dj);
            let h = scramble((ci as u32 as u64) << 32 | cj as u32 as u64);
            let px = ci as f32 + (h & 0xffff) as f32 / 65535.0;
            let py = cj as f32 + (h >> 16 & 0xffff) as f32 / 65535.0;
            let d = (u - px).hypot(v - py);
            if d < first {
                second = first;
                first = d;
            } else if d < second {
                second = d;
            }
        }
    }
    let edge = (second - first) * SIDE;
    let here = (rough2(x, y, 320.0, 2, 1.0, layer + 6) * 1.5 + 0.35).clamp(0.0, 1.0);
    3.8 * here * (-(edge / 2.0).powi(2)).exp()
}

fn stamp_clods(relief: &mut Relief, tilth: Tilth, dice: &mut Dice, layer: i32) {
    let stamps: Vec<Vec<f32>> = (0..12).map(|_| clod_stamp(dice)).collect();
    let (per_mm2, most, exponent) = match tilth {
        Tilth::Crumb => (1.0 / 11.0, 10.0, 2.0),
        Tilth::Cloddy => (1.0 / 14.0, 24.0, 1.75),
        Tilth::Crust => (1.0 / 70.0, 7.0, 2.3),
    };
    let area = relief.nx as f32 * relief.ny as f32 * relief.step_mm * relief.step_mm;
    let mut sizes: Vec<f32> = (0..(area * per_mm2) as usize)
        .map(|_| dice.power(1.25, most * 0.9, exponent))
        .collect();
    sizes.sort_by(|a, b| b.total_cmp(a));
    for r in sizes {
        let x = relief.x0_mm + dice.unit() * relief.nx as f32 * relief.step_mm;
        let y = relief.y0_mm + dice.unit() * relief.ny as f32 * relief.step_mm;
        if rough2(x, y, 280.0, 2, 1.0, layer + 7) < -0.25 && dice.chance(0.55) {
            continue;
        }
        let base = relief.at(x, y);
        let stamp = &stamps[dice.below(stamps.len())];
        let (lift, turn) = (dice.between(0.6, 1.2), dice.angle());
        let squash = dice.between(0.7, 1.0);
        let (s, c) = turn.sin_cos();
        let n = (r / relief.step_mm).ceil() as i32;
        let (ci, cj) = relief.cell(x, y);
        for dj in -n..=n {
            for di in -n..=n {
                let (i, j) = (ci as i32 + di, cj as i32 + dj);
                if i < 0 || j < 0 || i >= relief.nx as i32 || j >= relief.ny as i32 {
                    continue;
                }
                let (px, py) = relief.place(i as usize, j as usize);
                let (dx, dy) = ((px - x) / r, (py - y) / r);
                let (u, v) = (dx * c + dy * s, (-dx * s + dy * c) / squash);
                if u.abs() >= 1.0 || v.abs() >= 1.0 {
                    continue;
                }
                let k = |w: f32| ((w + 1.0) / 2.0 * STAMP as f32) as usize;
                let z = stamp[k(v).min(STAMP - 1) * STAMP + k(u).min(STAMP - 1)];
                if z > 0.0 {
                    let h = &mut relief.height_mm[j as usize * relief.nx + i as usize];
                    *h = h.max(base - 0.22 * r + z * r * lift);
                }
            }
        }
    }
}

/// Mean over a square of 2 · reach + 1 points a side.
fn box_blur(field: &[f32], nx: usize, reach: usize) -> Vec<f32> {
    let ny = field.len() / nx;
    let slide = |get: &dyn Fn(usize) -> f32, n: usize, out: &mut dyn FnMut(usize, f32)| {
        let at = |i: isize| get(i.clamp(0, n as isize - 1) as usize);
        let r = reach as isize;
        let mut sum: f64 = (-r..=r).map(|i| f64::from(at(i))).sum();
        for i in 0..n as isize {
            out(i as usize, (sum / (2 * r + 1) as f64) as f32);
            sum += f64::from(at(i + r + 1)) - f64::from(at(i - r));
        }
    };
    let mut rows = vec![0.0; field.len()];
    for j in 0..ny {
        let row = &field[j * nx..(j + 1) * nx];
        slide(&|i| row[i], nx, &mut |i, v| rows[j * nx + i] = v);
    }
    let mut out = vec![0.0; field.len()];
    for i in 0..nx {
        slide(&|j| rows[j * nx + i], ny, &mut |j, v| out[j * nx + i] = v);
    }
    out
}

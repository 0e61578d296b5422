//! How things come to rest on what lies there already.

use super::maths::V3;
use super::relief::Relief;

/// A rod at rest: height of its middle and how it pitches (radians; positive: +x end down).
#[derive(Debug, Clone, Copy)]
pub(super) struct RodRest {
    pub z: f32,
    pub pitch: f32,
}

/// A rod to lay down.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rod {
    pub x: f32,
    pub y: f32,
    pub yaw: f32,
    pub length: f32,
    pub radius: f32,
}

impl Rod {
    fn spot(&self, along: f32, across: f32) -> (f32, f32) {
        let (s, c) = self.yaw.sin_cos();
        (
            self.x + along * c - across * s,
            self.y + along * s + across * c,
        )
    }

    /// Lays the rod across the two highest supports either side of its middle (the upper hull of what lies below).
    pub fn rest(&self, top: &Relief) -> RodRest {
        let n = ((self.length / 4.0) as usize).clamp(7, 60);
        let at = |i: usize| (i as f32 / (n - 1) as f32 - 0.5) * self.length * 0.98;
        let side = self.radius * 0.6;
        let heights: Vec<f32> = (0..n)
            .map(|i| {
                let h = |across: f32| {
                    let (x, y) = self.spot(at(i), across);
                    top.at(x, y)
                };
                h(0.0).max(h(side).max(h(-side)) - self.radius * 0.2)
            })
            .collect();
        let (mut z, mut slope) = (f32::MIN, 0.0);
        for i in 0..n / 2 {
            for j in n / 2..n {
                if at(i) >= 0.0 || at(j) <= 0.0 {
                    continue;
                }
                let m = (heights[j] - heights[i]) / (at(j) - at(i));
                let middle = heights[i] - m * at(i);
                if middle > z {
                    (z, slope) = (middle, m);
                }
            }
        }
        let slope = slope.clamp(-0.6, 0.6);
        let z = (0..n)
            .map(|i| heights[i] - slope * at(i))
            .fold(f32::MIN, f32::max);
        // It sinks in a little: crumbs give way, straw below is pressed together and the rod itself bends.
        let gap = (0..n).map(|i| z + slope * at(i) - heights[i]).sum::<f32>() / n as f32;
        RodRest {
            z: z + self.radius * 0.85 - 0.3 - 0.35 * gap.min(6.0),
            pitch: -slope.atan(),
        }
    }

    /// Makes what is dropped later rest on this rod.
    pub fn pile_on(&self, rest: RodRest, top: &mut Relief) {
        let step = top.step_mm * 0.9;
        let n = (self.length / step) as usize + 2;
        let m = ((2.0 * self.radius / step) as usize).max(1);
        for i in 0..n {
            let along = (i as f32 / (n - 1) as f32 - 0.5) * self.length;
            for k in 0..=m {
                let across = (2.0 * k as f32 / m as f32 - 1.0) * self.radius * 0.95;
                let (x, y) = self.spot(along, across);
                let arch = (self.radius * self.radius - across * across)
                    .max(0.0)
                    .sqrt();
                top.raise(x, y, rest.z - along * rest.pitch.tan() + arch * 0.9);
            }
        }
    }
}

/// A plate at rest: height of its middle and its slopes.
#[derive(Debug, Clone, Copy)]
pub(super) struct PlateRest {
    pub z: f32,
    pub slope: (f32, f32),
}

/// A flat thing of half sizes `a` by `b`, turned by `yaw`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Plate {
    pub x: f32,
    pub y: f32,
    pub yaw: f32,
    pub a: f32,
    pub b: f32,
}

impl Plate {
    /// Lays the plate on the plane through what lies below, held up by the higher part of it.
    pub fn rest(&self, top: &Relief) -> PlateRest {
        let (s, c) = self.yaw.sin_cos();
        let mut spots = Vec::with_capacity(25);
        for i in -2..=2 {
            for j in -2..=2 {
                let (u, v) = (i as f32 * 0.42 * self.a, j as f32 * 0.42 * self.b);
                let h = top.at(self.x + u * c - v * s, self.y + u * s + v * c);
                spots.push((u, v, h));
            }
        }
        let mean = spots.iter().map(|p| p.2).sum::<f32>() / 25.0;
        let fit = |f: &dyn Fn(&(f32, f32, f32)) -> f32| {
            let num: f32 = spots.iter().map(|p| f(p) * (p.2 - mean)).sum();
            let den: f32 = spots.iter().map(|p| f(p) * f(p)).sum();
            (num / den.max(1e-6)).clamp(-0.8, 0.8)
        };
        let slope = (fit(&|p| p.0), fit(&|p| p.1));
        let mut over: Vec<f32> = spots
            .iter()
            .map(|p| p.2 - slope.0 * p.0 - slope.1 * p.1)
            .collect();
        over.sort_by(f32::total_cmp);
        PlateRest {
            z: over[18] + 0.15,
            slope,
        }
    }

    /// Makes what is dropped later rest on this plate.
    pub fn pile_on(&self, rest: PlateRest, thick: f32, top: &mut Relief) {
        let (s, c) = self.yaw.sin_cos();
        let n = (self.a.max(self.b) / top.step_mm).ceil() as i32;
        for i in -n..=n {
            for j in -n..=n {
                let (u, v) = (i as f32 / n as f32 * self.a, j as f32 / n as f32 * self.b);
                if (u / self.a).powi(2) + (v / self.b).powi(2) > 1.0 {
                    continue;
                }
                let z = rest.z + rest.slope.0 * u + rest.slope.1 * v + thick;
                top.raise(self.x + u * c - v * s, self.y + u * s + v * c, z);
            }
        }
    }
}

/// A bean of half axes `half` that rolls downhill to where it is held.
#[derive(Debug, Clone, Copy)]
pub(super) struct Roller {
    pub half: V3,
    pub yaw: f32,
}

impl Roller {
    /// Height of its middle when let down at (x, y).
    fn height(&self, x: f32, y: f32, top: &Relief) -> f32 {
        let (s, c) = self.yaw.sin_cos();
        let reach = self.half.x.max(self.half.y);
        let n = (reach / 0.8).ceil() as i32;
        let mut z = f32::MIN;
        for i in -n..=n {
            for j in -n..=n {
                let (dx, dy) = (i as f32 * 0.8, j as f32 * 0.8);
                let u = (dx * c + dy * s) / self.half.x;
                let v = (-dx * s + dy * c) / self.half.y;
                let q = 1.0 - u * u - v * v;
                if q > 0.0 {
                    z = z.max(top.at(x + dx, y + dy) + self.half.z * q.sqrt());
                }
            }
        }
        z
    }

    /// Where it comes to rest: x, y and height of its middle.
    pub fn roll(&self, x: f32, y: f32, steps: usize, top: &Relief) -> V3 {
        let mut best = V3 {
            x,
            y,
            z: self.height(x, y, top),
        };
        for _ in 0..steps {
            let here = best;
            for k in 0..8 {
                let a = std::f32::consts::FRAC_PI_4 * k as f32;
                let (x, y) = (here.x + 1.5 * a.cos(), here.y + 1.5 * a.sin());
                let z = self.height(x, y, top);
                if z < best.z - 0.04 {
                    best = V3 { x, y, z };
                }
            }
            if best == here {
                break;
            }
        }
        best
    }

    /// Makes what is dropped later rest on it.
    pub fn pile_on(&self, at: V3, top: &mut Relief) {
        let (s, c) = self.yaw.sin_cos();
        let n = (self.half.x.max(self.half.y) / top.step_mm).ceil() as i32;
        for i in -n..=n {
            for j in -n..=n {
                let (dx, dy) = (i as f32 * top.step_mm, j as f32 * top.step_mm);
                let u = (dx * c + dy * s) / self.half.x;
                let v = (-dx * s + dy * c) / self.half.y;
                let q = 1.0 - u * u - v * v;
                if q > 0.0 {
                    top.raise(at.x + dx, at.y + dy, at.z + self.half.z * q.sqrt());
                }
            }
        }
    }
}

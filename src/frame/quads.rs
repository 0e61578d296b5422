//! Four lines that close to the frame's shape.

use super::line::{Line, Stretch};
use super::reduce::CHANNELS;
use super::tilt::{Camera, Pose, pose};
use crate::geometry::Point;

/// What is looked for.
pub(super) struct QuadSettings {
    /// Columns and rows of the small picture.
    pub size: (f64, f64),
    /// Camera of the small picture, its centre at (0, 0).
    pub camera: Camera,
    /// Width over height of the frame.
    pub aspect: f64,
    /// Shortest side worth looking at, small pixels.
    pub least_side: f64,
    /// Largest lean worth looking at, radians.
    pub most_tilt_rad: f64,
}

/// A four-sided outline.
#[derive(Debug, Clone)]
pub(super) struct Quad {
    /// Corners, small pixels from the top-left corner, clockwise as seen; the first to the second is the width side.
    pub corners: [Point; 4],
    /// How good it looks from its lines alone.
    pub score: f64,
}

/// A side must be seen along this share to be tried. Raised: frames under straw are lost; lowered: slower.
const LEAST_COVERED: f32 = 0.22;
/// Widest angle between opposite sides, radians (24°).
const MOST_CONVERGENCE: f64 = 0.42;
/// Smallest sine of a corner's angle.
const LEAST_CORNER_SINE: f64 = 0.75;
/// One standard error of the aspect read from four lines with a guessed focal length.
const ASPECT_SIGMA: f64 = 0.035;
/// Outlines kept for a closer look.
const MOST_QUADS: usize = 32;

/// The stretch of a line inside the picture, as places along it.
fn clip(line: &Line, from: f64, to: f64, half: (f64, f64)) -> Option<(f64, f64)> {
    let (mut low, mut high) = (from.min(to), from.max(to));
    let (nx, ny) = line.normal;
    for (start, slope, limit) in [(line.rho * nx, -ny, half.0), (line.rho * ny, nx, half.1)] {
        if slope.abs() < 1e-9 {
            if start.abs() > limit {
                return None;
            }
            continue;
        }
        let (a, b) = ((-limit - start) / slope, (limit - start) / slope);
        low = low.max(a.min(b));
        high = high.min(a.max(b));
    }
    (high > low).then_some((low, high))
}

struct Search<'a> {
    lines: &'a [Line],
    settings: &'a QuadSettings,
    half: (f64, f64),
    /// Place on line `i` where line `j` crosses; NaN where it does not.
    crossings: Vec<f64>,
}

impl Search<'_> {
    fn crossing(&self, i: usize, j: usize) -> Option<f64> {
        let at = self.crossings[i * self.lines.len() + j];
        (!at.is_nan()).then_some(at)
    }

    /// Lines that could be opposite sides.
    fn opposite_pairs(&self) -> Vec<(usize, usize)> {
        let n = self.lines.len();
        let mut pairs = Vec::new();
        for i in 0..n {
            for j in i + 1..n {
                let (a, b) = (&self.lines[i], &self.lines[j]);
                let cos = a.normal.0 * b.normal.0 + a.normal.1 * b.normal.1;
                let apart = (a.rho - b.rho * cos.signum()).abs();
                if cos.abs() > MOST_CONVERGENCE.cos() && apart > 0.4 * self.settings.least_side {
                    pairs.push((i, j));
                }
            }
        }
        pairs
    }

    /// Whether line `i` is seen as a side between lines `j` and `k`.
    fn is_side(&self, i: usize, j: usize, k: usize) -> bool {
        let row = &self.crossings[i * self.lines.len()..];
        let (from, to) = (row[j], row[k]);
        // Where one of them does not cross, the comparison does not hold either.
        let far_enough = (from - to).abs() >= self.settings.least_side;
        if !far_enough {
            return false;
        }
        let inside = if from.abs().max(to.abs()) < self.half.0.min(self.half.1) * 0.6 {
            Some((from.min(to), from.max(to)))
        } else {
            clip(&self.lines[i], from, to, self.half)
        };
        inside.is_some_and(|(low, high)| {
            high - low > 0.35 * (from - to).abs()
                && self.lines[i].covered(low, high) > LEAST_COVERED
        })
    }

    /// Weighs the quad with opposite sides (a, b) and (c, d).
    fn weigh(&self, [a, b, c, d]: [usize; 4]) -> Option<Quad> {
        let at = |i: usize, j: usize| {
            let (x, y) = self.lines[i].point(self.crossing(i, j)?);
            Some(Point::new(x, y))
        };
        let corners = [at(a, c)?, at(a, d)?, at(b, d)?, at(b, c)?];
        let middle = Point::new(
            corners.iter().map(|p| p.x).sum::<f64>() / 4.0,
            corners.iter().map(|p| p.y).sum::<f64>() / 4.0,
        );
        let seen = pose(&corners, &self.settings.camera)?;
        if seen.tilt_rad > self.settings.most_tilt_rad {
            return None;
        }
        let (turn, aspect_off) = self.orient(&seen);
        let shape = (-(aspect_off.powi(2) + seen.skew.powi(2) / 2.0)
            / (2.0 * ASPECT_SIGMA.powi(2)))
        .max(-40.0);
        if shape < -6.0 {
            return None;
        }
        let mut product = 1.0;
        let mut total = [0.0_f64; CHANNELS];
        let mut lengths = 0.0;
        for (i, j, k) in [(a, c, d), (d, a, b), (b, c, d), (c, a, b)] {
            let stretch = self.side(i, j, k, middle)?;
            product *= stretch.covered;
            let mut square = 0.0;
            for (sum, step) in total.iter_mut().zip(stretch.step) {
                *sum += f64::from(step);
                square += f64::from(step * step);
            }
            lengths += square.sqrt();
        }
        let strength = total.iter().map(|v| v * v).sum::<f64>().sqrt();
        let agree = strength / lengths.max(1e-9);
        let size = (seen_size(&corners) / self.settings.least_side)
            .ln()
            .max(0.0);
        let contrast = (strength / 4.0 / 4.0).min(1.0).powf(0.25);
        let score =
            product.powf(0.25) * agree * contrast * shape.exp().powf(0.3) * (1.0 + 0.15 * size);
        let (w, h) = self.half;
        let mut out = corners.map(|p| Point::new(p.x + w, p.y + h));
        let twice: f64 = (0..4)
            .map(|i| out[i].x * out[(i + 1) % 4].y - out[(i + 1) % 4].x * out[i].y)
            .sum();
        out.rotate_left(usize::from(turn));
        if twice < 0.0 {
            out.swap(0, 1);
            out.swap(2, 3);
        }
        Some(Quad {
            corners: out,
            score,
        })
    }

    /// Whether the frame's width lies along the second pair, and how far the aspect is off. Of a square frame both fit alike, but for
    /// the last digit: the first pair it is then, on every machine.
    fn orient(&self, seen: &Pose) -> (bool, f64) {
        let along = (seen.aspect / self.settings.aspect).ln();
        let across = (1.0 / seen.aspect / self.settings.aspect).ln();
        if along.abs() <= across.abs() + 1e-9 {
            (false, along)
        } else {
            (true, across)
        }
    }

    /// What is seen of a side, its step pointing outwards.
    fn side(&self, i: usize, j: usize, k: usize, middle: Point) -> Option<Stretch> {
        let line = &self.lines[i];
        let (low, high) = clip(line, self.crossing(i, j)?, self.crossing(i, k)?, self.half)?;
        let mut stretch = line.stretch(low, high);
        let inwards = middle.x * line.normal.0 + middle.y * line.normal.1 - line.rho;
        if inwards > 0.0 {
            stretch.step = stretch.step.map(|s| -s);
        }
        Some(stretch)
    }
}

/// Square root of the area.
fn seen_size(corners: &[Point; 4]) -> f64 {
    crate::geometry::polygon_area(corners).sqrt()
}

/// Farthest any corner of one lies from the nearest of the other, in their pixels.
pub(super) fn apart(a: &Quad, b: &Quad) -> f64 {
    a.corners
        .iter()
        .map(|p| {
            b.corners
                .iter()
                .map(|q| p.distance(*q))
                .fold(f64::MAX, f64::min)
        })
        .fold(0.0, f64::max)
}

/// The best outlines, best first.
pub(super) fn find_quads(lines: &[Line], settings: &QuadSettings) -> Vec<Quad> {
    let n = lines.len();
    let mut crossings = Vec::with_capacity(n * n);
    for a in lines {
        crossings.extend(lines.iter().map(|b| {
            let sine = a.normal.0 * b.normal.1 - a.normal.1 * b.normal.0;
            let crosses = sine.abs() > LEAST_CORNER_SINE;
            crosses.then(|| a.crossing(b)).flatten().unwrap_or(f64::NAN)
        }));
    }
    let search = Search {
        lines,
        settings,
        half: (settings.size.0 / 2.0, settings.size.1 / 2.0),
        crossings,
    };
    let pairs = search.opposite_pairs();
    let words = pairs.len().div_ceil(64);
    let mut sides = vec![0_u64; n * words];
    for i in 0..n {
        for (p, &(j, k)) in pairs.iter().enumerate() {
            if search.is_side(i, j, k) {
                sides[i * words + p / 64] |= 1 << (p % 64);
            }
        }
    }
    let has = |i: usize, p: usize| sides[i * words + p / 64] >> (p % 64) & 1 == 1;
    let mut quads = Vec::new();
    for (p, &(a, b)) in pairs.iter().enumerate() {
        for word in 0..words {
            let mut both = sides[a * words + word] & sides[b * words + word];
            while both != 0 {
                let q = word * 64 + both.trailing_zeros() as usize;
                both &= both - 1;
                let (c, d) = pairs[q];
                if q > p && has(c, p) && has(d, p) {
                    quads.extend(search.weigh([a, b, c, d]));
                }
            }
        }
    }
    quads.sort_by(|x, y| y.score.total_cmp(&x.score));
    let mut kept: Vec<Quad> = Vec::new();
    for quad in quads.into_iter().take(4000) {
        if !kept.iter().any(|k| apart(k, &quad) < 2.5) {
            kept.push(quad);
            if kept.len() == MOST_QUADS {
                break;
            }
        }
    }
    kept
}

//! Draws a voted line through the edge points near it.

use std::ops::Range;

use super::edges::Edges;
use super::line::{Line, PIECE_PX};
use super::reduce::{CHANNELS, Colour};
use crate::wide::wide;

/// A point belongs to a line within this distance, small pixels. Raised: straw joins in; lowered: bent bars fall apart.
const NEAR_PX: f64 = 1.8;
/// … and when its direction differs by at most this.
const NEAR_DEG: f64 = 9.0;
/// Farther than this share of the half diagonal no point comes near while the line turns to its place.
const MOST_TURN: f64 = 0.03;

/// A line as voted for: direction of the normal in degrees 0..180 and distance from the centre.
#[derive(Debug, Clone, Copy)]
pub(super) struct Voted {
    pub degree: f64,
    pub rho: f64,
}

/// The small picture's centre and half its diagonal.
#[derive(Debug, Clone, Copy)]
pub(super) struct Field {
    pub centre: (f64, f64),
    pub half: f64,
}

/// An edge point from the picture's centre, its step along the line's normal.
type Near = (f64, f64, Colour);

/// Which points have a direction within [`NEAR_DEG`] of `degree`, with the sign of their step there.
fn near_direction(edges: &Edges, degree: f64) -> [(Range<usize>, f32); 3] {
    let (low, high) = (degree - NEAR_DEG, degree + NEAR_DEG);
    let within = edges.of_degrees(low.max(0.0) as usize, high.min(179.0) as usize);
    // Turning by 180° turns the sign of the step.
    let below = if low < 0.0 {
        edges.of_degrees((low + 180.0) as usize, 179)
    } else {
        0..0
    };
    let above = if high >= 180.0 {
        edges.of_degrees(0, (high - 180.0) as usize)
    } else {
        0..0
    };
    [(within, 1.0), (below, -1.0), (above, -1.0)]
}

/// Points near the voted line.
fn near_points(edges: &Edges, field: Field, voted: Voted) -> Vec<Near> {
    let (sin, cos) = voted.degree.to_radians().sin_cos();
    let reach = NEAR_PX + MOST_TURN * field.half;
    let mut near = Vec::new();
    let mut off = Vec::new();
    for (which, sign) in near_direction(edges, voted.degree) {
        let [xs, ys] = edges.places.each_ref().map(|v| &v[which.clone()]);
        off.resize(xs.len(), 0.0);
        distances(xs, ys, field.centre, (cos, sin, voted.rho), &mut off);
        for (p, _) in (edges.points[which].iter().zip(&off)).filter(|(_, off)| **off < reach) {
            let (x, y) = (
                f64::from(p.x) - field.centre.0,
                f64::from(p.y) - field.centre.1,
            );
            near.push((x, y, p.step.map(|s| s * sign)));
        }
    }
    near
}

wide! {
    /// How far points lie from a line, given by its normal and its distance from the centre.
    fn distances(xs: &[f32], ys: &[f32], centre: (f64, f64), line: (f64, f64, f64), off: &mut [f64]) {
        let (cos, sin, rho) = line;
        for ((off, x), y) in off.iter_mut().zip(xs).zip(ys) {
            let (x, y) = (f64::from(*x) - centre.0, f64::from(*y) - centre.1);
            *off = (x * cos + y * sin - rho).abs();
        }
    }
}

/// Turns and shifts the line onto its points: (direction of the normal, distance).
fn fit(near: &[Near], voted: Voted) -> (f64, f64) {
    let (mut angle, mut rho) = (voted.degree.to_radians(), voted.rho);
    for reach in [2.5, NEAR_PX, NEAR_PX] {
        let (sin, cos) = angle.sin_cos();
        let (mut n, mut st, mut sr, mut stt, mut str_) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for &(x, y, _) in near {
            let r = x * cos + y * sin - rho;
            if r.abs() < reach {
                let t = y * cos - x * sin;
                let w = 1.0 - (r / reach).powi(2);
                n += w;
                st += w * t;
                sr += w * r;
                stt += w * t * t;
                str_ += w * t * r;
            }
        }
        let spread = n * stt - st * st;
        if n < 5.0 || spread <= 1e-6 {
            break;
        }
        // r = a + b t: turn the normal by -b and move by a.
        let b = ((n * str_ - st * sr) / spread).clamp(-MOST_TURN, MOST_TURN);
        let a = (sr - b * st) / n;
        angle -= b;
        rho = (rho + a) * b.cos();
    }
    (angle, rho)
}

/// Sums over the pieces of a line, from its first to its last.
fn sums_along(near: &[Near], angle: f64, rho: f64, half: f64) -> Vec<(f32, Colour)> {
    let (sin, cos) = angle.sin_cos();
    let pieces = (2.0 * half / PIECE_PX).ceil() as usize + 1;
    let mut found = vec![(0_u32, [0.0_f32; CHANNELS]); pieces];
    for &(x, y, step) in near {
        if (x * cos + y * sin - rho).abs() < NEAR_PX {
            let piece = ((y * cos - x * sin + half) / PIECE_PX).max(0.0) as usize;
            let cell = &mut found[piece.min(pieces - 1)];
            cell.0 += 1;
            cell.1 = std::array::from_fn(|c| cell.1[c] + step[c]);
        }
    }
    let mut total = (0.0, [0.0; CHANNELS]);
    let mut sums = vec![total];
    for (count, step) in found {
        if count > 0 {
            total.0 += 1.0;
            total.1 = std::array::from_fn(|c| total.1[c] + step[c] / count as f32);
        }
        sums.push(total);
    }
    sums
}

/// Fits a line to the points near it and marks where they lie.
pub(super) fn settle(edges: &Edges, field: Field, voted: Voted) -> Line {
    let near = near_points(edges, field, voted);
    let (angle, rho) = fit(&near, voted);
    let sums = sums_along(&near, angle, rho, field.half);
    let length = (sums.len() - 1) as f64 * PIECE_PX;
    let upright = (0.0..std::f64::consts::PI).contains(&angle);
    let angle_up = if angle < 0.0 {
        angle + std::f64::consts::PI
    } else if upright {
        angle
    } else {
        angle - std::f64::consts::PI
    };
    Line {
        normal_rad: angle_up,
        normal: (angle_up.cos(), angle_up.sin()),
        rho: if upright { rho } else { -rho },
        first_t: if upright {
            -field.half
        } else {
            field.half - length
        },
        sums: if upright { sums } else { turned(&sums) },
    }
}

/// The same pieces seen with the normal turned about.
fn turned(sums: &[(f32, Colour)]) -> Vec<(f32, Colour)> {
    let last = sums[sums.len() - 1];
    sums.iter()
        .rev()
        .map(|s| (last.0 - s.0, std::array::from_fn(|c| s.1[c] - last.1[c])))
        .collect()
}

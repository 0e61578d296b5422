//! Points of strong colour change in the small picture, thinned to ridges.

use std::ops::Range;

use super::reduce::{CHANNELS, Colour, Small};
use crate::wide::wide;

/// A place where the colour changes.
#[derive(Debug, Clone, Copy)]
pub(super) struct EdgePoint {
    /// Small pixels, corner origin.
    pub x: f32,
    /// Small pixels, corner origin.
    pub y: f32,
    /// Direction of the change, degrees 0..180 from +x towards +y.
    pub angle_deg: f32,
    /// Change of each channel along that direction, in units of [`Edges::noise`].
    pub step: Colour,
}

/// All of them, with what was taken for noise.
pub(super) struct Edges {
    /// Grouped by whole degrees of their angle, rising.
    pub points: Vec<EdgePoint>,
    /// Their places by themselves, small pixels, x and y.
    pub places: [Vec<f32>; 2],
    /// Where each degree's points start; the last is their number.
    pub starts: Vec<usize>,
    /// Middle size of the change from pixel to pixel, a channel.
    pub noise: Colour,
}

/// Smallest change taken for one, 8-bit steps: keeps flat, clean pictures from dividing by nothing.
const NOISE_FLOOR: Colour = [2.0, 1.0, 1.0];
/// A change is kept from this many times the noise. Raised: weak bars are lost; lowered: more straw votes.
const KEEP_FROM: f32 = 2.0;

/// Most points kept, the strongest first. Raised: slower, and straw gains; lowered: weak bars are lost.
const MOST_POINTS: usize = 100_000;

/// Changes of every channel along x and y at one pixel.
fn gradient(rows: [&[Colour]; 3], x: usize) -> (Colour, Colour) {
    let [above, here, below] = rows;
    let mut out = ([0.0; CHANNELS], [0.0; CHANNELS]);
    for c in 0..CHANNELS {
        let down = below[x + 1][c] - above[x - 1][c];
        let up = above[x + 1][c] - below[x - 1][c];
        out.0[c] = (2.0 * (here[x + 1][c] - here[x - 1][c]) + down + up) / 8.0;
        out.1[c] = (2.0 * (below[x][c] - above[x][c]) + down - up) / 8.0;
    }
    out
}

/// The rows above, at and below `y`.
fn three_rows(s: &Small, y: usize) -> [&[Colour]; 3] {
    [y - 1, y, y + 1].map(|k| &s.colours[k * s.width..(k + 1) * s.width])
}

/// Middle size of the change, a channel, from one pixel in some.
fn noise_of(s: &Small) -> Colour {
    let mut sizes: [Vec<f32>; CHANNELS] = Default::default();
    for y in (1..s.height.saturating_sub(1)).step_by(4) {
        let rows = three_rows(s, y);
        for x in (1..s.width.saturating_sub(1)).step_by(5) {
            let (dx, dy) = gradient(rows, x);
            for c in 0..CHANNELS {
                sizes[c].push(dx[c].hypot(dy[c]));
            }
        }
    }
    std::array::from_fn(|c| {
        let middle = sizes[c].len() / 2;
        if sizes[c].is_empty() {
            return NOISE_FLOOR[c];
        }
        let (_, m, _) = sizes[c].select_nth_unstable_by(middle, f32::total_cmp);
        m.max(NOISE_FLOOR[c])
    })
}

wide! {
    /// Changes along x and y of a whole row, channel by channel, the first and last pixel left out.
    fn row_gradient(rows: [&[Colour]; 3], dx: &mut [f32], dy: &mut [f32]) {
        let [above, here, below] = rows.map(|r| r.as_flattened());
        let n = here.len() - 2 * CHANNELS;
        let (above_left, left, below_left) = (&above[..n], &here[..n], &below[..n]);
        let (top, bottom) = (&above[CHANNELS..][..n], &below[CHANNELS..][..n]);
        let (above_right, right, below_right) = (
            &above[2 * CHANNELS..][..n],
            &here[2 * CHANNELS..][..n],
            &below[2 * CHANNELS..][..n],
        );
        let (dx, dy) = (&mut dx[..n], &mut dy[..n]);
        for i in 0..n {
            let down = below_right[i] - above_left[i];
            let up = above_right[i] - below_left[i];
            dx[i] = (2.0 * (right[i] - left[i]) + down + up) / 8.0;
            dy[i] = (2.0 * (bottom[i] - top[i]) + down - up) / 8.0;
        }
    }
}

/// What changes at every pixel, row by row.
struct Strengths {
    /// Size of the strongest change, squared.
    size: Vec<f32>,
    /// Twice its angle as a vector.
    cos2: Vec<f32>,
    sin2: Vec<f32>,
}

impl Strengths {
    fn new(small: &Small, inverse: Colour) -> Self {
        let (w, h) = (small.width, small.height);
        let none = || vec![0.0; w * h];
        let (size, cos2, sin2) = (none(), none(), none());
        let mut out = Self { size, cos2, sin2 };
        if w < 3 {
            return out;
        }
        let mut dx = vec![0.0; (w - 2) * CHANNELS];
        let mut dy = dx.clone();
        for y in 1..h.saturating_sub(1) {
            let own = y * w + 1..(y + 1) * w - 1;
            let (size, cos2, sin2) = (
                &mut out.size[own.clone()],
                &mut out.cos2[own.clone()],
                &mut out.sin2[own],
            );
            row_gradient(three_rows(small, y), &mut dx, &mut dy);
            let (dx, dy) = (dx.as_chunks::<CHANNELS>().0, dy.as_chunks::<CHANNELS>().0);
            row_strengths(dx, dy, inverse, size, cos2, sin2);
        }
        out
    }
}

wide! {
    fn row_strengths(
        dx: &[Colour],
        dy: &[Colour],
        inverse: Colour,
        size: &mut [f32],
        cos2: &mut [f32],
        sin2: &mut [f32],
    ) {
        let out = size.iter_mut().zip(cos2).zip(sin2);
        for ((dx, dy), ((size, cos2), sin2)) in dx.iter().zip(dy).zip(out) {
            let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
            for c in 0..CHANNELS {
                let (a, b) = (dx[c] * inverse[c], dy[c] * inverse[c]);
                xx += a * a;
                yy += b * b;
                xy += a * b;
            }
            let (cos, sin) = (xx - yy, 2.0 * xy);
            (*cos2, *sin2) = (cos, sin);
            *size = (xx + yy + (cos * cos + sin * sin).sqrt()) / 2.0;
        }
    }
}

/// A ridge of change: pixel, squared size, shift off the pixel's centre along the grid.
struct Ridge {
    x: usize,
    y: usize,
    size: f32,
    shift: (f32, f32),
}

fn ridges(field: &Strengths, w: usize, h: usize) -> Vec<Ridge> {
    let mut found = Vec::new();
    for y in 2..h.saturating_sub(2) {
        for x in 2..w.saturating_sub(2) {
            let i = y * w + x;
            let size = field.size[i];
            if size < KEEP_FROM * KEEP_FROM {
                continue;
            }
            let (cos2, sin2) = (field.cos2[i], field.sin2[i]);
            // Compare along the nearest of the four directions of the grid.
            let (step, dx, dy) = if cos2.abs() > sin2.abs() {
                if cos2 > 0.0 {
                    (1, 1.0, 0.0)
                } else {
                    (w, 0.0, 1.0)
                }
            } else if sin2 > 0.0 {
                (w + 1, 1.0, 1.0)
            } else {
                (w - 1, -1.0, 1.0)
            };
            let (before, after) = (field.size[i - step], field.size[i + step]);
            if size < before || size <= after {
                continue;
            }
            let (a, b, c) = (before.sqrt(), size.sqrt(), after.sqrt());
            let bend = a + c - 2.0 * b;
            let by = if bend < 0.0 {
                (a - c) / (2.0 * bend)
            } else {
                0.0
            };
            found.push(Ridge {
                x,
                y,
                size,
                shift: (by * dx, by * dy),
            });
        }
    }
    found
}

/// Orders points by whole degrees (counting sort); gives where each degree starts.
fn group_by_degree(points: &mut Vec<EdgePoint>) -> Vec<usize> {
    let degree = |p: &EdgePoint| (p.angle_deg as usize).min(179);
    let mut starts = vec![0; 181];
    for p in points.iter() {
        starts[degree(p) + 1] += 1;
    }
    for d in 0..180 {
        starts[d + 1] += starts[d];
    }
    let mut next = starts.clone();
    let mut order = vec![0; points.len()];
    for (i, p) in points.iter().enumerate() {
        let cell = &mut next[degree(p)];
        order[*cell] = i;
        *cell += 1;
    }
    *points = order.into_iter().map(|i| points[i]).collect();
    starts
}

impl Edges {
    /// Which points are of the whole degrees from `low` to `high`, both taken in, within 0..180.
    pub fn of_degrees(&self, low: usize, high: usize) -> Range<usize> {
        self.starts[low.min(180)]..self.starts[(high + 1).min(180)]
    }
}

/// Finds them: the direction of most change over all channels (structure tensor of the
/// noise-scaled channels), kept where it is largest along that direction.
///
/// # Source
/// Di Zenzo, S. (1986), "A note on the gradient of a multi-image", Computer Vision, Graphics, and Image Processing 33(1).
pub(super) fn find_edges(small: &Small) -> Edges {
    let w = small.width;
    let noise = noise_of(small);
    let inverse = noise.map(|n| 1.0 / n);
    let field = Strengths::new(small, inverse);
    let mut found = ridges(&field, w, small.height);
    if found.len() > MOST_POINTS {
        let mut sizes: Vec<f32> = found.iter().map(|r| r.size).collect();
        let place = sizes.len() - MOST_POINTS;
        let (_, &mut least, _) = sizes.select_nth_unstable_by(place, f32::total_cmp);
        found.retain(|r| r.size >= least);
    }
    let mut points: Vec<EdgePoint> = found
        .iter()
        .map(|r| {
            let i = r.y * w + r.x;
            let angle = field.sin2[i].atan2(field.cos2[i]) / 2.0;
            let angle = if angle < 0.0 {
                angle + std::f32::consts::PI
            } else {
                angle
            };
            let (sin, cos) = angle.sin_cos();
            let (dx, dy) = gradient(three_rows(small, r.y), r.x);
            EdgePoint {
                x: r.x as f32 + 0.5 + r.shift.0,
                y: r.y as f32 + 0.5 + r.shift.1,
                angle_deg: angle.to_degrees().min(179.999),
                step: std::array::from_fn(|c| (dx[c] * cos + dy[c] * sin) * inverse[c]),
            }
        })
        .collect();
    let starts = group_by_degree(&mut points);
    Edges {
        places: [
            points.iter().map(|p| p.x).collect(),
            points.iter().map(|p| p.y).collect(),
        ],
        points,
        starts,
        noise,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::reduce::reduce;
    use image::{Rgb, RgbImage};

    #[test]
    fn a_step_is_found_where_it_is() {
        let photo = RgbImage::from_fn(40, 30, |x, _| {
            if x < 20 {
                Rgb([90, 70, 50])
            } else {
                Rgb([230, 220, 210])
            }
        });
        let edges = find_edges(&reduce(&photo, 40).smoothed());
        assert!(edges.points.len() >= 26);
        for p in &edges.points {
            assert!((p.x - 20.0).abs() < 0.51, "{p:?}");
            assert!(p.angle_deg < 1.0 || p.angle_deg > 179.0);
            assert!(p.step[0].abs() > 5.0);
        }
    }
}

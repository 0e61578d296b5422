//! Points of strong colour change in the small picture, thinned to ridges.

use super::reduce::{CHANNELS, Colour, Small};

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
    /// 0..1: how far the changes around it agree on the direction.
    pub straight: f32,
}

/// All of them, with what was taken for noise.
pub(super) struct Edges {
    /// By rising angle.
    pub points: Vec<EdgePoint>,
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

/// Size of the strongest change at every pixel, squared, and twice its angle as a vector.
fn strengths(small: &Small, inverse: Colour) -> Vec<[f32; 3]> {
    let w = small.width;
    let mut out = vec![[0.0_f32; 3]; w * small.height];
    for y in 1..small.height.saturating_sub(1) {
        let rows = three_rows(small, y);
        for (x, cell) in out[y * w..(y + 1) * w]
            .iter_mut()
            .enumerate()
            .take(w - 1)
            .skip(1)
        {
            let (dx, dy) = gradient(rows, x);
            let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
            for c in 0..CHANNELS {
                let (a, b) = (dx[c] * inverse[c], dy[c] * inverse[c]);
                xx += a * a;
                yy += b * b;
                xy += a * b;
            }
            let (cos2, sin2) = (xx - yy, 2.0 * xy);
            *cell = [
                (xx + yy + (cos2 * cos2 + sin2 * sin2).sqrt()) / 2.0,
                cos2,
                sin2,
            ];
        }
    }
    out
}

/// Sums over 5 × 5 pixels; the outermost two rows and columns are left at 0.
fn summed_5x5(field: &[[f32; 3]], w: usize, h: usize) -> Vec<[f32; 3]> {
    let mut across = vec![[0.0_f32; 3]; w * h];
    for (row_in, row_out) in field.chunks(w).zip(across.chunks_mut(w)) {
        for (out, five) in row_out[2.min(w)..].iter_mut().zip(row_in.windows(5)) {
            *out = std::array::from_fn(|c| {
                five[0][c] + five[1][c] + five[2][c] + five[3][c] + five[4][c]
            });
        }
    }
    let mut out = vec![[0.0_f32; 3]; w * h];
    for y in 2..h.saturating_sub(2) {
        let rows: [&[[f32; 3]]; 5] =
            std::array::from_fn(|k| &across[(y + k - 2) * w..(y + k - 1) * w]);
        for (x, cell) in out[y * w..(y + 1) * w].iter_mut().enumerate() {
            *cell = std::array::from_fn(|c| rows.iter().map(|r| r[x][c]).sum());
        }
    }
    out
}

/// Directions averaged over 5 × 5 pixels, every pixel by the size of its change (not the square,
/// which would leave all the say to the strongest straw): twice the angle as a vector, and sizes.
fn directions(field: &[[f32; 3]], w: usize, h: usize) -> Vec<[f32; 3]> {
    let scaled: Vec<[f32; 3]> = field
        .iter()
        .map(|&[size2, cos2, sin2]| {
            let size = size2.sqrt();
            let share = size / (cos2 * cos2 + sin2 * sin2).sqrt().max(1e-6);
            [size, cos2 * share, sin2 * share]
        })
        .collect();
    summed_5x5(&scaled, w, h)
}

/// A ridge of change: pixel, squared size, shift off the pixel's centre along the grid.
struct Ridge {
    x: usize,
    y: usize,
    size: f32,
    shift: (f32, f32),
}

fn ridges(field: &[[f32; 3]], w: usize, h: usize) -> Vec<Ridge> {
    let mut found = Vec::new();
    for y in 2..h.saturating_sub(2) {
        for x in 2..w.saturating_sub(2) {
            let i = y * w + x;
            let [size, cos2, sin2] = field[i];
            if size < KEEP_FROM * KEEP_FROM {
                continue;
            }
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
            let (before, after) = (field[i - step][0], field[i + step][0]);
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

/// Finds them: the direction of most change over all channels (structure tensor of the
/// noise-scaled channels), kept where it is largest along that direction.
///
/// # Source
/// Di Zenzo, S. (1986), "A note on the gradient of a multi-image", Computer Vision, Graphics, and Image Processing 33(1).
pub(super) fn find_edges(small: &Small) -> Edges {
    let w = small.width;
    let noise = noise_of(small);
    let inverse = noise.map(|n| 1.0 / n);
    let field = strengths(small, inverse);
    let mut found = ridges(&field, w, small.height);
    if found.len() > MOST_POINTS {
        let mut sizes: Vec<f32> = found.iter().map(|r| r.size).collect();
        let place = sizes.len() - MOST_POINTS;
        let (_, &mut least, _) = sizes.select_nth_unstable_by(place, f32::total_cmp);
        found.retain(|r| r.size >= least);
    }
    let around = directions(&field, w, small.height);
    let mut points: Vec<EdgePoint> = found
        .iter()
        .map(|r| {
            let [sizes, cos2, sin2] = around[r.y * w + r.x];
            let straight = cos2.hypot(sin2) / sizes.max(1e-6);
            let angle = sin2.atan2(cos2) / 2.0;
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
                straight,
            }
        })
        .collect();
    points.sort_by(|a, b| a.angle_deg.total_cmp(&b.angle_deg));
    Edges { points, noise }
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

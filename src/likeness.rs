//! How alike two plots look: finds a plot that was photographed twice.

use serde::{Deserialize, Serialize};

use crate::plot::Plot;

/// Cells along one side of a [`Thumbnail`].
pub const CELLS: usize = 32;

/// Reach of the mean that is taken off each cell, cells. Light falls off over a plot slowly and
/// alike on every plot; without this any two plots look alike.
const MEAN_REACH: usize = 3;

/// Shifts tried in x and y, cells: a frame's corners are never at quite the same place twice.
const SHIFT: usize = 1;

/// A plot drawn 32 × 32 cells small, lightness L* only.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Thumbnail {
    /// L* of each cell, 0 to 100, row by row; 32 × 32 of them.
    cells_l: Vec<u8>,
}

impl Thumbnail {
    /// From L* values, 0 to 100, row by row. `None` unless there are 32 × 32 of them.
    pub fn from_cells(cells_l: Vec<u8>) -> Option<Self> {
        (cells_l.len() == CELLS * CELLS).then_some(Self { cells_l })
    }

    /// The inside of a plot, without its margin; cells are means over their pixels.
    pub fn of(plot: &Plot) -> Self {
        let table: [f64; 256] = std::array::from_fn(|v| linear(v as u8));
        let margin_px = plot.margin_mm * plot.px_per_mm;
        let side = |length: u32| {
            let inner = (f64::from(length) - 2.0 * margin_px).max(1.0);
            move |cell: usize| {
                let at = margin_px + inner * cell as f64 / CELLS as f64;
                (at as u32).min(length.saturating_sub(1))
            }
        };
        let (left, top) = (side(plot.even.width()), side(plot.even.height()));
        let mut cells_l = Vec::with_capacity(CELLS * CELLS);
        for row in 0..CELLS {
            for column in 0..CELLS {
                let (mut sum, mut seen) = (0.0, 0.0);
                for y in top(row)..top(row + 1).max(top(row) + 1) {
                    for x in left(column)..left(column + 1).max(left(column) + 1) {
                        let [r, g, b] = plot.even.get_pixel(x, y).0.map(|v| table[usize::from(v)]);
                        sum += 0.2126 * r + 0.7152 * g + 0.0722 * b;
                        seen += 1.0;
                    }
                }
                cells_l.push(lightness(sum / seen).round() as u8);
            }
        }
        Self { cells_l }
    }

    /// Cells less the mean around them, with the length of all of them made 1.
    /// All 0 for a plot without any structure.
    fn structure(&self) -> Vec<f32> {
        let at = |x: usize, y: usize| f32::from(self.cells_l[y * CELLS + x]);
        let mut out = Vec::with_capacity(CELLS * CELLS);
        for y in 0..CELLS {
            let ys = y.saturating_sub(MEAN_REACH)..(y + MEAN_REACH + 1).min(CELLS);
            for x in 0..CELLS {
                let xs = x.saturating_sub(MEAN_REACH)..(x + MEAN_REACH + 1).min(CELLS);
                let n = (xs.len() * ys.len()) as f32;
                let sum: f32 = ys
                    .clone()
                    .flat_map(|v| xs.clone().map(move |u| (u, v)))
                    .map(|(u, v)| at(u, v))
                    .sum();
                out.push(at(x, y) - sum / n);
            }
        }
        out
    }
}

/// A thumbnail made ready for many comparisons.
#[derive(Debug, Clone)]
pub struct Prepared {
    /// The structure in its four turns.
    turns: [Vec<f32>; 4],
}

impl Prepared {
    /// Takes the light off and lays it in all four turns.
    pub fn new(thumbnail: &Thumbnail) -> Self {
        let as_seen = thumbnail.structure();
        let quarter = |from: &[f32]| -> Vec<f32> {
            (0..CELLS * CELLS)
                .map(|i| from[(CELLS - 1 - i % CELLS) * CELLS + i / CELLS])
                .collect()
        };
        let once = quarter(&as_seen);
        let twice = quarter(&once);
        let thrice = quarter(&twice);
        Self {
            turns: [as_seen, once, twice, thrice],
        }
    }

    /// The greatest correlation of the two plots' structure over four turns and small shifts,
    /// -1 to 1. Plots that are not the same stay near 0.
    pub fn likeness(&self, other: &Self) -> f64 {
        let mut best = -1.0_f32;
        for turned in &self.turns {
            for dy in 0..=2 * SHIFT {
                for dx in 0..=2 * SHIFT {
                    best = best.max(correlation(turned, &other.turns[0], dx, dy));
                }
            }
        }
        f64::from(best)
    }
}

/// Correlation of `a`, moved by (dx - SHIFT, dy - SHIFT), with the middle of `b`.
fn correlation(a: &[f32], b: &[f32], dx: usize, dy: usize) -> f32 {
    const SPAN: usize = CELLS - 2 * SHIFT;
    let (mut ab, mut aa, mut bb) = (0.0_f32, 0.0_f32, 0.0_f32);
    for row in 0..SPAN {
        let from_a = &a[(row + dy) * CELLS + dx..][..SPAN];
        let from_b = &b[(row + SHIFT) * CELLS + SHIFT..][..SPAN];
        for (p, q) in from_a.iter().zip(from_b) {
            ab += p * q;
            aa += p * p;
            bb += q * q;
        }
    }
    if aa <= 0.0 || bb <= 0.0 {
        return 0.0;
    }
    ab / (aa * bb).sqrt()
}

/// 8-bit sRGB to linear light, 0 to 1 (IEC 61966-2-1).
fn linear(value: u8) -> f64 {
    let v = f64::from(value) / 255.0;
    if v <= 0.04045 {
        v / 12.92
    } else {
        ((v + 0.055) / 1.055).powf(2.4)
    }
}

/// L* of a luminance relative to white (CIE 15).
fn lightness(y: f64) -> f64 {
    if y > (6.0_f64 / 29.0).powi(3) {
        116.0 * y.cbrt() - 16.0
    } else {
        y * (29.0_f64 / 3.0).powi(3)
    }
}

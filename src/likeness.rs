//! How alike two plots look: finds a plot that was photographed twice.

use serde::{Deserialize, Serialize};

use crate::plot::Plot;

/// Cells along one side of a [`Thumbnail`].
pub const CELLS: usize = 32;

/// Share of the plot's side left out at each edge: a bar that is seen, or its shadow, lies alike
/// along the edges of all plots.
const RIM_SHARE: f64 = 0.06;

/// Reach of the mean that is taken off each cell, cells. Light falls off over a plot slowly and
/// alike on every plot; without this any two plots look alike.
const MEAN_REACH: usize = 3;

/// A cell counts at most this many times the ordinary (root mean square) departure from the mean
/// around it, so that a stone or a glint does not decide alone.
const MOST_DEPARTURE: f32 = 2.5;

/// Shifts tried in x and y, cells: a frame's corners are never found at quite the same place twice.
const SHIFT: usize = 1;

/// Turns tried of a ring, which lies any way round.
const RING_TURNS: usize = 72;

/// A plot drawn 32 × 32 cells small, lightness L* only.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Vec<u8>", into = "Vec<u8>")]
pub struct Thumbnail {
    /// L* of each cell, 0 to 100, row by row; 32 × 32 of them.
    cells_l: Vec<u8>,
}

/// Cells that are not 32 × 32.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("a plot drawn small has {needed} cells, this one has {found}", needed = CELLS * CELLS)]
pub struct NotSquare {
    /// How many there are.
    found: usize,
}

impl TryFrom<Vec<u8>> for Thumbnail {
    type Error = NotSquare;

    fn try_from(cells_l: Vec<u8>) -> Result<Self, NotSquare> {
        let found = cells_l.len();
        Self::from_cells(cells_l).ok_or(NotSquare { found })
    }
}

impl From<Thumbnail> for Vec<u8> {
    fn from(thumbnail: Thumbnail) -> Self {
        thumbnail.cells_l
    }
}

impl Thumbnail {
    /// From L* values, 0 to 100, row by row. `None` unless there are 32 × 32 of them.
    pub fn from_cells(cells_l: Vec<u8>) -> Option<Self> {
        (cells_l.len() == CELLS * CELLS).then_some(Self { cells_l })
    }

    /// The inside of a plot, without its margin and rim; cells are means over their pixels.
    pub fn of(plot: &Plot) -> Self {
        let table: [f64; 256] = std::array::from_fn(|v| linear(v as u8));
        let margin_px = plot.margin_mm * plot.px_per_mm;
        let side = |length: u32| {
            let inside = (f64::from(length) - 2.0 * margin_px).max(1.0);
            let rim = inside * RIM_SHARE;
            move |cell: usize| {
                let at = margin_px + rim + (inside - 2.0 * rim) * cell as f64 / CELLS as f64;
                (at as u32).min(length.saturating_sub(1))
            }
        };
        let (left, top) = (side(plot.even.width()), side(plot.even.height()));
        let (pixels, _) = plot.even.as_raw().as_chunks::<3>();
        let width = plot.even.width() as usize;
        let mut cells_l = Vec::with_capacity(CELLS * CELLS);
        for row in 0..CELLS {
            for column in 0..CELLS {
                let (mut sum, mut seen) = (0.0, 0.0);
                let across = left(column)..left(column + 1).max(left(column) + 1);
                for y in top(row)..top(row + 1).max(top(row) + 1) {
                    let row = &pixels[y as usize * width..][..width];
                    for p in &row[across.start as usize..across.end as usize] {
                        let [r, g, b] = p.map(|v| table[usize::from(v)]);
                        sum += 0.2126 * r + 0.7152 * g + 0.0722 * b;
                        seen += 1.0;
                    }
                }
                cells_l.push(lightness(sum / seen).round() as u8);
            }
        }
        Self { cells_l }
    }

    /// L* of the cell at (x, y).
    fn at(&self, x: usize, y: usize) -> f32 {
        f32::from(self.cells_l[y * CELLS + x])
    }

    /// A cell less the mean around it.
    fn departure(&self, x: usize, y: usize) -> f32 {
        let span = |at: usize| at.saturating_sub(MEAN_REACH)..(at + MEAN_REACH + 1).min(CELLS);
        let (xs, ys) = (span(x), span(y));
        let n = (xs.len() * ys.len()) as f32;
        let around = ys.flat_map(|v| xs.clone().map(move |u| (u, v)));
        let sum: f32 = around.map(|(u, v)| self.at(u, v)).sum();
        self.at(x, y) - sum / n
    }
}

/// What is left of a thumbnail without its light: ready to be compared.
#[derive(Debug, Clone, PartialEq)]
pub struct Structure {
    cells: Vec<f32>,
    /// Of a ring: only the circle inside counts, and it may lie any way round.
    round: bool,
}

impl Structure {
    /// Takes the light off. `round`: the plot is that of a ring.
    pub fn new(thumbnail: &Thumbnail, round: bool) -> Self {
        let mut cells: Vec<f32> = (0..CELLS * CELLS)
            .map(|i| (i % CELLS, i / CELLS))
            .map(|(x, y)| {
                if round && !in_circle(x, y) {
                    0.0
                } else {
                    thumbnail.departure(x, y)
                }
            })
            .collect();
        let square: f32 = cells.iter().map(|v| v * v).sum();
        let most = MOST_DEPARTURE * (square / (CELLS * CELLS) as f32).sqrt();
        for cell in &mut cells {
            *cell = cell.clamp(-most, most);
        }
        Self { cells, round }
    }

    /// Lays it in every way that the plot may lie.
    pub fn turned(&self) -> Turned {
        if self.round {
            let turn = |n| std::f64::consts::TAU * n as f64 / RING_TURNS as f64;
            return Turned {
                turns: (0..RING_TURNS).map(|n| self.by_angle(turn(n))).collect(),
                shift: 0,
            };
        }
        let mut turns = vec![self.cells.clone()];
        for n in 0..3 {
            let from: &[f32] = &turns[n];
            let quarter = (0..CELLS * CELLS)
                .map(|i| from[(CELLS - 1 - i % CELLS) * CELLS + i / CELLS])
                .collect();
            turns.push(quarter);
        }
        Turned {
            turns,
            shift: SHIFT,
        }
    }

    /// Turned about the middle by an angle, between cells by the four around.
    fn by_angle(&self, angle_rad: f64) -> Vec<f32> {
        let (sin, cos) = angle_rad.sin_cos();
        let middle = (CELLS - 1) as f64 / 2.0;
        let at = |x: f64, y: f64| {
            let inside = |v: f64| (0.0..CELLS as f64).contains(&v);
            if inside(x) && inside(y) {
                self.cells[y as usize * CELLS + x as usize]
            } else {
                0.0
            }
        };
        (0..CELLS * CELLS)
            .map(|i| ((i % CELLS) as f64 - middle, (i / CELLS) as f64 - middle))
            .map(|(dx, dy)| (cos * dx - sin * dy + middle, sin * dx + cos * dy + middle))
            .map(|(x, y)| {
                let (left, top) = (x.floor(), y.floor());
                let (u, v) = ((x - left) as f32, (y - top) as f32);
                let upper = at(left, top) * (1.0 - u) + at(left + 1.0, top) * u;
                let lower = at(left, top + 1.0) * (1.0 - u) + at(left + 1.0, top + 1.0) * u;
                upper * (1.0 - v) + lower * v
            })
            .collect()
    }
}

/// Whether a cell lies in the circle within the square.
fn in_circle(x: usize, y: usize) -> bool {
    let middle = (CELLS - 1) as f64 / 2.0;
    (x as f64 - middle).hypot(y as f64 - middle) <= CELLS as f64 / 2.0
}

/// A [`Structure`] in every way that it may lie.
#[derive(Debug, Clone, PartialEq)]
pub struct Turned {
    turns: Vec<Vec<f32>>,
    /// Shifts tried to either side, cells.
    shift: usize,
}

impl Turned {
    /// The greatest correlation with another plot's structure over all turns and small shifts,
    /// -1 to 1. Plots that are not the same stay near 0.
    pub fn likeness(&self, other: &Structure) -> f64 {
        let mut best = -1.0_f32;
        for turned in &self.turns {
            for dy in 0..=2 * self.shift {
                for dx in 0..=2 * self.shift {
                    let at = (dx, dy, self.shift);
                    best = best.max(correlation(turned, &other.cells, at));
                }
            }
        }
        f64::from(best)
    }
}

/// Correlation of `a`, moved by (dx - shift, dy - shift), with the middle of `b`; 0 for a plot
/// without any structure.
fn correlation(a: &[f32], b: &[f32], (dx, dy, shift): (usize, usize, usize)) -> f32 {
    let span = CELLS - 2 * shift;
    let (mut ab, mut aa, mut bb) = (0.0_f32, 0.0_f32, 0.0_f32);
    for row in 0..span {
        let from_a = &a[(row + dy) * CELLS + dx..][..span];
        let from_b = &b[(row + shift) * CELLS + shift..][..span];
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

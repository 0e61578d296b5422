//! How much of the plot lies under residue, told by its colour where that tells, and by its straight edges.
//!
//! Where lightness parts the plot well in two, with soil the darker and commoner shade, the lighter part is residue. But pale soil
//! is as light as straw, wet straw as dark as soil, and sun on clods makes two shades of bare ground. Shape holds there: along a
//! stalk, a blade or the side of a leaf, lightness changes across the edge alone; over crumbs it changes along every
//! direction. The share of the plot that lies beside a straight edge grows with the share under residue.
//! Cast shadows have straight edges too: what is far darker than the ground's commonest shade is taken off again.

use super::{GroundSettings, Histogram, NARROW};

/// Side of a cell, mm, in which the plot is looked at: a stalk is a few cells wide. Lowered: a photo's noise and sharpness tell
/// in the answer; raised: thin straw is lost.
const CELL_MM: f64 = 0.85;
/// Weights along which cells are smoothed, once across and once down.
const SMOOTH: [f32; 5] = [1.0 / 16.0, 4.0 / 16.0, 6.0 / 16.0, 4.0 / 16.0, 1.0 / 16.0];
/// Cells from the plot's edge in which the bar still tells in a slope.
const EDGE: usize = 3;
/// Slopes are taken together over so many cells to each side: 7 × 7 cells, 6 mm. Raised: short pieces blend with the ground
/// about them; lowered: crumbs have straight edges by chance.
const AROUND: usize = 3;
/// From what coherence (0: slopes in all directions alike, 1: all along one line) an edge is straight. Raised: chaff is
/// lost; lowered: crumbs pass.
const STRAIGHT: f32 = 0.5;
/// Least mean square of the slopes about a cell, as a share of the whole plot's, that is an edge. Raised: residue in shadow is
/// lost; lowered: the faint grain of bare soil passes.
const LEAST_SLOPE: f32 = 0.3;
/// Half-widths of the commonest shade below which ground lies in cast shadow.
const SHADOW_WIDTHS: f64 = 2.0;
/// Most, %, that is taken for cast shadow. Raised: where pale residue hides most of dark soil, what is seen of that soil is taken
/// for shadow; lowered: cloddy ground in low sun reads high.
const MOST_SHADOW_PCT: f64 = 30.0;
/// Cover by edges, %: a point beside straight edges, a point in cast shadow, and neither. Fitted on 23 path-traced and 80
/// staged photos of known cover (DEVELOPERS.md); each kind alone gave nearly the same.
const BY_EDGES: [f64; 3] = [2.3, -1.0, -67.0];
/// Share of the spread in lightness that parting it in two explains: up to the first, edges alone tell the cover; from the second,
/// colour alone. One hump parted at its middle explains 0.64. Lowered: bare soil is cut into soil and residue; raised: edges
/// alone tell where colour is surer.
const COLOUR_TELLS: [f64; 2] = [0.66, 0.74];
/// How much more cover colour may tell than edges, %: up to the first it is believed, from the second not at all. Raised: wet and
/// dry patches of bare soil are taken for residue; lowered: large leaves, which have few edges, are lost.
const MOST_OVER_EDGES_PCT: [f64; 2] = [10.0, 20.0];

/// Share of the plot under residue, %.
///
/// `index`: lightness less redness of a plot pixel; `inside`: 0 where it is not of the plot; then pixels in a row and to a mm.
///
/// # Source
/// Bigün, J. and Granlund, G. (1987), "Optimal orientation detection of linear symmetry", 1st ICCV (the coherence of slopes).
pub(super) fn residue_cover_pct(
    index: impl Fn(usize) -> f32,
    inside: &[u8],
    (width, px_per_mm): (usize, f64),
    settings: &GroundSettings,
) -> f64 {
    let cells = Cells::new(index, inside, width, px_per_mm);
    let shades = cells.shades();
    let by_edges_pct = cells.cover_by_edges_pct(&shades);
    let split = shades.split();
    let by_colour_pct = 100.0 * shades.share_above(split.pulled(settings.towards_soil));
    // Where the commonest shade is in the lighter part, it is soil as pale as residue.
    let soil_is_darker = f64::from(u8::from(shades.mode(NARROW) <= split.at));
    let well_parted = up(split.explained, COLOUR_TELLS);
    let believed = 1.0 - up(by_colour_pct - by_edges_pct, MOST_OVER_EDGES_PCT);
    by_edges_pct + soil_is_darker * well_parted * believed * (by_colour_pct - by_edges_pct)
}

/// From 0 at the first of two bounds to 1 at the second.
fn up(value: f64, [from, to]: [f64; 2]) -> f64 {
    ((value - from) / (to - from)).clamp(0.0, 1.0)
}

/// The plot in cells.
struct Cells {
    columns: usize,
    rows: usize,
    /// Mean lightness less redness.
    values: Vec<f32>,
    /// The whole cell lies inside the frame.
    seen: Vec<bool>,
}

impl Cells {
    fn new(index: impl Fn(usize) -> f32, inside: &[u8], width: usize, px_per_mm: f64) -> Self {
        let side = (CELL_MM * px_per_mm).round().max(1.0) as usize;
        let (columns, rows) = (width / side, inside.len() / width.max(1) / side);
        let mut values = vec![0.0; columns * rows];
        let mut seen = vec![true; columns * rows];
        for y in 0..rows * side {
            let row = y / side * columns..;
            let cells = values[row.clone()].iter_mut().zip(&mut seen[row]);
            for (column, (value, seen)) in cells.take(columns).enumerate() {
                for i in (y * width + column * side..).take(side) {
                    *value += index(i);
                    *seen &= inside[i] != 0;
                }
            }
        }
        let pixels = (side * side) as f32;
        values.iter_mut().for_each(|v| *v /= pixels);
        Self {
            columns,
            rows,
            values,
            seen,
        }
    }

    /// Cover as the share beside straight edges tells it, %.
    fn cover_by_edges_pct(&self, shades: &Histogram) -> f64 {
        let shadow_pct = 100.0 * shades.share_below_mode(SHADOW_WIDTHS);
        let [straight, shadow, neither] = BY_EDGES;
        let pct = straight * self.straight_pct() + shadow * shadow_pct.min(MOST_SHADOW_PCT);
        (pct + neither).clamp(0.0, 100.0)
    }

    /// How often each lightness less redness is seen.
    fn shades(&self) -> Histogram {
        let seen = self.values.iter().zip(&self.seen);
        Histogram::new(seen.filter(|(_, seen)| **seen).map(|(v, _)| *v))
    }

    /// Share of the cells beside a straight edge, %; those at the plot's edge, where the bar tells, are left out.
    fn straight_pct(&self) -> f64 {
        let inner = self.inner();
        let [mut along, mut down, mut slant] = self.slopes(&inner);
        let number: f32 = inner.iter().sum();
        let all: f64 = along.iter().chain(&down).map(|v| f64::from(*v)).sum();
        let least = LEAST_SLOPE * (all / f64::from(number.max(1.0))) as f32;
        let mut about = inner.clone();
        for plane in [&mut along, &mut down, &mut slant, &mut about] {
            self.take_together(plane);
        }
        let straight = (0..inner.len()).filter(|&i| {
            let slope = along[i] + down[i];
            let one_way = (along[i] - down[i]).hypot(2.0 * slant[i]);
            inner[i] > 0.0 && slope > least * about[i] && one_way > STRAIGHT * slope
        });
        100.0 * straight.count() as f64 / f64::from(number.max(1.0))
    }

    /// 1 where all cells within [`EDGE`] are seen, 0 elsewhere.
    fn inner(&self) -> Vec<f32> {
        let blind = self.seen.iter().map(|seen| f32::from(!seen));
        let mut blind = Vec::from_iter(blind);
        box_sums(&mut blind, self.columns, self.rows, EDGE);
        let at = |i: usize| {
            let (x, y) = (i % self.columns, i / self.columns);
            let held = |v: usize, most: usize| v >= EDGE && v + EDGE < most;
            held(x, self.columns) && held(y, self.rows) && blind[i] == 0.0
        };
        (0..blind.len()).map(|i| f32::from(at(i))).collect()
    }

    /// Squares and product of the smoothed plot's slopes: along the rows, down the columns, both; 0 but at `inner` cells.
    fn slopes(&self, inner: &[f32]) -> [Vec<f32>; 3] {
        let smooth = self.smoothed();
        let mut slopes = [(); 3].map(|()| vec![0.0; smooth.len()]);
        for i in (0..inner.len()).filter(|&i| inner[i] > 0.0) {
            let along = (smooth[i + 1] - smooth[i - 1]) / 2.0;
            let down = (smooth[i + self.columns] - smooth[i - self.columns]) / 2.0;
            slopes[0][i] = along * along;
            slopes[1][i] = down * down;
            slopes[2][i] = along * down;
        }
        slopes
    }

    /// The cells smoothed; what lies beyond the picture is as its last cell.
    fn smoothed(&self) -> Vec<f32> {
        let (columns, rows) = (self.columns, self.rows);
        let near = |v: usize, k: usize, most: usize| (v + k).saturating_sub(2).min(most - 1);
        let mut across = vec![0.0; self.values.len()];
        for (to, from) in
            (across.chunks_exact_mut(columns.max(1))).zip(self.values.chunks_exact(columns.max(1)))
        {
            for (x, v) in to.iter_mut().enumerate() {
                *v = (0..5).map(|k| SMOOTH[k] * from[near(x, k, columns)]).sum();
            }
        }
        let mut both = vec![0.0; across.len()];
        for (y, to) in both.chunks_exact_mut(columns.max(1)).enumerate() {
            for (k, weight) in SMOOTH.iter().enumerate() {
                let from = &across[near(y, k, rows) * columns..][..columns];
                for (v, from) in to.iter_mut().zip(from) {
                    *v += weight * from;
                }
            }
        }
        both
    }

    fn take_together(&self, plane: &mut [f32]) {
        box_sums(plane, self.columns, self.rows, AROUND);
    }
}

/// Puts in each cell's place the sum over the cells up to `reach` away along rows and columns.
fn box_sums(plane: &mut [f32], columns: usize, rows: usize, reach: usize) {
    if columns == 0 {
        return;
    }
    let mut line = vec![0.0; columns];
    for row in plane.chunks_exact_mut(columns) {
        line.copy_from_slice(row);
        let mut sum: f64 = line.iter().take(reach).map(|v| f64::from(*v)).sum();
        for (x, v) in row.iter_mut().enumerate() {
            sum += line.get(x + reach).map_or(0.0, |v| f64::from(*v));
            *v = sum as f32;
            sum -= x.checked_sub(reach).map_or(0.0, |x| f64::from(line[x]));
        }
    }
    let before = plane.to_vec();
    let mut sums = vec![0.0_f64; columns];
    let put = |sums: &mut [f64], y: usize, sign: f64| {
        let row = before.get(y * columns..(y + 1) * columns).unwrap_or(&[]);
        for (sum, v) in sums.iter_mut().zip(row) {
            *sum += sign * f64::from(*v);
        }
    };
    for y in 0..reach {
        put(&mut sums, y, 1.0);
    }
    for y in 0..rows {
        put(&mut sums, y + reach, 1.0);
        for (v, sum) in plane[y * columns..].iter_mut().zip(&sums) {
            *v = *sum as f32;
        }
        if let Some(gone) = y.checked_sub(reach) {
            put(&mut sums, gone, -1.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Side of the drawn plots: 200 mm.
    const SIDE: usize = 480;
    const PX_PER_MM: f64 = 2.4;

    /// Numbers from 0 to 1, always the same ones.
    struct Dice(u32);

    impl Dice {
        fn unit(&mut self) -> f32 {
            self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (self.0 >> 8) as f32 / (1 << 24) as f32
        }

        /// Crumbs of about `size_px`, from -0.5 to 0.5.
        fn crumbs(&mut self, size_px: f32) -> Vec<f32> {
            let corners = (SIDE as f32 / size_px) as usize + 2;
            let grid: Vec<f32> = (0..corners * corners).map(|_| self.unit() - 0.5).collect();
            let soft = |v: f32| v * v * (3.0 - 2.0 * v);
            let at = |i: usize| {
                let (x, y) = ((i % SIDE) as f32 / size_px, (i / SIDE) as f32 / size_px);
                let (column, row) = (x as usize, y as usize);
                let (fx, fy) = (soft(x.fract()), soft(y.fract()));
                let corner = |dx: usize, dy: usize| grid[(row + dy) * corners + column + dx];
                let above = corner(0, 0) + (corner(1, 0) - corner(0, 0)) * fx;
                let below = corner(0, 1) + (corner(1, 1) - corner(0, 1)) * fx;
                above + (below - above) * fy
            };
            (0..SIDE * SIDE).map(at).collect()
        }
    }

    /// Crumbly soil of one lightness under stalks of another, 5 × 70 mm, and the share that they cover, %.
    fn ground(soil_l: f32, residue_l: f32, stalks: usize) -> (Vec<f32>, f64) {
        let mut dice = Dice(5);
        let (coarse, fine) = (dice.crumbs(8.0), dice.crumbs(3.0));
        let mut l: Vec<f32> = (coarse.iter().zip(&fine))
            .map(|(a, b)| soil_l + 14.0 * (a + b))
            .collect();
        let mut covered = vec![false; l.len()];
        for _ in 0..stalks {
            let (x, y) = (dice.unit() * SIDE as f32, dice.unit() * SIDE as f32);
            let (sin, cos) = (dice.unit() * std::f32::consts::PI).sin_cos();
            let shade = residue_l + 8.0 * (dice.unit() - 0.5);
            for i in 0..l.len() {
                let (dx, dy) = ((i % SIDE) as f32 - x, (i / SIDE) as f32 - y);
                if (dx * cos + dy * sin).abs() < 84.0 && (dy * cos - dx * sin).abs() < 6.0 {
                    (l[i], covered[i]) = (shade, true);
                }
            }
        }
        let share = covered.iter().filter(|c| **c).count() as f64 / covered.len() as f64;
        (l, 100.0 * share)
    }

    fn cover_pct(l: &[f32]) -> f64 {
        let inside = vec![255; l.len()];
        let settings = GroundSettings::default();
        residue_cover_pct(|i| l[i], &inside, (SIDE, PX_PER_MM), &settings)
    }

    #[test]
    fn pale_straw_on_dark_soil_is_measured() {
        for stalks in [10, 20, 40] {
            let (l, true_pct) = ground(35.0, 65.0, stalks);
            let pct = cover_pct(&l);
            assert!((pct - true_pct).abs() < 4.0, "{pct} for {true_pct}");
        }
    }

    #[test]
    fn straw_on_soil_as_pale_is_seen_by_its_edges() {
        let pct = [0, 20, 80].map(|stalks| cover_pct(&ground(65.0, 50.0, stalks).0));
        let rising = pct[0] < 10.0 && pct[1] > pct[0] + 10.0 && pct[2] > pct[1] + 10.0;
        assert!(rising, "{pct:?}");
    }

    #[test]
    fn wet_and_dry_bare_soil_is_no_cover() {
        let (soil, _) = ground(45.0, 0.0, 0);
        let patches = Dice(9).crumbs(120.0);
        let patched = |(l, p): (&f32, &f32)| l + 20.0 * (0.5 + 4.0 * p).clamp(0.0, 1.0);
        let pct = cover_pct(&Vec::from_iter(soil.iter().zip(&patches).map(patched)));
        assert!(pct < 20.0, "{pct}");
    }

    #[test]
    fn what_shows_nothing_has_no_cover() {
        assert_eq!(cover_pct(&vec![50.0; SIDE * SIDE]), 0.0);
        let settings = GroundSettings::default();
        for (width, rows, inside) in [(0, 0, 255), (5, 5, 255), (60, 60, 0), (300, 2, 255)] {
            let inside = vec![inside; width * rows];
            let pct = residue_cover_pct(|i| i as f32, &inside, (width, PX_PER_MM), &settings);
            assert_eq!(pct, 0.0, "{width} x {rows}");
        }
    }

    #[test]
    fn sums_about_a_cell_are_those_of_its_neighbours() {
        for (columns, rows, reach) in [(7, 5, 2), (3, 9, 4), (1, 1, 3)] {
            let mut dice = Dice(3);
            let plane = Vec::from_iter((0..columns * rows).map(|_| dice.unit()));
            let mut sums = plane.clone();
            box_sums(&mut sums, columns, rows, reach);
            for (i, sum) in sums.iter().enumerate() {
                let near = |k: usize| {
                    (k % columns).abs_diff(i % columns) <= reach
                        && (k / columns).abs_diff(i / columns) <= reach
                };
                let plain: f32 = (0..plane.len())
                    .filter(|k| near(*k))
                    .map(|k| plane[k])
                    .sum();
                assert!(
                    (sum - plain).abs() < 1e-4,
                    "{columns} x {rows}: {sum}, {plain}"
                );
            }
        }
    }
}

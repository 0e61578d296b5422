//! Hard shadows over the plot: the bar's, the photographer's, the machine's.

use super::light::Cells;

/// A shadow over part of the plot.
pub(super) struct Shadow {
    /// Share of the ground inside that lies in shadow, 0..1.
    pub share: f64,
    /// For each cell how deep it lies in shadow, 0 (lit) to 1.
    pub depth: Vec<f32>,
    /// Gains on R, G, B that bring full shadow to the lit ground's level.
    pub gains: [f32; 3],
}

/// Least difference between lit and shaded ground, natural log units of luminance (a factor of 1.65). Lowered: a wet
/// patch is taken for shadow; raised: a thin cloud's shadow stays.
const LEAST_STEP: f32 = 0.5;
/// Share of all spread that parting in two must explain. One hump parted at its middle explains
/// 0.64, an even spread 0.75.
const LEAST_PARTED: f64 = 0.72;
/// Least share of the plot on either side.
const LEAST_SHARE: f64 = 0.02;

/// Looks for a hard shadow: two levels of light, far apart.
pub(super) fn find(cells: &Cells) -> Shadow {
    let none = || Shadow {
        share: 0.0,
        depth: vec![0.0; cells.log_y.len()],
        gains: [1.0; 3],
    };
    let smooth = median5(cells);
    let mut values: Vec<f32> = seen(cells).map(|i| smooth[i]).collect();
    if values.len() < 100 {
        return none();
    }
    values.sort_by(f32::total_cmp);
    let Some((cut, parted)) = two_levels(&values) else {
        return none();
    };
    let dark = |i: usize| smooth[i] < cut;
    let share = seen(cells).filter(|&i| dark(i)).count() as f64 / values.len() as f64;
    let gains: [f32; 3] = std::array::from_fn(|k| {
        let median = |want: bool| {
            let mut v: Vec<f32> = seen(cells)
                .filter(|&i| dark(i) == want)
                .map(|i| cells.rgb[i][k].max(1e-4))
                .collect();
            v.sort_by(f32::total_cmp);
            v.get(v.len() / 2).copied().unwrap_or(1.0)
        };
        (median(false) / median(true)).clamp(1.0, 8.0)
    });
    let step = gains[1].ln();
    if step < LEAST_STEP
        || parted < LEAST_PARTED
        || !(LEAST_SHARE..=1.0 - LEAST_SHARE).contains(&share)
    {
        return none();
    }
    // Softly from lit to dark across the cut, over a third of the step.
    let width = step / 3.0;
    let depth = smooth
        .iter()
        .map(|v| ((cut - v) / width + 0.5).clamp(0.0, 1.0))
        .collect();
    Shadow {
        share,
        depth,
        gains,
    }
}

fn seen(cells: &Cells) -> impl Iterator<Item = usize> + '_ {
    (0..cells.seen.len()).filter(|&i| cells.seen[i])
}

/// The cut that parts sorted values best, and the share of their spread that it explains.
///
/// # Source
/// Otsu, N. (1979), "A threshold selection method from gray-level histograms", IEEE TSMC 9(1).
fn two_levels(sorted: &[f32]) -> Option<(f32, f64)> {
    let n = sorted.len() as f64;
    let total: f64 = sorted.iter().map(|v| f64::from(*v)).sum();
    let squares: f64 = sorted.iter().map(|v| f64::from(*v).powi(2)).sum();
    let spread = squares - total * total / n;
    if spread <= 1e-9 {
        return None;
    }
    let (mut below, mut best, mut at) = (0.0, 0.0, 0);
    for (i, v) in sorted.iter().enumerate().take(sorted.len() - 1) {
        below += f64::from(*v);
        let k = (i + 1) as f64;
        let between = (below - total * k / n).powi(2) * n / (k * (n - k));
        if between > best {
            (best, at) = (between, i);
        }
    }
    Some(((sorted[at] + sorted[at + 1]) / 2.0, best / spread))
}

/// Median of log luminance over 5 × 5 cells, of those seen; cells not seen take the nearest that is.
fn median5(cells: &Cells) -> Vec<f32> {
    let mut out = vec![f32::NAN; cells.log_y.len()];
    let (columns, rows) = (cells.columns as isize, cells.rows as isize);
    for y in 0..rows {
        for x in 0..columns {
            for reach in [2, 4, 8, 16] {
                let mut near = Vec::with_capacity(25);
                for yy in (y - reach).max(0)..=(y + reach).min(rows - 1) {
                    for xx in (x - reach).max(0)..=(x + reach).min(columns - 1) {
                        let i = (yy * columns + xx) as usize;
                        if cells.seen[i] {
                            near.push(cells.log_y[i]);
                        }
                    }
                }
                if near.len() >= 5 || reach == 16 {
                    let mid = near.len() / 2;
                    if !near.is_empty() {
                        out[(y * columns + x) as usize] =
                            *near.select_nth_unstable_by(mid, f32::total_cmp).1;
                    }
                    break;
                }
            }
        }
    }
    let fill = out.iter().copied().find(|v| !v.is_nan()).unwrap_or(0.0);
    out.iter()
        .map(|v| if v.is_nan() { fill } else { *v })
        .collect()
}

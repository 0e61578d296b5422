//! Objects read off the network's heat: where it has its hilltops.

use ndarray::Array2;

use crate::{geometry::Point, plot::Plot};

/// A hilltop of heat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Place in plot pixels, to a part of a cell.
    pub x_plot_px: f64,
    /// Place in plot pixels.
    pub y_plot_px: f64,
    /// Heat there, 0..1.
    pub heat: f64,
}

impl Peak {
    /// Where it lies on the plot, mm.
    pub fn place_mm(&self, plot: &Plot) -> Point {
        plot.mm_from_plot_px(Point::new(self.x_plot_px, self.y_plot_px))
    }
}

/// Every cell that is warmer than `least` and than all others within `reach` cells, row by row.
/// Of equals the first in reading order stays.
pub fn peaks(heat: &Array2<f32>, reach: usize, least: f32, cell_px: usize) -> Vec<Peak> {
    let (rows, cols) = heat.dim();
    let mut found = Vec::new();
    for ((row, col), &value) in heat.indexed_iter() {
        if value > least && is_top(heat, row, col, reach) {
            let at = |r: usize, c: usize| f64::from(heat[[r.min(rows - 1), c.min(cols - 1)]]);
            let dx = summit(
                at(row, col.saturating_sub(1)),
                at(row, col),
                at(row, col + 1),
            );
            let dy = summit(
                at(row.saturating_sub(1), col),
                at(row, col),
                at(row + 1, col),
            );
            found.push(Peak {
                x_plot_px: (col as f64 + 0.5 + dx) * cell_px as f64,
                y_plot_px: (row as f64 + 0.5 + dy) * cell_px as f64,
                heat: f64::from(value),
            });
        }
    }
    found
}

fn is_top(heat: &Array2<f32>, row: usize, col: usize, reach: usize) -> bool {
    let (rows, cols) = heat.dim();
    let value = heat[[row, col]];
    for r in row.saturating_sub(reach)..=(row + reach).min(rows - 1) {
        for c in col.saturating_sub(reach)..=(col + reach).min(cols - 1) {
            let other = heat[[r, c]];
            if other > value || (other == value && (r, c) < (row, col)) {
                return false;
            }
        }
    }
    true
}

/// Top of the parabola through three values one cell apart, −0.5..0.5 from the middle one.
fn summit(before: f64, here: f64, after: f64) -> f64 {
    let bend = before - 2.0 * here + after;
    if bend < -1e-6 {
        ((before - after) / (2.0 * bend)).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_tops_between_cells() {
        let (x, y) = (7.3, 5.8);
        let heat = Array2::from_shape_fn((12, 16), |(r, c)| {
            let d2 = (c as f64 + 0.5 - x).powi(2) + (r as f64 + 0.5 - y).powi(2);
            (0.9 * (-d2 / 4.0).exp()) as f32
        });
        let found = peaks(&heat, 2, 0.1, 1);
        assert_eq!(found.len(), 1);
        assert!((found[0].x_plot_px - x).abs() < 0.1 && (found[0].y_plot_px - y).abs() < 0.1);
    }

    #[test]
    fn a_plateau_has_one_top() {
        assert_eq!(peaks(&Array2::from_elem((3, 3), 0.5), 2, 0.1, 2).len(), 1);
    }
}

//! Where slopes of lightness or colour point from all sides to one place: middles of round things.

use super::field::Field;
use crate::wide::wide;

/// Votes of slopes for the middle of something round.
///
/// Every pixel votes at distance `radii_px` along its slope, up the slope. A vote weighs as much as the slope is
/// steep, up to `full_slope`: above it strong edges do not outvote complete ones.
/// Returns votes over the circumference: near 1 for a whole circle of full edges.
///
/// # Source
/// Loy, G. & Zelinsky, A. (2003), "Fast radial symmetry for detecting points of interest", IEEE TPAMI 25(8),
/// bright symmetry only, with the vote's weight cut off instead of the exponent α.
pub(super) fn votes(field: &Field, radii_px: &[f32], full_slope: f32) -> Field {
    let (w, h) = (field.width, field.height);
    let mut out = Field::new(w, h);
    let reach = radii_px.iter().copied().fold(0.0, f32::max).ceil() as usize + 2;
    if w <= 2 * reach || h <= 2 * reach {
        return out;
    }
    let least = 0.12 * full_slope;
    let mut slopes = vec![Slope::default(); w - 2 * reach];
    for y in reach..h - reach {
        let row = |y: usize, from: usize| &field.v[y * w + from..][..w - 2 * reach];
        let (across, down) = (
            [row(y, reach - 1), row(y, reach + 1)],
            [row(y - 1, reach), row(y + 1, reach)],
        );
        row_slopes(across, down, full_slope, &mut slopes);
        for (x, slope) in (reach..).zip(&slopes) {
            let Slope {
                steep,
                weight,
                ux,
                uy,
            } = *slope;
            if steep < least {
                continue;
            }
            for r in radii_px {
                let tx = (x as f32 + ux * r + 0.5) as usize;
                let ty = (y as f32 + uy * r + 0.5) as usize;
                out.v[ty * w + tx] += weight / r;
            }
        }
    }
    out
}

/// The slope at one pixel.
#[derive(Debug, Clone, Copy, Default)]
struct Slope {
    steep: f32,
    /// What its vote weighs.
    weight: f32,
    /// Its direction, a unit vector; nothing that can be used where there is no slope.
    ux: f32,
    uy: f32,
}

wide! {
    fn row_slopes(across: [&[f32]; 2], down: [&[f32]; 2], full_slope: f32, slopes: &mut [Slope]) {
        let across = across[0].iter().zip(across[1]);
        let down = down[0].iter().zip(down[1]);
        for (slope, ((left, right), (above, below))) in slopes.iter_mut().zip(across.zip(down)) {
            let (gx, gy) = ((right - left) / 2.0, (below - above) / 2.0);
            let steep = (gx * gx + gy * gy).sqrt();
            *slope = Slope {
                steep,
                weight: steep.min(full_slope) / full_slope,
                ux: gx / steep,
                uy: gy / steep,
            };
        }
    }
}

//! Where slopes of lightness or colour point from all sides to one place: middles of round things.

use super::field::Field;

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
    for y in reach..h - reach {
        for x in reach..w - reach {
            let i = y * w + x;
            let gx = (field.v[i + 1] - field.v[i - 1]) / 2.0;
            let gy = (field.v[i + w] - field.v[i - w]) / 2.0;
            let steep = (gx * gx + gy * gy).sqrt();
            if steep < least {
                continue;
            }
            let weight = steep.min(full_slope) / full_slope;
            let (ux, uy) = (gx / steep, gy / steep);
            for r in radii_px {
                let tx = (x as f32 + ux * r + 0.5) as usize;
                let ty = (y as f32 + uy * r + 0.5) as usize;
                out.v[ty * w + tx] += weight / r;
            }
        }
    }
    out
}

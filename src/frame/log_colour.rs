//! Colours as logarithms: a shadow only takes something away from the lightness.

use super::reduce::Colour;

/// Smallest difference of log colours that counts: lightness, red-green, yellow-blue.
pub(super) const LOG_FLOOR: Colour = [0.04, 0.025, 0.025];

/// Log colour: a shadow over both sides of an edge takes the same away from both.
pub(super) fn log_colour(colour: Colour) -> Colour {
    let [light, red_green, yellow_blue] = colour;
    let b = light - yellow_blue * 2.0 / 3.0;
    let half_sum = (3.0 * light - b) / 2.0;
    // The offset keeps the noise of dark pixels from counting much.
    let [r, g, b] = [half_sum + red_green / 2.0, half_sum - red_green / 2.0, b]
        .map(|v| (v.max(0.0) + 10.0).ln());
    [(r + g + b) / 3.0, r - g, (r + g) / 2.0 - b]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::reduce::opponent;

    #[test]
    fn shade_changes_lightness_alone() {
        // The offset is taken out, so that the ratio is exact.
        let lit = log_colour(opponent([200.0, 130.0, 90.0].map(|v: f32| v - 10.0)));
        let shaded = log_colour(opponent([200.0, 130.0, 90.0].map(|v: f32| v * 0.6 - 10.0)));
        assert!((lit[0] - shaded[0] + 0.6_f32.ln()).abs() < 1e-5);
        assert!((lit[1] - shaded[1]).abs() < 1e-5);
        assert!((lit[2] - shaded[2]).abs() < 1e-5);
    }
}

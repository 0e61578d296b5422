//! What colour the ground within the outline is, in the light and in shadow.

use super::beside::middle_colour;
use super::log_colour::LOG_FLOOR;
use super::reduce::Colour;

/// How much a lightness below the ground's counts, against one above: a shadow is dark, too.
const DARKER_COUNTS: f32 = 0.4;
/// How much a difference of lightness between two sides of a bar counts: one may lie in shadow.
const SHADE_COUNTS: f32 = 0.5;

/// The ground's log colour and its spread.
#[derive(Debug, Clone)]
pub(super) struct GroundTone {
    /// Middle log colour.
    pub middle: Colour,
    weights: Colour,
}

impl GroundTone {
    /// From log colours of ground.
    pub fn of(logs: &[Colour]) -> Self {
        let (middle, spread) = middle_colour(logs);
        Self {
            middle,
            weights: std::array::from_fn(|c| {
                1.0 / (spread[c].powi(2) + 4.0 * LOG_FLOOR[c].powi(2)).sqrt()
            }),
        }
    }

    /// How far a log colour is from ground, in the light or in shadow, in spreads.
    pub fn off(&self, log: Colour) -> f64 {
        let mut off: Colour = std::array::from_fn(|c| (log[c] - self.middle[c]) * self.weights[c]);
        if off[0] < 0.0 {
            off[0] *= DARKER_COUNTS;
        }
        f64::from(off.iter().map(|v| v * v).sum::<f32>().sqrt())
    }

    /// Distance of two bars' log colours, in the ground's spreads.
    pub fn between(&self, a: Colour, b: Colour) -> f64 {
        let mut off: Colour = std::array::from_fn(|c| (a[c] - b[c]) * self.weights[c]);
        off[0] *= SHADE_COUNTS;
        f64::from(off.iter().map(|v| v * v).sum::<f32>().sqrt())
    }

    /// Distance of two log colours in the same light, in the ground's spreads.
    pub fn apart(&self, a: Colour, b: Colour) -> f64 {
        let square = |c: usize| ((a[c] - b[c]) * self.weights[c]).powi(2);
        f64::from((square(0) + square(1) + square(2)).sqrt())
    }
}

//! Limits on a Poisson mean and rate.

use super::quantile::{gamma_quantile, normal_quantile};

/// Exact limits on a Poisson mean of which `count` was seen.
///
/// - `count`: 0 or above; need not be whole (an expected count).
/// - `level`: 0.95 for 95 % limits.
///
/// # Source
/// Garwood (1936), Biometrika 28:437, in the gamma form.
pub fn garwood_limits(count: f64, level: f64) -> (f64, f64) {
    let tail = (1.0 - level) / 2.0;
    let low = if count > 0.0 {
        gamma_quantile(tail, count)
    } else {
        0.0
    };
    (low, gamma_quantile(1.0 - tail, count.max(0.0) + 1.0))
}

/// Exact limits on a rate: `count` seen over `exposure` (any unit; the limits are per that unit).
pub fn rate_exact_limits(count: f64, exposure: f64, level: f64) -> (f64, f64) {
    let (low, high) = garwood_limits(count, level);
    (low / exposure, high / exposure)
}

/// Score limits on a rate: the rates whose own standard error reaches to the count seen.
///
/// # Source
/// The inverted score test, (x − λt)² = z² λt.
pub fn rate_score_limits(count: f64, exposure: f64, level: f64) -> (f64, f64) {
    let z = normal_quantile(0.5 + level / 2.0);
    let centre = count + z * z / 2.0;
    let half = z * (count + z * z / 4.0).sqrt();
    ((centre - half) / exposure, (centre + half) / exposure)
}

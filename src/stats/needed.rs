//! How many frames for how sure.

/// Frames needed for a relative half-width where counts are gamma-Poisson: (t/r)² (1/m + 1/k).
///
/// - `mean`: mean count a frame, above 0; `k`: dispersion, above 0 (infinite: Poisson).
/// - `half_width`: relative half-width wished, 0.25 for ±25 %.
/// - `t`: 1.96 for 95 % limits with many frames.
///
/// # Source
/// Krebs, *Ecological Methodology*, ch. 7 (from memory).
pub fn frames_needed_gamma_poisson(mean: f64, k: f64, half_width: f64, t: f64) -> f64 {
    (t / half_width).powi(2) * (1.0 / mean + 1.0 / k)
}

/// Frames needed where counts are Poisson: (t/r)² / m.
///
/// # Source
/// Krebs, *Ecological Methodology*, ch. 7 (from memory).
pub fn frames_needed_poisson(mean: f64, half_width: f64, t: f64) -> f64 {
    (t / half_width).powi(2) / mean
}

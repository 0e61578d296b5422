//! The gamma-Poisson (negative binomial) distribution of counts that differ more than Poisson.

use statrs::function::gamma::ln_gamma;

/// Mean and dispersion fitted to counts on plots of one size.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Dispersion {
    /// Mean count a plot.
    pub mean: f64,
    /// Dispersion k: variance = mean + mean²/k. `None` where the counts differ no more than Poisson.
    pub k: Option<f64>,
}

/// The largest k told from Poisson; beyond it the extra spread is below a thousandth of the mean.
const K_MOST: f64 = 1.0e3;
/// The smallest k that is fitted.
const K_LEAST: f64 = 1.0e-2;

/// Natural logarithm of the probability of `count` with mean `mean` and dispersion `k`.
///
/// `count` need not be whole: the gamma function stands for the factorial.
pub fn ln_pmf(count: f64, mean: f64, k: f64) -> f64 {
    if mean <= 0.0 {
        return if count == 0.0 { 0.0 } else { f64::NEG_INFINITY };
    }
    ln_gamma(count + k) - ln_gamma(k) - ln_gamma(count + 1.0) - k * (mean / k).ln_1p()
        + count * (mean / (k + mean)).ln()
}

/// Fits mean and k by maximum likelihood to counts on plots of one size.
///
/// The mean is the plain mean, which is its maximum-likelihood value whatever k is; k is found by
/// golden section on ln k. `None` for no counts.
///
/// # Source
/// Anscombe (1950), Biometrika 37:358; Bliss & Fisher (1953), Biometrics 9:176.
pub fn fit(counts: &[f64]) -> Option<Dispersion> {
    if counts.is_empty() {
        return None;
    }
    let (mean, sd) = super::mean_sd(counts);
    let n = counts.len() as f64;
    // The likelihood has an inner maximum only where the spread (divisor n) passes the mean.
    if mean <= 0.0 || sd * sd * (n - 1.0) / n <= mean {
        return Some(Dispersion { mean, k: None });
    }
    let worth = |ln_k: f64| -> f64 { counts.iter().map(|&y| ln_pmf(y, mean, ln_k.exp())).sum() };
    let k = golden_maximum(worth, K_LEAST.ln(), K_MOST.ln()).exp();
    Some(Dispersion {
        mean,
        k: (k < 0.99 * K_MOST).then_some(k),
    })
}

/// Where a function of one hump is highest between two points.
fn golden_maximum(worth: impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    let section = (5.0_f64.sqrt() - 1.0) / 2.0;
    let mut a = high - section * (high - low);
    let mut b = low + section * (high - low);
    let (mut at_a, mut at_b) = (worth(a), worth(b));
    for _ in 0..70 {
        if at_a < at_b {
            (low, a, at_a) = (a, b, at_b);
            b = low + section * (high - low);
            at_b = worth(b);
        } else {
            (high, b, at_b) = (b, a, at_a);
            a = high - section * (high - low);
            at_a = worth(a);
        }
    }
    0.5 * (low + high)
}

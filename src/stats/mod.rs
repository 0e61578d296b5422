//! Intervals, tests and fits: plain numbers in, plain numbers out; no photo, no field in here.
//!
//! Everything is deterministic: what needs chance takes a seed.

mod agree;
mod gamma_poisson;
mod logit_shift;
mod needed;
mod poisson_binomial;
mod quantile;
mod ratio;
mod resample;
mod season_mean;

pub use agree::{Agreement, Concordance, agreement, concordance};
pub use gamma_poisson::{Dispersion, fit as fit_gamma_poisson, ln_pmf as gamma_poisson_ln_pmf};
pub use logit_shift::{fit_logit_shift, logistic, logit};
pub use needed::{frames_needed_gamma_poisson, frames_needed_poisson};
pub use poisson_binomial::poisson_binomial_pmf;
pub use quantile::{
    gamma_quantile, normal_cdf, normal_quantile, student_t_cdf, student_t_quantile,
};
pub use ratio::{RatioEstimate, ratio_of_counts};
pub use resample::{Chance, median, quantile_sorted};
pub use season_mean::{CheckSum, SeasonMean, season_mean, season_means};

/// Mean and standard deviation (divisor n − 1) of some numbers; the deviation is 0 for fewer than two.
pub fn mean_sd(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    if values.is_empty() {
        return (0.0, 0.0);
    }
    let mean = values.iter().sum::<f64>() / n;
    if values.len() < 2 {
        return (mean, 0.0);
    }
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    (mean, (squares / (n - 1.0)).sqrt())
}

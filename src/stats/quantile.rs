//! Quantiles of the normal, Student's t and gamma distributions.

use statrs::{
    distribution::{ContinuousCDF, Normal, StudentsT},
    function::gamma::{gamma_lr, gamma_ur, ln_gamma},
};

/// Normal quantile of a probability strictly between 0 and 1.
///
/// # Panics
/// When `p` is outside 0..1.
pub fn normal_quantile(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
}

/// Normal distribution function.
pub fn normal_cdf(z: f64) -> f64 {
    Normal::standard().cdf(z)
}

/// Student's t quantile.
///
/// - `freedom`: degrees of freedom, above 0.
///
/// # Panics
/// When `freedom` is not above 0 or `p` is outside 0..1.
pub fn student_t_quantile(p: f64, freedom: f64) -> f64 {
    student(freedom).inverse_cdf(p)
}

/// Student's t distribution function.
///
/// # Panics
/// When `freedom` is not above 0.
pub fn student_t_cdf(t: f64, freedom: f64) -> f64 {
    student(freedom).cdf(t)
}

fn student(freedom: f64) -> StudentsT {
    StudentsT::new(0.0, 1.0, freedom).expect("degrees of freedom are above 0")
}

/// Quantile of a gamma distribution of the given shape and scale 1.
///
/// Found by bisection on the regularised incomplete gamma function, because the library's own
/// chi-square quantile is off by orders of magnitude at small shapes. Bisection runs on ln x, so that
/// tails far below 1e-300 of a tiny shape come out as 0 and everything else to about 1e-13.
///
/// # Panics
/// When `p` is outside 0..1 or `shape` is not above 0.
pub fn gamma_quantile(p: f64, shape: f64) -> f64 {
    assert!((0.0..=1.0).contains(&p) && shape > 0.0);
    if p == 0.0 {
        return 0.0;
    }
    if p == 1.0 {
        return f64::INFINITY;
    }
    // Near 0 the distribution function is x^a / Γ(a + 1), which gives the start of a safe bracket.
    let start = (p.ln() + ln_gamma(shape + 1.0)) / shape;
    if start < -700.0 {
        return 0.0;
    }
    let below = |ln_x: f64| {
        let x = ln_x.exp();
        if p < 0.5 {
            gamma_lr(shape, x) < p
        } else {
            gamma_ur(shape, x) > 1.0 - p
        }
    };
    let (mut low, mut high) = (start.min(shape.ln()) - 1.0, start.max(shape.ln()) + 1.0);
    while !below(low) {
        low -= 2.0;
    }
    while below(high) {
        high += 1.0;
    }
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if below(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    (0.5 * (low + high)).exp()
}

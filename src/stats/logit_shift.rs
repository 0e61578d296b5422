//! By how much stated probabilities are off together: a shift of their logits, fitted to what came true.

/// The shift of logits that fits best, with a normal prior about no shift.
///
/// - `told`: the logit of each stated probability, and whether it came true.
/// - `prior_sd`: standard deviation of the prior, logits; above 0. It keeps the shift finite where all, or none, came true.
/// - `near`: where it is looked for first; it changes how long that takes, not what is found.
///
/// The most likely value of a logistic model whose only unknown is its intercept, the stated logit standing in it with a
/// slope of one. The penalised likelihood is concave, so Newton's steps, none longer than one logit, find its top.
///
/// # Source
/// Cox (1958), Biometrika 45:562, "Two further applications of a model for binary regression": calibration in the large,
/// from memory.
pub fn fit_logit_shift(told: &[(f64, bool)], prior_sd: f64, near: f64) -> f64 {
    let weight = 1.0 / (prior_sd * prior_sd);
    let mut shift = near;
    for _ in 0..50 {
        let (mut slope, mut bend) = (-shift * weight, weight);
        for &(logit, is) in told {
            let p = logistic(logit + shift);
            slope += f64::from(u8::from(is)) - p;
            bend += p * (1.0 - p);
        }
        let step = (slope / bend).clamp(-1.0, 1.0);
        shift += step;
        if step.abs() < 1e-9 {
            break;
        }
    }
    shift
}

/// The logit of a probability, finite also at 0 and 1.
pub fn logit(p: f64) -> f64 {
    let p = p.clamp(1e-9, 1.0 - 1e-9);
    (p / (1.0 - p)).ln()
}

/// The probability of a logit.
pub fn logistic(logit: f64) -> f64 {
    1.0 / (1.0 + (-logit).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Without a prior to speak of, 60 of 100 fair coins: logit 0.6 = 0.405465.
    #[test]
    fn fair_coins_that_came_down_heads_six_times_in_ten() {
        let told: Vec<(f64, bool)> = (0..100).map(|i| (0.0, i < 60)).collect();
        assert!((fit_logit_shift(&told, 1e3, 2.0) - 0.405_465).abs() < 1e-5);
    }

    /// Expected and true numbers agree after the shift, whatever was stated.
    #[test]
    fn expected_number_becomes_the_true_one() {
        let told: Vec<(f64, bool)> = (0..40)
            .map(|i| (f64::from(i) / 8.0 - 2.0, i % 3 == 0))
            .collect();
        let shift = fit_logit_shift(&told, 1e4, 0.0);
        let expected: f64 = told.iter().map(|t| logistic(t.0 + shift)).sum();
        let came = told.iter().filter(|t| t.1).count() as f64;
        assert!((expected - came).abs() < 1e-5, "{expected} {came}");
    }

    #[test]
    fn all_true_gives_a_finite_shift_and_nothing_known_none() {
        let shift = fit_logit_shift(&[(0.0, true); 30], 1.0, 0.0);
        assert!((1.0..4.0).contains(&shift), "{shift}");
        assert!(fit_logit_shift(&[], 1.0, 0.5).abs() < 1e-9);
    }
}

//! How many of a set of doubtful objects are real: the whole distribution, not only its mean.

use crate::{counts::Limits, stats::poisson_binomial_pmf};

/// What a count allows for beyond the chance of each object.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Allowances {
    /// Objects that can be seen and are not listed, per object found.
    pub missed: f64,
    /// Of those that no rate foresees: mean a plot.
    pub stray: f64,
    /// Standard deviation, in logits, by which all probabilities of a photo are off together.
    pub shift_logit: f64,
}

/// Nodes and weights of Gauss-Hermite quadrature for a standard normal, seven points.
///
/// # Source
/// Abramowitz & Stegun (1964), table 25.10, n = 7, with nodes times √2 and weights over √π.
const NORMAL_7: [(f64, f64); 7] = [
    (-3.750_439_717_725_742, 5.482_688_559_722_18e-4),
    (-2.366_759_410_734_541, 3.075_712_396_758_65e-2),
    (-1.154_405_394_739_968, 2.401_231_786_050_13e-1),
    (0.0, 4.571_428_571_428_57e-1),
    (1.154_405_394_739_968, 2.401_231_786_050_13e-1),
    (2.366_759_410_734_541, 3.075_712_396_758_65e-2),
    (3.750_439_717_725_742, 5.482_688_559_722_18e-4),
];

/// Best value and 95 % limits of how many objects are real, from each one's probability.
///
/// The number is a sum of unlike coin tosses (Poisson-binomial), plus a Poisson number of objects that were not
/// listed; all probabilities of a photo may be off together by a normal shift of their logits.
/// The best value takes them as they are: a shift either way is as likely, but turns more unlikely objects into
/// beans than it takes likely ones away, which would make the mean over shifts too high.
/// Limits are the smallest numbers with at least 2.5 % and 97.5 % of the distribution at or below them, and no narrower than
/// the whole numbers about the best value.
///
/// # Source
/// Poisson-binomial by convolution: Hong (2013), Computational Statistics & Data Analysis 59:41.
pub fn how_many(probabilities: &[f64], allow: &Allowances) -> Limits {
    let mut mixed = vec![0.0; probabilities.len() + 1];
    for (node, weight) in NORMAL_7 {
        let shift = node * allow.shift_logit;
        let shifted: Vec<f64> = probabilities.iter().map(|&p| shifted(p, shift)).collect();
        let found: f64 = shifted.iter().sum();
        let unlisted = found * allow.missed + allow.stray;
        let total = with_poisson(poisson_binomial_pmf(&shifted), unlisted);
        mixed.resize(mixed.len().max(total.len()), 0.0);
        for (m, t) in mixed.iter_mut().zip(total) {
            *m += weight * t;
        }
    }
    let found: f64 = probabilities.iter().sum();
    let estimate = found * (1.0 + allow.missed) + allow.stray;
    Limits {
        estimate,
        low: quantile(&mixed, 0.025).min(estimate.floor()),
        high: quantile(&mixed, 0.975).max(estimate.ceil()),
    }
}

fn shifted(p: f64, shift_logit: f64) -> f64 {
    let odds = p / (1.0 - p).max(1e-12) * shift_logit.exp();
    odds / (1.0 + odds)
}

/// Adds a Poisson number with this mean.
fn with_poisson(base: Vec<f64>, mean: f64) -> Vec<f64> {
    if mean <= 0.0 {
        return base;
    }
    let most = (mean + 8.0 * mean.sqrt() + 8.0).ceil() as usize;
    let mut poisson = Vec::with_capacity(most + 1);
    let mut term = (-mean).exp();
    for k in 0..=most {
        poisson.push(term);
        term *= mean / (k + 1) as f64;
    }
    let mut out = vec![0.0; base.len() + most];
    for (i, b) in base.iter().enumerate() {
        for (j, p) in poisson.iter().enumerate() {
            out[i + j] += b * p;
        }
    }
    out
}

fn quantile(distribution: &[f64], share: f64) -> f64 {
    let total: f64 = distribution.iter().sum();
    let mut below = 0.0;
    for (k, p) in distribution.iter().enumerate() {
        below += p;
        if below >= share * total {
            return k as f64;
        }
    }
    (distribution.len() - 1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOTHING: Allowances = Allowances {
        missed: 0.0,
        stray: 0.0,
        shift_logit: 0.0,
    };

    #[test]
    fn sure_objects_leave_no_doubt() {
        let l = how_many(&[1.0; 5], &NOTHING);
        assert_eq!((l.low, l.high), (5.0, 5.0));
        assert!((l.estimate - 5.0).abs() < 1e-9);
    }

    /// Fair coins: 20 tosses, 2.5 % and 97.5 % quantiles 6 and 14 (binomial distribution, scipy 1.15 binom.ppf).
    #[test]
    fn fair_coins_give_the_binomial() {
        let l = how_many(&[0.5; 20], &NOTHING);
        assert_eq!((l.low, l.high), (6.0, 14.0));
    }

    /// No object, a mean of 3 unlisted: Poisson quantiles 0 and 7 (scipy 1.15 poisson.ppf).
    #[test]
    fn unlisted_objects_are_poisson() {
        let l = how_many(
            &[],
            &Allowances {
                stray: 3.0,
                ..NOTHING
            },
        );
        assert_eq!((l.low, l.high), (0.0, 7.0));
    }

    /// Next to nothing may be missed: nought is the best whole number, and one is still allowed for.
    #[test]
    fn limits_hold_the_best_value() {
        let l = how_many(
            &[],
            &Allowances {
                stray: 0.02,
                ..NOTHING
            },
        );
        assert_eq!((l.low, l.estimate, l.high), (0.0, 0.02, 1.0));
    }

    #[test]
    fn a_shared_shift_widens_the_limits() {
        let p = [0.7; 60];
        let width = |s| {
            let l = how_many(
                &p,
                &Allowances {
                    shift_logit: s,
                    ..NOTHING
                },
            );
            l.high - l.low
        };
        assert!(width(0.5) > width(0.0) + 4.0);
    }
}

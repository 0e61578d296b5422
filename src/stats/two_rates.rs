//! Are two Poisson rates the same?

use statrs::distribution::{Binomial, Discrete, DiscreteCDF};

use super::quantile::normal_cdf;

/// Two counts, each over an exposure (area of ground, same unit for both).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoRates {
    /// First count.
    pub count_1: u64,
    /// First exposure.
    pub exposure_1: f64,
    /// Second count.
    pub count_2: u64,
    /// Second exposure.
    pub exposure_2: f64,
}

/// One-sided p values that the first rate is above the second, against equal rates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoRatesP {
    /// Difference over its own standard error.
    pub wald: f64,
    /// Difference over its standard error when the rates are equal.
    pub score: f64,
    /// On the square-root scale.
    pub square_root: f64,
    /// Exact, given the total (binomial).
    pub exact: f64,
    /// The exact one with half of the observed outcome's own probability.
    pub mid_p: f64,
}

impl TwoRates {
    /// All the tests.
    ///
    /// Frames differ more than Poisson: for frames these p values are too small; they serve where
    /// the counts really are Poisson, and as a floor.
    ///
    /// # Source
    /// Gu, Ng, Tang & Schucany (2008), Biometrical Journal 50:283 (Wald, score, square root);
    /// Przyborowski & Wilenski (1940), Biometrika 31:313 (exact).
    pub fn one_sided_p(&self) -> TwoRatesP {
        let (x1, x2) = (self.count_1 as f64, self.count_2 as f64);
        let (t1, t2) = (self.exposure_1, self.exposure_2);
        let difference = x1 / t1 - x2 / t2;
        let pooled = (x1 + x2) / (t1 + t2);
        let upper = |z: f64| 1.0 - normal_cdf(z);
        let over = |standard_error: f64| {
            if standard_error > 0.0 {
                upper(difference / standard_error)
            } else {
                0.5
            }
        };
        let ratio = t1 / t2;
        let root = 2.0 * ((x1 + 0.375).sqrt() - (ratio * (x2 + 0.375)).sqrt());
        let (exact, mid_p) = self.conditional();
        TwoRatesP {
            wald: over((x1 / (t1 * t1) + x2 / (t2 * t2)).sqrt()),
            score: over((pooled * (1.0 / t1 + 1.0 / t2)).sqrt()),
            square_root: upper(root / (1.0 + ratio).sqrt()),
            exact,
            mid_p,
        }
    }

    /// Given the total, the first count is binomial with the share of the exposure.
    fn conditional(&self) -> (f64, f64) {
        let total = self.count_1 + self.count_2;
        let share = self.exposure_1 / (self.exposure_1 + self.exposure_2);
        let Ok(first) = Binomial::new(share, total) else {
            return (1.0, 1.0);
        };
        let at = first.pmf(self.count_1);
        let beyond = first.sf(self.count_1);
        ((beyond + at).min(1.0), beyond + 0.5 * at)
    }
}

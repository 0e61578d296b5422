//! What stands beside a network: its scale, its calibration, what it misses, what it was trained on.

use serde::{Deserialize, Serialize};

/// The card of a network, kept as TOML beside it. Every figure in it was measured on photos that it was not trained on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Card {
    /// Name of the model.
    pub name: String,
    /// SHA-256 of the network's file, lower-case hex.
    pub sha256: String,
    /// Scale of the plots it looks at.
    pub px_per_mm: f64,
    /// From heat to probability, beans.
    pub bean: Calibration,
    /// From heat to probability, pods.
    pub pod: Calibration,
    /// What the count has to allow for.
    pub allowance: Allowance,
    /// What it was trained on.
    pub known: Known,
    /// Data, licences, split, figures, weaknesses: for people.
    pub about: toml::Table,
}

/// A calibration: the logit of heat to the logit of probability, linear between knots and beyond the outer ones.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// Weakest heat that makes an object. Lowered: a longer list of unlikely objects.
    pub least_heat: f64,
    /// `[logit of heat, logit of probability]`, rising.
    pub knots: Vec<[f64; 2]>,
}

/// What is known, from photos held back, of how a photo's count goes wrong beyond chance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Allowance {
    /// Beans that can be seen and that no object stands for, per bean found.
    pub missed_beans: f64,
    /// Pods likewise.
    pub missed_pods: f64,
    /// Standard deviation, in logits, by which a photo's probabilities are off together.
    pub shift_logit: f64,
    /// Beans that belong to no object and are not foreseen by the rate: mean a plot of any size.
    pub stray: f64,
}

/// The photos it was trained on, as mean and standard deviation of what is measured on a plot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Known {
    /// Names of the measures, in the order of [`crate::score::likeness_measures`].
    pub measures: Vec<String>,
    /// Means.
    pub mean: Vec<f64>,
    /// Standard deviations.
    pub sd: Vec<f64>,
    /// Distance (root mean square of standard deviations) above which a plot is unlike the training.
    pub most_distance: f64,
}

impl Calibration {
    /// Probability for a heat.
    pub fn probability(&self, heat: f64) -> f64 {
        let x = logit(heat);
        let k = &self.knots;
        let y = match k.len() {
            0 => x,
            1 => x - k[0][0] + k[0][1],
            n => {
                let i = k.partition_point(|knot| knot[0] <= x).clamp(1, n - 1);
                let ([x0, y0], [x1, y1]) = (k[i - 1], k[i]);
                y0 + (y1 - y0) * (x - x0) / (x1 - x0)
            }
        };
        1.0 / (1.0 + (-y).exp())
    }
}

impl Known {
    /// How far measures lie from those of the training (root mean square of standard deviations), and the most
    /// that is taken without a word. (0, most) when the card holds no measures.
    pub fn distance(&self, measures: &[f64]) -> (f64, f64) {
        let n = measures.len().min(self.mean.len()).min(self.sd.len());
        let sum: f64 = (0..n)
            .map(|i| ((measures[i] - self.mean[i]) / self.sd[i].max(1e-6)).powi(2))
            .sum();
        ((sum / n.max(1) as f64).sqrt(), self.most_distance)
    }
}

/// The logit of a probability, kept finite.
pub fn logit(p: f64) -> f64 {
    let p = p.clamp(1e-6, 1.0 - 1e-6);
    (p / (1.0 - p)).ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn knots_are_joined_by_straight_lines() {
        let c = Calibration {
            least_heat: 0.05,
            knots: vec![[-2.0, -3.0], [0.0, 1.0], [2.0, 2.0]],
        };
        for (heat_logit, logit_p) in [
            (-2.0, -3.0),
            (-1.0, -1.0),
            (1.0, 1.5),
            (-3.0, -5.0),
            (4.0, 3.0),
        ] {
            let heat = 1.0 / (1.0 + f64::exp(-heat_logit));
            assert!((logit(c.probability(heat)) - logit_p).abs() < 1e-9);
        }
    }
}

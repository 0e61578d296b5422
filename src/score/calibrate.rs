//! From a score to a probability that means what it says.

use serde::{Deserialize, Serialize};

/// A rising line from log odds to probability, straight between its points, flat beyond them.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Calibration {
    /// Points (log odds, probability), both rising.
    pub points: Vec<[f32; 2]>,
}

/// Least and largest probability that is ever given: no score on a few thousand objects says more.
const SURE: (f32, f32) = (0.002, 0.995);
/// Objects in each group from which a point is made. Raised: coarser; lowered: follows chance.
const GROUP: usize = 20;

impl Calibration {
    /// The probability for these log odds. Without points: the logistic function.
    pub fn probability(&self, log_odds: f32) -> f64 {
        let p = &self.points;
        let (Some(first), Some(last)) = (p.first(), p.last()) else {
            return 1.0 / (1.0 + (-f64::from(log_odds)).exp());
        };
        let k = p.partition_point(|q| q[0] <= log_odds);
        let value = if k == 0 {
            first[1]
        } else if k == p.len() {
            last[1]
        } else {
            let (a, b) = (p[k - 1], p[k]);
            a[1] + (b[1] - a[1]) * (log_odds - a[0]) / (b[0] - a[0]).max(1e-6)
        };
        f64::from(value)
    }

    /// Fits to held-back objects: groups of equal number by log odds, made rising by pooling neighbours.
    ///
    /// # Source
    /// Zadrozny, B. & Elkan, C. (2002), "Transforming classifier scores into accurate multiclass probability estimates",
    /// KDD '02 (pool adjacent violators).
    pub fn fit(scored: &[(f32, bool)]) -> Self {
        let mut sorted = scored.to_vec();
        sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
        let groups = (sorted.len() / GROUP).max(1);
        let mut pools: Vec<(f32, f32, f32)> = Vec::new();
        for g in 0..groups {
            let part = &sorted[g * sorted.len() / groups..(g + 1) * sorted.len() / groups];
            if part.is_empty() {
                continue;
            }
            let n = part.len() as f32;
            let yes = part.iter().filter(|p| p.1).count() as f32;
            let odds = part.iter().map(|p| p.0).sum::<f32>();
            pools.push((n, yes, odds));
            while pools.len() > 1 {
                let (b, a) = (pools[pools.len() - 1], pools[pools.len() - 2]);
                if a.1 / a.0 < b.1 / b.0 {
                    break;
                }
                pools.truncate(pools.len() - 2);
                pools.push((a.0 + b.0, a.1 + b.1, a.2 + b.2));
            }
        }
        let points = pools
            .iter()
            .map(|(n, yes, odds)| [odds / n, (yes / n).clamp(SURE.0, SURE.1)])
            .collect();
        Self { points }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_score_that_lies_is_put_right() {
        // Scores say 0.88, 0.5, 0.12 where the truth is 0.6, 0.3, 0.1.
        let mut scored = Vec::new();
        for (odds, tenths) in [(2.0, 6), (0.0, 3), (-2.0, 1)] {
            for k in 0..600 {
                scored.push((odds, k % 10 < tenths));
            }
        }
        let c = Calibration::fit(&scored);
        for (odds, want) in [(2.0, 0.6), (0.0, 0.3), (-2.0, 0.1)] {
            assert!(
                (c.probability(odds) - want).abs() < 0.02,
                "{odds}: {}",
                c.probability(odds)
            );
        }
        assert!(c.probability(-9.0) <= c.probability(9.0));
    }
}

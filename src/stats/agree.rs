//! Do two ways of counting agree?

use super::{mean_sd, quantile::normal_quantile};

/// Lin's concordance with limits.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Concordance {
    /// Concordance correlation coefficient, −1..1.
    pub estimate: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

/// Mean difference and limits of agreement.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Agreement {
    /// Pairs.
    pub pairs: usize,
    /// Mean of first − second.
    pub mean_difference: f64,
    /// Standard deviation of the differences.
    pub sd_difference: f64,
    /// Lower limit of agreement: mean − `multiple` × sd.
    pub low: f64,
    /// Upper limit of agreement.
    pub high: f64,
}

/// Mean difference (first − second) and limits of agreement.
///
/// - `multiple`: 1.96 for limits that hold 95 % of normal differences; 2 in the first publication.
///
/// `None` for fewer than two pairs.
///
/// # Source
/// Bland & Altman (1986), Lancet i:307.
pub fn agreement(pairs: &[(f64, f64)], multiple: f64) -> Option<Agreement> {
    if pairs.len() < 2 {
        return None;
    }
    let differences: Vec<f64> = pairs.iter().map(|(a, b)| a - b).collect();
    let (mean, sd) = mean_sd(&differences);
    Some(Agreement {
        pairs: pairs.len(),
        mean_difference: mean,
        sd_difference: sd,
        low: mean - multiple * sd,
        high: mean + multiple * sd,
    })
}

/// Lin's concordance correlation coefficient, with limits through Fisher's z.
///
/// Variances with divisor n. `None` for fewer than three pairs or where either side does not vary.
///
/// # Source
/// Lin (1989), Biometrics 45:255; variance as corrected in Biometrics 56:324 (2000).
pub fn concordance(pairs: &[(f64, f64)], level: f64) -> Option<Concordance> {
    if pairs.len() < 3 {
        return None;
    }
    let n = pairs.len() as f64;
    let mean_x = pairs.iter().map(|p| p.0).sum::<f64>() / n;
    let mean_y = pairs.iter().map(|p| p.1).sum::<f64>() / n;
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for (x, y) in pairs {
        xx += (x - mean_x).powi(2) / n;
        yy += (y - mean_y).powi(2) / n;
        xy += (x - mean_x) * (y - mean_y) / n;
    }
    if xx <= 0.0 || yy <= 0.0 {
        return None;
    }
    let estimate = 2.0 * xy / (xx + yy + (mean_x - mean_y).powi(2));
    let r2 = xy * xy / (xx * yy);
    if r2 <= 0.0 || r2 >= 1.0 - 1e-12 || estimate.abs() >= 1.0 - 1e-12 {
        // Without any scatter, or without any relation, the limits' formula has nothing to stand on.
        let (low, high) = if r2 > 0.5 {
            (estimate, estimate)
        } else {
            (-1.0, 1.0)
        };
        return Some(Concordance {
            estimate,
            low,
            high,
        });
    }
    let c2 = estimate * estimate;
    let u2 = (mean_x - mean_y).powi(2) / (xx * yy).sqrt();
    let one = (1.0 - r2) * c2 / ((1.0 - c2) * r2);
    let two = 2.0 * estimate.powi(3) * (1.0 - estimate) * u2
        / (r2.sqrt() * xy.signum() * (1.0 - c2).powi(2));
    let three = c2 * c2 * u2 * u2 / (2.0 * r2 * (1.0 - c2).powi(2));
    let se_z = ((one + two - three).max(0.0) / (n - 2.0)).sqrt();
    let half = normal_quantile(0.5 + level / 2.0) * se_z;
    let z = estimate.atanh();
    Some(Concordance {
        estimate,
        low: (z - half).tanh(),
        high: (z + half).tanh(),
    })
}

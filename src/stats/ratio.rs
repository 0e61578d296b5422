//! A ratio from the few that were counted twice, by which the many are put right.

/// How much of one count there is for one of another.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct RatioEstimate {
    /// Dear count for one of the cheap.
    pub ratio: f64,
    /// Standard error of the ratio.
    pub ratio_se: f64,
    /// Frames counted both ways.
    pub both: usize,
}

/// The ratio of the dear count (hand) to the cheap one (photo), from frames counted both ways: (cheap, dear).
///
/// `None` with fewer than two frames, or where the cheap count found nothing.
///
/// # Source
/// Cochran, *Sampling Techniques*, 3rd ed. (1977), section 6.4: R = Σy / Σx, its variance s²_d / (n x̄²), where d = y − Rx.
pub fn ratio_of_counts(both: &[(f64, f64)]) -> Option<RatioEstimate> {
    let n = both.len() as f64;
    let cheap: f64 = both.iter().map(|b| b.0).sum();
    if both.len() < 2 || cheap <= 0.0 {
        return None;
    }
    let ratio = both.iter().map(|b| b.1).sum::<f64>() / cheap;
    let squares: f64 = both.iter().map(|(x, y)| (y - ratio * x).powi(2)).sum();
    let s2_d = squares / (n - 1.0);
    Some(RatioEstimate {
        ratio,
        ratio_se: (s2_d / n).sqrt() / (cheap / n),
        both: both.len(),
    })
}

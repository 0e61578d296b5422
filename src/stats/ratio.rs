//! Double sampling with a ratio estimator: a few frames counted twice put the many right.

/// Frames of which some were counted both ways.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DoubleSample<'a> {
    /// The cheap count (photo) of the frames counted both ways.
    pub cheap: &'a [f64],
    /// The dear count (hand) of the same frames, same order.
    pub dear: &'a [f64],
    /// The cheap count of every frame, those above too.
    pub all_cheap: &'a [f64],
}

/// A mean put right by a ratio.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct RatioEstimate {
    /// Dear count for one of the cheap.
    pub ratio: f64,
    /// Standard error of the ratio.
    pub ratio_se: f64,
    /// Mean of the dear count over all frames, as estimated.
    pub mean: f64,
    /// Its standard error: the frames' own spread and the ratio's.
    pub mean_se: f64,
    /// Frames counted both ways.
    pub both: usize,
}

/// The mean of the dear count over all frames from the few counted both ways.
///
/// `None` with fewer than two frames counted both ways, or where the cheap count found nothing.
///
/// # Source
/// Cochran, *Sampling Techniques*, 3rd ed. (1977), section 12.9: v(ȳ) = s²_y/n' + (1/n − 1/n') s²_d, where
/// d = y − Rx; the ratio's own variance from section 6.4: s²_d / (n x̄²).
pub fn ratio_double_sampling(sample: &DoubleSample<'_>) -> Option<RatioEstimate> {
    let n = sample.cheap.len();
    let n_all = sample.all_cheap.len();
    let cheap_sum: f64 = sample.cheap.iter().sum();
    if n < 2 || sample.dear.len() != n || n_all < n || cheap_sum <= 0.0 {
        return None;
    }
    let (n_f, all_f) = (n as f64, n_all as f64);
    let ratio = sample.dear.iter().sum::<f64>() / cheap_sum;
    let squares: f64 = (sample.cheap.iter().zip(sample.dear))
        .map(|(x, y)| (y - ratio * x).powi(2))
        .sum();
    let s2_d = squares / (n_f - 1.0);
    let cheap_mean = cheap_sum / n_f;
    let (all_mean, _) = super::mean_sd(sample.all_cheap);
    let (_, dear_sd) = super::mean_sd(sample.dear);
    let variance = dear_sd * dear_sd / all_f + (1.0 / n_f - 1.0 / all_f) * s2_d;
    Some(RatioEstimate {
        ratio,
        ratio_se: (s2_d / n_f).sqrt() / cheap_mean,
        mean: ratio * all_mean,
        mean_se: variance.sqrt(),
        both: n,
    })
}

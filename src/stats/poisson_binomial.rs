//! How many of some uncertain things there are: the sum of unlike coin tosses, exactly.

/// Probability of 0, 1, …, n of the things with chances `p`, by adding one at a time.
///
/// Chances outside 0..1 are taken as 0 or 1. Cost n²; a frame has at most some hundreds.
pub fn poisson_binomial_pmf(p: &[f64]) -> Vec<f64> {
    let mut pmf = vec![0.0; p.len() + 1];
    pmf[0] = 1.0;
    for (done, &chance) in p.iter().enumerate() {
        let chance = chance.clamp(0.0, 1.0);
        for count in (0..=done).rev() {
            pmf[count + 1] += pmf[count] * chance;
            pmf[count] *= 1.0 - chance;
        }
    }
    pmf
}

/// The least and the most of the things that there may be: the narrowest quantiles that leave at
/// most (1 − level)/2 on either side.
///
/// # Source
/// Wang (1993), Statistica Sinica 3:295, for the distribution.
pub fn poisson_binomial_limits(p: &[f64], level: f64) -> (usize, usize) {
    let tail = (1.0 - level) / 2.0;
    let pmf = poisson_binomial_pmf(p);
    let first_beyond = |run: &mut dyn Iterator<Item = (usize, &f64)>, fallback: usize| {
        let mut sum = 0.0;
        for (count, mass) in run {
            sum += mass;
            if sum > tail {
                return count;
            }
        }
        fallback
    };
    (
        first_beyond(&mut pmf.iter().enumerate(), 0),
        first_beyond(&mut pmf.iter().enumerate().rev(), p.len()),
    )
}

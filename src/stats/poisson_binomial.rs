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

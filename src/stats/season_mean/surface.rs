//! The likelihood of a season's mean density with its nuisances: k within checks, the spread between them.

use statrs::function::gamma::ln_gamma;

use super::{Sum, dispersion::ln_sum, even_points};
use crate::stats::quantile::gamma_quantile;

/// Coefficients of variation between checks that are averaged over, and their weights: half-normal with
/// scale 0.6, each point with what lies nearest to it. The form: Gelman (2006), Bayesian Analysis 1:515; the scale was
/// found by simulation. Raised: limits from two and three checks grow; lowered: those of fields whose checks differ by 0.6
/// to 1 hold too seldom (with 0.26, 3 checks of 4 frames, CV 0.6, 10 beans a frame: 79 %).
const BETWEEN: [(f64, f64); 6] = [
    (0.0, 0.132),
    (0.2, 0.251),
    (0.4, 0.236),
    (0.65, 0.199),
    (0.95, 0.127),
    (1.35, 0.055),
];
/// The power with which a mean's first weight falls where beans lie unevenly: with one check, and with several. With few
/// frames it decides how far the upper limit reaches, for they say next to nothing of k. 0.5 would be Jeffreys' weight at known
/// k and spread. With one check, where no spread between checks widens the limits, it left the truth of a total outside too
/// often (simulated, 4 frames, k 0.5: 90 % held; with 0.4 91 %, with 0.2 95 % at five times the width). With several checks it
/// will do; at 0.2 the limit for none in four frames of two checks was 11 beans a frame, with 0.5 it is 2.5.
const UNEVEN_POWER: [f64; 2] = [0.4, 0.5];
/// Points of the sum over one check's density.
const NODES: usize = 14;
/// How far below the best, in ln, a nuisance may lie and still be kept.
const KEPT: f64 = 7.0;

/// A dispersion k and its logarithm.
#[derive(Clone, Copy)]
pub(super) struct Shape {
    pub value: f64,
    pub ln: f64,
}

/// The likelihood with its nuisances.
pub(super) struct Surface<'a> {
    sums: &'a [Sum],
    /// Frames of a check, in the mean.
    frames_a_check: f64,
    nuisances: Vec<Nuisance>,
    /// How many k there are, dropped ones too.
    k_points: usize,
}

/// One k with one spread between checks.
struct Nuisance {
    k: Shape,
    cv: f64,
    /// ln of the weight it starts with and of the likelihood's part that depends on k alone.
    ln_weight: f64,
    checks: Vec<CheckPoints>,
    /// The highest ln weight seen so far over the densities tried.
    best: f64,
    /// Which k it is.
    at: usize,
    /// ln of the likelihood summed over the densities tried, without k's own first weight.
    ln_sum: f64,
    /// ln of k's own first weight.
    ln_k_weight: f64,
}

/// The posterior at one density.
pub(super) struct Weighed {
    pub ln_weight: f64,
    pub ln_k: f64,
    pub cv: f64,
}

/// How one check's own density is summed over.
enum CheckPoints {
    /// No spread between checks: its density is the season's.
    Same,
    /// Points relative to the season's density, (ln, value, weight): for a check that says less of its
    /// density than the spread between checks does.
    Relative(Vec<(f64, f64, f64)>),
    /// Points of its own likelihood, (ln density, density, likelihood), and ln of the likelihood's top:
    /// for a check that says more.
    Own(Vec<(f64, f64, f64)>, f64),
}

impl<'a> Surface<'a> {
    /// - `k`: ln k and ln of the weight that each starts with.
    pub fn new(sums: &'a [Sum], k: (&[f64], &[f64])) -> Self {
        let spreads = if sums.len() > 1 {
            &BETWEEN[..]
        } else {
            &BETWEEN[..1]
        };
        let relative: Vec<_> = spreads.iter().map(|s| relative_points(s.0)).collect();
        let mut nuisances = Vec::new();
        for (at, (&ln_k, &ln_k_weight)) in k.0.iter().zip(k.1).enumerate() {
            let k = Shape {
                value: ln_k.exp(),
                ln: ln_k,
            };
            let ln_of_k: f64 = sums.iter().map(|s| s.ln_of_k(k.value)).sum();
            for (&(cv, weight), relative) in spreads.iter().zip(&relative) {
                nuisances.push(Nuisance {
                    k,
                    cv,
                    ln_weight: ln_of_k + weight.ln() + ln_k_weight,
                    at,
                    ln_sum: f64::NEG_INFINITY,
                    ln_k_weight,
                    checks: sums
                        .iter()
                        .map(|s| CheckPoints::of(s, &k, cv, relative))
                        .collect(),
                    best: f64::NEG_INFINITY,
                });
            }
        }
        Self {
            sums,
            frames_a_check: sums.iter().map(|s| s.n).sum::<f64>() / sums.len() as f64,
            nuisances,
            k_points: k.0.len(),
        }
    }

    /// Begins the sums of [`Self::sums_of_k`] anew.
    pub fn forget_sums(&mut self) {
        for nuisance in &mut self.nuisances {
            nuisance.ln_sum = f64::NEG_INFINITY;
        }
    }

    /// ln of the likelihood of each k, densities and the spread between checks summed out, up to a constant.
    pub fn sums_of_k(&self) -> Vec<f64> {
        let of = |at: usize| self.nuisances.iter().filter(move |n| n.at == at);
        (0..self.k_points)
            .map(|at| ln_sum(of(at).map(|n| n.ln_sum)))
            .collect()
    }

    /// Drops the nuisances that hold next to no weight.
    pub fn keep_likely(&mut self) {
        let bests = self.nuisances.iter().map(|n| n.best);
        let best = bests.fold(f64::NEG_INFINITY, f64::max);
        self.nuisances.retain(|n| n.best > best - KEPT);
    }

    /// The posterior at each ln density.
    pub fn over(&mut self, ln_densities: &[f64]) -> Vec<Weighed> {
        let (frame_area, frames_a_check) = (self.sums[0].area, self.frames_a_check);
        let power = UNEVEN_POWER[usize::from(self.sums.len() > 1)];
        let mut ln_weights = vec![0.0; self.nuisances.len()];
        let mut weighed = Vec::with_capacity(ln_densities.len());
        for &ln_density in ln_densities {
            let density = ln_density.exp();
            let mean = density * frame_area;
            for (slot, nuisance) in ln_weights.iter_mut().zip(&mut self.nuisances) {
                let (k, cv) = (nuisance.k, nuisance.cv);
                let ln_like: f64 = (self.sums.iter().zip(&nuisance.checks))
                    .map(|(sum, points)| points.ln_likelihood(sum, &k, cv, ln_density, density))
                    .sum();
                // Times dμ/d ln μ.
                let first = ln_density
                    + ln_first_weight(mean, 1.0 / k.value + frames_a_check * cv * cv, power);
                *slot = nuisance.ln_weight + ln_like + first;
                let without = *slot - nuisance.ln_k_weight;
                nuisance.ln_sum = ln_add(nuisance.ln_sum, without);
                nuisance.best = nuisance.best.max(*slot);
            }
            weighed.push(gather(&ln_weights, &self.nuisances));
        }
        weighed
    }
}

/// ln of the weight that a mean starts with, 1/√μ · (1 + μ u)^−power. With power 0.5 it is Jeffreys' where k and the spread
/// between checks are known: 1 over the standard error √(μ/n + μ²/(nk) + μ² CV²) of a check's mean of n frames, up to a factor.
///
/// - `unevenness`: u = 1/k + n CV².
fn ln_first_weight(mean: f64, unevenness: f64, power: f64) -> f64 {
    -0.5 * mean.ln() - power * (mean * unevenness).ln_1p()
}

/// ln of the sum of what two logarithms stand for.
fn ln_add(a: f64, b: f64) -> f64 {
    let (high, low) = (a.max(b), a.min(b));
    if low == f64::NEG_INFINITY {
        high
    } else {
        high + (low - high).exp().ln_1p()
    }
}

/// Sums the nuisances out.
fn gather(ln_weights: &[f64], nuisances: &[Nuisance]) -> Weighed {
    let best = ln_weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if best == f64::NEG_INFINITY {
        // So far off that every likelihood is nothing to a double's eyes.
        return Weighed {
            ln_weight: best,
            ln_k: 0.0,
            cv: 0.0,
        };
    }
    let (mut whole, mut ln_k, mut cv) = (0.0, 0.0, 0.0);
    for (ln_weight, nuisance) in ln_weights.iter().zip(nuisances) {
        let mass = (ln_weight - best).exp();
        whole += mass;
        ln_k += mass * nuisance.k.ln;
        cv += mass * nuisance.cv;
    }
    Weighed {
        ln_weight: best + whole.ln(),
        ln_k: ln_k / whole,
        cv: cv / whole,
    }
}

/// Points of a gamma distribution about mean 1 and their weights.
fn relative_points(cv: f64) -> Vec<(f64, f64, f64)> {
    if cv <= 0.0 {
        return Vec::new();
    }
    let shape = 1.0 / (cv * cv);
    let low = (gamma_quantile(1e-4, shape) / shape).ln();
    let high = (gamma_quantile(1.0 - 1e-4, shape) / shape).ln();
    let raw: Vec<(f64, f64, f64)> = even_points(low, high, NODES)
        .into_iter()
        .map(|u| (u, u.exp(), (shape * (u - u.exp() + 1.0)).exp()))
        .collect();
    let whole: f64 = raw.iter().map(|p| p.2).sum();
    raw.into_iter().map(|(u, x, w)| (u, x, w / whole)).collect()
}

impl CheckPoints {
    fn of(sum: &Sum, k: &Shape, cv: f64, relative: &[(f64, f64, f64)]) -> Self {
        if cv <= 0.0 {
            return Self::Same;
        }
        let nk = sum.n * k.value;
        // A check where nothing was seen has it infinite: it says nothing of how low its density is.
        let se = (1.0 / sum.total + 1.0 / nk).sqrt();
        if se.is_nan() || se > 0.8 * cv {
            return Self::Relative(relative.to_vec());
        }
        let density = sum.total / (sum.n * sum.area);
        let low = density.ln() - (5.0 * se).max(8.0 / sum.total);
        let high = density.ln() + (5.0 * se).max(8.0 / nk);
        let top = sum.ln_kernel(density.ln(), density, k);
        let step = (high - low) / (NODES - 1) as f64;
        let shape = 1.0 / (cv * cv);
        let constant = step * (shape * shape.ln() - ln_gamma(shape) - shape).exp();
        let points = even_points(low, high, NODES)
            .into_iter()
            .map(|u| {
                let x = u.exp();
                (u, x, constant * (sum.ln_kernel(u, x, k) - top).exp())
            })
            .collect();
        Self::Own(points, top)
    }

    /// ln likelihood of one check about a season's mean, its own density summed out.
    fn ln_likelihood(&self, sum: &Sum, k: &Shape, cv: f64, ln_density: f64, density: f64) -> f64 {
        match self {
            Self::Same => sum.ln_kernel(ln_density, density, k),
            Self::Relative(points) => {
                let mut own = [0.0; NODES];
                let mut top = f64::NEG_INFINITY;
                for (own, &(u, relative, _)) in own.iter_mut().zip(points) {
                    *own = sum.ln_kernel(ln_density + u, density * relative, k);
                    top = top.max(*own);
                }
                let whole: f64 = (own.iter().zip(points))
                    .map(|(own, &(_, _, weight))| weight * (own - top).exp())
                    .sum();
                top + whole.ln()
            }
            Self::Own(points, top) => {
                let shape = 1.0 / (cv * cv);
                let over = 1.0 / density;
                let whole: f64 = points
                    .iter()
                    .map(|&(u, x, like)| like * (shape * (u - ln_density - x * over + 1.0)).exp())
                    .sum();
                top + whole.ln()
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::quantile::normal_cdf;

    /// And the weights by themselves: scipy 1.17.1, `halfnorm(scale=0.6).cdf` at the middles between the points.
    #[test]
    fn spreads_between_checks_are_weighted_half_normally() {
        let of_scipy = [0.1324, 0.2506, 0.2355, 0.1992, 0.1271, 0.0553];
        let below = |cv: f64| 2.0 * normal_cdf(cv / 0.6) - 1.0;
        for (at, &(cv, weight)) in BETWEEN.iter().enumerate() {
            let from = at.checked_sub(1).map_or(0.0, |i| (BETWEEN[i].0 + cv) / 2.0);
            let to = BETWEEN
                .get(at + 1)
                .map_or(f64::INFINITY, |next| (next.0 + cv) / 2.0);
            assert!(
                (below(to) - below(from) - weight).abs() < 6e-4,
                "{cv}: {weight}"
            );
            assert!((of_scipy[at] - weight).abs() < 6e-4, "{cv}: {weight}");
        }
    }
}

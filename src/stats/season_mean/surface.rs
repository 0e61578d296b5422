//! The likelihood of a season's mean density with its nuisances: k within checks, the spread between them.

use statrs::function::gamma::ln_gamma;

use super::{Sum, dispersion::ln_sum, even_points};
use crate::stats::quantile::gamma_quantile;

/// Coefficients of variation between checks that are averaged over, and their weights: half-normal with
/// scale 0.26. Common practice, no source: stops within a field differ by a fifth to a third. Simulated, two and three
/// checks at k 10: with scale 0.3 limits of the total held 98 to 99 %; with 0.22 those of fields whose checks
/// differ by a half fell to 87 %.
const BETWEEN: [(f64, f64); 5] = [
    (0.0, 0.303),
    (0.2, 0.450),
    (0.4, 0.209),
    (0.65, 0.037),
    (0.95, 0.001),
];
/// The power with which a mean's first weight falls where beans lie unevenly: 1/√μ · (1 + μ/k)^−0.2. Jeffreys' weight at
/// known k has 0.5 there. Found by simulation: as k is not known, 0.5 left the truth above the upper limit too often
/// (4 to 10 frames, k 0.5 to 2: 91 to 93 % held); with 0.2 they hold 93 to 96 %.
const UNEVEN_POWER: f64 = 0.2;
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
        let frame_area = self.sums[0].area;
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
                let of_mean =
                    ln_density - 0.5 * mean.ln() - UNEVEN_POWER * (mean / k.value).ln_1p();
                *slot = nuisance.ln_weight + ln_like + of_mean;
                let without = *slot - nuisance.ln_k_weight;
                nuisance.ln_sum = ln_add(nuisance.ln_sum, without);
                nuisance.best = nuisance.best.max(*slot);
            }
            weighed.push(gather(&ln_weights, &self.nuisances));
        }
        weighed
    }
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

//! Chance with a fixed seed, and the bootstrap.

use rand_pcg::{
    Pcg64,
    rand_core::{Rng, SeedableRng},
};

use super::quantile::normal_quantile;

/// A source of chance that gives the same on every machine for the same seed.
#[derive(Debug, Clone)]
pub struct Chance(Pcg64);

impl Chance {
    /// Starts at a seed.
    pub fn new(seed: u64) -> Self {
        Self(Pcg64::seed_from_u64(seed))
    }

    /// Uniform strictly between 0 and 1.
    pub fn uniform(&mut self) -> f64 {
        // 53 bits, put in the middle of their step so that neither 0 nor 1 comes.
        ((self.0.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    /// Standard normal, by inversion: one draw for one uniform, so that streams stay in step.
    pub fn normal(&mut self) -> f64 {
        normal_quantile(self.uniform())
    }

    /// A whole number below `n`.
    pub fn below(&mut self, n: usize) -> usize {
        ((self.uniform() * n as f64) as usize).min(n.saturating_sub(1))
    }
}

/// The median, between the two middle ones of an even number; `None` of none. They come out sorted.
pub fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    (!values.is_empty()).then(|| quantile_sorted(values, 0.5))
}

/// Quantile of sorted numbers, straight between neighbours. 0 for none.
///
/// # Source
/// Hyndman & Fan (1996), The American Statistician 50:361, type 7.
pub fn quantile_sorted(sorted: &[f64], p: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else {
        return 0.0;
    };
    let at = p.clamp(0.0, 1.0) * last as f64;
    let below = at.floor() as usize;
    let above = (below + 1).min(last);
    sorted[below] + (at - below as f64) * (sorted[above] - sorted[below])
}

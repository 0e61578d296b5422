//! The dispersions k that are averaged over, and what several places say of theirs together.

use super::even_points;

/// Range of k that is averaged over. It reaches beyond what fields show (0.5 to 10), because a few frames
/// cannot rule such spreads out.
pub(super) const K_RANGE: (f64, f64) = (0.1, 60.0);
/// Below this k the weight falls as a normal's in ln k with `K_SOFT`. Found by simulation, 4 frames at one check
/// and k 0.5, with an earlier first weight of the mean: with no fall the limits of the total held 95 % but reached 30
/// times the truth; with a fall from 0.35 on they held 3 in 100 seasons fewer.
const K_FALLS_FROM: f64 = 0.2;
const K_SOFT: f64 = 0.3;
/// The weight of k before the frames are seen falls as k^−0.15 on the scale of ln k. Found by simulation: at
/// 0.4, limits where k is 10 held 98 to 99 %; at 0 those where k is 0.5 to 2 held 92 %.
const K_TILT: f64 = 0.15;
/// How far the places' k differ from the season's: standard deviation of ln k. Raised: a place's few frames are
/// left alone with their k, and limits from 4 frames hold 92 % at k 0.5 and 99 % at k 10; lowered: places that
/// really differ are forced together. Common practice, no source.
const BETWEEN_PLACES: f64 = 0.3;

/// Points of ln k, with the weights they start with.
pub(super) struct Dispersions {
    ln_k: Vec<f64>,
    /// `near[i][j]`: chance that a place has the j-th k where the season has the i-th.
    near: Vec<Vec<f64>>,
}

impl Dispersions {
    /// As many as so many frames can tell apart.
    pub fn for_frames(frames: usize) -> Self {
        // With many frames k is known closely, and the steps must follow.
        let steps = if frames > 120 { 28 } else { 20 };
        let ln_k = even_points(K_RANGE.0.ln(), K_RANGE.1.ln(), steps);
        let near = ln_k.iter().map(|&season| {
            let raw: Vec<f64> = (ln_k.iter())
                .map(|&place| (-0.5 * ((place - season) / BETWEEN_PLACES).powi(2)).exp())
                .collect();
            let whole: f64 = raw.iter().sum();
            raw.into_iter().map(|w| w / whole).collect()
        });
        Self {
            near: near.collect(),
            ln_k,
        }
    }

    /// ln k of each point.
    pub fn points(&self) -> &[f64] {
        &self.ln_k
    }

    /// ln of each point's weight for one place, given what the other places say: ln of the likelihood of each k.
    pub fn weights<'a>(&self, others: impl Iterator<Item = &'a [f64]>) -> Vec<f64> {
        let mut season: Vec<f64> = self.ln_k.iter().map(|&x| ln_first_weight(x)).collect();
        for says in others {
            for (weight, near) in season.iter_mut().zip(&self.near) {
                let ln_near = near.iter().zip(says).map(|(near, says)| near.ln() + says);
                *weight += ln_sum(ln_near);
            }
        }
        (0..self.ln_k.len())
            .map(|j| {
                ln_sum((season.iter().zip(&self.near)).map(|(weight, near)| weight + near[j].ln()))
            })
            .collect()
    }
}

/// ln of a k's weight before any frame is seen.
fn ln_first_weight(ln_k: f64) -> f64 {
    let below = (ln_k - K_FALLS_FROM.ln()).min(0.0) / K_SOFT;
    -K_TILT * ln_k - 0.5 * below * below
}

/// ln of the sum of what logarithms stand for.
pub(super) fn ln_sum(logs: impl Iterator<Item = f64>) -> f64 {
    let logs: Vec<f64> = logs.collect();
    let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if top == f64::NEG_INFINITY {
        return top;
    }
    top + logs.iter().map(|x| (x - top).exp()).sum::<f64>().ln()
}

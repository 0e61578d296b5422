//! A loss while it is put together: what adds up, what is taken off, and how far the doubts of its parts go together.

use super::{FrameLoss, RestsOn, Settled, draws::limits_of, source::MadeOf};
use crate::{counts::Limits, sheet::Place, units::M2_PER_FT2};

/// A density known in part: estimate and draws, beans on a square foot, with what it rests on.
#[derive(Clone)]
pub(super) struct Part {
    pub estimate: f64,
    pub draws: Vec<f64>,
    /// What adds up to it by chances of its own: what was found on the ground, and each kind of pods that hang.
    summands: Vec<Summand>,
    pub made_of: MadeOf,
    /// Frames on which hanging pods were counted.
    pub hand_pods: usize,
    /// Variance by the counting of hanging pods alone, (beans on a square foot)².
    pods_variance: f64,
}

/// One of several things that add up and owe nothing to one another: estimate and draws.
#[derive(Clone)]
struct Summand {
    estimate: f64,
    draws: Vec<f64>,
}

impl Summand {
    /// self × a + other × b, draw by draw.
    fn mix(&self, a: f64, other: &Self, b: f64) -> Self {
        Self {
            estimate: a * self.estimate + b * other.estimate,
            draws: mixed(&self.draws, a, &other.draws, b),
        }
    }
}

fn mixed(one: &[f64], a: f64, other: &[f64], b: f64) -> Vec<f64> {
    (one.iter().zip(other))
        .map(|(x, y)| a * x + b * y)
        .collect()
}

impl Part {
    /// Of one summand.
    pub fn of(estimate: f64, draws: Vec<f64>, made_of: MadeOf) -> Self {
        Self {
            summands: vec![Summand {
                estimate,
                draws: draws.clone(),
            }],
            estimate,
            draws,
            made_of,
            hand_pods: 0,
            pods_variance: 0.0,
        }
    }

    /// One kind of pods that hang, counted on `frames` frames; its variance by counting alone, (beans on a square foot)².
    pub fn hanging(self, frames: usize, variance: f64) -> Self {
        Self {
            hand_pods: frames,
            pods_variance: variance,
            ..self
        }
    }

    /// What was found here and there on the ground, self × a + other × b, and the pods of both.
    pub fn mix(&self, a: f64, other: &Self, b: f64) -> Self {
        let ground = self.summands[0].mix(a, &other.summands[0], b);
        let pods = self.summands[1..].iter().chain(&other.summands[1..]);
        Self {
            summands: std::iter::once(ground).chain(pods.cloned()).collect(),
            ..self.together(a, other, b)
        }
    }

    /// Self and pods besides, which owe nothing to what was found so far.
    pub fn and_pods(&self, pods: &Self) -> Self {
        let summands = self.summands.iter().chain(&pods.summands);
        Self {
            summands: summands.cloned().collect(),
            ..self.together(1.0, pods, 1.0)
        }
    }

    fn together(&self, a: f64, other: &Self, b: f64) -> Self {
        Self {
            estimate: a * self.estimate + b * other.estimate,
            draws: mixed(&self.draws, a, &other.draws, b),
            summands: Vec::new(),
            made_of: self.made_of.mix(a, &other.made_of, b),
            hand_pods: self.hand_pods.max(other.hand_pods),
            pods_variance: self.pods_variance + other.pods_variance,
        }
    }

    /// Limits of the sum times a factor that its summands share, from those of the summands: it lies as far from the estimate
    /// as the root of the summed squares of theirs, and the factor's doubt, which no number of summands makes smaller, is
    /// one more of these.
    ///
    /// Quantiles of summed draws would not do: where none was found the draws still lie above nothing, all of them, and
    /// three such kinds of pods lift the lower limit past the truth. Simulated, 2 checks of 2 frames with k 2 and few pods:
    /// the total's limits held 90 % that way and 96 % this way, at half the width.
    ///
    /// - `factors`: one a draw, and the estimate's.
    ///
    /// # Source
    /// MOVER: Zou & Donner (2008), Statistics in Medicine 27:1693.
    pub fn limits(&self, factors: (&[f64], f64), level: f64) -> Limits {
        let estimate = self.estimate * factors.1;
        if let [only] = self.summands.as_slice() {
            let draws: Vec<f64> = (only.draws.iter().zip(factors.0))
                .map(|(d, f)| d * f)
                .collect();
            return limits_of(estimate, &draws, level);
        }
        let of_one = |one: &Summand| limits_of(one.estimate, &one.draws, level);
        let all: Vec<Limits> = self.summands.iter().map(of_one).collect();
        let root = |distance: fn(&Limits) -> f64| {
            factors.1 * all.iter().map(|l| distance(l).powi(2)).sum::<f64>().sqrt()
        };
        let factor = limits_of(factors.1, factors.0, level);
        let by_factor = |off: f64| self.estimate * off;
        let (less, more) = (
            by_factor(factor.estimate - factor.low),
            by_factor(factor.high - factor.estimate),
        );
        // Of a loss below nothing a larger factor makes less still.
        let (less, more) = if estimate < 0.0 {
            (more, less)
        } else {
            (less, more)
        };
        Limits {
            estimate,
            low: estimate - root(|l| l.estimate - l.low).hypot(less),
            high: estimate + root(|l| l.high - l.estimate).hypot(more),
        }
    }

    /// What of it lies on the ground; `None` where nothing that hangs is in it.
    pub fn on_ground(&self) -> Option<Self> {
        let [ground, _, ..] = self.summands.as_slice() else {
            return None;
        };
        Some(Self {
            estimate: ground.estimate,
            draws: ground.draws.clone(),
            summands: vec![ground.clone()],
            ..self.clone()
        })
    }

    pub fn rests_on(&self, settled: &Settled) -> RestsOn {
        let of_these = |frame: &&FrameLoss| self.made_of.has(frame.place);
        RestsOn {
            hand_pods: self.hand_pods,
            ..RestsOn::count(settled.frames.iter().filter(of_these))
        }
    }

    /// Variance by counting alone, (beans on a square foot)²: what is left of the doubt where checks and frames are all alike.
    pub fn counting_variance(&self, settled: &Settled) -> f64 {
        let of_place = |(place, share): (Place, f64)| {
            let (mut beans, mut area_ft2) = (0.0, 0.0);
            for frame in settled.frames.iter().filter(|f| f.place == Some(place)) {
                beans += frame.lost();
                area_ft2 += frame.area_m2.estimate / M2_PER_FT2;
            }
            share * share * poisson_variance(beans, area_ft2)
        };
        self.made_of.ground().map(of_place).sum::<f64>() + self.pods_variance
    }
}

/// Variance of a density by counting alone; half a thing where none was seen.
pub(super) fn poisson_variance(seen: f64, area_ft2: f64) -> f64 {
    seen.max(0.5) / (area_ft2 * area_ft2)
}

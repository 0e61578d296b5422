//! What stands beside a network: its scale, its calibration, what it misses, what it was trained on.

use serde::{Deserialize, Serialize};

use super::net::NearLook;
use crate::stats;

/// The card of a network, kept as TOML beside it. Every figure in it was measured on photos that it was not trained on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Card {
    /// Name of the model.
    pub name: String,
    /// SHA-256 of the network's file, lower-case hex.
    pub sha256: String,
    /// Scale of the plots it looks at.
    pub px_per_mm: f64,
    /// Whether each plot is looked at twice, as it is and mirrored: fewer errors for twice the time.
    #[serde(default)]
    pub mirrored: bool,
    /// From heat to probability, beans.
    pub bean: Calibration,
    /// From heat to probability, pods.
    pub pod: Calibration,
    /// What the count has to allow for.
    pub allowance: Allowance,
    /// The look from near; without it there is none.
    #[serde(default)]
    pub near: Option<Near>,
    /// What it was trained on.
    pub known: Known,
    /// Data, licences, split, figures, weaknesses: for people.
    pub about: toml::Table,
}

/// A calibration: from heat to probability, by what else is on the plot.
///
/// With x the logit of the heat, and c the share lighter than soil, s the scale, k the weak and g the strong hilltops, r the share of
/// these beyond doubt, b the blur as in [`Surroundings`]:
/// logit p = w0 + w1 x + w2 min(x, -0.5) + (w3 + w4 x) c + (w5 + w6 x) s + (w7 + w8 x) k + (w9 + w10 x) g + w11 r + w12 b.
/// The same heat means less where chaff in the beans' own colour is thick, where a bean is few pixels wide, where much
/// else looks a little like a bean, where few things look much like one, where the other beans are plain to see, and where the photo is
/// blurred.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// Weakest heat that makes an object. Lowered: a longer list of unlikely objects.
    pub least_heat: f64,
    /// w0 to w12.
    pub weights: [f64; 13],
}

/// How hilltops are looked at from near, and what then holds of beans in the place of the rest of the card.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Near {
    /// Scale of the spots it looks at.
    pub px_per_mm: f64,
    /// Side of the square about a spot that each network looks at, px.
    pub sides_px: Vec<usize>,
    /// Coarsest photo that is looked at from near, photo px per mm of ground: in a coarser one there is nothing more to see.
    pub least_photo_px_per_mm: f64,
    /// Weakest heat of a hilltop that is looked at.
    pub least_heat: f64,
    /// u0 to u8: with z the logit that the near look gives and x, c, s, k, g, r, b as in [`Calibration`],
    /// logit p = u0 + u1 x + u2 z + u3 c + u4 s + u5 k + u6 g + u7 r + u8 b.
    pub weights: [f64; 9],
    /// What the count of beans has to allow for; what stands there of pods is not read.
    pub allowance: Allowance,
}

/// Logits of the near look beyond this say no more.
const MOST_NEAR_LOGIT: f64 = 4.0;

impl Near {
    fn probability(&self, heat: f64, near: NearLook, around: Surroundings) -> f64 {
        let z = near.bean_logit.clamp(-MOST_NEAR_LOGIT, MOST_NEAR_LOGIT);
        let w = &self.weights;
        let y = w[0]
            + w[1] * logit(heat)
            + w[2] * z
            + w[3] * around.cover
            + w[4] * around.scale
            + w[5] * around.weak
            + w[6] * around.strong
            + w[7] * around.clear
            + w[8] * around.blur;
        stats::logistic(y)
    }
}

impl Card {
    /// Probability that a bean lies at a hilltop of this heat, seen from near or not.
    pub fn bean_probability(&self, heat: f64, seen: Option<NearLook>, around: Surroundings) -> f64 {
        match self.near.as_ref().zip(seen) {
            Some((near, seen)) => near.probability(heat, seen, around),
            None => self.bean.probability(heat, around),
        }
    }

    /// What the counts of beans and of pods have to allow for on a plot with these surroundings; `near`: it was looked at from near.
    pub fn allowances(&self, around: Surroundings, near: bool) -> [Allowance; 2] {
        [self.of_beans(near).at(around), self.of_pods().at(around)]
    }

    /// What holds of beans before the surroundings are known.
    pub fn of_beans(&self, near: bool) -> Allowance {
        let near = self.near.as_ref().filter(|_| near);
        near.map_or(self.allowance, |near| near.allowance)
    }

    /// What holds of pods: they are not looked at from near.
    pub fn of_pods(&self) -> Allowance {
        let far = self.allowance;
        Allowance {
            shift_logit: far.shift_pods_logit.unwrap_or(far.shift_logit),
            ..far
        }
    }
}

/// What a probability depends on besides the heat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Surroundings {
    /// Share lighter than soil (residue cover by colour alone), in 30 % from 30 %: −1 where all is dark.
    cover: f64,
    /// Logarithm of the photo's scale over 2.5 px per mm.
    scale: f64,
    /// Logarithm of the blur's standard deviation over 0.3 mm.
    blur: f64,
    /// Logarithm of 1 and the weak hilltops per square foot, from 3.
    weak: f64,
    /// Logarithm of 1 and the strong hilltops per square foot, from 2.5.
    strong: f64,
    /// Share of the strong hilltops that are beyond doubt, from a half; two of four more are counted, lest a few tops
    /// say much.
    clear: f64,
}

/// Heat of a weak hilltop: from, to below.
const WEAK_HEAT: std::ops::Range<f64> = 0.05..0.3;
/// Least heat of a strong hilltop.
const STRONG_HEAT: f64 = 0.5;
/// Least heat of a hilltop beyond doubt.
const CLEAR_HEAT: f64 = 0.85;

impl Surroundings {
    /// From the share of the plot that is lighter than soil, %, the photo's pixels per mm where it is coarsest, and its blur (standard
    /// deviation, mm); all are kept to the range in which photos were calibrated, 0 to 90 %, 1.2 to 5 px per mm, 0.12 to 0.6 mm.
    pub fn new(lighter_pct: f64, photo_px_per_mm: f64, blur_sigma_mm: f64) -> Self {
        Self {
            cover: (lighter_pct.clamp(0.0, 90.0) - 30.0) / 30.0,
            scale: (photo_px_per_mm.clamp(1.2, 5.0) / 2.5).ln(),
            blur: (blur_sigma_mm.clamp(0.12, 0.6) / 0.3).ln(),
            weak: 0.0,
            strong: 0.0,
            clear: 0.0,
        }
    }

    /// The same with the heats of the plot's bean hilltops, those inside the frame, on its ground of `area_ft2`.
    pub fn with_hilltops(self, heats: &[f64], area_ft2: f64) -> Self {
        let number =
            |which: &dyn Fn(f64) -> bool| heats.iter().filter(|&&heat| which(heat)).count() as f64;
        let per_ft2 = |number: f64| (number / area_ft2.max(0.01)).ln_1p();
        let strong = number(&|heat| heat >= STRONG_HEAT);
        Self {
            weak: per_ft2(number(&|heat| WEAK_HEAT.contains(&heat))) - 3.0,
            strong: per_ft2(strong) - 2.5,
            clear: (number(&|heat| heat >= CLEAR_HEAT) + 2.0) / (strong + 4.0) - 0.5,
            ..self
        }
    }
}

/// What is known, from photos held back, of how a photo's count goes wrong beyond chance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Allowance {
    /// Beans that can be seen and that the objects' probabilities do not add up to, per bean that they do, on a plot with 19 weak
    /// hilltops a square foot in a photo of 2.5 px per mm ([`Surroundings`], k = s = 0).
    pub missed_beans: f64,
    /// By how much the logarithm of that grows with k: where much looks a little like a bean, more beans are missed.
    #[serde(default)]
    pub missed_beans_weak: f64,
    /// And with s ([`Surroundings`]; below 0: in a finer photo fewer are missed).
    #[serde(default)]
    pub missed_beans_scale: f64,
    /// Pods likewise.
    pub missed_pods: f64,
    /// Standard deviation, in logits, by which a photo's probabilities are off together.
    pub shift_logit: f64,
    /// The same of its pods; without it theirs is that of the beans.
    #[serde(default)]
    pub shift_pods_logit: Option<f64>,
    /// Beans that belong to no object and are not foreseen by the rate: mean a plot of any size.
    pub stray: f64,
}

/// Most missed beans a found one that a plot's surroundings can make of the allowance.
const MOST_MISSED: f64 = 0.4;

impl Allowance {
    /// The allowance on a plot with these surroundings.
    pub fn at(&self, around: Surroundings) -> Self {
        let grows = self.missed_beans_weak * around.weak + self.missed_beans_scale * around.scale;
        let missed = self.missed_beans * grows.exp();
        Self {
            missed_beans: missed.min(MOST_MISSED.max(self.missed_beans)),
            missed_beans_weak: 0.0,
            missed_beans_scale: 0.0,
            ..*self
        }
    }
}

/// The photos it was trained on, as mean and standard deviation of what is measured on a plot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Known {
    /// Names of the measures, in the order of [`crate::score::likeness_measures`].
    pub measures: Vec<String>,
    /// Means.
    pub mean: Vec<f64>,
    /// Standard deviations.
    pub sd: Vec<f64>,
    /// Distance (root mean square of standard deviations) above which a plot is unlike the training.
    pub most_distance: f64,
}

impl Calibration {
    /// Probability for a heat.
    pub fn probability(&self, heat: f64, around: Surroundings) -> f64 {
        let x = logit(heat);
        let w = &self.weights;
        let y = w[0]
            + w[1] * x
            + w[2] * x.min(-0.5)
            + (w[3] + w[4] * x) * around.cover
            + (w[5] + w[6] * x) * around.scale
            + (w[7] + w[8] * x) * around.weak
            + (w[9] + w[10] * x) * around.strong
            + w[11] * around.clear
            + w[12] * around.blur;
        stats::logistic(y)
    }
}

impl Known {
    /// How far measures lie from those of the training (root mean square of standard deviations), and the most
    /// that is taken without a word. (0, most) when the card holds no measures.
    pub fn distance(&self, measures: &[f64]) -> (f64, f64) {
        let n = measures.len().min(self.mean.len()).min(self.sd.len());
        let sum: f64 = (0..n)
            .map(|i| ((measures[i] - self.mean[i]) / self.sd[i].max(1e-6)).powi(2))
            .sum();
        ((sum / n.max(1) as f64).sqrt(), self.most_distance)
    }
}

/// The logit of a probability, kept finite.
fn logit(p: f64) -> f64 {
    let p = p.clamp(1e-6, 1.0 - 1e-6);
    (p / (1.0 - p)).ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn more_heat_is_more_probable_in_every_surrounding() {
        let card: Card = toml::from_str(include_str!("../../models/beans-v10.toml")).unwrap();
        let rises = |calibration: &Calibration, around| {
            let p: Vec<f64> = (1..20)
                .map(|i| calibration.probability(f64::from(i) / 20.0, around))
                .collect();
            assert!(p.windows(2).all(|w| w[0] < w[1]), "{around:?}: {p:?}");
        };
        for cover in [0.0, 30.0, 60.0, 90.0] {
            for scale in [1.2, 2.0, 3.0, 5.0] {
                for blur in [0.0, 0.12, 0.3, 0.6, 2.0] {
                    for heats in [&[][..], &[0.1; 200], &[0.9; 60]] {
                        let around =
                            Surroundings::new(cover, scale, blur).with_hilltops(heats, 1.0);
                        rises(&card.bean, around);
                        rises(&card.pod, around);
                    }
                }
            }
        }
    }

    #[test]
    fn what_is_seen_from_near_counts_for_and_against() {
        let card: Card = toml::from_str(include_str!("../../models/beans-v10.toml")).unwrap();
        let around = Surroundings::new(30.0, 4.0, 0.3).with_hilltops(&[0.9; 20], 1.0);
        let seen = |bean_logit| {
            Some(NearLook {
                bean_logit,
                split_logit: 0.0,
            })
        };
        let p = |heat, logit| card.bean_probability(heat, seen(logit), around);
        let unseen = |heat| card.bean_probability(heat, None, around);
        for heat in [0.2, 0.5, 0.8] {
            let all = [-9.0, -4.0, -2.0, 0.0, 2.0, 4.0, 9.0].map(|logit| p(heat, logit));
            assert!(all.is_sorted(), "{heat}: {all:?}");
            assert_eq!(
                (all[0], all[5]),
                (all[1], all[6]),
                "beyond 4 nothing more is said"
            );
            assert!(all[0] < unseen(heat) && unseen(heat) < all[6], "{heat}");
        }
        assert!(p(0.3, 1.0) < p(0.6, 1.0));
        // Two networks that agree leave no more to allow for than one.
        let [far, near] = [false, true].map(|near| card.allowances(around, near));
        assert!(near[0].shift_logit <= far[0].shift_logit);
        assert_eq!(near[1], far[1], "pods are not looked at from near");
        let of_pods = card.allowance.shift_pods_logit;
        assert_eq!(Some(far[1].shift_logit), of_pods, "theirs is their own");
        let plain = Card {
            near: None,
            ..card.clone()
        };
        assert_eq!(plain.bean_probability(0.5, seen(3.0), around), unseen(0.5));
        assert_eq!(plain.allowances(around, true), far);
    }

    #[test]
    fn more_is_allowed_for_where_much_looks_a_little_like_a_bean_and_in_coarser_photos() {
        let allowance = Allowance {
            missed_beans: 0.01,
            missed_beans_weak: 1.0,
            missed_beans_scale: -0.5,
            missed_pods: 0.1,
            shift_logit: 1.0,
            shift_pods_logit: None,
            stray: 0.1,
        };
        let missed = |weak: usize| {
            let around = Surroundings::new(30.0, 2.5, 0.3).with_hilltops(&vec![0.1; weak], 1.0);
            allowance.at(around).missed_beans
        };
        // k = ln 20 - 3 = -0.0043, so close to the card's own figure; ln 121 - 3 = 1.796.
        assert!((missed(19) - 0.01).abs() < 1e-4, "{}", missed(19));
        assert!((missed(120) - 0.01 * 121.0 / 20.0855).abs() < 1e-4);
        assert!((missed(100_000) - MOST_MISSED).abs() < 1e-12);
        let at = |scale: f64| {
            let around = Surroundings::new(30.0, scale, 0.3).with_hilltops(&[0.1; 19], 1.0);
            allowance.at(around).missed_beans
        };
        // s = ln (5 / 2.5): half as many for the half power; finer than 5 px per mm counts as 5.
        assert!((at(5.0) / at(2.5) - 0.5_f64.sqrt()).abs() < 1e-9);
        assert!(at(1.5) > at(2.5) && (at(9.0) - at(5.0)).abs() < 1e-12);
        let plain = Allowance {
            missed_beans_weak: 0.0,
            missed_beans_scale: 0.0,
            ..allowance
        };
        let around = Surroundings::new(30.0, 2.5, 0.3).with_hilltops(&[0.1; 300], 1.0);
        assert_eq!(plain.at(around), plain);
    }
}

//! Checks laid side by side: each difference is taken within its pair.

use std::collections::{BTreeMap, BTreeSet};

use super::{Manner, SourceContrast};
use crate::{
    counts::Limits,
    loss::{
        Assumptions, FrameLoss, Settled, Source, SourceAmount, SourceLoss, bu_per_ac_per_bean_ft2,
        loss_with_limits, loss_without_limits, seed_size, settle,
    },
    stats::{mean_sd, normal_quantile, student_t_cdf, student_t_quantile},
};

/// What one pair of checks says of a source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pair {
    /// Second − first, bu/ac.
    change: f64,
    /// Its variance by counting alone, (bu/ac)².
    by_counting: f64,
}

/// What the pairs say, by source.
pub(super) struct Pairs {
    pub by_source: BTreeMap<Source, Vec<Pair>>,
    /// Both losses over the frames of the pairs.
    pub losses: [Option<SourceLoss>; 2],
    /// Relative standard deviation that all have in common: of the seeds' size, and of the ratio to hand counts.
    pub shared_relative_sd: f64,
}

impl Pairs {
    /// `first`, `second`: the settings, and their losses over all frames, beside which only pairs that are put together as these
    /// are stand.
    pub fn of(
        frames: &[FrameLoss],
        assumptions: &Assumptions,
        (first, all_first): (&str, &SourceLoss),
        (second, all_second): (&str, &SourceLoss),
    ) -> Self {
        // Settled once, so that both sides of a pair are put right by the same ratio.
        let settled = settle(frames, assumptions);
        let (seeds, _) = seed_size(assumptions, frames);
        // A word in the pair column and a check's name may read the same.
        let key_of = |frame: &FrameLoss| match &frame.pair {
            Some(word) => Some((true, word.clone())),
            None => frame.check.clone().map(|check| (false, check)),
        };
        let keys: BTreeSet<(bool, String)> = settled.frames.iter().filter_map(key_of).collect();
        let per_bean = bu_per_ac_per_bean_ft2(assumptions, seeds.per_lb.value);
        let under = |of: &Settled, setting: &str| {
            of.only(|frame| frame.setting.as_deref() == Some(setting))
        };
        let as_all = |of: &SourceAmount, all: &SourceLoss| {
            let whole = all.get(of.source);
            whole.is_some_and(|whole| whole.made_of.like(&of.made_of))
        };
        let mut by_source: BTreeMap<Source, Vec<Pair>> = BTreeMap::new();
        let mut joined = BTreeSet::new();
        for key in keys {
            let pair = settled.only(|frame| key_of(frame).as_ref() == Some(&key));
            let side =
                |setting: &str| loss_without_limits(&under(&pair, setting), &seeds, assumptions);
            let Some((from, to)) = side(first).zip(side(second)) else {
                continue;
            };
            for before in from.sources.iter().filter(|s| as_all(s, all_first)) {
                let after = to.get(before.source).filter(|s| as_all(s, all_second));
                let Some(after) = after.filter(|after| after.made_of.like(&before.made_of)) else {
                    continue;
                };
                joined.insert(key.clone());
                let bu = |s: &SourceAmount| s.amount.bu_per_ac.estimate;
                by_source.entry(before.source).or_default().push(Pair {
                    change: bu(after) - bu(before),
                    by_counting: per_bean
                        * per_bean
                        * (before.counting_variance + after.counting_variance),
                });
            }
        }
        let of_pairs = settled.only(|frame| key_of(frame).is_some_and(|key| joined.contains(&key)));
        let by_ratio = (settled.ratio).map_or(0.0, |ratio| ratio.ratio_se / ratio.ratio);
        Self {
            by_source,
            losses: [first, second]
                .map(|setting| loss_with_limits(&under(&of_pairs, setting), &seeds, assumptions)),
            shared_relative_sd: (seeds.per_lb.sd / seeds.per_lb.value).hypot(by_ratio),
        }
    }
}

/// Takes the change from pairs: its mean with limits and p by Student's t.
///
/// The pairs' spread is never taken below what counting alone makes it: three pairs may be alike by chance. What all have in
/// common (seeds, ratio) widens the limits in proportion to the change, but has no part in p, as it makes no change out of none.
pub(super) fn go_by_pairs(
    source: &mut SourceContrast,
    pairs: &[Pair],
    shared_relative_sd: f64,
    level: f64,
) {
    let changes: Vec<f64> = pairs.iter().map(|pair| pair.change).collect();
    let (mean, sd) = mean_sd(&changes);
    let n = changes.len() as f64;
    let by_counting = pairs.iter().map(|pair| pair.by_counting).sum::<f64>() / n;
    let se = (sd * sd).max(by_counting).sqrt() / n.sqrt();
    let by_frames = student_t_quantile(0.5 + level / 2.0, n - 1.0) * se;
    let shared = normal_quantile(0.5 + level / 2.0) * shared_relative_sd * mean;
    let half = by_frames.hypot(shared);
    source.change_bu_per_ac = Limits {
        estimate: mean,
        low: mean - half,
        high: mean + half,
    };
    source.p = 2.0 * (1.0 - student_t_cdf((mean / se).abs(), n - 1.0));
    source.manner = Manner::Paired;
}

impl SourceContrast {
    /// Both losses as they are over the frames of the pairs.
    pub(super) fn take_losses(&mut self, [first, second]: &[Option<SourceLoss>; 2]) {
        let of =
            |loss: &Option<SourceLoss>| Some(loss.as_ref()?.get(self.source)?.amount.bu_per_ac);
        if let Some((first, second)) = of(first).zip(of(second)) {
            (self.first_bu_per_ac, self.second_bu_per_ac) = (first, second);
        }
    }
}

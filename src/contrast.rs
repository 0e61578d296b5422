//! How different are two settings, and photo from hand: how much, how sure, and what may be said.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use crate::{
    counts::Limits,
    loss::{
        Assumptions, FrameLoss, LEAST_BU_PER_AC, LossCautionKind, LossError, SeasonLoss, Source,
        SourceAmount, bare_loss, bu_per_ac_per_bean_ft2, differences, seed_size, settle, too_wide,
        unlike,
    },
    stats::{
        Agreement, Concordance, agreement, concordance, mean_sd, normal_quantile, student_t_cdf,
        student_t_quantile,
    },
};

/// Why settings could not be compared.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ContrastError {
    /// Not a setting in the sheet.
    #[error("'{name}' is not a setting in the sheet; there are: {known}")]
    UnknownSetting {
        /// What was asked for.
        name: String,
        /// The settings there are.
        known: String,
    },
    /// Fewer than two settings.
    #[error(
        "the sheet has {settings} setting; fill the setting column with at least two different ones"
    )]
    TooFewSettings {
        /// Settings there are.
        settings: usize,
    },
    /// One setting twice.
    #[error("'{name}' was named twice; name two settings, of: {known}")]
    SameSetting {
        /// It.
        name: String,
        /// The settings there are.
        known: String,
    },
    /// No source is known for both.
    #[error(
        "'{first}' and '{second}' have no source in common; lay frames at the same places under both"
    )]
    NothingInCommon {
        /// First setting.
        first: String,
        /// Second setting.
        second: String,
    },
    /// Too few frames counted both ways.
    #[error(
        "{both} frames were counted both by photo and by hand, 3 are needed; fill hand_beans for more of them"
    )]
    TooFewBoth {
        /// Frames counted both ways.
        both: usize,
    },
    /// No loss for one of them.
    #[error(transparent)]
    Loss(#[from] LossError),
}

/// How checks were set against each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Manner {
    /// Checks side by side: the difference within each pair.
    Paired,
    /// All frames of one setting against all of the other.
    Apart,
}

/// One source under two settings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SourceContrast {
    /// Which source.
    pub source: Source,
    /// Under the first setting, bu/ac.
    pub first_bu_per_ac: Limits,
    /// Under the second, bu/ac.
    pub second_bu_per_ac: Limits,
    /// Second − first, bu/ac: below zero, the second loses less. Never cut off at zero.
    pub change_bu_per_ac: Limits,
    /// Two-sided p against no change.
    pub p: f64,
    /// How they were set against each other.
    pub manner: Manner,
    /// `less`, `more` or `not-told-apart`: whether the limits of the change leave zero out.
    pub verdict: Verdict,
    /// What may be said.
    pub says: String,
}

/// Whether the second setting loses less, more, or cannot be told from the first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The second loses less.
    Less,
    /// The second loses more.
    More,
    /// The limits hold zero.
    NotToldApart,
}

impl Verdict {
    /// In a few words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Less => "the second loses less",
            Self::More => "the second loses more",
            Self::NotToldApart => "not told apart",
        }
    }

    fn of(change: &Limits) -> Self {
        if change.high < 0.0 {
            Self::Less
        } else if change.low > 0.0 {
            Self::More
        } else {
            Self::NotToldApart
        }
    }
}

/// Two settings set against each other.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Contrast {
    /// First setting (before).
    pub first: String,
    /// Second setting (after).
    pub second: String,
    /// By source.
    pub sources: Vec<SourceContrast>,
    /// Pairs of checks used.
    pub pairs: usize,
    /// What else differed.
    pub warnings: Vec<String>,
}

impl Contrast {
    /// Whether limits of one of its losses or changes, bu/ac, reach so far that they say nothing.
    pub fn too_wide(&self, limits: &Limits) -> bool {
        too_wide(limits, whole(&self.sources))
    }
}

/// The largest loss under either setting, and no less than [`LEAST_BU_PER_AC`]: what limits are held against.
fn whole(sources: &[SourceContrast]) -> f64 {
    (sources.iter())
        .flat_map(|s| [s.first_bu_per_ac, s.second_bu_per_ac])
        .map(|limits| limits.estimate.abs())
        .fold(LEAST_BU_PER_AC, f64::max)
}

/// Fewest pairs of checks from which a paired difference is taken.
const FEWEST_PAIRS: usize = 3;

/// Sets the second setting against the first, by source.
///
/// Checks that carry the same word in the sheet's `pair` column, or that saw both settings, are
/// used as pairs where there are at least three: the limits then come from the pairs' own
/// differences (Student's t). Otherwise each setting is drawn by itself.
///
/// # Errors
/// [`ContrastError`] when a setting is not there or nothing can be compared.
pub fn contrast(
    frames: &[FrameLoss],
    season: &SeasonLoss,
    first: &str,
    second: &str,
) -> Result<Contrast, ContrastError> {
    let settings = || season.by_setting.keys().cloned().collect::<Vec<_>>();
    let of = |name: &str| {
        let found = season.by_setting.get(name);
        found.ok_or_else(|| ContrastError::UnknownSetting {
            name: name.to_owned(),
            known: settings().join(", "),
        })
    };
    if season.by_setting.len() < 2 {
        return Err(ContrastError::TooFewSettings {
            settings: season.by_setting.len(),
        });
    }
    let (a, b) = (of(first)?, of(second)?);
    if first == second {
        return Err(ContrastError::SameSetting {
            name: first.to_owned(),
            known: settings().join(", "),
        });
    }
    let level = season.assumptions.level;
    let pairs = Pairs::of(frames, &season.assumptions, first, second);
    let mut sources: Vec<SourceContrast> = differences(b, a, level)
        .into_iter()
        .map(|d| SourceContrast {
            source: d.source,
            first_bu_per_ac: d.second_bu_per_ac,
            second_bu_per_ac: d.first_bu_per_ac,
            change_bu_per_ac: d.difference_bu_per_ac,
            p: d.p,
            manner: Manner::Apart,
            verdict: Verdict::NotToldApart,
            says: String::new(),
        })
        .collect();
    if sources.is_empty() {
        return Err(ContrastError::NothingInCommon {
            first: first.to_owned(),
            second: second.to_owned(),
        });
    }
    let mut most_pairs = 0;
    for source in &mut sources {
        if let Some(of_pairs) = pairs
            .by_source
            .get(&source.source)
            .filter(|of_pairs| of_pairs.len() >= FEWEST_PAIRS)
        {
            go_by_pairs(source, of_pairs, pairs.shared_relative_sd, level);
            most_pairs = most_pairs.max(of_pairs.len());
        }
        source.verdict = Verdict::of(&source.change_bu_per_ac);
    }
    let begun = pairs.by_source.values().map(Vec::len).max().unwrap_or(0);
    let mut warnings = what_else_differs(frames, first, second, most_pairs > 0);
    warnings.extend(not_alike(&unlike(a, b), first, second));
    for (setting, loss) in [(first, a), (second, b)] {
        let wide = (loss.cautions.iter()).filter(|c| c.kind == LossCautionKind::PodsWiden);
        warnings.extend(wide.map(|c| format!("under {setting} {}", c.message)));
    }
    if most_pairs == 0 && frames.iter().any(|f| f.pair.is_some()) {
        warnings.push(format!(
            "{} one setting with the other, {FEWEST_PAIRS} are needed to go by pairs: the settings are set against each other as a whole",
            pairs_that_join(begun)
        ));
    }
    let whole = whole(&sources);
    for source in &mut sources {
        source.says = in_words(source, (first, second), whole);
    }
    Ok(Contrast {
        first: first.to_owned(),
        second: second.to_owned(),
        sources,
        pairs: most_pairs,
        warnings,
    })
}

fn pairs_that_join(n: usize) -> String {
    match n {
        0 => "no word in the pair column joins".to_owned(),
        1 => "only 1 pair of checks joins".to_owned(),
        _ => format!("only {n} pairs of checks join"),
    }
}

/// One pair of checks: a source's loss under both settings, bu/ac.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Pair {
    first: f64,
    second: f64,
    /// Variance of their difference by counting alone, (bu/ac)².
    by_counting: f64,
}

/// What the pairs say, by source.
struct Pairs {
    by_source: BTreeMap<Source, Vec<Pair>>,
    /// Relative standard deviation that all have in common: of the seeds' size, and of the ratio to hand counts.
    shared_relative_sd: f64,
}

impl Pairs {
    fn of(frames: &[FrameLoss], assumptions: &Assumptions, first: &str, second: &str) -> Self {
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
        let mut by_source: BTreeMap<Source, Vec<Pair>> = BTreeMap::new();
        for key in keys {
            let pair = settled.only(|frame| key_of(frame).as_ref() == Some(&key));
            let side = |setting: &str| {
                let own = pair.only(|frame| frame.setting.as_deref() == Some(setting));
                bare_loss(&own, &seeds, assumptions)
            };
            let Some((from, to)) = side(first).zip(side(second)) else {
                continue;
            };
            for before in &from.sources {
                let after = to.get(before.source);
                let Some(after) = after.filter(|after| after.made_of.like(&before.made_of)) else {
                    continue;
                };
                let bu = |s: &SourceAmount| s.amount.bu_per_ac.estimate;
                by_source.entry(before.source).or_default().push(Pair {
                    first: bu(before),
                    second: bu(after),
                    by_counting: per_bean
                        * per_bean
                        * (before.counting_variance + after.counting_variance),
                });
            }
        }
        let by_ratio = (settled.ratio).map_or(0.0, |ratio| ratio.ratio_se / ratio.ratio);
        Self {
            by_source,
            shared_relative_sd: (seeds.per_lb.sd / seeds.per_lb.value).hypot(by_ratio),
        }
    }
}

/// Takes the change from pairs: its mean with limits and p by Student's t, and both losses as they are over these pairs.
///
/// The pairs' spread is never taken below what counting alone makes it: three pairs may be alike by chance. What all have in
/// common (seeds, ratio) widens the limits in proportion to the change, but has no part in p, as it makes no change out of none.
fn go_by_pairs(source: &mut SourceContrast, pairs: &[Pair], shared_relative_sd: f64, level: f64) {
    let changes: Vec<f64> = pairs.iter().map(|pair| pair.second - pair.first).collect();
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
    let over = |of: fn(&Pair) -> f64| pairs.iter().map(of).sum::<f64>() / n;
    source.first_bu_per_ac = moved(source.first_bu_per_ac, over(|pair| pair.first));
    source.second_bu_per_ac = moved(source.second_bu_per_ac, over(|pair| pair.second));
}

/// The same limits about another estimate.
fn moved(limits: Limits, estimate: f64) -> Limits {
    let by = estimate - limits.estimate;
    Limits {
        estimate,
        low: limits.low + by,
        high: limits.high + by,
    }
}

/// Sources left out because only one setting has them, or they hold other things there.
fn not_alike(sources: &[Source], first: &str, second: &str) -> Option<String> {
    let titles: Vec<&str> = sources.iter().map(|source| source.title()).collect();
    (!titles.is_empty()).then(|| {
        format!(
            "left out, for under {first} other places were looked at than under {second}, or other pods counted: {}; lay frames \
             at the same places and fill the same columns under both",
            titles.join(", ")
        )
    })
}

/// What the limits of a change allow to be said, and no more.
fn in_words(source: &SourceContrast, (first, second): (&str, &str), whole: f64) -> String {
    let change = source.change_bu_per_ac;
    let title = source.source.title();
    if source.verdict == Verdict::NotToldApart && too_wide(&change, whole) {
        return format!(
            "{title}: these are too few frames to tell the two apart; lay more under both settings (podfall plan)."
        );
    }
    let range = format!(
        "95 % limits {:+.2} to {:+.2} bu/ac",
        change.low, change.high
    );
    match source.verdict {
        Verdict::Less => format!(
            "{title}: {second} lost less than {first}, by {:.2} bu/ac ({range}).",
            -change.estimate
        ),
        Verdict::More => format!(
            "{title}: {second} lost more than {first}, by {:.2} bu/ac ({range}).",
            change.estimate
        ),
        Verdict::NotToldApart => format!(
            "{title}: these frames do not tell the two apart ({range}); a difference up to {:.2} bu/ac is not ruled out, \
             and that they are alike is not shown.",
            change.high.abs().max(change.low.abs())
        ),
    }
}

/// Speed, moisture or the place in the field may explain a difference as well as the setting does.
fn what_else_differs(frames: &[FrameLoss], first: &str, second: &str, paired: bool) -> Vec<String> {
    let of = |setting: &str| -> Vec<&FrameLoss> {
        frames
            .iter()
            .filter(|f| f.setting.as_deref() == Some(setting))
            .collect()
    };
    let (a, b) = (of(first), of(second));
    let mean = |frames: &[&FrameLoss], value: fn(&FrameLoss) -> Option<f64>| {
        let values: Vec<f64> = frames.iter().filter_map(|f| value(f)).collect();
        (!values.is_empty()).then(|| mean_sd(&values).0)
    };
    let mut warnings = Vec::new();
    if let Some((x, y)) = mean(&a, |f| f.speed_kmh).zip(mean(&b, |f| f.speed_kmh)) {
        // A tenth of the speed: common practice, no source.
        if (x - y).abs() > 0.1 * x.max(y) {
            warnings.push(format!(
                "ground speed differs too: {x:.1} km/h under {first}, {y:.1} km/h under {second}"
            ));
        }
    }
    if let Some((x, y)) = mean(&a, |f| f.moisture_percent).zip(mean(&b, |f| f.moisture_percent)) {
        // A point of moisture: common practice, no source.
        if (x - y).abs() > 1.0 {
            warnings.push(format!(
                "moisture differs too: {x:.1} % under {first}, {y:.1} % under {second}"
            ));
        }
    }
    let lat = |f: &FrameLoss| f.position.map(|p| p.lat_deg);
    let lon = |f: &FrameLoss| f.position.map(|p| p.lon_deg);
    let middle = |frames: &[&FrameLoss]| mean(frames, lat).zip(mean(frames, lon));
    if let Some((x, y)) = middle(&a).zip(middle(&b)) {
        let apart_m = crate::sheet::distance_m(x, y);
        // Pairs lie side by side, so that the place tells on both alike.
        if apart_m > 150.0 && !paired {
            warnings.push(format!(
                "the frames lay in different parts of the field: their middles are {apart_m:.0} m apart; lay the settings \
                 side by side and fill the pair column"
            ));
        }
    }
    warnings
}

/// One frame counted both ways.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BothWays {
    /// File name of the photo.
    pub photo: String,
    /// Loose beans by photo, with its own limits.
    pub by_photo: Limits,
    /// Loose beans by hand.
    pub by_hand: f64,
    /// The hand count lies outside the photo's limits, or the difference outside the limits of agreement.
    pub disagrees: bool,
}

/// Photo against hand.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PhotoAgainstHand {
    /// Mean difference photo − hand and limits of agreement, beans a frame.
    pub agreement: Agreement,
    /// Lin's concordance; `None` where the counts do not vary.
    pub concordance: Option<Concordance>,
    /// Share of frames whose hand count lies within the photo's limits.
    pub within_limits: f64,
    /// The frames, those that disagree most first.
    pub frames: Vec<BothWays>,
    /// What may be said.
    pub says: String,
}

/// Sets the photos' counts against the hand counts of the same frames.
///
/// # Errors
/// [`ContrastError::TooFewBoth`] with fewer than three frames counted both ways.
pub fn photo_against_hand(frames: &[FrameLoss]) -> Result<PhotoAgainstHand, ContrastError> {
    let both: Vec<(&FrameLoss, f64)> = frames
        .iter()
        .filter(|f| f.basis != crate::loss::Basis::Hand)
        .filter_map(|f| Some((f, f.hand.beans?)))
        .collect();
    let too_few = ContrastError::TooFewBoth { both: both.len() };
    if both.len() < 3 {
        return Err(too_few);
    }
    let pairs: Vec<(f64, f64)> = both
        .iter()
        .map(|(f, hand)| (f.by_tool().estimate, *hand))
        .collect();
    let agreement = agreement(&pairs, normal_quantile(0.975)).ok_or(too_few)?;
    let mut rows: Vec<BothWays> = both
        .iter()
        .map(|(frame, hand)| {
            let by_photo = frame.by_tool();
            let difference = by_photo.estimate - hand;
            let outside = *hand < by_photo.low || *hand > by_photo.high;
            BothWays {
                photo: frame.photo.clone(),
                by_photo,
                by_hand: *hand,
                disagrees: outside || difference < agreement.low || difference > agreement.high,
            }
        })
        .collect();
    let within = both
        .iter()
        .filter(|(f, h)| (f.by_tool().low..=f.by_tool().high).contains(h))
        .count();
    rows.sort_by(|a, b| {
        let off = |r: &BothWays| (r.by_photo.estimate - r.by_hand).abs();
        b.disagrees
            .cmp(&a.disagrees)
            .then(off(b).total_cmp(&off(a)))
            .then(a.photo.cmp(&b.photo))
    });
    let within_limits = within as f64 / both.len() as f64;
    Ok(PhotoAgainstHand {
        says: format!(
            "Over {n} frames the photos counted {:.1} beans a frame {} than the hand; of single frames 95 in 100 differ by \
             {:+.1} to {:+.1}. The hand count lay within the photo's own limits in {within} of {n}.",
            agreement.mean_difference.abs(),
            if agreement.mean_difference < 0.0 {
                "fewer"
            } else {
                "more"
            },
            agreement.low,
            agreement.high,
            n = both.len(),
        ),
        agreement,
        concordance: concordance(&pairs, 0.95),
        within_limits,
        frames: rows,
    })
}

/// The settings there are, in the order in which they were first photographed; of those without a time by their names.
pub fn settings_of(frames: &[FrameLoss]) -> Vec<String> {
    let mut first: BTreeMap<&String, Option<&String>> = BTreeMap::new();
    for (setting, taken) in frames
        .iter()
        .filter_map(|f| Some((f.setting.as_ref()?, f.taken.as_ref())))
    {
        let earliest = first.entry(setting).or_insert(taken);
        *earliest = match (*earliest, taken) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
    }
    let mut names: Vec<(&String, Option<&String>)> = first.into_iter().collect();
    // Stable: names stay in order where the times are alike. Those without a time come last.
    names.sort_by_key(|(_, taken)| (taken.is_none(), *taken));
    names.into_iter().map(|(name, _)| name.clone()).collect()
}

/// The settings of a season's checks, in the order of their names.
pub(crate) fn settings_in(season: &SeasonLoss) -> Vec<String> {
    let names: BTreeSet<&String> = season.checks.iter().flat_map(|c| &c.settings).collect();
    names.into_iter().cloned().collect()
}

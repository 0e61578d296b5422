//! How different are two settings, and photo from hand: how much, how sure, and what may be said.

mod hand;
mod pairs;

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

pub use hand::{BothWays, PhotoAgainstHand, photo_against_hand};
use pairs::{Pairs, go_by_pairs};

use crate::{
    counts::Limits,
    loss::{
        FrameLoss, LEAST_BU_PER_AC, LossCautionKind, LossError, SeasonLoss, Source, SourceLoss,
        differences, same_name, too_wide, unlike,
    },
    season::Told,
    stats::mean_sd,
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
    /// What may be said, in bu/ac.
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

    /// What the limits of a change of one of its sources allow to be said, and no more.
    pub fn says(&self, source: &SourceContrast, told: Told) -> String {
        let (first, second) = (&self.first, &self.second);
        let change = source.change_bu_per_ac;
        let title = source.source.title();
        if source.verdict == Verdict::NotToldApart && self.too_wide(&change) {
            return format!(
                "{title}: these are too few frames to tell the two apart; lay more under both settings (podfall plan)."
            );
        }
        let unit = told.name();
        let range = format!(
            "95 % limits {} to {} {unit}",
            told.signed(change.low),
            told.signed(change.high)
        );
        match source.verdict {
            Verdict::Less => format!(
                "{title}: {second} lost less than {first}, by {} {unit} ({range}).",
                told.number(-change.estimate)
            ),
            Verdict::More => format!(
                "{title}: {second} lost more than {first}, by {} {unit} ({range}).",
                told.number(change.estimate)
            ),
            Verdict::NotToldApart => format!(
                "{title}: these frames do not tell the two apart ({range}); a difference up to {} {unit} is not ruled out, \
                 and that they are alike is not shown.",
                told.number(change.high.abs().max(change.low.abs()))
            ),
        }
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
        let is = |(known, _): &(&String, &SourceLoss)| same_name(known, name);
        let found = season.by_setting.iter().find(is);
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
    let ((first, a), (second, b)) = (of(first)?, of(second)?);
    if first == second {
        return Err(ContrastError::SameSetting {
            name: first.to_owned(),
            known: settings().join(", "),
        });
    }
    let level = season.assumptions.level;
    let pairs = Pairs::of(frames, &season.assumptions, (first, a), (second, b));
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
            source.take_losses(&pairs.losses);
            most_pairs = most_pairs.max(of_pairs.len());
        }
        source.verdict = Verdict::of(&source.change_bu_per_ac);
    }
    let begun = pairs.by_source.values().map(Vec::len).max().unwrap_or(0);
    let mut warnings = what_else_differs(frames, first, second, most_pairs > 0);
    warnings.extend(not_alike(&unlike(a, b), first, second));
    let total = sources.iter().any(|s| s.source == Source::Total);
    for (setting, loss) in [(first, a), (second, b)] {
        let wide = (loss.cautions.iter()).filter(|c| total && c.kind == LossCautionKind::PodsWiden);
        warnings.extend(wide.map(|c| format!("under '{setting}' {}", c.message)));
    }
    if most_pairs == 0 && frames.iter().any(|f| f.pair.is_some()) {
        warnings.push(format!(
            "{} one setting with the other, {FEWEST_PAIRS} are needed to go by pairs: the settings are set against each other as a whole",
            pairs_that_join(begun)
        ));
    }
    let mut found = Contrast {
        first: first.to_owned(),
        second: second.to_owned(),
        sources,
        pairs: most_pairs,
        warnings,
    };
    let said: Vec<String> = (found.sources.iter())
        .map(|source| found.says(source, Told::in_bushels()))
        .collect();
    for (source, says) in found.sources.iter_mut().zip(said) {
        source.says = says;
    }
    Ok(found)
}

fn pairs_that_join(n: usize) -> String {
    match n {
        0 => "no word in the pair column joins".to_owned(),
        1 => "only 1 pair of checks joins".to_owned(),
        _ => format!("only {n} pairs of checks join"),
    }
}

/// Sources left out because only one setting has them, or they hold other things there.
fn not_alike(sources: &[Source], first: &str, second: &str) -> Option<String> {
    let titles: Vec<&str> = sources.iter().map(|source| source.title()).collect();
    (!titles.is_empty()).then(|| {
        format!(
            "left out, for under {first} other places were looked at than under {second}, or other pods counted: {}; lay frames \
             at the same places and fill the same columns under both",
            titles.join("; ")
        )
    })
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

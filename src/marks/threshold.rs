//! A season's own threshold: from which probability on an object counts as a bean in this field, fitted to the photos
//! that a person confirmed, and used for the others only where it helps on photos held back.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use super::{
    MarkSettings, OfPhoto, Shown, Standing,
    apply::{added_beans, is_bean, taken_for},
};
use crate::{
    count::{
        CountSettings,
        chances::{Allowances, how_many},
    },
    counts::Limits,
    stats::{fit_logit_shift, logistic, logit},
};

/// Fewest confirmed photos. With fewer than six, the mean of the errors held back hangs on one or two photos: it decided
/// little better than a coin in simulated seasons.
pub const FEWEST_PHOTOS: usize = 6;

/// Fewest doubtful objects on them. One tells p (1 − p) about the shift, 0.2 on average between 0.2 and 0.8: 25 bring its
/// standard error to 0.4 logits, less than the half to one and a half by which fields were off.
pub const FEWEST_DOUBTFUL: usize = 25;

/// Fewest confirmed photos at which anything is said of a threshold: those from which a ratio is taken.
const FEWEST_TO_TELL: usize = 3;

/// Most parts in which confirmed photos are held back. Up to so many photos each is a part; more go together, so that the
/// answer to a mark does not wait for hundreds of fits.
const MOST_PARTS: usize = 40;

/// Standard deviation of the shift from field to field, logits: a shift of two would be rare.
const PRIOR_SD_LOGIT: f64 = 1.0;

/// What came of fitting a threshold to a season.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SeasonThreshold {
    /// Confirmed photos that it was fitted on.
    pub photos: usize,
    /// Doubtful objects on them.
    pub doubtful: usize,
    /// What is added to the logit of every probability of being a bean.
    pub shift_logit: f64,
    /// Probability, as the tool states it, from which an object is then in the list of counted ones.
    pub counts_from: f64,
    /// Error of confirmed photos held back, each put right by the ratio of the others; `None` with too few.
    pub held_back: Option<HeldBack>,
    /// Whether it is used.
    pub applied: bool,
    /// The tool's counts under the threshold, by file name; empty where it is not applied.
    #[serde(skip)]
    pub counts: BTreeMap<String, Shifted>,
}

/// Root mean square error of a photo's count, beans.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HeldBack {
    /// With the tool's probabilities as they are.
    pub without_beans: f64,
    /// With the threshold fitted to the other photos.
    pub with_beans: f64,
}

/// A photo's loose beans under the threshold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shifted {
    /// The tool's count. Of a confirmed photo the shift is that fitted without it.
    pub tool_beans: Limits,
    /// With what a person said of single objects.
    pub beans: Limits,
}

/// Fits the season's threshold and decides whether it is used.
///
/// `None` where there is nothing to be said: fewer than three photos confirmed, or none left to put right.
///
/// - `copies`: photos that are the same file as another, which say nothing more.
///
/// # What is estimated, and why nothing is corrected twice
/// The photos are a double sample: all have the cheap count x (the tool's), the confirmed ones the dear count y too; the
/// season's beans come from the ratio R = Σy / Σx over the confirmed ones (`loss::settle`). Such an estimate is sound for
/// *any* x that is known of every photo, and its error is that of the residuals y − R x. So the threshold changes x alone,
/// to the sum of the shifted probabilities, before the ratio is taken; R then carries only what the shift leaves (beans
/// that are in no list, mostly). It helps where photos differ in how many doubtful objects they hold, above all when the
/// doubtful photos were confirmed first, as the page asks for: R alone then takes their miscount over to clean photos.
///
/// The shift has seen the y of the confirmed photos. So that their residuals do not look better than those of photos that
/// were not looked at, the x of a confirmed photo is made with the shift fitted to the *other* confirmed photos; ratio and
/// standard error come from these. In simulated seasons (`loss`, tests) the limits then hold as often as without.
///
/// One shift for all objects moves the threshold and leaves the order of the objects; a cut alone would make of each
/// object a yes or no and give up the doubt that the limits rest on.
///
/// # Decision
/// Each confirmed photo in turn is held back (with more than forty of them, each fortieth part): shift and ratio are fitted to the others, and its count foretold with and
/// without the shift. The shift is used when the sum of squared errors with it is smaller.
///
/// # Source
/// Double sampling with a ratio, and regression on any known auxiliary: Cochran, *Sampling Techniques*, 3rd ed. (1977),
/// sections 12.9 and 7.1. Model-assisted estimates stay sound under a wrong model: Särndal, Swensson & Wretman, *Model
/// Assisted Survey Sampling* (1992), chapter 6. Leaving one out: Stone (1974), J. R. Stat. Soc. B 36:111. All from memory.
pub fn season_threshold(
    photos: &BTreeMap<String, OfPhoto>,
    copies: &BTreeSet<&str>,
    settings: &MarkSettings,
) -> Option<SeasonThreshold> {
    let known: Vec<Known<'_>> = (photos.iter())
        .filter(|(name, _)| !copies.contains(name.as_str()))
        .filter_map(|(name, photo)| Known::of(name, photo))
        .collect();
    let open = |p: &OfPhoto| {
        let begun = matches!(p.applied.standing, Standing::Untouched | Standing::Partly);
        begun && p.tool_beans.is_some()
    };
    if known.len() < FEWEST_TO_TELL || !photos.values().any(open) {
        return None;
    }
    let usual = CountSettings::default().counted_from;
    let mut threshold = SeasonThreshold {
        photos: known.len(),
        doubtful: known.iter().map(|k| k.doubtful).sum(),
        shift_logit: 0.0,
        counts_from: usual,
        held_back: None,
        applied: false,
        counts: BTreeMap::new(),
    };
    if threshold.photos < FEWEST_PHOTOS || threshold.doubtful < FEWEST_DOUBTFUL {
        return Some(threshold);
    }
    threshold.shift_logit = fitted(&known, |_| true, 0.0);
    let parts = known.len().min(MOST_PARTS);
    let shifts: Vec<f64> = (0..parts)
        .map(|part| fitted(&known, |i| i % parts != part, threshold.shift_logit))
        .collect();
    let held_back = HeldBack::of(&known, &shifts);
    threshold.counts_from = logistic(logit(usual) - threshold.shift_logit);
    threshold.applied = held_back.with_beans < held_back.without_beans;
    threshold.held_back = Some(held_back);
    if threshold.applied {
        let own: BTreeMap<&str, f64> = (known.iter().enumerate())
            .map(|(i, known)| (known.name, shifts[i % parts]))
            .collect();
        let counts = photos.iter().filter_map(|(name, photo)| {
            let shift = own.get(name.as_str()).unwrap_or(&threshold.shift_logit);
            Some((name.clone(), Shifted::of(photo, *shift, settings)?))
        });
        threshold.counts = counts.collect();
    }
    Some(threshold)
}

/// A confirmed photo: what the tool said of its objects, and what they are.
struct Known<'a> {
    name: &'a str,
    /// Logit of being a bean, and whether it is one.
    told: Vec<(f64, bool)>,
    doubtful: usize,
    /// What the tool's count holds beyond its list.
    unlisted: f64,
    /// The confirmed count.
    beans: f64,
}

impl<'a> Known<'a> {
    fn of(name: &'a str, photo: &OfPhoto) -> Option<Self> {
        if photo.applied.standing != Standing::Confirmed {
            return None;
        }
        let tool = photo.tool_beans?;
        Some(Self {
            name,
            told: listed(photo)
                .map(|s| (logit(chance(s)), is_bean(taken_for(s))))
                .collect(),
            doubtful: listed(photo).filter(|s| s.object.doubtful).count(),
            unlisted: unlisted(photo, tool),
            beans: photo.applied.count.counts?.beans.estimate,
        })
    }

    /// The tool's count under a shift.
    fn tool(&self, shift: f64) -> f64 {
        let listed: f64 = self.told.iter().map(|t| logistic(t.0 + shift)).sum();
        listed + self.unlisted
    }
}

/// As the tool says: the chance of being a bean, whole or split.
fn chance(shown: &Shown) -> f64 {
    shown.object.chances.bean + shown.object.chances.split
}

/// The tool's own objects, without those that a person added.
fn listed(photo: &OfPhoto) -> impl Iterator<Item = &Shown> {
    (photo.applied.shown.iter()).filter(|s| s.named.added.is_none())
}

fn unlisted(photo: &OfPhoto, tool: Limits) -> f64 {
    (tool.estimate - listed(photo).map(chance).sum::<f64>()).max(0.0)
}

/// The shift fitted to the photos that `with` names; `near`: where it is looked for first.
fn fitted(known: &[Known<'_>], with: impl Fn(usize) -> bool, near: f64) -> f64 {
    let told: Vec<(f64, bool)> = (known.iter().enumerate())
        .filter(|(i, _)| with(*i))
        .flat_map(|(_, k)| k.told.iter().copied())
        .collect();
    fit_logit_shift(&told, PRIOR_SD_LOGIT, near)
}

impl HeldBack {
    /// `shifts`: for each part of the photos the shift fitted to the other parts.
    fn of(known: &[Known<'_>], shifts: &[f64]) -> Self {
        let parts = shifts.len();
        let squares = |part: usize, shift: f64| {
            let tool: Vec<f64> = known.iter().map(|k| k.tool(shift)).collect();
            let others = || (0..known.len()).filter(|i| i % parts != part);
            let cheap: f64 = others().map(|i| tool[i]).sum();
            let dear: f64 = others().map(|i| known[i].beans).sum();
            let ratio = if cheap > 0.0 { dear / cheap } else { 1.0 };
            let held_back = (part..known.len()).step_by(parts);
            held_back
                .map(|i| (known[i].beans - ratio * tool[i]).powi(2))
                .sum::<f64>()
        };
        let error = |shift_of: &dyn Fn(usize) -> f64| {
            let sum: f64 = (0..parts).map(|part| squares(part, shift_of(part))).sum();
            (sum / known.len() as f64).sqrt()
        };
        Self {
            without_beans: error(&|_| 0.0),
            with_beans: error(&|part| shifts[part]),
        }
    }
}

impl Shifted {
    /// `None` for a photo without a count of the tool's.
    fn of(photo: &OfPhoto, shift: f64, settings: &MarkSettings) -> Option<Self> {
        let tool = photo.tool_beans?;
        let unlisted = unlisted(photo, tool);
        let shown = &photo.applied.shown;
        let moved = |s: &Shown| logistic(logit(chance(s)) + shift);
        let count = |each: Vec<f64>, stray: f64| {
            let allow = Allowances {
                missed: 0.0,
                stray,
                shift_logit: settings.bean_shift_logit,
            };
            how_many(&each, &allow)
        };
        let tool_beans = count(listed(photo).map(moved).collect(), unlisted);
        let beans = match photo.applied.standing {
            Standing::Partly => {
                let each = shown.iter().map(|s| match s.verdict {
                    Some(verdict) => f64::from(u8::from(is_bean(verdict))),
                    None => moved(s),
                });
                // A bean that was added is one of those that the tool is known to miss.
                count(each.collect(), (unlisted - added_beans(shown)).max(0.0))
            }
            Standing::Untouched => tool_beans,
            Standing::Confirmed | Standing::Unusable => photo.applied.count.counts?.beans,
        };
        Some(Self { tool_beans, beans })
    }
}

impl SeasonThreshold {
    /// What came of it, one sentence.
    pub fn words(&self) -> String {
        let on = format!(
            "{} confirmed photos with {} doubtful objects",
            self.photos, self.doubtful
        );
        let Some(held_back) = &self.held_back else {
            return format!(
                "no threshold of this season's own is fitted: it takes {FEWEST_PHOTOS} confirmed photos with \
                 {FEWEST_DOUBTFUL} doubtful objects on them, and there are {on}"
            );
        };
        let HeldBack {
            without_beans: without,
            with_beans: with,
        } = held_back;
        if !self.applied {
            return format!(
                "a threshold of this season's own, fitted on {on}, is not applied: on photos held back it was off by \
                 {with:.1} beans a photo, and without it by {without:.1}"
            );
        }
        let usual = CountSettings::default().counted_from;
        format!(
            "a threshold of this season's own is applied to the photos that nobody confirmed: fitted on {on}, an object \
             is taken for a bean from {:.0} % on instead of {:.0} %, and every probability is moved with it; on photos \
             held back it was off by {with:.1} beans a photo instead of {without:.1}",
            100.0 * self.counts_from,
            100.0 * usual,
        )
    }
}

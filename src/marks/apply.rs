//! One photo's count put right by what a person said of it.

use serde::Serialize;

use super::{Named, PhotoMarks, Verdict, state::ObjectMark};
use crate::{
    count::{
        bean_at,
        chances::{Allowances, how_many},
        is_inside,
    },
    counts::{Counts, Kind, Limits, Object, PhotoCount, Status},
    geometry::Point,
    plot::{self, PlotMap},
    score::card::Card,
};

/// How far from its place an object may lie to be the one that a mark means, mm: half a soybean's width (6.5 mm),
/// nearer than two beans can lie to each other.
pub const HOME_MM: f64 = 3.2;

/// Two marks nearer than this mean the same object; the later one stands.
const SAME_MM: f64 = 1.0;

/// How counts are made of marks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MarkSettings {
    /// Standard deviation, in logits, by which a photo's probabilities of beans are off together: the model's own.
    pub bean_shift_logit: f64,
    /// The same of pods.
    pub pod_shift_logit: f64,
    /// [`HOME_MM`].
    pub home_mm: f64,
}

impl MarkSettings {
    /// For a model with this card. Where it looks from near it does so at every photo fine enough to be counted.
    pub fn of(card: &Card) -> Self {
        Self {
            bean_shift_logit: card.of_beans(true).shift_logit,
            pod_shift_logit: card.of_pods().shift_logit,
            home_mm: HOME_MM,
        }
    }
}

/// How far a person has come with a photo.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Nothing was said of its objects.
    Untouched,
    /// Some objects have marks.
    Partly,
    /// The whole count was called right.
    Confirmed,
    /// It cannot be used.
    Unusable,
}

/// Why a count that was confirmed does not stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Lapsed {
    /// The photo is counted for a frame of another shape or size.
    OtherFrame,
    /// The photo is not counted any more.
    NotCounted,
}

impl Lapsed {
    /// Every reason.
    pub(super) const ALL: [Self; 2] = [Self::OtherFrame, Self::NotCounted];

    /// What is the case, and what to do.
    pub(super) fn words(self) -> (&'static str, &'static str) {
        match self {
            Self::OtherFrame => (
                "for a frame of another shape or size",
                "confirm again in podfall confirm, or set the frame back in podfall.toml and count again",
            ),
            Self::NotCounted => (
                "cannot be counted now",
                "set the frame's edge in podfall confirm and confirm again, or set back what was changed and count \
                 again",
            ),
        }
    }

    /// Of a photo that was set aside nothing is to be said.
    fn of(count: &PhotoCount, marks: &PhotoMarks) -> Option<Self> {
        let confirm = marks.confirmed.as_ref()?;
        if marks.unusable.is_some() {
            None
        } else if count.counts.is_none() {
            Some(Self::NotCounted)
        } else {
            (confirm.frame_spec != count.frame_spec).then_some(Self::OtherFrame)
        }
    }
}

/// An object with what was said of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Shown {
    /// How a mark names it.
    pub named: Named,
    /// As the tool saw it; for an added one as it was added.
    pub object: Object,
    /// What a person said.
    pub verdict: Option<Verdict>,
}

/// A mark whose object is not there any more.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Homeless {
    /// The act.
    pub seq: u64,
    /// Which object it meant.
    pub object: Named,
    /// What was said.
    pub verdict: Verdict,
    /// Why it has no home.
    pub why: &'static str,
}

/// A photo with its marks.
#[derive(Debug, Clone, PartialEq)]
pub struct Applied {
    /// The count put right.
    pub count: PhotoCount,
    /// How far a person has come.
    pub standing: Standing,
    /// Every object with what was said of it, added ones last.
    pub shown: Vec<Shown>,
    /// Loose beans that are certain because a person said so.
    pub sure_beans: f64,
    /// Marks whose object is not there.
    pub homeless: Vec<Homeless>,
    /// What the count would be, were the photo confirmed as it now stands.
    pub if_confirmed: Counts,
    /// A confirmed count that its marks no longer give, because the counts were made anew.
    pub differs: bool,
    /// Why a count that was confirmed does not stand.
    pub lapsed: Option<Lapsed>,
}

/// The way between plot and photo of a count; `None` where no frame was found.
pub fn photo_map(count: &PhotoCount) -> Option<PlotMap> {
    plot::map(&count.frame.as_ref()?.found, count.frame_spec).ok()
}

/// Puts one photo's count right.
///
/// - A marked object is certain. The others keep their probabilities until the photo is confirmed.
/// - A confirmed photo: every object is as it was shown, and nothing that can be seen is left out. Beans under
///   residue are not claimed: the count is of what can be seen.
pub fn apply(count: &PhotoCount, marks: &PhotoMarks, settings: &MarkSettings) -> Applied {
    let found = match_marks(count, marks, settings);
    let mut out = count.clone();
    let partly = !marks.added.is_empty() || !marks.objects.is_empty();
    let if_confirmed = certain(&found.shown);
    let lapsed = Lapsed::of(count, marks);
    let confirm = marks.confirmed.as_ref().filter(|_| lapsed.is_none());
    let standing = match (&marks.unusable, confirm) {
        (Some(_), _) => Standing::Unusable,
        (None, Some(_)) => Standing::Confirmed,
        (None, None) if partly => Standing::Partly,
        (None, None) => Standing::Untouched,
    };
    let confirm = confirm.filter(|_| standing == Standing::Confirmed);
    if let Some(why) = &marks.unusable {
        // A file that could not be read stays one: there is no picture of it to be drawn.
        if count.status != Status::Failed {
            out.status = Status::Refused;
        }
        out.problem = Some(format!("set aside by hand: {why}"));
        out.counts = None;
    } else if let Some(confirm) = confirm {
        out.counts = Some(confirm.counts);
        out.status = Status::Counted;
        out.objects = objects(&found.shown, true);
    } else if let Some(counts) = count.counts.filter(|_| partly) {
        out.counts = Some(put_right(&counts, &count.objects, &found, settings));
        out.objects = objects(&found.shown, false);
    }
    Applied {
        count: out,
        standing,
        sure_beans: confirm.map_or_else(
            || said_beans(&found.shown),
            |confirm| confirm.counts.beans.estimate,
        ),
        shown: found.shown,
        homeless: found.homeless,
        if_confirmed,
        differs: confirm.is_some_and(|confirm| confirm.counts != if_confirmed),
        lapsed,
    }
}

/// Loose beans of which a person said so.
fn said_beans(shown: &[Shown]) -> f64 {
    let is = |s: &&Shown| s.verdict.is_some_and(is_bean);
    shown.iter().filter(is).count() as f64
}

struct Found {
    shown: Vec<Shown>,
    homeless: Vec<Homeless>,
}

/// Marks find their objects by place: nearest first, one to one, later acts before earlier ones.
fn match_marks(count: &PhotoCount, marks: &PhotoMarks, settings: &MarkSettings) -> Found {
    let px_per_mm = count.plot.map_or(1.0, |p| p.photo_px_per_mm.max(1e-6));
    let away = |a: &Named, o: &Object| a.px().distance(Point::new(o.x_px, o.y_px)) / px_per_mm;
    let mut shown: Vec<Shown> = (count.objects.iter())
        .map(|object| Shown {
            named: Named::of(object),
            object: object.clone(),
            verdict: None,
        })
        .collect();
    // Verdicts, and additions for which the tool now has an object of its own.
    let mut all: Vec<ObjectMark> = marks.objects.clone();
    let verdicts = all.len();
    all.extend(marks.added.iter().map(|a| ObjectMark {
        seq: a.seq,
        who: a.who.clone(),
        at: a.at.clone(),
        object: a.object,
        verdict: a.verdict,
    }));
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    for (m, mark) in all.iter().enumerate() {
        for (o, object) in count.objects.iter().enumerate() {
            let mm = away(&mark.object, object);
            if mm <= settings.home_mm {
                pairs.push((mm, m, o));
            }
        }
    }
    // Of marks at the same place the later one stands; an addition gives way to a verdict.
    let rank = |m: usize| (m >= verdicts, std::cmp::Reverse(all[m].seq));
    pairs.sort_by(|a, b| {
        let close = |mm: f64| if mm < SAME_MM { 0.0 } else { mm };
        close(a.0)
            .total_cmp(&close(b.0))
            .then(rank(a.1).cmp(&rank(b.1)))
            .then(a.0.total_cmp(&b.0))
    });
    let mut home: Vec<bool> = vec![false; all.len()];
    for &(_, m, o) in &pairs {
        if !home[m] && shown[o].verdict.is_none() {
            home[m] = true;
            shown[o].verdict = Some(all[m].verdict);
        }
    }
    let superseded = |m: usize| pairs.iter().any(|&(mm, pm, _)| pm == m && mm < SAME_MM);
    let homeless = (0..verdicts)
        .filter(|&m| !home[m] && !superseded(m))
        .map(|m| Homeless {
            seq: all[m].seq,
            object: all[m].object,
            verdict: all[m].verdict,
            why: "no object of the present counts lies there",
        });
    let mut homeless: Vec<Homeless> = homeless.collect();
    for (mark, _) in (all[verdicts..].iter().zip(&home[verdicts..])).filter(|(_, home)| !**home) {
        add(count, mark, &mut shown, &mut homeless);
    }
    Found { shown, homeless }
}

/// An added one stands among the objects where it lies inside the frame as it now is.
fn add(
    count: &PhotoCount,
    mark: &ObjectMark,
    shown: &mut Vec<Shown>,
    homeless: &mut Vec<Homeless>,
) {
    let mm = photo_map(count).map(|map| map.plot_mm_from_photo_px(mark.object.px()));
    let Some(mm) = mm.filter(|mm| is_inside(*mm, count.frame_spec)) else {
        homeless.push(Homeless {
            seq: mark.seq,
            object: mark.object,
            verdict: mark.verdict,
            why: "it lies outside the frame as it now is",
        });
        return;
    };
    let named = Named {
        x_mm: mm.x,
        y_mm: mm.y,
        ..mark.object
    };
    shown.push(Shown {
        named,
        object: added_object(&named, mark.verdict),
        verdict: Some(mark.verdict),
    });
}

/// An added one, of ordinary size (handbook, section 4).
fn added_object(named: &Named, verdict: Verdict) -> Object {
    let mm = Point::new(named.x_mm, named.y_mm);
    let bean = bean_at(0, mm, named.px(), 1.0);
    let kind = verdict.kind().unwrap_or(Kind::Bean);
    let (length_mm, width_mm) = match kind {
        Kind::Pod => (45.0, 10.0),
        _ => (bean.length_mm, bean.width_mm),
    };
    Object {
        kind,
        length_mm,
        width_mm,
        chances: chances_of(verdict),
        ..bean
    }
}

fn chances_of(verdict: Verdict) -> crate::score::Chances {
    let is = |kind| f64::from(u8::from(verdict.kind() == Some(kind)));
    crate::score::Chances {
        bean: is(Kind::Bean),
        split: is(Kind::SplitBean),
        pod: is(Kind::Pod),
        other: f64::from(u8::from(verdict == Verdict::None)),
    }
}

/// What an object counts as: what was said, else what the tool shows.
pub(super) fn taken_for(shown: &Shown) -> Verdict {
    shown.verdict.unwrap_or(if shown.object.counted {
        Verdict::of_kind(shown.object.kind)
    } else {
        Verdict::None
    })
}

pub(super) fn is_bean(verdict: Verdict) -> bool {
    matches!(verdict, Verdict::Bean | Verdict::Split)
}

/// Loose beans that a person added and that stand for no object of the tool's.
pub(super) fn added_beans(shown: &[Shown]) -> f64 {
    let is = |s: &&Shown| s.named.added.is_some() && is_bean(taken_for(s));
    shown.iter().filter(is).count() as f64
}

/// Beans in a pod that nobody looked into, where the tool has no better number; and its spread.
///
/// # Source
/// 2.5: ordinary figure of extension yield-estimate sheets (handbook, section 4). The spread of 0.7 is common
/// practice: pods of two and three beans are the most, those of one and four seldom.
const BEANS_IN_POD: (f64, f64) = (2.5, 0.7);

/// Every object as it is shown, without doubt but for beans in pods that nobody counted.
fn certain(shown: &[Shown]) -> Counts {
    let number =
        |is: &dyn Fn(Verdict) -> bool| shown.iter().filter(|s| is(taken_for(s))).count() as f64;
    let pods = number(&|v| matches!(v, Verdict::Pod { .. }));
    let (mut told, mut untold, mut beans_untold) = (0.0, 0.0, 0.0);
    for one in shown {
        match taken_for(one) {
            Verdict::Pod { beans: Some(n) } => told += f64::from(n),
            Verdict::Pod { beans: None } => {
                untold += 1.0;
                beans_untold += one.object.beans_in_pod.unwrap_or(BEANS_IN_POD.0);
            }
            _ => {}
        }
    }
    let spread = 1.959_964 * BEANS_IN_POD.1 * f64::sqrt(untold);
    Counts {
        beans: Limits::exactly(number(&is_bean)),
        split_beans: Limits::exactly(number(&|v| v == Verdict::Split)),
        pods: Limits::exactly(pods),
        beans_in_pods: Limits {
            estimate: told + beans_untold,
            low: told + (beans_untold - spread).max(untold),
            high: told + beans_untold + spread,
        },
    }
}

/// The count of a photo of which some objects have marks.
///
/// What the tool's count holds beyond the objects in its list (unlikely ones, and those it is known to miss) stays,
/// less one loose bean for each that the person added.
fn put_right(
    before: &Counts,
    objects: &[Object],
    found: &Found,
    settings: &MarkSettings,
) -> Counts {
    type Chance = fn(&crate::score::Chances) -> f64;
    let limits = |was: Limits, chance: Chance, takes_in_added: bool, shift_logit: f64| {
        let listed: f64 = objects.iter().map(|o| chance(&o.chances)).sum();
        let added = if takes_in_added {
            added_beans(&found.shown)
        } else {
            0.0
        };
        let unlisted = (was.estimate - listed - added).max(0.0);
        let each: Vec<f64> = (found.shown.iter())
            .map(|s| match s.verdict {
                Some(verdict) => chance(&chances_of(verdict)),
                None => chance(&s.object.chances),
            })
            .collect();
        how_many(
            &each,
            &Allowances {
                missed: 0.0,
                stray: unlisted,
                shift_logit,
            },
        )
    };
    let (of_beans, of_pods) = (settings.bean_shift_logit, settings.pod_shift_logit);
    let pods = limits(before.pods, |c| c.pod, false, of_pods);
    let a_pod = if before.pods.estimate > 0.0 {
        before.beans_in_pods.estimate / before.pods.estimate
    } else {
        BEANS_IN_POD.0
    };
    // Beans that were told replace the mean of that pod.
    let told: f64 = (found.shown.iter())
        .filter_map(|s| match s.verdict {
            Some(Verdict::Pod { beans: Some(n) }) => Some(f64::from(n) - a_pod),
            _ => None,
        })
        .sum();
    let in_pods = |n: f64| (n * a_pod + told).max(0.0);
    Counts {
        beans: limits(before.beans, |c| c.bean + c.split, true, of_beans),
        split_beans: limits(before.split_beans, |c| c.split, false, of_beans),
        beans_in_pods: Limits {
            estimate: in_pods(pods.estimate),
            low: in_pods(pods.low),
            high: in_pods(pods.high),
        },
        pods,
    }
}

/// Objects with their marks in place of the tool's probabilities.
fn objects(shown: &[Shown], confirmed: bool) -> Vec<Object> {
    let mut out: Vec<Object> = Vec::with_capacity(shown.len());
    for one in shown {
        let mut object = one.object.clone();
        if confirmed || one.verdict.is_some() {
            let verdict = taken_for(one);
            if let Some(kind) = verdict.kind() {
                object.kind = kind;
            }
            object.counted = verdict != Verdict::None;
            object.probability = f64::from(u8::from(object.counted));
            object.doubtful = false;
            object.chances = chances_of(verdict);
            object.beans_in_pod = match verdict {
                Verdict::Pod { beans: Some(n) } => Some(f64::from(n)),
                Verdict::Pod { beans: None } => object.beans_in_pod.or(Some(BEANS_IN_POD.0)),
                _ => None,
            };
        }
        if object.id == 0 {
            object.id = 1 + out.iter().map(|o| o.id).max().unwrap_or(0);
        }
        out.push(object);
    }
    out
}

#[cfg(test)]
mod tests;

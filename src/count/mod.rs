//! Seventh stage: scored objects become a count with limits.

use crate::{
    counts::{Counts, Kind, Limits, Object},
    frame::FrameSpec,
    geometry::Point,
    plot::Plot,
    score::{Chances, Scored, card::Allowance},
};

pub mod cautions;
pub mod chances;

use chances::{Allowances, how_many};

/// How objects become a count.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CountSettings {
    /// Probability from which an object is in the list of counted ones. Raised: fewer false ones shown as
    /// counted, more missed; the estimate does not hang on it.
    pub counted_from: f64,
    /// Probabilities between which a person should look.
    pub doubt: (f64, f64),
    /// Probability under which an object is not kept at all.
    pub listed_from: f64,
    /// Least `sharpness` and `evenness` of a plot's light that is counted. Raised: photos that could be counted are refused;
    /// lowered: a blurred photo gives none where fifty lie, with limits that do not hold.
    pub least_sharpness: f64,
    /// See `least_sharpness`.
    pub least_evenness: f64,
}

impl Default for CountSettings {
    fn default() -> Self {
        Self {
            counted_from: 0.4,
            doubt: (0.2, 0.8),
            listed_from: 0.05,
            least_sharpness: 0.33,
            least_evenness: 0.6,
        }
    }
}

/// Objects inside the frame, numbered from 1 from top to bottom, and the count over them.
///
/// `scored` is sorted; `allowances`: of beans, and of pods. Objects whose centre lies outside the inner edge are left out.
pub fn tally(
    scored: &[Scored],
    plot: &Plot,
    spec: FrameSpec,
    allowances: &[Allowance; 2],
    settings: &CountSettings,
) -> (Vec<Object>, Counts) {
    let inside: Vec<&Scored> = scored
        .iter()
        .filter(|s| is_inside(s.candidate.centre_mm, spec))
        .collect();
    let objects = inside
        .iter()
        .filter(|s| 1.0 - s.chances.other >= settings.listed_from)
        .zip(1..)
        .map(|(s, id)| object(s, id, plot, settings))
        .collect();
    (objects, counts(&inside, allowances))
}

/// Whether a place on the plot lies inside the inner edge.
pub fn is_inside(p: Point, spec: FrameSpec) -> bool {
    match spec {
        FrameSpec::Rectangle {
            width_mm,
            height_mm,
        } => (0.0..=width_mm).contains(&p.x) && (0.0..=height_mm).contains(&p.y),
        FrameSpec::Ring { diameter_mm } => {
            let r = diameter_mm / 2.0;
            p.distance(Point::new(r, r)) <= r
        }
    }
}

fn counts(inside: &[&Scored], [of_beans, of_pods]: &[Allowance; 2]) -> Counts {
    let each = |f: fn(&Scored) -> f64| {
        inside
            .iter()
            .map(|s| f(s))
            .filter(|&p| p > 0.0)
            .collect::<Vec<f64>>()
    };
    let beans = Allowances {
        missed: of_beans.missed_beans,
        stray: of_beans.stray,
        shift_logit: of_beans.shift_logit,
    };
    let pods = Allowances {
        missed: of_pods.missed_pods,
        stray: 0.0,
        shift_logit: of_pods.shift_logit,
    };
    let none = Allowances {
        stray: 0.0,
        ..beans
    };
    let pod_limits = how_many(&each(|s| s.chances.pod), &pods);
    Counts {
        beans: how_many(&each(|s| s.chances.bean + s.chances.split), &beans),
        split_beans: how_many(&each(|s| s.chances.split), &none),
        beans_in_pods: times(pod_limits, beans_a_pod(inside)),
        pods: pod_limits,
    }
}

/// Mean beans in the pods found, weighted by how likely each is a pod; 2.5 where there are none.
///
/// # Source
/// 2.5 beans a pod: ordinary figure of extension yield-estimate sheets (handbook, section 4).
fn beans_a_pod(inside: &[&Scored]) -> f64 {
    let (sum, weight) = inside.iter().fold((0.0, 0.0), |(s, w), x| {
        (s + x.chances.pod * x.beans_in_pod, w + x.chances.pod)
    });
    if weight > 0.05 { sum / weight } else { 2.5 }
}

fn times(l: Limits, k: f64) -> Limits {
    Limits {
        estimate: l.estimate * k,
        low: l.low * k,
        high: l.high * k,
    }
}

fn object(scored: &Scored, id: u32, plot: &Plot, settings: &CountSettings) -> Object {
    let (c, chances) = (&scored.candidate, scored.chances);
    let any = chances.bean + chances.split;
    let kind = if chances.pod > any {
        Kind::Pod
    } else if chances.split > chances.bean {
        Kind::SplitBean
    } else {
        Kind::Bean
    };
    let probability = if kind == Kind::Pod { chances.pod } else { any };
    let photo_px = plot.map.photo_px_from_plot_mm(c.centre_mm);
    let (low, high) = settings.doubt;
    Object {
        id,
        kind,
        x_px: rounded(photo_px.x, 100.0),
        y_px: rounded(photo_px.y, 100.0),
        x_mm: rounded(c.centre_mm.x, 100.0),
        y_mm: rounded(c.centre_mm.y, 100.0),
        length_mm: rounded(c.length_mm, 100.0),
        width_mm: rounded(c.width_mm, 100.0),
        angle_deg: rounded(c.angle_rad.to_degrees(), 10.0),
        probability: rounded(probability, 1e4),
        counted: probability >= settings.counted_from,
        doubtful: (low..=high).contains(&probability),
        beans_in_pod: (kind == Kind::Pod).then(|| rounded(scored.beans_in_pod, 100.0)),
        chances,
    }
}

/// Length and width, mm, of a bean whose size nobody measured: of ordinary size (handbook, section 4).
pub const UNMEASURED_BEAN_MM: (f64, f64) = (7.5, 6.5);

/// A whole bean of ordinary size as the count would list it, by its place on the plot, its place in
/// the upright photo and the chance that it is one.
pub fn bean_at(id: u32, mm: Point, px: Point, chance: f64) -> Object {
    let settings = CountSettings::default();
    let (low, high) = settings.doubt;
    Object {
        id,
        kind: Kind::Bean,
        x_px: px.x,
        y_px: px.y,
        x_mm: mm.x,
        y_mm: mm.y,
        length_mm: UNMEASURED_BEAN_MM.0,
        width_mm: UNMEASURED_BEAN_MM.1,
        angle_deg: 0.0,
        probability: chance,
        counted: chance >= settings.counted_from,
        doubtful: (low..=high).contains(&chance),
        beans_in_pod: None,
        chances: Chances {
            bean: chance,
            split: 0.0,
            pod: 0.0,
            other: 1.0 - chance,
        },
    }
}

/// Rounds to one part in `parts`, so that files stay small and read well.
fn rounded(v: f64, parts: f64) -> f64 {
    (v * parts).round() / parts
}

//! What the report says of each photo, from its count.

use minijinja::Value;
use serde::Serialize;

use crate::{
    annotate::words::{capital, marked, number_of, whole},
    caution::CautionKind,
    counts::{Kind, Limits, PhotoCount, Status},
    loss::FrameLoss,
    report::base64::encode,
    units::GroundM2,
};

use super::{PhotoPart, pictures::most_doubtful};

/// Width of the picture of limits in the list of photos, in its own units.
const BAR: f64 = 200.0;

/// Limits of loose beans a square foot of ground seen; `None` where nothing was counted.
pub(super) fn beans_per_ft2(count: &PhotoCount) -> Option<Limits> {
    let ft2 = GroundM2::new(count.plot?.area_m2)?.ft2();
    let beans = count.counts?.beans;
    Some(Limits {
        estimate: beans.estimate / ft2,
        low: beans.low / ft2,
        high: beans.high / ft2,
    })
}

/// How far a photo's doubt can move a mean over frames: the width of its limits, loose beans and
/// beans in pods, a square foot. Infinite for a photo that gives no count.
pub(super) fn doubt(count: &PhotoCount) -> f64 {
    let ft2 = count
        .plot
        .and_then(|p| GroundM2::new(p.area_m2))
        .map(GroundM2::ft2);
    match (count.counts, ft2) {
        (Some(c), Some(ft2)) => {
            let width = |l: Limits| (l.high - l.low).max(0.0);
            (width(c.beans) + width(c.beans_in_pods)) / ft2
        }
        _ => f64::INFINITY,
    }
}

/// How many photos became what, in words.
pub(super) fn tally(parts: &[PhotoPart<'_>]) -> String {
    let mut numbers = [0usize; 4];
    let mut confirmed = 0usize;
    for part in parts {
        if is_confirmed(part) {
            confirmed += 1;
        } else {
            numbers[part.count.status as usize] += 1;
        }
    }
    let mut text = number_of(&parts.len().to_string(), "photo", "photos");
    let words = [
        (Status::Counted, "counted without question"),
        (Status::Confirm, "counted, to be confirmed by a person"),
        (Status::Refused, "not counted"),
        (Status::Failed, "not read"),
    ];
    let by_person = (confirmed > 0).then(|| format!("{confirmed} confirmed by a person"));
    let told: Vec<String> = words
        .iter()
        .filter(|(status, _)| numbers[*status as usize] > 0)
        .map(|(status, words)| format!("{} {words}", numbers[*status as usize]))
        .chain(by_person)
        .collect();
    if !told.is_empty() {
        text.push_str(": ");
        text.push_str(&told.join(", "));
    }
    text + "."
}

fn is_confirmed(part: &PhotoPart<'_>) -> bool {
    part.said.as_ref().is_some_and(|s| s.confirmed)
}

fn status_words(part: &PhotoPart<'_>) -> &'static str {
    match part.count.status {
        _ if is_confirmed(part) => "confirmed by a person",
        Status::Confirm if part.said.is_some() => "confirm, begun",
        Status::Counted => "counted",
        Status::Confirm => "confirm",
        Status::Refused => "not counted",
        Status::Failed => "not read",
    }
}

/// One line of the list of all photos.
#[derive(Serialize)]
pub(super) struct RowWords {
    number: usize,
    photo: String,
    status: &'static str,
    beans: String,
    range: String,
    per_ft2: String,
    bar: Option<BarWords>,
    doubtful: usize,
    cautions: String,
}

/// Where the limits are drawn, in units of [`BAR`].
#[derive(Serialize)]
struct BarWords {
    low: String,
    middle: String,
    high: String,
}

impl RowWords {
    /// `widest`: what the full width of the drawing stands for, beans per ft².
    pub(super) fn new(number: usize, part: &PhotoPart<'_>, widest: f64) -> Self {
        let count = part.count;
        let beans = count.counts.map(|c| whole(c.beans)).unwrap_or_default();
        let density = beans_per_ft2(count);
        let place = |v: f64| format!("{:.1}", 3.0 + v / widest.max(1e-9) * (BAR - 6.0));
        let words = count
            .own_cautions()
            .map(|c| c.kind.word().replace('-', " "));
        Self {
            number,
            photo: count.photo.clone(),
            status: status_words(part),
            beans: beans.0,
            range: if is_confirmed(part) {
                String::new()
            } else {
                beans.1
            },
            per_ft2: density.map_or_else(String::new, |l| format!("{:.1}", l.estimate)),
            bar: density.map(|l| BarWords {
                low: place(l.low),
                middle: place(l.estimate),
                high: place(l.high),
            }),
            doubtful: count.objects.iter().filter(|o| o.doubtful).count(),
            cautions: words.collect::<Vec<_>>().join(", "),
        }
    }
}

/// One photo's part of the report.
#[derive(Serialize)]
pub(super) struct PhotoWords {
    number: usize,
    photo: String,
    status: &'static str,
    counted: bool,
    problem: Option<String>,
    lines: Vec<CountLine>,
    ground: Vec<String>,
    cautions: Vec<CautionWords>,
    check: Vec<String>,
    small: Option<Value>,
    no_picture: &'static str,
    crops: Vec<CropWords>,
    crops_note: String,
}

#[derive(Serialize)]
struct CountLine {
    name: &'static str,
    value: String,
    range: String,
}

#[derive(Serialize)]
struct CautionWords {
    head: String,
    text: String,
}

#[derive(Serialize)]
struct CropWords {
    id: u32,
    kind: &'static str,
    percent: String,
    standing: &'static str,
    picture: Value,
}

impl PhotoWords {
    pub(super) fn new(number: usize, part: &PhotoPart) -> Self {
        let count = part.count;
        let doubtful = count.objects.iter().filter(|o| o.doubtful).count();
        let shown = part.pictures.crops.len();
        Self {
            number,
            photo: count.photo.clone(),
            status: status_words(part),
            counted: count.counts.is_some(),
            problem: count.problem.as_deref().map(capital),
            lines: count_lines(part),
            ground: (tool_line(part).into_iter())
                .chain(ground_lines(part))
                .collect(),
            cautions: count
                .own_cautions()
                .map(|c| CautionWords {
                    head: capital(&c.kind.word().replace('-', " ")),
                    text: capital(&c.message),
                })
                .collect(),
            check: checks(part),
            small: picture(&part.pictures.small_jpeg),
            no_picture: match count.status {
                Status::Failed => "No picture: the file could not be read.",
                _ => NOT_DRAWN,
            },
            crops: crops(part),
            crops_note: match doubtful {
                0 => String::new(),
                n if n > shown => format!("The {shown} most doubtful of {n} doubtful objects"),
                n => capital(&number_of(
                    &n.to_string(),
                    "doubtful object",
                    "doubtful objects",
                )),
            },
        }
    }
}

/// Said where a photo that could be read has no picture in the report.
const NOT_DRAWN: &str = "No picture: the photos were counted without pictures, or this one's file was gone when it was to be \
                         drawn. To have them: podfall count as before, without --no-pictures.";

/// A packed picture as the address of an `img`; `None` when there is none.
fn picture(jpeg: &[u8]) -> Option<Value> {
    (!jpeg.is_empty())
        .then(|| Value::from_safe_string(format!("data:image/jpeg;base64,{}", encode(jpeg))))
}

fn crops(part: &PhotoPart) -> Vec<CropWords> {
    part.pictures
        .crops
        .iter()
        .filter_map(|crop| {
            Some(CropWords {
                id: crop.id,
                kind: kind_word(crop.kind),
                percent: format!("{:.0}", crop.probability * 100.0),
                standing: if crop.counted {
                    "in the count"
                } else {
                    "left out"
                },
                picture: picture(&crop.jpeg)?,
            })
        })
        .collect()
}

fn kind_word(kind: Kind) -> &'static str {
    match kind {
        Kind::Bean => "whole bean",
        Kind::SplitBean => "split bean",
        Kind::Pod => "pod",
    }
}

/// What the tool alone saw, where a person said something.
fn tool_line(part: &PhotoPart<'_>) -> Option<String> {
    let (beans, range) = whole(part.said.as_ref()?.tool_beans?);
    Some(format!(
        "the tool alone saw {beans} loose beans, 95 % limits {range}"
    ))
}

fn count_lines(part: &PhotoPart<'_>) -> Vec<CountLine> {
    let Some(counts) = part.count.counts else {
        return Vec::new();
    };
    [
        (["loose bean seen", "loose beans seen"], counts.beans),
        (["of them split"; 2], counts.split_beans),
        (["pod", "pods"], counts.pods),
        (["bean in pods", "beans in pods"], counts.beans_in_pods),
    ]
    .into_iter()
    .map(|([one, more], limits)| {
        let (value, range) = whole(limits);
        let name = if value == "1" { one } else { more };
        let range = if limits.low == limits.high && is_confirmed(part) {
            "confirmed by a person".to_owned()
        } else {
            format!("95 % limits {range}")
        };
        CountLine { name, value, range }
    })
    .collect()
}

fn ground_lines(part: &PhotoPart<'_>) -> Vec<String> {
    let count = part.count;
    let marked = marked(count, part.said.as_ref());
    let mut lines: Vec<String> = marked.beans.into_iter().chain(marked.pods).collect();
    if let (Some(limits), Some(ground)) = (
        beans_per_ft2(count),
        count.plot.and_then(|p| GroundM2::new(p.area_m2)),
    ) {
        lines.push(format!(
            "{:.1} loose beans per ft² on {:.2} ft² ({:.3} m²) of ground{}",
            limits.estimate,
            ground.ft2(),
            ground.m2(),
            with_pods(count, ground).unwrap_or_default()
        ));
    }
    if let Some(shares) = count.ground {
        lines.push(format!(
            "residue covers {:.0} % of the ground; beans under it are not seen",
            shares.residue_cover_pct
        ));
    }
    if let Some(taken) = &count.meta.taken {
        lines.push(format!("taken {taken}"));
    }
    lines
}

/// What the annotated picture tells first: beans in pods are lost too.
fn with_pods(count: &PhotoCount, ground: GroundM2) -> Option<String> {
    let lost = FrameLoss::of_photo(count)?.lost_limits();
    let [estimate, low, high] = [lost.estimate, lost.low, lost.high].map(|n| n / ground.ft2());
    let limits = if low == high {
        String::new()
    } else {
        format!(" ({low:.1} to {high:.1})")
    };
    Some(format!("; loose and in pods {estimate:.1}{limits}"))
}

/// Numbers of objects that a sentence names at most.
const MOST_NAMED: usize = 12;

/// What a person should check by hand.
fn checks(part: &PhotoPart<'_>) -> Vec<String> {
    let count = part.count;
    if is_confirmed(part) {
        return vec!["Nothing: a person went through it and called the count right.".to_owned()];
    }
    if count.counts.is_none() {
        return vec![
            "If the frame still lies there: take the photo again, or count by hand and write it below."
                .to_owned(),
        ];
    }
    let mut checks = Vec::new();
    let doubtful = most_doubtful(count);
    if !doubtful.is_empty() {
        let mut ids: Vec<u32> = doubtful.iter().take(MOST_NAMED).map(|o| o.id).collect();
        ids.sort_unstable();
        let ids: Vec<String> = ids.iter().map(u32::to_string).collect();
        let rest = if doubtful.len() > MOST_NAMED {
            ", then the others"
        } else {
            ""
        };
        checks.push(format!(
            "Say what these are, whole bean, split bean, pod or none of these: {}{rest}.",
            ids.join(", ")
        ));
    }
    let mut kinds: Vec<CautionKind> = count.own_cautions().map(|c| c.kind).collect();
    kinds.sort_unstable();
    kinds.dedup();
    checks.extend(kinds.into_iter().filter_map(check_for).map(str::to_owned));
    if checks.is_empty() {
        checks.push(
            "Nothing stands out. A hand count here shows how far to trust the others.".to_owned(),
        );
    }
    checks
}

/// What to do by hand about a caution, where there is something.
fn check_for(kind: CautionKind) -> Option<&'static str> {
    Some(match kind {
        CautionKind::HeavyResidue => {
            "Lift the residue inside the frame and count what lies under it."
        }
        CautionKind::DoubtfulFrame => {
            "See whether the white line runs along the inner edge of the frame on all sides."
        }
        CautionKind::SamePlot => {
            "See whether this plot is in the count twice; leave the place of one of the two empty in the sheet."
        }
        CautionKind::OddSize => {
            "Measure the inside of the frame, and count again with its true size."
        }
        CautionKind::SameFile | CautionKind::BarHeightUnknown | CautionKind::HighBar => {
            return None;
        }
        CautionKind::Blur
        | CautionKind::Smear
        | CautionKind::Dark
        | CautionKind::Glare
        | CautionKind::DeepShadow => {
            "Count this frame by hand, or take the photo again in even light and held still."
        }
        CautionKind::CoarseScale | CautionKind::FaintBeans => {
            "Count this frame by hand, or take the photo again from closer."
        }
        CautionKind::ColourProfile => {
            "Count this frame by hand, or export the photo as an ordinary JPEG and count that."
        }
        CautionKind::UnlikeTraining => {
            "Count this frame by hand: the ground is unlike any that the scorer was fitted on."
        }
    })
}

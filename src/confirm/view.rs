//! What the page is told, as JSON. Names are for the eye only: what turns letters is shown by number.

use std::borrow::Cow;

use serde::Serialize;

use super::{Answer, ConfirmError, Session, pictures, queue::Queued, say::name_of};
use crate::{
    caution::Caution,
    counts::{Counts, Kind, Limits, Status},
    frame::{FrameSpec, Outline},
    geometry::Point,
    loss::Basis,
    marks::{HandMark, Homeless, Lapsed, OfPhoto, PlaceMark, Shown, Standing, Verdict},
    photo::sha256_hex,
    text::turning_by_number,
};

/// The season as a whole.
#[derive(Debug, Serialize)]
pub struct SeasonView<'a> {
    seq: u64,
    counts_version: u64,
    title: Cow<'a, str>,
    who: Cow<'a, str>,
    undo: bool,
    redo: bool,
    answer: Option<&'a Answer>,
    before: Option<&'a Answer>,
    confirmed: usize,
    done: usize,
    doubtful_left: usize,
    photos: Vec<QueuedView<'a>>,
    gone: Vec<Cow<'a, str>>,
    /// Why answer and queue are not those of the last act, which is kept.
    behind: Option<&'a str>,
    places: [&'static str; 4],
    checks: Vec<&'a str>,
    settings: Vec<&'a str>,
}

/// One photo of the queue.
#[derive(Debug, Serialize)]
struct QueuedView<'a> {
    n: usize,
    name: Cow<'a, str>,
    standing: Standing,
    done: bool,
    /// Share of all the doubt that is left, %.
    share_pct: f64,
    doubtful: usize,
    problem: bool,
    place: Option<&'static str>,
    beans: Option<Limits>,
    basis: Option<&'static str>,
}

/// One photo.
#[derive(Debug, Serialize)]
pub struct PhotoView<'a> {
    n: usize,
    name: Cow<'a, str>,
    standing: Standing,
    status: Status,
    /// Whether there is a picture to look at; not of a file that could not be read as a photo.
    readable: bool,
    problem: Option<&'a str>,
    cautions: &'a [Caution],
    size_px: [u32; 2],
    width_mm: f64,
    height_mm: f64,
    ring: bool,
    /// Inner corners; of a ring the ends of its axes.
    corners_px: Option<[Point; 4]>,
    corners_by_hand: bool,
    recount_missing: bool,
    plot: Option<PlotView>,
    photo_url: String,
    objects: Vec<ObjectView<'a>>,
    homeless: &'a [Homeless],
    differs: bool,
    /// Why a count that was confirmed does not stand.
    lapsed: Option<Lapsed>,
    counts: Option<&'a Counts>,
    tool_beans: Option<Limits>,
    if_confirmed: &'a Counts,
    hand: Given<HandMark>,
    place: Given<PlaceMark>,
    note: Option<&'a str>,
    unusable: Option<String>,
}

/// What was typed in on the page, and what the sheet says, which goes first.
#[derive(Debug, Serialize)]
struct Given<T> {
    page: T,
    sheet: T,
}

#[derive(Debug, Serialize)]
struct PlotView {
    url: String,
    px_per_mm: f64,
    margin_mm: f64,
    photo_px_per_mm: f64,
    /// Quarter turns of the picture, clockwise.
    quarters: u8,
}

#[derive(Debug, Serialize)]
struct ObjectView<'a> {
    name: String,
    id: u32,
    added: bool,
    kind: Kind,
    x_mm: f64,
    y_mm: f64,
    x_px: f64,
    y_px: f64,
    length_mm: f64,
    width_mm: f64,
    angle_deg: f64,
    probability: f64,
    counted: bool,
    doubtful: bool,
    beans_in_pod: Option<f64>,
    verdict: Option<&'a Verdict>,
}

fn doubtful(photo: &OfPhoto) -> usize {
    if matches!(
        photo.applied.standing,
        Standing::Confirmed | Standing::Unusable
    ) {
        return 0;
    }
    let open = |s: &&Shown| s.object.doubtful && s.verdict.is_none();
    photo.applied.shown.iter().filter(open).count()
}

impl Session {
    /// The season as a whole.
    pub fn season_view(&self) -> SeasonView<'_> {
        let (undo, redo) = self.store.journal().stacks();
        let all: f64 = self.follows.queue.iter().map(|q| q.moves).sum();
        let photos: Vec<QueuedView<'_>> = (self.follows.queue.iter())
            .filter_map(|q| self.queued_view(q, all))
            .collect();
        let typed = |of: fn(&crate::loss::FrameLoss) -> Option<&String>| {
            let mut words: Vec<&str> = (self.follows.frames.iter())
                .filter_map(of)
                .map(String::as_str)
                .collect();
            words.sort_unstable();
            words.dedup();
            words
        };
        let seen = self.seen();
        SeasonView {
            seq: seen.seq,
            counts_version: seen.counts_version,
            title: turning_by_number(&self.inputs.title),
            who: turning_by_number(&self.inputs.who),
            undo: !undo.is_empty(),
            redo: !redo.is_empty(),
            answer: self.follows.answer.as_ref(),
            before: self.known.before.as_ref(),
            confirmed: self.known.confirmed.confirmed(),
            done: self.follows.queue.iter().filter(|q| q.done).count(),
            doubtful_left: (photos.iter().filter(|p| !p.done))
                .map(|p| p.doubtful)
                .sum(),
            photos,
            gone: (self.known.confirmed.gone.iter())
                .map(|name| turning_by_number(name))
                .collect(),
            behind: self.behind.as_deref(),
            places: crate::sheet::Place::ALL.map(crate::sheet::Place::word),
            checks: typed(|f| f.check.as_ref()),
            settings: typed(|f| f.setting.as_ref()),
        }
    }

    fn queued_view(&self, queued: &Queued, all: f64) -> Option<QueuedView<'_>> {
        let count = self.photo(queued.at)?;
        let photo = self.of(queued.at)?;
        let frame = self.follows.frames.iter().find(|f| f.photo == count.photo);
        Some(QueuedView {
            n: queued.at,
            name: turning_by_number(&count.photo),
            standing: photo.applied.standing,
            done: queued.done,
            share_pct: if all > 0.0 {
                100.0 * queued.moves / all
            } else {
                0.0
            },
            doubtful: doubtful(photo),
            problem: photo.applied.count.counts.is_none(),
            place: frame.and_then(|f| f.place).map(crate::sheet::Place::word),
            beans: photo.applied.count.counts.map(|c| c.beans),
            basis: frame.map(|f| match f.hand.beans {
                Some(_) => Basis::Hand.word(),
                None => f.basis.word(),
            }),
        })
    }

    /// One photo.
    pub fn photo_view(&self, at: usize) -> Option<PhotoView<'_>> {
        let of_photo = self.of(at)?;
        let count = &of_photo.applied.count;
        let row = (self.known.sheet.as_ref())
            .and_then(|sheet| sheet.rows.iter().find(|row| row.photo() == count.photo));
        let typed = row.map(|row| row.typed.clone()).unwrap_or_default();
        let (width_mm, height_mm) = count.frame_spec.size_mm();
        let outline = count.frame.as_ref().map(|f| &f.found.outline);
        let marks = self.marks_of(at);
        Some(PhotoView {
            n: at,
            name: turning_by_number(&count.photo),
            standing: of_photo.applied.standing,
            status: count.status,
            readable: count.status != Status::Failed,
            problem: count.problem.as_deref(),
            cautions: &count.cautions,
            size_px: [count.meta.width_px, count.meta.height_px],
            width_mm,
            height_mm,
            ring: matches!(count.frame_spec, FrameSpec::Ring { .. }),
            // Where the count with a person's corners is missing, these are shown: kept once more, they make it.
            corners_px: (marks.corners_px.filter(|_| of_photo.recount_missing)).or_else(|| {
                outline.map(|outline| match outline {
                    Outline::Corners(corners) => *corners,
                    Outline::Ring(ring) => ring.axis_ends(),
                })
            }),
            corners_by_hand: marks.corners_px.is_some(),
            recount_missing: of_photo.recount_missing,
            plot: outline.map(|outline| PlotView {
                quarters: pictures::quarters(outline),
                url: self.plot_address(at),
                px_per_mm: pictures::px_per_mm(count),
                margin_mm: pictures::MARGIN_MM,
                photo_px_per_mm: count.plot.map_or(1.0, |p| p.photo_px_per_mm),
            }),
            photo_url: format!("/api/photo/{at}/photo?v={}", short(&count.meta.sha256)),
            objects: of_photo.applied.shown.iter().map(object_view).collect(),
            homeless: &of_photo.applied.homeless,
            differs: of_photo.applied.differs,
            lapsed: of_photo.applied.lapsed,
            counts: count.counts.as_ref(),
            tool_beans: of_photo.tool_beans,
            if_confirmed: &of_photo.applied.if_confirmed,
            hand: Given {
                page: of_photo.hand,
                sheet: HandMark {
                    beans: typed.hand.beans,
                    pods: typed.hand.pods,
                },
            },
            place: Given {
                page: of_photo.place.clone(),
                sheet: PlaceMark {
                    place: typed.place.map(|p| p.word().to_owned()),
                    check: typed.check,
                    setting: typed.setting,
                },
            },
            note: of_photo.note.as_deref(),
            unusable: marks.unusable,
        })
    }

    /// Where the plot of a photo is; `None` without a frame.
    pub(super) fn plot_url(&self, at: usize) -> Option<String> {
        self.drawn_by(at)?.frame.as_ref()?;
        Some(self.plot_address(at))
    }

    fn plot_address(&self, at: usize) -> String {
        format!("/api/photo/{at}/plot.jpg?v={}", self.picture_key(at))
    }

    /// Changes when the plot of a photo is to be drawn anew.
    pub(super) fn picture_key(&self, at: usize) -> String {
        let Some(count) = self.drawn_by(at) else {
            return String::new();
        };
        let outline = count.frame.as_ref().map(|f| &f.found);
        // Plots drawn before they stood as their photos do lie under other keys.
        let text = format!(
            "standing {} {:?} {outline:?}",
            count.meta.sha256, count.frame_spec
        );
        short(&sha256_hex(text.as_bytes())).to_owned()
    }

    /// What the pictures of a photo are made of.
    ///
    /// # Errors
    /// [`ConfirmError::Photo`] for a number that is no photo's, and for a photo whose file is not there.
    pub(super) fn wanted(&self, at: usize) -> Result<pictures::Wanted, ConfirmError> {
        let error = |photo: &str, what: &str| ConfirmError::Photo {
            photo: photo.to_owned(),
            what: what.to_owned(),
        };
        let count = (self.drawn_by(at)).ok_or_else(|| error("", "there is no such photo"))?;
        let path = (self.inputs.photos.get(&count.photo)).ok_or_else(|| {
            let what = "the photo file is not there; put it back, or end podfall confirm and say where the photos are with --photos";
            error(&count.photo, what)
        })?;
        Ok(pictures::Wanted {
            path: path.clone(),
            name: count.photo.clone(),
            sha256: count.meta.sha256.clone(),
            frame: count.frame.clone(),
            spec: count.frame_spec,
            bar_height_mm: count.bar_height_mm.or(self.inputs.bar_height_mm),
            px_per_mm: pictures::px_per_mm(count),
            focal_length_35mm_mm: count.meta.focal_length_35mm_mm,
        })
    }
}

fn short(sha256: &str) -> &str {
    sha256.get(..16).unwrap_or(sha256)
}

fn object_view(shown: &Shown) -> ObjectView<'_> {
    let object = &shown.object;
    ObjectView {
        name: name_of(&shown.named),
        id: object.id,
        added: shown.named.added.is_some(),
        kind: object.kind,
        x_mm: object.x_mm,
        y_mm: object.y_mm,
        x_px: object.x_px,
        y_px: object.y_px,
        length_mm: object.length_mm,
        width_mm: object.width_mm,
        angle_deg: object.angle_deg,
        probability: object.probability,
        counted: object.counted,
        doubtful: object.doubtful,
        beans_in_pod: object.beans_in_pod,
        verdict: shown.verdict.as_ref(),
    }
}

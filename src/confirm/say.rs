//! What the page may say, and the act that it becomes.

use serde::Deserialize;

use crate::{
    geometry::Point,
    marks::{Act, Applied, Named, PhotoMarks, Shown, Verdict, photo_map},
    sheet::Place,
};

/// One thing said on the page. Objects are named as the page was told them: `o7` for the tool's seventh, `a12` for the one
/// that act 12 added.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Say {
    /// What an object is.
    Verdict {
        /// Which.
        object: String,
        /// What it is.
        verdict: Verdict,
    },
    /// One that was missed.
    Add {
        /// Where: plot mm, or pixels of the upright photo.
        #[serde(default)]
        mm: Option<Point>,
        /// Where, in the photo.
        #[serde(default)]
        px: Option<Point>,
        /// What it is.
        verdict: Verdict,
    },
    /// Takes one away: one that was added, or one of the tool's, which then is none.
    Take {
        /// Which.
        object: String,
    },
    /// The frame's corners, or the ends of two diameters of a ring at right angles, upright photo pixels; none: those that
    /// the tool found.
    Corners {
        /// In order round the frame.
        corners_px: Option<[Point; 4]>,
    },
    /// The photo cannot be used.
    Unusable {
        /// Why.
        why: String,
    },
    /// It can after all.
    Usable,
    /// Counted by hand.
    Hand {
        /// Loose beans.
        beans: Option<f64>,
        /// Closed pods.
        pods: Option<f64>,
    },
    /// Where it was laid.
    Place {
        /// standing, cut, behind or tray.
        place: Option<String>,
        /// The stop.
        check: Option<String>,
        /// The machine's setting.
        setting: Option<String>,
    },
    /// A note.
    Note {
        /// The note.
        text: String,
    },
    /// The count is right as it stands.
    Confirm,
    /// It is not.
    Unconfirm,
}

/// Something that cannot be said.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum SayError {
    /// An object that is not there.
    #[error("there is no such object on this photo; it is shown now as it stands")]
    NoObject,
    /// A place outside the frame.
    #[error("that place lies outside the frame; only what lies inside counts")]
    Outside,
    /// A number that cannot be.
    #[error("{what} must be a number from 0 to {most}, or empty")]
    Number {
        /// What it is of.
        what: &'static str,
        /// The most.
        most: u32,
    },
    /// A text that is too long.
    #[error("{what} is too long: at most {MOST_TEXT} characters")]
    Long {
        /// What it is of.
        what: &'static str,
    },
    /// A reason is missing.
    #[error("say why the photo cannot be used")]
    NoReason,
    /// Not a place.
    #[error("the place is one of standing, cut, behind, tray, or empty")]
    Place,
    /// Nothing to confirm.
    #[error("this photo has no count to confirm: set the frame's edge, or type in a hand count")]
    NoCount,
    /// A recount that failed.
    #[error("with this edge of the frame the photo cannot be counted: {why}")]
    Corners {
        /// Why not.
        why: String,
    },
    /// Nothing to take back or bring back.
    #[error("there is nothing to {what}")]
    Nothing {
        /// Undo or redo.
        what: &'static str,
    },
}

/// Longest text that is taken, characters.
pub const MOST_TEXT: usize = 2_000;
/// Most beans or pods that a person may have counted in one frame.
const MOST_COUNT: u32 = 100_000;
/// Most beans in one pod.
const MOST_IN_POD: u32 = 9;

/// The act for what was said of a photo as it stands.
///
/// # Errors
/// [`SayError`].
pub fn act(say: &Say, applied: &Applied, marks: &PhotoMarks) -> Result<Act, SayError> {
    Ok(match say {
        Say::Verdict { object, verdict } => verdict_on(find(applied, object)?, checked(*verdict)?),
        Say::Take { object } => {
            let shown = find(applied, object)?;
            if shown.named.added.is_some() {
                Act::Take {
                    object: shown.named,
                }
            } else {
                verdict_on(shown, Verdict::None)
            }
        }
        Say::Add { mm, px, verdict } => Act::Add {
            object: placed(applied, *mm, *px)?,
            verdict: checked(*verdict)?,
        },
        Say::Corners { corners_px } => Act::Corners {
            corners_px: *corners_px,
            before: marks.corners_px,
        },
        Say::Unusable { why } if why.trim().is_empty() => return Err(SayError::NoReason),
        Say::Unusable { why } => Act::Unusable {
            why: text("the reason", why)?,
        },
        Say::Usable => Act::Usable,
        &Say::Hand { beans, pods } => Act::Hand {
            beans: number("the hand count of beans", beans)?,
            pods: number("the hand count of pods", pods)?,
        },
        Say::Place {
            place,
            check,
            setting,
        } => Act::Place {
            place: word("the place", place)?
                .map(|word| Place::of_word(&word).ok_or(SayError::Place))
                .transpose()?
                .map(|place| place.word().to_owned()),
            check: word("the check", check)?,
            setting: word("the setting", setting)?,
        },
        Say::Note { text: note } => Act::Note {
            text: text("the note", note)?,
        },
        Say::Confirm if applied.count.counts.is_none() => return Err(SayError::NoCount),
        Say::Confirm => Act::Confirm {
            counts: applied.if_confirmed,
            frame_spec: applied.count.frame_spec,
            corners_px: marks.corners_px,
        },
        Say::Unconfirm => Act::Unconfirm,
    })
}

/// The name of an object on the page.
pub fn name_of(named: &Named) -> String {
    match named.added {
        Some(seq) => format!("a{seq}"),
        None => format!("o{}", named.id),
    }
}

fn find<'a>(applied: &'a Applied, name: &str) -> Result<&'a Shown, SayError> {
    let is = |shown: &&Shown| name_of(&shown.named) == name;
    applied.shown.iter().find(is).ok_or(SayError::NoObject)
}

fn verdict_on(shown: &Shown, verdict: Verdict) -> Act {
    Act::Verdict {
        object: shown.named,
        verdict,
        before: shown.verdict,
    }
}

fn checked(verdict: Verdict) -> Result<Verdict, SayError> {
    match verdict {
        Verdict::Pod { beans: Some(n) } if n > MOST_IN_POD => Err(SayError::Number {
            what: "the beans in a pod",
            most: MOST_IN_POD,
        }),
        other => Ok(other),
    }
}

/// A place in both measures, inside the frame.
fn placed(applied: &Applied, mm: Option<Point>, px: Option<Point>) -> Result<Named, SayError> {
    let map = photo_map(&applied.count).ok_or(SayError::NoCount)?;
    let (mm, px) = match (mm, px) {
        (Some(mm), _) => (mm, map.photo_px_from_plot_mm(mm)),
        (None, Some(px)) => (map.plot_mm_from_photo_px(px), px),
        (None, None) => return Err(SayError::Outside),
    };
    let finite = [mm.x, mm.y, px.x, px.y].iter().all(|v| v.is_finite());
    if !finite || !crate::count::is_inside(mm, applied.count.frame_spec) {
        return Err(SayError::Outside);
    }
    let rounded = |v: f64| (v * 100.0).round() / 100.0;
    Ok(Named {
        id: 0,
        added: None,
        x_mm: rounded(mm.x),
        y_mm: rounded(mm.y),
        x_px: rounded(px.x),
        y_px: rounded(px.y),
    })
}

fn number(what: &'static str, value: Option<f64>) -> Result<Option<f64>, SayError> {
    match value {
        Some(n) if !(0.0..=f64::from(MOST_COUNT)).contains(&n) => Err(SayError::Number {
            what,
            most: MOST_COUNT,
        }),
        value => Ok(value),
    }
}

fn text(what: &'static str, text: &str) -> Result<String, SayError> {
    if text.chars().count() > MOST_TEXT {
        return Err(SayError::Long { what });
    }
    Ok(text.trim().to_owned())
}

fn word(what: &'static str, value: &Option<String>) -> Result<Option<String>, SayError> {
    let Some(value) = value else { return Ok(None) };
    Ok(Some(text(what, value)?).filter(|word| !word.is_empty()))
}

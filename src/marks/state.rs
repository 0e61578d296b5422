//! What stands of a person's acts, photo by photo.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::{Act, Entry, Journal, Named, SCHEMA, Verdict};
use crate::{counts::Counts, frame::FrameSpec, geometry::Point};

/// What was said of one object.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ObjectMark {
    /// The act that said it.
    pub seq: u64,
    /// Who.
    pub who: String,
    /// When.
    pub at: String,
    /// Which object.
    pub object: Named,
    /// What it is.
    pub verdict: Verdict,
}

/// One that a person added.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AddedMark {
    /// The act that added it, by which it is named.
    pub seq: u64,
    /// Who.
    pub who: String,
    /// When.
    pub at: String,
    /// Where.
    pub object: Named,
    /// What it is.
    pub verdict: Verdict,
}

/// What was counted in the frame by hand.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct HandMark {
    /// Loose beans.
    pub beans: Option<f64>,
    /// Closed pods.
    pub pods: Option<f64>,
}

/// Where the frame was laid.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlaceMark {
    /// The word for the place, as in `sheet.csv`.
    pub place: Option<String>,
    /// The stop.
    pub check: Option<String>,
    /// The machine's setting.
    pub setting: Option<String>,
}

/// A count that a person called right.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ConfirmMark {
    /// The act.
    pub seq: u64,
    /// Who.
    pub who: String,
    /// When.
    pub at: String,
    /// The count.
    pub counts: Counts,
    /// The frame that it was confirmed for.
    pub frame_spec: FrameSpec,
}

/// All that stands for one photo.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct PhotoMarks {
    /// Verdicts, oldest first.
    pub objects: Vec<ObjectMark>,
    /// Those that were added, oldest first.
    pub added: Vec<AddedMark>,
    /// Corners set by hand, upright photo pixels.
    pub corners_px: Option<[Point; 4]>,
    /// Why it cannot be used.
    pub unusable: Option<String>,
    /// Counted by hand.
    pub hand: HandMark,
    /// Where it was laid.
    pub place: PlaceMark,
    /// A note.
    pub note: Option<String>,
    /// The count that was confirmed.
    pub confirmed: Option<ConfirmMark>,
}

impl PhotoMarks {
    fn take_in(&mut self, entry: &Entry) {
        // What is said of an object or of the frame after a photo was confirmed opens it again.
        if matches!(
            entry.act,
            Act::Verdict { .. } | Act::Add { .. } | Act::Take { .. } | Act::Corners { .. }
        ) {
            self.confirmed = None;
        }
        match &entry.act {
            Act::Verdict {
                object, verdict, ..
            } => self.verdict(entry, *object, *verdict),
            Act::Add { object, verdict } => self.added.push(AddedMark {
                seq: entry.seq,
                who: entry.who.clone(),
                at: entry.at.clone(),
                object: Named {
                    id: 0,
                    added: Some(entry.seq),
                    ..*object
                },
                verdict: *verdict,
            }),
            Act::Take { object } => self.added.retain(|a| Some(a.seq) != object.added),
            Act::Corners { corners_px, .. } => self.corners_px = *corners_px,
            Act::Unusable { why } => self.unusable = Some(why.clone()),
            Act::Usable => self.unusable = None,
            &Act::Hand { beans, pods } => self.hand = HandMark { beans, pods },
            Act::Place {
                place,
                check,
                setting,
            } => {
                self.place = PlaceMark {
                    place: place.clone(),
                    check: check.clone(),
                    setting: setting.clone(),
                };
            }
            Act::Note { text } => self.note = (!text.is_empty()).then(|| text.clone()),
            Act::Confirm {
                counts, frame_spec, ..
            } => {
                self.confirmed = Some(ConfirmMark {
                    seq: entry.seq,
                    who: entry.who.clone(),
                    at: entry.at.clone(),
                    counts: *counts,
                    frame_spec: *frame_spec,
                });
            }
            Act::Unconfirm => self.confirmed = None,
            Act::Undo { .. } | Act::Redo { .. } => {}
        }
    }

    fn verdict(&mut self, entry: &Entry, object: Named, verdict: Verdict) {
        if let Some(seq) = object.added {
            if let Some(added) = self.added.iter_mut().find(|a| a.seq == seq) {
                added.verdict = verdict;
            }
            return;
        }
        self.objects.retain(|m| m.object != object);
        self.objects.push(ObjectMark {
            seq: entry.seq,
            who: entry.who.clone(),
            at: entry.at.clone(),
            object,
            verdict,
        });
    }
}

/// What stands for every photo.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SeasonMarks {
    /// By the photo's SHA-256, so that a photo that was renamed keeps its marks; by its name where the file could
    /// not be read.
    pub photos: BTreeMap<String, MarksOfPhoto>,
    /// Number of the last act.
    pub seq: u64,
    /// SHA-256 of the journal's last line.
    pub head: String,
}

fn key<'a>(photo: &'a str, sha256: &'a str) -> &'a str {
    if sha256.is_empty() { photo } else { sha256 }
}

impl SeasonMarks {
    /// Replays a journal.
    pub fn replay(journal: &Journal) -> Self {
        let mut marks = Self {
            photos: BTreeMap::new(),
            seq: journal.seq(),
            head: journal.head.clone(),
        };
        for entry in journal.standing() {
            let key = key(&entry.photo, &entry.photo_sha256).to_owned();
            let of_photo = marks.photos.entry(key).or_insert_with(|| MarksOfPhoto {
                photo: entry.photo.clone(),
                photo_sha256: entry.photo_sha256.clone(),
                marks: PhotoMarks::default(),
            });
            of_photo.photo.clone_from(&entry.photo);
            of_photo.marks.take_in(entry);
        }
        marks
    }

    /// What stands for a photo.
    pub fn of(&self, photo: &str, sha256: &str) -> Option<&PhotoMarks> {
        self.photos.get(key(photo, sha256)).map(|p| &p.marks)
    }

    /// As it is written into `marks.json`.
    pub fn file(&self) -> MarksFile {
        MarksFile {
            schema: SCHEMA,
            seq: self.seq,
            head: self.head.clone(),
            photos: self.photos.values().cloned().collect(),
        }
    }
}

/// All of `marks.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MarksFile {
    /// Version of the form.
    pub schema: u32,
    /// Number of the journal's last line that is in it.
    pub seq: u64,
    /// SHA-256 of that line.
    pub head: String,
    /// One entry a photo that something was said of.
    pub photos: Vec<MarksOfPhoto>,
}

/// One photo in `marks.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MarksOfPhoto {
    /// File name.
    pub photo: String,
    /// SHA-256 of the file.
    pub photo_sha256: String,
    /// What stands.
    #[serde(flatten)]
    pub marks: PhotoMarks,
}

//! A season's counts put right by its marks.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::{
    Applied, HandMark, Lapsed, MarkSettings, PhotoMarks, PlaceMark, SeasonMarks, SeasonThreshold,
    Standing, apply, season_threshold,
};
use crate::{
    counts::{CountsFile, Limits, ModelName, PhotoCount},
    geometry::Point,
    units::plural_does,
};

/// A photo counted anew with corners set by hand.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Recount {
    /// The corners as they were set, upright photo pixels.
    pub corners_px: [Point; 4],
    /// SHA-256 of the model that counted, lower-case hex; empty in files of before it was written down.
    #[serde(skip_serializing_if = "String::is_empty", default)]
    pub model_sha256: String,
    /// The tool's count with them.
    pub count: PhotoCount,
}

/// All of `recounted.json`: what the tool saw with other corners; it can be made again.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct RecountFile {
    /// Version of the form.
    pub schema: u32,
    /// One entry a photo and set of corners.
    pub photos: Vec<Recount>,
}

impl RecountFile {
    /// Those made with this model: counts of two models are not put together.
    pub fn by<'a>(&'a self, model: &'a ModelName) -> Recounts<'a> {
        Recounts {
            file: self,
            model_sha256: &model.sha256,
        }
    }
}

/// Counts made anew with one model.
#[derive(Debug, Clone, Copy)]
pub struct Recounts<'a> {
    file: &'a RecountFile,
    model_sha256: &'a str,
}

impl<'a> Recounts<'a> {
    /// The count of this photo, of the frame that it was counted with, with these corners.
    pub fn get(&self, of: &PhotoCount, corners_px: &[Point; 4]) -> Option<&'a PhotoCount> {
        let is = |r: &&Recount| {
            r.count.meta.sha256 == of.meta.sha256
                && r.count.frame_spec == of.frame_spec
                && r.corners_px == *corners_px
                && (r.model_sha256.is_empty() || r.model_sha256 == self.model_sha256)
        };
        self.file.photos.iter().find(is).map(|r| &r.count)
    }
}

/// One photo of a season with its marks.
#[derive(Debug, Clone, PartialEq)]
pub struct OfPhoto {
    /// The count put right, and what became of the marks.
    pub applied: Applied,
    /// The tool's own count of loose beans, where it had one.
    pub tool_beans: Option<Limits>,
    /// Counted by hand.
    pub hand: HandMark,
    /// Where it was laid.
    pub place: PlaceMark,
    /// A note.
    pub note: Option<String>,
    /// Corners were set by hand, but the count with them is not there.
    pub recount_missing: bool,
}

/// A season's counts put right.
#[derive(Debug, Clone, PartialEq)]
pub struct ConfirmedCounts {
    /// As `counts.json`, with the marks in it.
    pub counts: CountsFile,
    /// By file name: what was said of each photo.
    pub photos: BTreeMap<String, OfPhoto>,
    /// Photos that something was said of and that are not among the counts (file names).
    pub gone: Vec<String>,
    /// How counts were made of marks.
    pub settings: MarkSettings,
}

/// Puts counts and marks together.
pub fn confirmed(
    counts: &CountsFile,
    marks: &SeasonMarks,
    recounted: &RecountFile,
    settings: &MarkSettings,
) -> ConfirmedCounts {
    let nothing = PhotoMarks::default();
    let recounts = recounted.by(&counts.model);
    let mut out = counts.clone();
    let mut photos = BTreeMap::new();
    for count in &mut out.photos {
        let said = marks
            .of(&count.photo, &count.meta.sha256)
            .unwrap_or(&nothing);
        let of_photo = of_photo(count, said, recounts, settings);
        count.clone_from(&of_photo.applied.count);
        photos.insert(count.photo.clone(), of_photo);
    }
    let known = |sha256: &str, name: &str| {
        counts.photos.iter().any(|p| {
            if p.meta.sha256.is_empty() {
                p.photo == name
            } else {
                p.meta.sha256 == sha256
            }
        })
    };
    let gone = (marks.photos.values())
        .filter(|m| m.marks != nothing && !known(&m.photo_sha256, &m.photo))
        .map(|m| m.photo.clone())
        .collect();
    ConfirmedCounts {
        counts: out,
        photos,
        gone,
        settings: *settings,
    }
}

/// One photo: the count that its corners ask for, put right by its marks.
pub fn of_photo(
    count: &PhotoCount,
    marks: &PhotoMarks,
    recounts: Recounts<'_>,
    settings: &MarkSettings,
) -> OfPhoto {
    let mut recount_missing = false;
    let renamed;
    let base = match &marks.corners_px {
        None => count,
        Some(corners) => match recounts.get(count, corners) {
            Some(recount) => {
                renamed = PhotoCount {
                    photo: count.photo.clone(),
                    ..recount.clone()
                };
                &renamed
            }
            None => {
                recount_missing = true;
                count
            }
        },
    };
    OfPhoto {
        tool_beans: base.counts.map(|c| c.beans),
        applied: apply(base, marks, settings),
        hand: marks.hand,
        place: marks.place.clone(),
        note: marks.note.clone(),
        recount_missing,
    }
}

impl ConfirmedCounts {
    /// The season's own threshold; `None` where there is nothing to be said of one.
    pub fn threshold(&self) -> Option<SeasonThreshold> {
        // Copies of one file say the same once more.
        let copies = self.counts.photos.iter().filter(|p| p.is_copy());
        let copies: BTreeSet<&str> = copies.map(|p| p.photo.as_str()).collect();
        season_threshold(&self.photos, &copies, &self.settings)
    }

    /// Photos that were called right.
    pub fn confirmed(&self) -> usize {
        let is = |p: &&OfPhoto| p.applied.standing == Standing::Confirmed;
        self.photos.values().filter(is).count()
    }

    /// What is to be told of marks that found no home, one line a photo; of confirmed counts that do not stand, one line
    /// for all photos, since a change of the frame takes them all.
    pub fn cautions(&self) -> Vec<String> {
        let mut out = Vec::new();
        for (name, photo) in &self.photos {
            let homeless = photo.applied.homeless.len();
            if homeless > 0 {
                out.push(format!(
                    "photo {name}: {} no object any more; podfall confirm shows them",
                    plural_does(homeless, "mark", ("finds", "find"))
                ));
            }
            if photo.applied.differs {
                out.push(format!(
                    "photo {name}: was confirmed, then counted anew with other objects; the confirmed count stands, look at it again"
                ));
            }
            if photo.recount_missing {
                out.push(format!(
                    "photo {name}: its corners were set by hand, but the count with them is not there, or of another model or frame; set them once more in \
                     podfall confirm"
                ));
            }
        }
        out.extend(Lapsed::ALL.into_iter().filter_map(|why| self.lapsed(why)));
        for name in &self.gone {
            out.push(format!(
                "photo {name}: something was said of it, but it is not among the counts; its marks are kept"
            ));
        }
        out
    }

    /// Photos whose confirmed count does not stand, for one reason; `None` where there are none.
    fn lapsed(&self, why: Lapsed) -> Option<String> {
        // Where corners are to be set once more, that is told, and it brings the count back.
        let of_why = |(_, photo): &(&String, &OfPhoto)| {
            photo.applied.lapsed == Some(why) && !photo.recount_missing
        };
        let names: Vec<&str> = (self.photos.iter().filter(of_why))
            .map(|(name, _)| name.as_str())
            .collect();
        if names.is_empty() {
            return None;
        }
        let photos = plural_does(names.len(), "photo", ("was", "were"));
        let (but, what_to_do) = why.words();
        Some(format!(
            "{photos} confirmed, but {but}, so that what was confirmed does not stand: {}; {what_to_do}",
            names.join(", ")
        ))
    }
}

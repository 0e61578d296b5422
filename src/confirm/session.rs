//! A season open for marking: what it holds, and what follows from each thing said.

use std::{fs, path::Path, time::SystemTime};

use super::{
    Answer, ConfirmError, Inputs, Say, SayError,
    answer::answer,
    queue::{Queued, queue},
    say,
};
use crate::{
    batch::{self, Layout, MarkStore},
    counts::{CountsFile, PhotoCount},
    files,
    geometry::Point,
    loss::{FrameLoss, LossCaution, SeasonFrames, season_frames_confirmed},
    marks::{
        Act, ConfirmedCounts, MarkSettings, OfPhoto, PhotoMarks, Recount, RecountFile, Said,
        confirmed, of_photo,
    },
    sheet::Sheet,
};

/// Largest `counts.json` and `sheet.csv` that are read, bytes.
const MOST_COUNTS_BYTES: u64 = 2_000_000_000;
const MOST_SHEET_BYTES: u64 = 50_000_000;

/// A season open for marking.
#[derive(Debug)]
pub struct Session {
    /// What it stands on.
    pub inputs: Inputs,
    pub(super) store: MarkStore,
    pub(super) recounted: RecountFile,
    pub(super) known: Known,
    pub(super) follows: Follows,
    /// Why answer and queue are not those of the last act.
    pub(super) behind: Option<String>,
    /// How often counts were read that had changed.
    counts_version: u64,
}

/// What a page knows of when it says something: its numbers of photos and objects are those of these counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Seen {
    /// Number of the last act.
    pub seq: u64,
    /// Version of the counts.
    pub counts_version: u64,
}

/// The season's files, and the counts with the marks in them.
#[derive(Debug)]
pub(super) struct Known {
    pub(super) counts: CountsFile,
    pub(super) sheet: Option<Sheet>,
    pub(super) confirmed: ConfirmedCounts,
    /// The answer without any mark.
    pub(super) before: Option<Answer>,
    stamps: Stamps,
}

/// What follows from them.
#[derive(Debug)]
pub(super) struct Follows {
    pub(super) frames: Vec<FrameLoss>,
    pub(super) answer: Option<Answer>,
    pub(super) queue: Vec<Queued>,
}

/// By which a file is known to have changed.
type Stamp = Option<(SystemTime, u64)>;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Stamps {
    counts: Stamp,
    sheet: Stamp,
}

impl Stamps {
    fn of(inputs: &Inputs) -> Self {
        let stamp = |path: &Path| {
            let meta = fs::metadata(path).ok()?;
            Some((meta.modified().ok()?, meta.len()))
        };
        Self {
            counts: stamp(&inputs.counts),
            sheet: stamp(&inputs.sheet),
        }
    }
}

fn season_error<E: std::fmt::Display>(path: &Path) -> impl Fn(E) -> ConfirmError {
    let path = path.to_owned();
    move |error| ConfirmError::Season {
        path: path.clone(),
        what: error.to_string(),
    }
}

fn read_counts(path: &Path) -> Result<CountsFile, ConfirmError> {
    let bytes = files::read_whole(path, MOST_COUNTS_BYTES).map_err(season_error(path))?;
    serde_json::from_slice(&bytes).map_err(season_error(path))
}

fn read_sheet(path: &Path) -> Result<Option<Sheet>, ConfirmError> {
    if files::is_absent(path) {
        return Ok(None);
    }
    let bytes = files::read_whole(path, MOST_SHEET_BYTES).map_err(season_error(path))?;
    Sheet::read(&bytes).map(Some).map_err(season_error(path))
}

fn folder_of(counts: &Path) -> &Path {
    counts.parent().unwrap_or(Path::new("."))
}

/// How counts are made of marks: by the card of the model that counted.
fn settings(folder: &Path, counts: &CountsFile) -> MarkSettings {
    let layout = Layout {
        out: folder.to_owned(),
    };
    MarkSettings::of(&batch::card_of_counts(&layout, &counts.model))
}

/// The season's files.
struct Read {
    counts: CountsFile,
    sheet: Option<Sheet>,
    stamps: Stamps,
}

impl Read {
    fn of(inputs: &Inputs) -> Result<Self, ConfirmError> {
        // Before the files: one that changes while it is read is read again.
        let stamps = Stamps::of(inputs);
        Ok(Self {
            counts: read_counts(&inputs.counts)?,
            sheet: read_sheet(&inputs.sheet)?,
            stamps,
        })
    }

    /// What they say, with the marks.
    fn known(
        self,
        inputs: &Inputs,
        store: &MarkStore,
        recounted: &RecountFile,
    ) -> Result<Known, ConfirmError> {
        let settings = settings(folder_of(&inputs.counts), &self.counts);
        let nothing = ConfirmedCounts {
            counts: self.counts.clone(),
            photos: Default::default(),
            gone: Vec::new(),
            settings,
        };
        let season = season(inputs, &nothing, self.sheet.as_ref())?;
        Ok(Known {
            before: answer_over(inputs, &season.frames, &[], None),
            confirmed: confirmed(&self.counts, store.marks(), recounted, &settings),
            counts: self.counts,
            sheet: self.sheet,
            stamps: self.stamps,
        })
    }
}

fn season(
    inputs: &Inputs,
    confirmed: &ConfirmedCounts,
    sheet: Option<&Sheet>,
) -> Result<SeasonFrames, ConfirmError> {
    season_frames_confirmed(confirmed, sheet).map_err(season_error(&inputs.sheet))
}

fn answer_over(
    inputs: &Inputs,
    frames: &[FrameLoss],
    cautions: &[LossCaution],
    least: Option<f64>,
) -> Option<Answer> {
    let wished = (inputs.wished_pct, least);
    answer(frames, cautions, &inputs.assumptions, wished)
}

impl Follows {
    /// `least`: the least half-width that can be had, where it is as it was, %.
    fn of(inputs: &Inputs, known: &Known, least: Option<f64>) -> Result<Self, ConfirmError> {
        let season = season(inputs, &known.confirmed, known.sheet.as_ref())?;
        let (frames, cautions) = (season.frames, season.cautions);
        let answer = answer_over(inputs, &frames, &cautions, least);
        let frames = [frames, season.trays].concat();
        Ok(Self {
            answer,
            queue: queue(&known.confirmed, &frames),
            frames,
        })
    }
}

impl Session {
    /// Opens a season.
    ///
    /// # Errors
    /// [`ConfirmError`] when a file of it cannot be read, or another process marks it.
    pub fn open(inputs: Inputs) -> Result<Self, ConfirmError> {
        let read = Read::of(&inputs)?;
        let folder = folder_of(&inputs.counts);
        let store = MarkStore::open(folder)?;
        let recounted = batch::read_recounted(folder)?;
        let known = read.known(&inputs, &store, &recounted)?;
        Ok(Self {
            follows: Follows::of(&inputs, &known, None)?,
            inputs,
            store,
            recounted,
            known,
            behind: None,
            counts_version: 0,
        })
    }

    /// The folder of the counts.
    pub(super) fn folder(&self) -> &Path {
        folder_of(&self.inputs.counts)
    }

    /// Reads again what has changed on the disk under it: counts made anew, a sheet filled in.
    ///
    /// # Errors
    /// [`ConfirmError`] when a file cannot be read or does not fit the others, each time until that is mended; what was
    /// known before stays, all of it.
    pub fn refresh(&mut self) -> Result<bool, ConfirmError> {
        let stamps = Stamps::of(&self.inputs);
        if stamps == self.known.stamps {
            return Ok(false);
        }
        let read = Read::of(&self.inputs)?;
        let known = read.known(&self.inputs, &self.store, &self.recounted)?;
        let follows = Follows::of(&self.inputs, &known, None)?;
        if known.stamps.counts != self.known.stamps.counts {
            self.counts_version += 1;
        }
        (self.known, self.follows, self.behind) = (known, follows, None);
        Ok(true)
    }

    /// Answer and queue for what now stands. What was said is kept by now: where they cannot be reckoned, that is told
    /// beside it, and never as something that was not kept.
    fn follow(&mut self, least: Option<f64>) {
        self.behind = match Follows::of(&self.inputs, &self.known, least) {
            Ok(follows) => {
                self.follows = follows;
                None
            }
            Err(error) => Some(error.to_string()),
        };
    }

    /// What is to be told when the season is opened, one line each.
    pub fn opening_words(&self) -> Vec<String> {
        let aside = self.store.set_aside.as_ref().map(|path| {
            format!(
                "caution: the last mark was not written whole; what there is of it was set aside in {}",
                path.display()
            )
        });
        let cautions = self.known.confirmed.cautions();
        let cautions = cautions.into_iter().map(|line| format!("caution: {line}"));
        aside.into_iter().chain(cautions).collect()
    }

    /// What a page that is told of the season now knows of.
    pub fn seen(&self) -> Seen {
        Seen {
            seq: self.store.journal().seq(),
            counts_version: self.counts_version,
        }
    }

    /// The tool's own count of a photo.
    pub fn photo(&self, at: usize) -> Option<&PhotoCount> {
        self.known.counts.photos.get(at)
    }

    /// A photo as it stands.
    pub fn of(&self, at: usize) -> Option<&OfPhoto> {
        self.known.confirmed.photos.get(&self.photo(at)?.photo)
    }

    /// What was said of a photo.
    pub fn marks_of(&self, at: usize) -> PhotoMarks {
        let photo = self.photo(at);
        let said = photo.and_then(|p| self.store.marks().of(&p.photo, &p.meta.sha256));
        said.cloned().unwrap_or_default()
    }

    /// Whether corners were set for which the count has yet to be made.
    pub fn lacks_recount(&self, at: usize, say: &Say) -> Option<[Point; 4]> {
        let Say::Corners {
            corners_px: Some(corners),
        } = say
        else {
            return None;
        };
        let recounts = self.recounted.by(&self.known.counts.model);
        let there = recounts.get(self.photo(at)?, corners).is_some();
        (!there).then_some(*corners)
    }

    /// Takes in a count made with corners set by hand.
    ///
    /// # Errors
    /// [`ConfirmError`] when it cannot be kept.
    pub fn take_recount(
        &mut self,
        corners_px: [Point; 4],
        count: PhotoCount,
    ) -> Result<(), ConfirmError> {
        self.recounted.photos.push(Recount {
            corners_px,
            model_sha256: self.known.counts.model.sha256.clone(),
            count,
        });
        let kept = self.store.keep_recounted(&self.recounted);
        if kept.is_err() {
            self.recounted.photos.pop();
        }
        Ok(kept?)
    }

    /// Says something of a photo. `seen`: what the page knows of.
    ///
    /// # Errors
    /// As [`Session::fresh`]; [`ConfirmError`] when it cannot be said or kept. Then nothing has changed.
    pub fn say(
        &mut self,
        seen: Seen,
        at: usize,
        said: &Say,
        now: &str,
    ) -> Result<(), ConfirmError> {
        self.fresh(seen)?;
        let no_photo = || ConfirmError::Say(SayError::NoObject);
        let applied = &self.of(at).ok_or_else(no_photo)?.applied;
        let act = say::act(said, applied, &self.marks_of(at))?;
        self.write(at, act, now)
    }

    /// Takes the last act back; gives the photo that it was about.
    ///
    /// # Errors
    /// As [`Session::say`].
    pub fn undo(&mut self, seen: Seen, now: &str) -> Result<usize, ConfirmError> {
        self.fresh(seen)?;
        let last = self.store.journal().stacks().0.last().copied();
        let seq = last.ok_or(SayError::Nothing { what: "undo" })?;
        self.about(seq, Act::Undo { seq }, now)
    }

    /// Brings back the act that was taken back last; gives the photo that it was about.
    ///
    /// # Errors
    /// As [`Session::say`].
    pub fn redo(&mut self, seen: Seen, now: &str) -> Result<usize, ConfirmError> {
        self.fresh(seen)?;
        let last = self.store.journal().stacks().1.last().copied();
        let seq = last.ok_or(SayError::Nothing { what: "redo" })?;
        self.about(seq, Act::Redo { seq }, now)
    }

    fn about(&mut self, seq: u64, act: Act, now: &str) -> Result<usize, ConfirmError> {
        let entry = &self.store.journal().entries[seq as usize - 1];
        let (name, sha256) = (entry.photo.clone(), entry.photo_sha256.clone());
        let is = |p: &PhotoCount| {
            if sha256.is_empty() {
                p.photo == name
            } else {
                p.meta.sha256 == sha256
            }
        };
        let said = Said {
            at: now,
            who: &self.inputs.who,
            photo: (&name, &sha256),
        };
        let at = self.known.counts.photos.iter().position(is);
        self.store.say(said, act)?;
        if let Some(at) = at {
            self.again(at);
        }
        self.follow(None);
        // An act on a photo that is gone: any photo will do to stay on.
        Ok(at.unwrap_or(0))
    }

    /// Whether a page that knows of this can say something.
    ///
    /// # Errors
    /// [`ConfirmError::CountedAnew`] when its numbers are those of other counts, [`ConfirmError::Stale`] when there is a
    /// later act.
    pub fn fresh(&self, seen: Seen) -> Result<(), ConfirmError> {
        if seen.counts_version != self.counts_version {
            Err(ConfirmError::CountedAnew)
        } else if seen != self.seen() {
            Err(ConfirmError::Stale)
        } else {
            Ok(())
        }
    }

    fn write(&mut self, at: usize, act: Act, now: &str) -> Result<(), ConfirmError> {
        let photo = &self.known.counts.photos[at];
        let said = Said {
            at: now,
            who: &self.inputs.who,
            photo: (&photo.photo, &photo.meta.sha256),
        };
        // One object moves the least that can be had by next to nothing; it is reckoned again with the next photo.
        let one_object = matches!(
            act,
            Act::Verdict { .. } | Act::Add { .. } | Act::Take { .. }
        );
        let least = (self.follows.answer.as_ref()).map(|a| a.least_half_width_pct);
        self.store.say(said, act)?;
        self.again(at);
        self.follow(least.filter(|_| one_object));
        Ok(())
    }

    /// Puts the marks of one photo (and of copies of the same file) into its count again.
    fn again(&mut self, at: usize) {
        let sha256 = self.known.counts.photos[at].meta.sha256.clone();
        let same: Vec<usize> = (0..self.known.counts.photos.len())
            .filter(|&i| {
                i == at || (!sha256.is_empty() && self.known.counts.photos[i].meta.sha256 == sha256)
            })
            .collect();
        for at in same {
            let marks = self.marks_of(at);
            let count = &self.known.counts.photos[at];
            let recounts = self.recounted.by(&self.known.counts.model);
            let of_photo = of_photo(count, &marks, recounts, &self.known.confirmed.settings);
            self.known.confirmed.counts.photos[at] = of_photo.applied.count.clone();
            let photos = &mut self.known.confirmed.photos;
            photos.insert(count.photo.clone(), of_photo);
        }
    }

    /// The corners that the plot of a photo is drawn by, and its count with them.
    pub fn drawn_by(&self, at: usize) -> Option<&PhotoCount> {
        self.of(at).map(|p| &p.applied.count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A season of one photo that could not be read, in this folder.
    fn season_in(folder: &Path) -> Inputs {
        let counts = folder.join("counts.json");
        let photo = serde_json::json!({
            "photo": "a.jpg", "status": "failed", "problem": "not a photo", "meta": crate::photo::PhotoMeta::default(),
            "frame_spec": "12x12in", "objects": [], "cautions": []
        });
        let file = serde_json::json!({
            "schema": crate::counts::SCHEMA, "podfall": "0.1.0", "model": { "name": "", "sha256": "" }, "photos": [photo]
        });
        fs::write(&counts, file.to_string()).unwrap();
        Inputs {
            counts,
            sheet: folder.join("sheet.csv"),
            photos: Default::default(),
            assumptions: Default::default(),
            model: None,
            bar_height_mm: None,
            title: "season".to_owned(),
            who: "me".to_owned(),
            wished_pct: 20.0,
        }
    }

    /// What is in the journal is never told as something that was not kept, whatever comes of it.
    #[test]
    fn what_was_kept_is_told_as_kept_where_no_answer_follows() {
        let folder = tempfile::tempdir().unwrap();
        let mut session = Session::open(season_in(folder.path())).unwrap();
        session.known.sheet = Some(Sheet::read(b"photo,place\nnope.jpg,cut\n").unwrap());
        let now = "2026-10-01T19:04:05+02:00";
        let note = Say::Note {
            text: "by the gate".to_owned(),
        };
        session.say(session.seen(), 0, &note, now).unwrap();
        assert_eq!(session.seen().seq, 1);
        let behind = |session: &Session| serde_json::to_value(session.season_view()).unwrap();
        let told = behind(&session)["behind"].to_string();
        assert!(told.contains("nope.jpg"), "{told}");
        session.undo(session.seen(), now).unwrap();
        assert_eq!(session.seen().seq, 2);
        // Once it is mended nothing is told any more.
        session.known.sheet = None;
        session.redo(session.seen(), now).unwrap();
        assert!(behind(&session)["behind"].is_null());
    }
}

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
    loss::{FrameLoss, LossCaution, season_frames_confirmed},
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
    pub(super) counts: CountsFile,
    pub(super) sheet: Option<Sheet>,
    pub(super) recounted: RecountFile,
    pub(super) confirmed: ConfirmedCounts,
    pub(super) frames: Vec<FrameLoss>,
    pub(super) answer: Option<Answer>,
    /// The answer without any mark.
    pub(super) before: Option<Answer>,
    pub(super) queue: Vec<Queued>,
    settings: MarkSettings,
    stamps: Stamps,
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

impl Session {
    /// Opens a season.
    ///
    /// # Errors
    /// [`ConfirmError`] when a file of it cannot be read, or another process marks it.
    pub fn open(inputs: Inputs) -> Result<Self, ConfirmError> {
        let stamps = Stamps::of(&inputs);
        let counts = read_counts(&inputs.counts)?;
        let sheet = read_sheet(&inputs.sheet)?;
        let folder = folder_of(&inputs.counts).to_owned();
        let store = MarkStore::open(&folder)?;
        let recounted = batch::read_recounted(&folder)?;
        let settings = settings(&folder, &counts);
        let confirmed = confirmed(&counts, store.marks(), &recounted, &settings);
        let mut session = Self {
            inputs,
            store,
            counts,
            sheet,
            recounted,
            confirmed,
            frames: Vec::new(),
            answer: None,
            before: None,
            queue: Vec::new(),
            settings,
            stamps,
        };
        session.begin()?;
        session.follow()?;
        Ok(session)
    }

    /// The folder of the counts.
    pub(super) fn folder(&self) -> &Path {
        folder_of(&self.inputs.counts)
    }

    /// Reads again what has changed on the disk under it: counts made anew, a sheet filled in.
    ///
    /// # Errors
    /// [`ConfirmError`] when a file cannot be read; what was known before stays.
    pub fn refresh(&mut self) -> Result<bool, ConfirmError> {
        let stamps = Stamps::of(&self.inputs);
        if stamps == self.stamps {
            return Ok(false);
        }
        let counts = read_counts(&self.inputs.counts)?;
        let sheet = read_sheet(&self.inputs.sheet)?;
        (self.counts, self.sheet, self.stamps) = (counts, sheet, stamps);
        self.settings = settings(self.folder(), &self.counts);
        let marks = self.store.marks();
        self.confirmed = confirmed(&self.counts, marks, &self.recounted, &self.settings);
        self.begin()?;
        self.follow()?;
        Ok(true)
    }

    /// What was known before anything was said.
    fn begin(&mut self) -> Result<(), ConfirmError> {
        let nothing = ConfirmedCounts {
            counts: self.counts.clone(),
            photos: Default::default(),
            gone: Vec::new(),
            settings: self.settings,
        };
        let season = self.season(&nothing)?;
        self.before = self.answer_over(&season.0, &[], None);
        Ok(())
    }

    fn season(
        &self,
        confirmed: &ConfirmedCounts,
    ) -> Result<(Vec<FrameLoss>, Vec<LossCaution>), ConfirmError> {
        let season = season_frames_confirmed(confirmed, self.sheet.as_ref())
            .map_err(season_error(&self.inputs.sheet))?;
        Ok((season.frames, season.cautions))
    }

    fn answer_over(
        &self,
        frames: &[FrameLoss],
        cautions: &[LossCaution],
        least: Option<f64>,
    ) -> Option<Answer> {
        answer(
            frames,
            cautions,
            &self.inputs.assumptions,
            (self.inputs.wished_pct, least),
        )
    }

    /// Answer and queue for what now stands.
    fn follow(&mut self) -> Result<(), ConfirmError> {
        self.follow_with(None)
    }

    /// `least`: the least half-width that can be had, where it is as it was, %.
    fn follow_with(&mut self, least: Option<f64>) -> Result<(), ConfirmError> {
        let (frames, cautions) = self.season(&self.confirmed)?;
        self.answer = self.answer_over(&frames, &cautions, least);
        self.queue = queue(&self.confirmed, &frames);
        self.frames = frames;
        Ok(())
    }

    /// What is to be told when the season is opened, one line each.
    pub fn opening_words(&self) -> Vec<String> {
        let aside = self.store.set_aside.as_ref().map(|path| {
            format!(
                "caution: the last mark was not written whole; what there is of it was set aside in {}",
                path.display()
            )
        });
        let cautions = self.confirmed.cautions();
        let cautions = cautions.into_iter().map(|line| format!("caution: {line}"));
        aside.into_iter().chain(cautions).collect()
    }

    /// Number of the last act.
    pub fn seq(&self) -> u64 {
        self.store.journal().seq()
    }

    /// The tool's own count of a photo.
    pub fn photo(&self, at: usize) -> Option<&PhotoCount> {
        self.counts.photos.get(at)
    }

    /// A photo as it stands.
    pub fn of(&self, at: usize) -> Option<&OfPhoto> {
        self.confirmed.photos.get(&self.photo(at)?.photo)
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
        let sha256 = &self.photo(at)?.meta.sha256;
        let recounts = self.recounted.by(&self.counts.model);
        let there = recounts.get(sha256, corners).is_some();
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
            model_sha256: self.counts.model.sha256.clone(),
            count,
        });
        let kept = self.store.keep_recounted(&self.recounted);
        if kept.is_err() {
            self.recounted.photos.pop();
        }
        Ok(kept?)
    }

    /// Says something of a photo. `seq`: the last act that the page knows of.
    ///
    /// # Errors
    /// [`ConfirmError::Stale`] when there is a later one; [`ConfirmError`] when it cannot be said or kept. Then nothing
    /// has changed.
    pub fn say(&mut self, seq: u64, at: usize, said: &Say, now: &str) -> Result<(), ConfirmError> {
        self.fresh(seq)?;
        let no_photo = || ConfirmError::Say(SayError::NoObject);
        let applied = &self.of(at).ok_or_else(no_photo)?.applied;
        let act = say::act(said, applied, &self.marks_of(at))?;
        self.write(at, act, now)
    }

    /// Takes the last act back; gives the photo that it was about.
    ///
    /// # Errors
    /// As [`Session::say`].
    pub fn undo(&mut self, seq: u64, now: &str) -> Result<usize, ConfirmError> {
        self.fresh(seq)?;
        let last = self.store.journal().stacks().0.last().copied();
        let seq = last.ok_or(SayError::Nothing { what: "undo" })?;
        self.about(seq, Act::Undo { seq }, now)
    }

    /// Brings back the act that was taken back last; gives the photo that it was about.
    ///
    /// # Errors
    /// As [`Session::say`].
    pub fn redo(&mut self, seq: u64, now: &str) -> Result<usize, ConfirmError> {
        self.fresh(seq)?;
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
        let at = self.counts.photos.iter().position(is);
        self.store.say(said, act)?;
        if let Some(at) = at {
            self.again(at);
        }
        self.follow()?;
        // An act on a photo that is gone: any photo will do to stay on.
        Ok(at.unwrap_or(0))
    }

    fn fresh(&self, seq: u64) -> Result<(), ConfirmError> {
        if seq == self.seq() {
            Ok(())
        } else {
            Err(ConfirmError::Stale)
        }
    }

    fn write(&mut self, at: usize, act: Act, now: &str) -> Result<(), ConfirmError> {
        let photo = &self.counts.photos[at];
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
        let least = self.answer.as_ref().map(|a| a.least_half_width_pct);
        self.store.say(said, act)?;
        self.again(at);
        self.follow_with(least.filter(|_| one_object))
    }

    /// Puts the marks of one photo (and of copies of the same file) into its count again.
    fn again(&mut self, at: usize) {
        let sha256 = self.counts.photos[at].meta.sha256.clone();
        let same: Vec<usize> = (0..self.counts.photos.len())
            .filter(|&i| {
                i == at || (!sha256.is_empty() && self.counts.photos[i].meta.sha256 == sha256)
            })
            .collect();
        for at in same {
            let marks = self.marks_of(at);
            let count = &self.counts.photos[at];
            let recounts = self.recounted.by(&self.counts.model);
            let of_photo = of_photo(count, &marks, recounts, &self.settings);
            self.confirmed.counts.photos[at] = of_photo.applied.count.clone();
            self.confirmed.photos.insert(count.photo.clone(), of_photo);
        }
    }

    /// The corners that the plot of a photo is drawn by, and its count with them.
    pub fn drawn_by(&self, at: usize) -> Option<&PhotoCount> {
        self.of(at).map(|p| &p.applied.count)
    }
}

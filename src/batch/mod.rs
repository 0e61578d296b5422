//! Many photos: found, counted side by side, kept as they are finished, told when they stand twice.
//!
//! Nothing here depends on the number of threads or on the order in which photos are finished:
//! results are sorted by name, and what concerns two photos is decided after all are counted.

use std::{
    io,
    path::{Path, PathBuf},
    sync::{Mutex, MutexGuard, PoisonError},
};

use crate::{
    counts::PhotoCount,
    model::Model,
    photo::Spare,
    pipeline::{self, Counted, Picture, Settings},
    present::{self, Drawing, ReportPictures},
    score::net::Memory,
};

mod budget;
mod copies;
mod layout;
mod marks;
mod model;
mod outputs;
mod part;
mod redraw;
mod run;
mod sources;
mod twice;
mod work;

pub use budget::{Budget, Taken};
pub use layout::{Layout, annotated_name};
pub use marks::{MarkStore, MarksError, read_marks, read_recounted};
pub use model::{ModelFileError, card_of_counts, keep_model_path, kept_model_path, read_model};
pub use outputs::{write_confirmed_report, write_counts, write_report};
pub use part::{Job, Part, PartError, gathered, part};
pub use redraw::{Redrawn, redraw, said_pictures};
pub use run::run;
pub use sources::{Gathered, LeftOut, Source, gather, season_root};
pub use twice::{Seen, cautions as cautions_of_twice};

/// Largest photo file that is read, bytes: above a 16-bit TIFF of 108 million pixels.
pub const MOST_FILE_BYTES: u64 = 700_000_000;

/// Why a batch could not be run or finished. A bad photo is none of these.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BatchError {
    /// A path that leads nowhere.
    #[error("{}: there is no such file or folder", path.display())]
    NoSuchPath {
        /// What was given.
        path: PathBuf,
    },
    /// A folder that cannot be listed.
    #[error("{}: the folder cannot be read", path.display())]
    Folder {
        /// Which.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: io::Error,
    },
    /// No photo anywhere.
    #[error(
        "no photo in {}; give a photo, or a folder with photos in it or in its photos/ folder",
        path.display()
    )]
    NoPhotos {
        /// The first path given.
        path: PathBuf,
    },
    /// Two photos whose results could not be told apart.
    #[error(
        "{} and {} would have the same name in the results; rename one or count the folders apart",
        first.display(), second.display()
    )]
    SameName {
        /// One.
        first: PathBuf,
        /// The other.
        second: PathBuf,
    },
    /// A result that could not be written.
    #[error("{}: cannot be written; see that the disk has room and that the folder may be written to, or choose another with --out", path.display())]
    Write {
        /// Which.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: io::Error,
    },
    /// The system gave no threads.
    #[error("the system gives no {jobs} threads; try a smaller --jobs")]
    Threads {
        /// How many were asked for.
        jobs: usize,
    },
}

impl BatchError {
    /// What an error in writing this file or folder becomes.
    pub fn writing(path: &Path) -> impl Fn(io::Error) -> Self {
        move |source| Self::Write {
            path: path.to_owned(),
            source,
        }
    }
}

/// How a batch is to be run.
#[derive(Debug, Clone)]
pub struct Orders {
    /// Where the results go.
    pub layout: Layout,
    /// Photos counted at the same time, at least 1. Memory grows with it.
    pub jobs: usize,
    /// Memory that the photos being counted may take together, bytes. A photo that needs more is counted alone.
    pub memory_bytes: u64,
    /// Count again what is finished.
    pub again: bool,
    /// Draw annotated pictures.
    pub pictures: bool,
    /// Everything besides the photo that a count depends on. Finished work under another key is
    /// not used.
    pub key: String,
    /// Everything besides the count that a picture depends on.
    pub drawing_key: String,
}

/// What counts and draws one photo. The batch asks nothing else of the stages.
pub trait Worker: Sync {
    /// Counts one photo.
    fn count(&self, bytes: &[u8], file_name: &str) -> Counted;
    /// The result for a photo that could not be counted at all.
    fn failed(&self, file_name: &str, problem: String) -> PhotoCount;
    /// What is needed to draw a count that is there already, without counting again; `None` where the photo cannot be read.
    fn picture(&self, bytes: &[u8], count: &PhotoCount) -> Option<Picture>;
    /// Is given what is no longer needed.
    fn done(&self, _picture: Picture) {}
    /// Draws one photo of a batch of `photos`.
    fn draw(&self, picture: &Picture, count: &PhotoCount, photos: usize) -> Option<Drawing>;
}

/// The stages, as a [`Worker`].
#[derive(Debug)]
pub struct Stages<'a> {
    /// Settings of every photo.
    pub settings: &'a Settings,
    /// The model.
    pub model: &'a Model,
    /// Memory of the photos that are done.
    pub spare: Spare,
    /// Memory of the network's looks at them, one for each photo that was counted at the same time.
    looks: Mutex<Vec<Memory>>,
}

/// Largest memory of a network's looks that is kept, bytes: a plot of 12 × 12 in takes 28 million. Raised: a batch with large
/// plots holds memory that nobody counts; lowered: the system must make fresh memory for each ordinary photo.
const MOST_LOOKS_BYTES: usize = 40_000_000;

impl<'a> Stages<'a> {
    /// Without any memory yet.
    pub fn new(settings: &'a Settings, model: &'a Model) -> Self {
        Self {
            settings,
            model,
            spare: Spare::default(),
            looks: Mutex::default(),
        }
    }

    /// Memory is whole even where a thread that held it panicked.
    fn looks(&self) -> MutexGuard<'_, Vec<Memory>> {
        self.looks.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Worker for Stages<'_> {
    fn count(&self, bytes: &[u8], file_name: &str) -> Counted {
        let mut looks = self.looks().pop().unwrap_or_default();
        let memory = (&self.spare, &mut looks);
        let model = (self.settings, self.model);
        let counted = pipeline::count_photo_into(bytes, file_name, model, memory);
        if looks.bytes() <= MOST_LOOKS_BYTES {
            self.looks().push(looks);
        }
        counted
    }

    fn failed(&self, file_name: &str, problem: String) -> PhotoCount {
        pipeline::failed(file_name, self.settings, problem)
    }

    fn picture(&self, bytes: &[u8], count: &PhotoCount) -> Option<Picture> {
        pipeline::picture_of(bytes, count, &self.spare)
    }

    fn done(&self, picture: Picture) {
        self.spare.give_back(picture.photo.pixels);
    }

    fn draw(&self, picture: &Picture, count: &PhotoCount, photos: usize) -> Option<Drawing> {
        Some(present::draw(picture, count, self.settings, photos))
    }
}

/// One photo is done.
#[derive(Debug, Clone, Copy)]
pub struct Step<'a> {
    /// Its result, before what concerns two photos.
    pub count: &'a PhotoCount,
    /// Whether it was finished in an earlier run.
    pub reused: bool,
}

/// What was drawn of a photo for the confidence report in a finished batch.
pub fn report_pictures(layout: &Layout, count: &PhotoCount) -> Option<ReportPictures> {
    let path = layout.report_pictures(&count.meta.sha256, &count.photo);
    work::unpacked(&std::fs::read(path).ok()?)
}

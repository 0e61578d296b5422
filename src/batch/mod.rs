//! Many photos: found, counted side by side, kept as they are finished, told when they stand twice.
//!
//! Nothing here depends on the number of threads or on the order in which photos are finished:
//! results are sorted by name, and what concerns two photos is decided after all are counted.

use std::{
    io,
    panic::{AssertUnwindSafe, catch_unwind},
    path::PathBuf,
};

use rayon::prelude::*;

use crate::{
    caution::Caution,
    counts::{PhotoCount, Status},
    files,
    model::Model,
    photo::{marked_as_drawn, sha256_hex},
    pipeline::{self, Counted, Picture, Settings},
    present::{self, Drawing, ReportPictures},
};

mod layout;
mod outputs;
mod sources;
mod twice;
mod work;

pub use layout::{Layout, annotated_name};
pub use outputs::{write_counts, write_report};
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

/// How a batch is to be run.
#[derive(Debug, Clone)]
pub struct Orders {
    /// Where the results go.
    pub layout: Layout,
    /// Photos counted at the same time, at least 1. Memory grows with it.
    pub jobs: usize,
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
}

impl Worker for Stages<'_> {
    fn count(&self, bytes: &[u8], file_name: &str) -> Counted {
        pipeline::count_photo(bytes, file_name, self.settings, self.model)
    }

    fn failed(&self, file_name: &str, problem: String) -> PhotoCount {
        pipeline::failed(file_name, self.settings, problem)
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

/// Counts all photos. Results stand in the order of `sources`.
///
/// - `tell` is called once a photo as it is done, from any thread.
///
/// # Errors
/// [`BatchError::Write`] when finished work or a picture cannot be kept. A bad photo is no error:
/// it is in the results with its problem.
pub fn run(
    sources: &[Source],
    orders: &Orders,
    worker: &dyn Worker,
    tell: &(dyn Fn(Step<'_>) + Sync),
) -> Result<Vec<PhotoCount>, BatchError> {
    orders.layout.prepare(orders.pictures)?;
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(orders.jobs.max(1))
        .build()
        .map_err(|_| BatchError::Threads { jobs: orders.jobs })?;
    pool.install(|| {
        let batch = Batch {
            orders,
            worker,
            photos: sources.len(),
        };
        let done: Vec<work::Record> = sources
            .par_iter()
            .with_max_len(1)
            .map(|source| {
                let (record, reused) = batch.one(source)?;
                tell(Step {
                    count: &record.count,
                    reused,
                });
                Ok(record)
            })
            .collect::<Result<_, BatchError>>()?;
        batch.told_twice(sources, done)
    })
}

/// A running batch.
struct Batch<'a> {
    orders: &'a Orders,
    worker: &'a dyn Worker,
    photos: usize,
}

impl Batch<'_> {
    /// One photo: from finished work where there is some, else counted, drawn and kept.
    fn one(&self, source: &Source) -> Result<(work::Record, bool), BatchError> {
        let bytes = match files::read_whole(&source.path, MOST_FILE_BYTES) {
            Ok(bytes) => bytes,
            Err(error) => {
                let problem = format!("the file cannot be read: {error}");
                let count = self.worker.failed(&source.name, problem);
                return Ok((work::Record::bare(count), false));
            }
        };
        let sha256 = sha256_hex(&bytes);
        if !self.orders.again
            && let Some(record) = self.finished(&sha256, source)
        {
            return Ok((record, true));
        }
        let Some(counted) = self.counted(&bytes, source) else {
            let count = self.worker.failed(
                &source.name,
                "a fault in podfall itself stopped this photo; the others go on; please report it with this photo".to_owned(),
            );
            return Ok((work::Record::bare(count), false));
        };
        drop(bytes);
        let drawn = self.drawn(&counted, &counted.count, &sha256, &[])?;
        let record = work::Record {
            key: self.orders.key.clone(),
            count: counted.count,
            thumbnail: counted.thumbnail,
            drawn,
        };
        record.save(&self.orders.layout.work_file(&sha256, &source.name))?;
        Ok((record, false))
    }

    /// Counts; `None` when a stage panicked, which is a fault of ours.
    fn counted(&self, bytes: &[u8], source: &Source) -> Option<Counted> {
        catch_unwind(AssertUnwindSafe(|| self.worker.count(bytes, &source.name))).ok()
    }

    /// Finished work that still holds: same keys, and its pictures are there if they are wanted.
    fn finished(&self, sha256: &str, source: &Source) -> Option<work::Record> {
        let layout = &self.orders.layout;
        let record = work::Record::load(&layout.work_file(sha256, &source.name))?;
        let pictures_hold = match &record.drawn {
            work::Drawn::Nothing => true,
            work::Drawn::NotAsked => false,
            work::Drawn::With {
                key, sizes_bytes, ..
            } => {
                let paths = [
                    layout.annotated(&source.name),
                    layout.report_pictures(sha256, &source.name),
                ];
                let sizes = paths.map(|path| std::fs::metadata(path).map_or(0, |meta| meta.len()));
                *key == self.orders.drawing_key && sizes == *sizes_bytes
            }
        };
        (record.key == self.orders.key
            && record.count.photo == source.name
            && (pictures_hold || !self.orders.pictures))
            .then_some(record)
    }

    /// Draws and writes the pictures. `extra` are the cautions that came from other photos.
    fn drawn(
        &self,
        counted: &Counted,
        count: &PhotoCount,
        sha256: &str,
        extra: &[Caution],
    ) -> Result<work::Drawn, BatchError> {
        if !self.orders.pictures {
            return Ok(work::Drawn::NotAsked);
        }
        let draw = |picture| self.worker.draw(picture, count, self.photos);
        let drawing = counted.picture.as_ref().and_then(|picture| {
            catch_unwind(AssertUnwindSafe(|| draw(picture)))
                .ok()
                .flatten()
        });
        let Some(drawing) = drawing else {
            return Ok(work::Drawn::Nothing);
        };
        let layout = &self.orders.layout;
        let for_report = work::packed(&drawing.for_report);
        let annotated = marked_as_drawn(drawing.annotated_jpeg);
        work::put(&layout.report_pictures(sha256, &count.photo), &for_report)?;
        work::put(&layout.annotated(&count.photo), &annotated)?;
        Ok(work::Drawn::With {
            key: self.orders.drawing_key.clone(),
            cautions: extra.to_vec(),
            sizes_bytes: [annotated.len() as u64, for_report.len() as u64],
        })
    }

    /// Adds what concerns two photos, and draws those pictures again that this changes.
    fn told_twice(
        &self,
        sources: &[Source],
        done: Vec<work::Record>,
    ) -> Result<Vec<PhotoCount>, BatchError> {
        let seen: Vec<Seen<'_>> = done
            .iter()
            .map(|record| Seen {
                count: &record.count,
                thumbnail: record.thumbnail.as_ref(),
            })
            .collect();
        let extras = twice::cautions(&seen);
        done.into_par_iter()
            .with_max_len(1)
            .zip(extras)
            .zip(sources)
            .map(|((record, extra), source)| {
                let count = with_cautions(record.count.clone(), &extra);
                let stale = matches!(&record.drawn, work::Drawn::With { cautions, .. } if *cautions != extra);
                if self.orders.pictures && stale {
                    self.draw_again(source, record, &count, &extra)?;
                }
                Ok(count)
            })
            .collect()
    }

    /// Counts a photo again for its pixels and draws it with all its cautions.
    fn draw_again(
        &self,
        source: &Source,
        record: work::Record,
        count: &PhotoCount,
        extra: &[Caution],
    ) -> Result<(), BatchError> {
        // A file that has gone or changed since is left as it was drawn.
        let Ok(bytes) = files::read_whole(&source.path, MOST_FILE_BYTES) else {
            return Ok(());
        };
        let Some(counted) = self
            .counted(&bytes, source)
            .filter(|c| c.count == record.count)
        else {
            return Ok(());
        };
        let sha256 = &count.meta.sha256;
        let drawn = self.drawn(&counted, count, sha256, extra)?;
        let work_path = self.orders.layout.work_file(sha256, &source.name);
        work::Record { drawn, ..record }.save(&work_path)
    }
}

/// What was drawn of a photo for the confidence report in a finished batch.
pub fn report_pictures(layout: &Layout, count: &PhotoCount) -> Option<ReportPictures> {
    let path = layout.report_pictures(&count.meta.sha256, &count.photo);
    work::unpacked(&std::fs::read(path).ok()?)
}

/// A result with further cautions. A photo that was counted must then be confirmed.
fn with_cautions(mut count: PhotoCount, extra: &[Caution]) -> PhotoCount {
    count.cautions.extend_from_slice(extra);
    if !extra.is_empty() && count.status == Status::Counted {
        count.status = Status::Confirm;
    }
    count
}

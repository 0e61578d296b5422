//! Runs a batch: every photo on its own, then what concerns two of them.

use std::{
    fs,
    panic::{AssertUnwindSafe, catch_unwind},
};

use rayon::prelude::*;

use super::{
    BatchError, Budget, MOST_FILE_BYTES, Orders, Source, Step, Taken, Worker,
    budget::STAGES_BYTES,
    copies,
    twice::{self, Seen},
    work,
};
use crate::{
    caution::Caution,
    counts::{PhotoCount, Status},
    files,
    photo::{decode_bytes, marked_as_drawn, sha256_hex},
    pipeline::{Counted, Picture},
};

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
            budget: Budget::new(orders.memory_bytes),
        };
        let groups = copies::groups(sources);
        let done: Vec<Vec<work::Record>> = (groups.par_iter().with_max_len(1))
            .map(|group| batch.group(group.iter().map(|&at| &sources[at]), tell))
            .collect::<Result<_, BatchError>>()?;
        let mut done: Vec<(usize, work::Record)> = (groups.into_iter().flatten())
            .zip(done.into_iter().flatten())
            .collect();
        done.sort_by_key(|(at, _)| *at);
        let done = done.into_iter().map(|(_, record)| record).collect();
        batch.told_twice(sources, done)
    })
}

/// A running batch.
struct Batch<'a> {
    orders: &'a Orders,
    worker: &'a dyn Worker,
    photos: usize,
    budget: Budget,
}

impl Batch<'_> {
    /// One file under all its names, counted once.
    fn group<'s>(
        &self,
        sources: impl ExactSizeIterator<Item = &'s Source>,
        tell: &(dyn Fn(Step<'_>) + Sync),
    ) -> Result<Vec<work::Record>, BatchError> {
        let names = sources.len();
        let mut kept: Option<Kept<'_>> = None;
        let mut first: Option<&str> = None;
        let mut records = Vec::with_capacity(names);
        for (copy, source) in (0..).zip(sources) {
            let extra = first.map(|first| twice::same_file(first, copy));
            let (record, reused) = self.one(source, extra.as_slice(), &mut kept)?;
            tell(Step {
                count: &record.count,
                reused,
            });
            first = first.or(Some(&source.name));
            records.push(record);
        }
        if let Some(picture) = kept.and_then(|kept| kept.counted.picture) {
            self.worker.done(picture);
        }
        Ok(records)
    }

    /// One photo: from finished work where there is some, else counted, drawn and kept. `extra`: cautions that come
    /// from other photos, as far as they are known; `kept`: the same file under another name.
    fn one<'a>(
        &'a self,
        source: &Source,
        extra: &[Caution],
        kept: &mut Option<Kept<'a>>,
    ) -> Result<(work::Record, bool), BatchError> {
        let bytes = match files::read_whole(&source.path, MOST_FILE_BYTES) {
            Ok(bytes) => bytes,
            Err(error) => {
                let problem = format!("the file cannot be read: {error}");
                let count = self.worker.failed(&source.name, problem);
                return Ok((work::Record::bare(count), false));
            }
        };
        let sha256 = sha256_hex(&bytes);
        let finished = (!self.orders.again)
            .then(|| self.finished(&sha256, source))
            .flatten();
        if let Some((record, true)) = finished {
            return Ok((record, true));
        }
        let same = kept.take().filter(|kept| kept.sha256 == sha256);
        let (mut counted, taken) = if let Some(Kept { counted, taken, .. }) = same {
            (counted, taken)
        } else {
            let taken = self.budget.take(cost(&bytes));
            let counted = match finished {
                Some((record, _)) => self.for_drawing(record, &bytes),
                None => match counted(self.worker, &bytes, &source.name) {
                    Ok(counted) => counted,
                    Err(failed) => return Ok((work::Record::bare(*failed), false)),
                },
            };
            (counted, taken)
        };
        drop(bytes);
        counted.count.photo.clone_from(&source.name);
        if let Some(picture) = &mut counted.picture {
            picture.photo.file_name.clone_from(&source.name);
        }
        let count = with_cautions(counted.count.clone(), extra);
        let drawn = self.drawn(counted.picture.as_ref(), &count, &sha256, extra)?;
        let record = work::Record {
            key: self.orders.key.clone(),
            count: counted.count.clone(),
            thumbnail: counted.thumbnail.clone(),
            drawn,
        };
        record.save(&self.orders.layout.work_file(&sha256, &source.name))?;
        *kept = Some(Kept {
            sha256,
            counted,
            taken,
        });
        Ok((record, false))
    }

    /// Finished work that still holds, and whether its pictures do too, if they are wanted.
    fn finished(&self, sha256: &str, source: &Source) -> Option<(work::Record, bool)> {
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
                let sizes = paths.map(|path| fs::metadata(path).map_or(0, |meta| meta.len()));
                *key == self.orders.drawing_key && sizes == *sizes_bytes
            }
        };
        let holds = pictures_hold || !self.orders.pictures;
        (record.key == self.orders.key && record.count.photo == source.name)
            .then_some((record, holds))
    }

    /// A finished count, with the pixels for drawing it.
    fn for_drawing(&self, record: work::Record, bytes: &[u8]) -> Counted {
        let picture = || self.worker.picture(bytes, &record.count);
        Counted {
            picture: catch_unwind(AssertUnwindSafe(picture)).ok().flatten(),
            count: record.count,
            thumbnail: record.thumbnail,
        }
    }

    /// Draws and writes the pictures. `extra` are the cautions that came from other photos.
    fn drawn(
        &self,
        picture: Option<&Picture>,
        count: &PhotoCount,
        sha256: &str,
        extra: &[Caution],
    ) -> Result<work::Drawn, BatchError> {
        if !self.orders.pictures {
            return Ok(work::Drawn::NotAsked);
        }
        let draw = |picture| self.worker.draw(picture, count, self.photos);
        let drawing = picture.and_then(|picture| {
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

    /// Draws a photo again with all its cautions. It is not counted again.
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
        let sha256 = &count.meta.sha256;
        if sha256_hex(&bytes) != *sha256 {
            return Ok(());
        }
        let _taken = self.budget.take(cost(&bytes));
        let counted = self.for_drawing(record, &bytes);
        drop(bytes);
        let record = work::Record {
            key: self.orders.key.clone(),
            drawn: self.drawn(counted.picture.as_ref(), count, sha256, extra)?,
            count: counted.count,
            thumbnail: counted.thumbnail,
        };
        if let Some(picture) = counted.picture {
            self.worker.done(picture);
        }
        record.save(&self.orders.layout.work_file(sha256, &source.name))
    }
}

/// A photo that was counted, kept for the same file under another name.
struct Kept<'a> {
    sha256: String,
    counted: Counted,
    taken: Taken<'a>,
}

/// Memory that counting and drawing a photo takes, bytes: its file, its pixels while they are decoded, and the stages.
pub(super) fn cost(bytes: &[u8]) -> u64 {
    bytes.len() as u64 + decode_bytes(bytes).unwrap_or(0) + STAGES_BYTES
}

/// Counts one photo. A stage that panicked is a fault of ours: it fails this photo and stops no other.
pub(super) fn counted(
    worker: &dyn Worker,
    bytes: &[u8],
    name: &str,
) -> Result<Counted, Box<PhotoCount>> {
    let count = || worker.count(bytes, name);
    catch_unwind(AssertUnwindSafe(count)).map_err(|_| {
        let problem = "a fault in podfall itself stopped this photo; the others go on; please report it with this photo";
        Box::new(worker.failed(name, problem.to_owned()))
    })
}

/// A result with further cautions. A photo that was counted must then be confirmed.
pub(super) fn with_cautions(mut count: PhotoCount, extra: &[Caution]) -> PhotoCount {
    count.cautions.extend_from_slice(extra);
    if !extra.is_empty() && count.status == Status::Counted {
        count.status = Status::Confirm;
    }
    count
}

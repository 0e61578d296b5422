//! Counts made apart, on any number of machines, and gathered again to what one run would have given.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::{
    Budget, Source, Worker, annotated_name,
    run::{cost, counted, with_cautions},
    twice::{self, Seen},
};
use crate::{
    counts::{CountsFile, ModelName, PhotoCount, SCHEMA, Status},
    files,
    likeness::Thumbnail,
};

/// What every count of one job depends on besides the photo. Parts of two jobs are not put together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Job {
    /// [`SCHEMA`].
    pub schema: u32,
    /// Version of the tool.
    pub podfall: String,
    /// The model.
    pub model: ModelName,
    /// SHA-256 of the settings in words.
    pub settings: String,
}

/// One photo counted apart: a line of JSON. It holds nothing of where, when or beside which others.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// What it depended on.
    pub job: Job,
    /// The result, without what concerns two photos.
    pub count: PhotoCount,
    /// The plot drawn small, by which a plot that was photographed twice is told.
    pub thumbnail: Option<Thumbnail>,
}

/// Why parts could not be put together.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PartError {
    /// None at all.
    #[error("no counted photo in what was given; give the lines that podfall count --part printed")]
    None,
    /// Two versions, models or settings.
    #[error(
        "{first} and {other} were counted with different {what}; count one of them again with those of the other"
    )]
    Mixed {
        /// A photo.
        first: String,
        /// Another one.
        other: String,
        /// What differs.
        what: &'static str,
    },
    /// Two photos of one name, or one counted twice with two results.
    #[error(
        "there are two different results under the name {name}; rename one photo, or gather the folders apart"
    )]
    Conflict {
        /// The name.
        name: String,
    },
}

/// Counts one photo and keeps nothing: the same photo and job give the same part, anywhere.
///
/// # Errors
/// What the system said, when the file cannot be read: that is no property of the photo, and another try may
/// go better.
pub fn part(
    source: &Source,
    job: &Job,
    worker: &dyn Worker,
    budget: &Budget,
) -> std::io::Result<Part> {
    let bytes = files::read_whole(&source.path, super::MOST_FILE_BYTES)?;
    let _taken = budget.take(cost(&bytes));
    let (count, thumbnail) = match counted(worker, &bytes, &source.name) {
        Ok(counted) => {
            if let Some(picture) = counted.picture {
                worker.done(picture);
            }
            (counted.count, counted.thumbnail)
        }
        Err(failed) => (*failed, None),
    };
    Ok(Part {
        job: job.clone(),
        count,
        thumbnail,
    })
}

/// Puts parts together, in any order, to the bytes of one run over all their photos.
///
/// A photo that was counted more than once stands once. Of two results of which one is a failure, the
/// other one stands.
///
/// # Errors
/// [`PartError`].
pub fn gathered(parts: Vec<Part>) -> Result<CountsFile, PartError> {
    let mut by_name: BTreeMap<String, Part> = BTreeMap::new();
    for part in parts {
        match by_name.get(&part.count.photo) {
            None => {
                by_name.insert(part.count.photo.clone(), part);
            }
            Some(there) if *there == part || part.count.status == Status::Failed => {}
            Some(there) if there.count.status == Status::Failed => {
                by_name.insert(part.count.photo.clone(), part);
            }
            Some(_) => {
                let name = part.count.photo;
                return Err(PartError::Conflict { name });
            }
        }
    }
    let parts: Vec<Part> = by_name.into_values().collect();
    let job = one_job(&parts)?.clone();
    check_pictures(&parts)?;
    let seen: Vec<Seen<'_>> = parts
        .iter()
        .map(|part| Seen {
            count: &part.count,
            thumbnail: part.thumbnail.as_ref(),
        })
        .collect();
    let extras = twice::cautions(&seen);
    let photos = parts.into_iter().zip(extras);
    Ok(CountsFile {
        schema: SCHEMA,
        podfall: job.podfall,
        model: job.model,
        photos: photos
            .map(|(part, extra)| with_cautions(part.count, &extra))
            .collect(),
    })
}

/// The job that all are of.
fn one_job(parts: &[Part]) -> Result<&Job, PartError> {
    let first = parts.first().ok_or(PartError::None)?;
    for other in parts {
        let (a, b) = (&first.job, &other.job);
        let what = if (a.schema, &a.podfall) != (b.schema, &b.podfall) {
            "versions of podfall"
        } else if a.model != b.model {
            "models"
        } else if a.settings != b.settings {
            "settings (--frame, --bar-height)"
        } else {
            continue;
        };
        return Err(PartError::Mixed {
            first: first.count.photo.clone(),
            other: other.count.photo.clone(),
            what,
        });
    }
    Ok(&first.job)
}

/// Two names that one run would refuse, since one picture would stand for the other.
fn check_pictures(parts: &[Part]) -> Result<(), PartError> {
    let mut seen = std::collections::HashSet::new();
    for part in parts {
        let name = &part.count.photo;
        if !seen.insert(annotated_name(name).to_lowercase()) {
            return Err(PartError::Conflict { name: name.clone() });
        }
    }
    Ok(())
}

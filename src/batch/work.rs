//! Finished work on one photo, kept so that a stopped run goes on where it was.

use std::{fs, path::Path};

use serde::{Deserialize, Serialize};

use super::BatchError;
use crate::{caution::Caution, counts::PhotoCount, files, likeness::Thumbnail};

/// One photo, finished.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Record {
    /// What the count depended on besides the photo.
    pub key: String,
    /// The result, without what concerns two photos.
    pub count: PhotoCount,
    /// The plot drawn small.
    pub thumbnail: Option<Thumbnail>,
    /// What was drawn.
    pub drawn: Drawn,
}

/// What was drawn of a photo.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Drawn {
    /// No picture was wanted.
    NotAsked,
    /// There is nothing to draw.
    Nothing,
    /// Drawn, with these cautions that came from other photos.
    With(Vec<Caution>),
}

impl Record {
    /// A result that is not kept.
    pub fn bare(count: PhotoCount) -> Self {
        Self {
            key: String::new(),
            count,
            thumbnail: None,
            drawn: Drawn::Nothing,
        }
    }

    /// Reads finished work. `None` where there is none that can be read: then the photo is
    /// counted, which is always right.
    pub fn load(path: &Path) -> Option<Self> {
        serde_json::from_slice(&fs::read(path).ok()?).ok()
    }

    /// Keeps it.
    pub fn save(&self, path: &Path) -> Result<(), BatchError> {
        let bytes = serde_json::to_vec(self).expect("a record is plain data");
        files::write_whole(path, &bytes).map_err(|source| BatchError::Write {
            path: path.to_owned(),
            source,
        })
    }
}

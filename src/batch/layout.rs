//! Where results lie.

use std::{
    fs,
    path::{Path, PathBuf},
    time::Duration,
};

use super::BatchError;
use crate::{files, photo::sha256_hex};

/// Age from which an unfinished file is no longer being written. One takes milliseconds.
const LEFT_OVER_AGE: Duration = Duration::from_secs(600);

/// The folder of results: `counts.json`, `counts.csv`, `report.html`, `annotated/`, and `work/`
/// with what is finished of a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Layout {
    /// The folder.
    pub out: PathBuf,
}

/// Name of a photo's annotated picture: the photo's own where it ends in `.jpg`, else with `.jpg`
/// put behind.
pub fn annotated_name(photo: &str) -> String {
    if photo.to_ascii_lowercase().ends_with(".jpg") {
        photo.to_owned()
    } else {
        format!("{photo}.jpg")
    }
}

impl Layout {
    /// `counts.json`.
    pub fn counts_json(&self) -> PathBuf {
        self.out.join("counts.json")
    }

    /// `counts.csv`.
    pub fn counts_csv(&self) -> PathBuf {
        self.out.join("counts.csv")
    }

    /// `report.html`.
    pub fn report(&self) -> PathBuf {
        self.out.join("report.html")
    }

    /// `confirmed.html`: the report with what a person said.
    pub fn confirmed_report(&self) -> PathBuf {
        self.out.join("confirmed.html")
    }

    /// The annotated picture of this photo with what a person said.
    pub fn confirmed(&self, photo: &str) -> PathBuf {
        self.confirmed_folder().join(annotated_name(photo))
    }

    /// The folder of the pictures with what a person said.
    pub fn confirmed_folder(&self) -> PathBuf {
        self.out.join("confirmed")
    }

    /// What was drawn for the report of one photo, with what a person said.
    pub(super) fn said_pictures(&self, sha256: &str, name: &str) -> PathBuf {
        let stem = work_stem(sha256, name);
        self.work_folder().join(stem + "-said.pictures")
    }

    /// By which it is known whether that is up to date.
    pub(super) fn said_key(&self, sha256: &str, name: &str) -> PathBuf {
        self.work_folder()
            .join(work_stem(sha256, name) + "-said.key")
    }

    /// The folder of the annotated pictures.
    pub fn annotated_folder(&self) -> PathBuf {
        self.out.join("annotated")
    }

    /// The annotated picture of this photo.
    pub fn annotated(&self, photo: &str) -> PathBuf {
        self.annotated_folder().join(annotated_name(photo))
    }

    /// Where finished work is kept.
    pub fn work_folder(&self) -> PathBuf {
        self.out.join("work")
    }

    /// Where the model's file is kept in mind, if it is not the one built in.
    pub(super) fn model_path(&self) -> PathBuf {
        self.work_folder().join("model.path")
    }

    /// Finished work on one photo: by what is in the file and what it is called, so that a photo
    /// that was changed or renamed is counted afresh.
    pub(super) fn work_file(&self, sha256: &str, name: &str) -> PathBuf {
        self.work_folder().join(work_stem(sha256, name) + ".json")
    }

    /// What was drawn of one photo for the report.
    pub(super) fn report_pictures(&self, sha256: &str, name: &str) -> PathBuf {
        self.work_folder()
            .join(work_stem(sha256, name) + ".pictures")
    }

    /// Makes the folders and sweeps away what a killed run left unfinished.
    pub(super) fn prepare(&self, pictures: bool) -> Result<(), BatchError> {
        make(&self.out)?;
        make(&self.work_folder())?;
        if pictures {
            make(&self.annotated_folder())?;
        }
        Ok(())
    }

    /// Makes the folders for what is drawn with a person's marks.
    pub(super) fn prepare_confirmed(&self) -> Result<(), BatchError> {
        make(&self.work_folder())?;
        make(&self.confirmed_folder())
    }
}

fn make(folder: &Path) -> Result<(), BatchError> {
    fs::create_dir_all(folder).map_err(BatchError::writing(folder))?;
    files::sweep(folder, LEFT_OVER_AGE);
    Ok(())
}

fn work_stem(sha256: &str, name: &str) -> String {
    let name = sha256_hex(name.as_bytes());
    let contents: String = sha256.chars().take(32).collect();
    format!("{contents}-{}", &name[..8])
}

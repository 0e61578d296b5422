//! The model that a season was counted with: its file, kept in mind beside the counts for whoever counts a photo anew.

use std::{
    fs, io,
    path::{Path, PathBuf},
};

use super::{BatchError, Layout};
use crate::{
    counts::ModelName,
    files,
    model::{Model, ModelError, built_in_card},
    score::card::Card,
};

/// Largest model file and card that are read, bytes.
const MOST_MODEL_BYTES: u64 = 100_000_000;
const MOST_CARD_BYTES: u64 = 1_000_000;

/// Why a model file gives no model.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ModelFileError {
    /// A file that cannot be read.
    #[error("{}: cannot be read", path.display())]
    File {
        /// The network, or the card beside it.
        path: PathBuf,
        /// What the system said.
        #[source]
        source: io::Error,
    },
    /// Files that are no model.
    #[error("{}", path.display())]
    Model {
        /// The network.
        path: PathBuf,
        /// What is wrong.
        #[source]
        source: ModelError,
    },
}

/// Reads a model and its card, which lies beside it as `.toml`.
///
/// # Errors
/// [`ModelFileError`] when either cannot be read or they do not belong together.
pub fn read_model(path: &Path) -> Result<Model, ModelFileError> {
    let network = files::read_whole(path, MOST_MODEL_BYTES).map_err(failed(path))?;
    let card = card_text(path)?;
    Model::from_bytes(&network, &card).map_err(|source| ModelFileError::Model {
        path: path.to_owned(),
        source,
    })
}

fn card_text(model: &Path) -> Result<String, ModelFileError> {
    let path = model.with_extension("toml");
    let bytes = files::read_whole(&path, MOST_CARD_BYTES).map_err(failed(&path))?;
    String::from_utf8(bytes).map_err(|e| failed(&path)(io::Error::other(e)))
}

fn failed(path: &Path) -> impl FnOnce(io::Error) -> ModelFileError {
    let path = path.to_owned();
    move |source| ModelFileError::File { path, source }
}

/// Keeps in mind with which model file the counts were made; `None`: with the one built in.
///
/// # Errors
/// [`BatchError::Write`].
pub fn keep_model_path(layout: &Layout, model: Option<&Path>) -> Result<(), BatchError> {
    let path = layout.model_path();
    let Some(model) = model else {
        // There is none as a rule.
        let _ = fs::remove_file(&path);
        return Ok(());
    };
    let model = fs::canonicalize(model).unwrap_or_else(|_| model.to_owned());
    let bytes = model.as_os_str().as_encoded_bytes();
    let write = || {
        fs::create_dir_all(layout.work_folder())?;
        files::write_whole(&path, bytes)
    };
    write().map_err(BatchError::writing(&path))
}

/// The model file that the counts of this folder were made with, where it was kept in mind.
pub fn kept_model_path(layout: &Layout) -> Option<PathBuf> {
    const MOST_PATH_BYTES: u64 = 40_000;
    let bytes = files::read_whole(&layout.model_path(), MOST_PATH_BYTES).ok()?;
    Some(PathBuf::from(String::from_utf8(bytes).ok()?))
}

/// The card of the model that the counts of this folder were made with; where it cannot be had, that of the one built in.
pub fn card_of_counts(layout: &Layout, counted_with: &ModelName) -> Card {
    let built_in = built_in_card();
    if counted_with.sha256 == built_in.sha256 {
        return built_in;
    }
    let kept = || {
        let text = card_text(&kept_model_path(layout)?).ok()?;
        let card: Card = toml::from_str(&text).ok()?;
        (card.sha256 == counted_with.sha256).then_some(card)
    };
    kept().unwrap_or(built_in)
}

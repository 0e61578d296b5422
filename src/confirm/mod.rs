//! The page on which a person puts the counts right: a small server on this machine alone.
//!
//! [`Session`] holds the season and says what follows from each mark; [`serve`] lets a browser on the same machine look
//! and speak. What is said goes to the journal before it is answered.

use std::{collections::BTreeMap, path::PathBuf};

use crate::{batch::MarksError, loss::Assumptions};

mod answer;
mod guard;
mod model;
mod pictures;
mod queue;
mod say;
mod server;
mod session;
mod view;

pub use answer::{Answer, Figure};
pub use guard::{Guard, Refusal};
pub use say::{Say, SayError};
pub use server::{Served, bind, router, serve};
pub use session::{Seen, Session};

/// What a session stands on.
#[derive(Debug, Clone)]
pub struct Inputs {
    /// `counts.json`; marks lie beside it.
    pub counts: PathBuf,
    /// `sheet.csv`, whether it is there or not.
    pub sheet: PathBuf,
    /// Photo files by file name.
    pub photos: BTreeMap<String, PathBuf>,
    /// Crop, machine and market.
    pub assumptions: Assumptions,
    /// The model file that the counts were made with, where it is not the one built in and was named.
    pub model: Option<PathBuf>,
    /// Height of the bar's inner edge, mm, when known; for plots made anew where the count was not told it.
    pub bar_height_mm: Option<f64>,
    /// Name of the season.
    pub title: String,
    /// Who makes the marks.
    pub who: String,
    /// Half-width of the limits that is wished, % of the answer.
    pub wished_pct: f64,
}

/// Why the page could not be opened or a request not be followed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ConfirmError {
    /// A file of the season that cannot be read.
    #[error("{}: {what}", path.display())]
    Season {
        /// Which.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
    /// Marks could not be read or kept.
    #[error(transparent)]
    Marks(#[from] MarksError),
    /// Something was said that cannot be.
    #[error(transparent)]
    Say(#[from] SayError),
    /// A photo that is not there, or not the one that was counted.
    #[error("{photo}: {what}")]
    Photo {
        /// File name.
        photo: String,
        /// What is wrong and what to do.
        what: String,
    },
    /// The model that the counts were made with cannot be had.
    #[error(
        "this photo would have to be counted anew, with the model that the season was counted with, {name}, but {what}. Put \
         that file back, or end podfall confirm and name the file with --model; or count all photos again with podfall count"
    )]
    Model {
        /// Name of the model.
        name: String,
        /// Why not.
        what: String,
    },
    /// The page knew an older state.
    #[error(
        "somebody has marked something since this page was read (another tab?); it is shown now as it stands: say it once more"
    )]
    Stale,
    /// The page shows photos of counts that are not those of now: its numbers mean others.
    #[error(
        "the photos were counted anew since this page was read; they are shown now as they stand: look once more, then say it \
         once more"
    )]
    CountedAnew,
    /// No address to listen at.
    #[error("no port of this machine can be listened at")]
    Port(#[source] std::io::Error),
}

impl ConfirmError {
    /// Whether the page must first be told how things stand.
    fn is_stale(&self) -> bool {
        matches!(self, Self::Stale | Self::CountedAnew)
    }
}

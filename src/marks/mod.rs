//! What a person said of the photos: marks. Pure: bytes and values in, values out.
//!
//! `marks.journal` is the source of truth, one act a line, each line chained to the one before it;
//! `marks.json` is what follows from it, photo by photo. What the tool saw (`counts.json`) is never changed:
//! [`confirmed`] puts the two together.

mod act;
mod apply;
mod journal;
mod season;
mod state;
mod threshold;

pub use act::{Act, Named, Verdict};
pub use apply::{
    Applied, HOME_MM, Homeless, Lapsed, MarkSettings, Shown, Standing, apply, photo_map,
};
pub use journal::{Entry, FIRST_PREV, Journal, JournalError, Said, line_of};
pub use season::{ConfirmedCounts, OfPhoto, Recount, RecountFile, confirmed, of_photo};
pub use state::{
    AddedMark, ConfirmMark, HandMark, MarksFile, MarksOfPhoto, ObjectMark, PhotoMarks, PlaceMark,
    SeasonMarks,
};

pub use threshold::{HeldBack, SeasonThreshold, Shifted, season_threshold};

/// Name of the journal, beside `counts.json`.
pub const JOURNAL: &str = "marks.journal";
/// Name of what follows from the journal, beside `counts.json`.
pub const MARKS: &str = "marks.json";
/// Name of the counts made anew with corners set by hand, beside `counts.json`.
pub const RECOUNTED: &str = "recounted.json";
/// Version of the form of the journal and of `marks.json`.
pub const SCHEMA: u32 = 1;

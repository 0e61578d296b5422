//! `sheet.csv`: what the person knows and no photo shows. One row a photo.

mod by_card;
mod cards;
mod column;
mod error;
mod guess;
mod merge;
mod read;

pub use crate::place::Place;
pub use by_card::CardDiffers;
pub use cards::{CardPage, MOST_CHECKS, cards_html};
pub use column::Column;
pub use error::SheetError;
pub use guess::{GuessSettings, Shot, guess_checks};
pub(crate) use guess::{distance_m, seconds};
pub use merge::{Merged, merge};
pub use read::{Row, Sheet, Typed};

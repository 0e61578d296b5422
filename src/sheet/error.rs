//! What can be wrong with a sheet. Rows and columns are named as a spreadsheet names them: row 1 holds the headings.

use super::Column;

/// Why a sheet could not be read.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SheetError {
    /// Nothing in it.
    #[error("the sheet is empty; podfall sheet writes one")]
    Empty,
    /// Not text that can be read.
    #[error("the sheet is not text in UTF-8, UTF-16 or Windows-1252: save it as CSV")]
    NotText,
    /// Quotes that do not close, and the like.
    #[error("row {row}: not a row of a CSV file; look for a quotation mark without its partner")]
    NotCsv {
        /// Row.
        row: usize,
    },
    /// A heading that is not known.
    #[error("row 1, column {letter}: '{word}' is not a column of the sheet; use {known}")]
    UnknownColumn {
        /// Letter of the column.
        letter: String,
        /// What stood there.
        word: String,
        /// The headings there are.
        known: String,
    },
    /// A heading that stands twice.
    #[error("row 1, column {letter}: '{word}' stands twice")]
    ColumnTwice {
        /// Letter of the second.
        letter: String,
        /// The heading.
        word: &'static str,
    },
    /// No `photo` column.
    #[error("row 1: there is no photo column")]
    NoPhotoColumn,
    /// A cell without a heading.
    #[error("row {row}, column {letter}: '{text}' stands under no heading")]
    CellWithoutHeading {
        /// Row.
        row: usize,
        /// Letter of the column.
        letter: String,
        /// What stood there.
        text: String,
    },
    /// A row with something in it, but no photo.
    #[error(
        "row {row}, column {letter} (photo): empty, but the row is not; name the photo or clear the row"
    )]
    NoPhoto {
        /// Row.
        row: usize,
        /// Letter of the photo column.
        letter: String,
    },
    /// The same photo in two rows.
    #[error("row {row}, column {letter} (photo): {photo} stands in row {first} already")]
    PhotoTwice {
        /// Row.
        row: usize,
        /// Letter of the photo column.
        letter: String,
        /// The photo.
        photo: String,
        /// The row where it stands first.
        first: usize,
    },
    /// A photo that was not counted at all.
    #[error(
        "row {row}, column {letter} ({word}): there is no photo '{photo}' among those counted{hint}"
    )]
    UnknownPhoto {
        /// Row.
        row: usize,
        /// Letter of the column.
        letter: String,
        /// Heading of the column.
        word: &'static str,
        /// What stood there.
        photo: String,
        /// "; is it X?", or what to do.
        hint: String,
    },
    /// Not a place.
    #[error(
        "row {row}, column {letter} (place): '{text}' is not a place; use standing, cut, behind or tray"
    )]
    UnknownPlace {
        /// Row.
        row: usize,
        /// Letter of the column.
        letter: String,
        /// What stood there.
        text: String,
    },
    /// Not a number, or one that makes no sense.
    #[error(
        "row {row}, column {letter} ({word}): '{text}' is not a number from 0 to {most}{}",
        without_comma(.text)
    )]
    NotANumber {
        /// Row.
        row: usize,
        /// Letter of the column.
        letter: String,
        /// Heading of the column.
        word: &'static str,
        /// What stood there.
        text: String,
        /// The most that is taken.
        most: f64,
    },
    /// Both speeds.
    #[error("row {row}: speed_mph and speed_kmh are both filled; keep one")]
    TwoSpeeds {
        /// Row.
        row: usize,
    },
}

/// What to write for a number with a comma in it: the decimal point, or between thousands nothing.
fn without_comma(text: &str) -> String {
    let point = text.replacen(',', ".", 1);
    let Some((_, after)) = text
        .split_once(',')
        .filter(|_| point.parse::<f64>().is_ok())
    else {
        return String::new();
    };
    let thousands = match after.len() {
        3 => format!(", or {}", text.replacen(',', "", 1)),
        _ => String::new(),
    };
    format!("; a number takes a point, not a comma: {point}{thousands}")
}

/// The headings, for a message.
pub(super) fn known() -> String {
    Column::ALL.map(Column::word).join(", ")
}

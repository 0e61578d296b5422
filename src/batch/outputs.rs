//! `counts.json`, `counts.csv`, `report.html`, each written beside and renamed into place.

use std::path::PathBuf;

use super::{BatchError, Layout};
use crate::{counts::CountsFile, files, report::csv::counts_csv};

/// Writes `counts.json` (one photo a line) and `counts.csv` (one row a photo).
///
/// # Errors
/// [`BatchError::Write`]; files that stood there before are then unchanged.
pub fn write_counts(layout: &Layout, counts: &CountsFile) -> Result<(), BatchError> {
    write(layout.counts_csv(), counts_csv(counts).as_bytes())?;
    write(layout.counts_json(), json(counts).as_bytes())
}

/// Writes `report.html`.
///
/// # Errors
/// [`BatchError::Write`].
pub fn write_report(layout: &Layout, html: &str) -> Result<(), BatchError> {
    write(layout.report(), html.as_bytes())
}

/// Writes `confirmed.html`: the confidence report with what a person said.
///
/// # Errors
/// [`BatchError::Write`].
pub fn write_confirmed_report(layout: &Layout, html: &str) -> Result<(), BatchError> {
    write(layout.confirmed_report(), html.as_bytes())
}

fn write(path: PathBuf, bytes: &[u8]) -> Result<(), BatchError> {
    files::write_whole(&path, bytes).map_err(BatchError::writing(&path))
}

/// The file's JSON with one photo a line, so that two runs can be compared line by line.
fn json(counts: &CountsFile) -> String {
    let bare = CountsFile {
        photos: Vec::new(),
        ..counts.clone()
    };
    let head = serde_json::to_string(&bare).expect("counts are plain data");
    let lines: Vec<String> = counts
        .photos
        .iter()
        .map(|photo| serde_json::to_string(photo).expect("counts are plain data"))
        .collect();
    let head = head.strip_suffix("]}").expect("photos stand last");
    format!("{head}\n{}\n]}}\n", lines.join(",\n"))
}

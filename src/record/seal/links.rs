//! Links within the evidence: each photo to its count, each mark to the one before it.

use serde::Deserialize;

use super::{Finding, Seen, verify::bytes_of};
use crate::{
    counts::{CountsFile, PhotoCount},
    marks::{Entry, Journal, MarksFile, SeasonMarks},
    record::{COUNTS, Kept, MARKS, MARKS_JOURNAL, ORIGINALS, RECORD, SIGNATURE},
};

/// Of `record.json` what the links need, so that bundles of other versions can be checked too.
#[derive(Deserialize)]
struct Linked {
    signed: bool,
    frames: Vec<LinkedFrame>,
}

#[derive(Deserialize)]
struct LinkedFrame {
    photo: String,
    sha256: String,
    original: Kept,
}

/// Files that the links are read from.
pub(super) fn is_kept(path: &str) -> bool {
    [COUNTS, RECORD, MARKS, MARKS_JOURNAL].contains(&path)
}

/// Every link that does not hold.
pub(super) fn check(seen: &Seen, notes: &mut Vec<String>) -> Vec<Finding> {
    let mut findings = Vec::new();
    let counts: Option<CountsFile> = read(seen, COUNTS, &mut findings);
    let facts: Option<Linked> = read(seen, RECORD, &mut findings);
    if let (Some(counts), Some(facts)) = (&counts, &facts) {
        photos(seen, counts, facts, &mut findings);
        not_in_it(facts, notes);
    }
    marks(seen, counts.as_ref(), &mut findings, notes);
    if facts.is_some_and(|f| f.signed) && !seen.files.contains_key(SIGNATURE) {
        findings.push(Finding::broken(
            SIGNATURE,
            "is missing; the record says that it was signed",
        ));
    }
    findings
}

fn read<T: serde::de::DeserializeOwned>(
    seen: &Seen,
    path: &str,
    findings: &mut Vec<Finding>,
) -> Option<T> {
    let bytes = bytes_of(seen, path)?;
    match serde_json::from_slice(bytes) {
        Ok(value) => Some(value),
        Err(error) => {
            findings.push(Finding::not_checked(
                path,
                format!("cannot be read by this version of podfall ({error}), so what it links cannot be checked"),
            ));
            None
        }
    }
}

/// What was counted is what lies there.
fn photos(seen: &Seen, counts: &CountsFile, facts: &Linked, findings: &mut Vec<Finding>) {
    for frame in &facts.frames {
        let counted = counts.photos.iter().find(|p| p.photo == frame.photo);
        match counted {
            Some(counted) if counted.meta.sha256 == frame.sha256 => {}
            Some(_) => findings.push(Finding::broken(
                &frame.photo,
                format!("{RECORD} and {COUNTS} speak of different files of that name"),
            )),
            None => findings.push(Finding::broken(
                &frame.photo,
                format!("stands in {RECORD} but not in {COUNTS}"),
            )),
        }
        if frame.original != Kept::Copied {
            continue;
        }
        let path = format!("{ORIGINALS}/{}", frame.photo);
        if let Some(file) = seen.files.get(&path)
            && file.sha256 != frame.sha256
        {
            findings.push(Finding::broken(&path, "is not the photo that was counted"));
        }
    }
    for photo in &counts.photos {
        if !facts.frames.iter().any(|f| f.photo == photo.photo) {
            findings.push(Finding::broken(
                &photo.photo,
                format!("stands in {COUNTS} but not in {RECORD}"),
            ));
        }
    }
}

fn not_in_it(facts: &Linked, notes: &mut Vec<String>) {
    let away = facts
        .frames
        .iter()
        .filter(|f| f.original != Kept::Copied)
        .count();
    if away > 0 {
        notes.push(format!(
            "{away} of {} photos are not in the bundle, only their hashes: against those the photos themselves can be \
             checked where they lie (sha256sum PHOTO).",
            facts.frames.len()
        ));
    }
}

/// Every mark follows on the one before it, and what stands of them is what the journal gives.
fn marks(
    seen: &Seen,
    counts: Option<&CountsFile>,
    findings: &mut Vec<Finding>,
    notes: &mut Vec<String>,
) {
    let Some(bytes) = bytes_of(seen, MARKS_JOURNAL) else {
        if seen.files.contains_key(MARKS) {
            findings.push(Finding::not_checked(
                MARKS,
                format!("has no {MARKS_JOURNAL} beside it from which it follows"),
            ));
        }
        return;
    };
    let journal = match Journal::read(bytes) {
        Ok(journal) => journal,
        Err(error) => {
            findings.push(Finding::broken(MARKS_JOURNAL, format!("{error}")));
            return;
        }
    };
    if !journal.torn.is_empty() {
        findings.push(Finding::broken(
            MARKS_JOURNAL,
            "ends in a line that is cut off",
        ));
    }
    let follows = SeasonMarks::replay(&journal).file();
    let there = bytes_of(seen, MARKS).and_then(|b| serde_json::from_slice::<MarksFile>(b).ok());
    if there.as_ref() != Some(&follows) {
        findings.push(Finding::broken(
            MARKS,
            format!("is not what follows from {MARKS_JOURNAL}"),
        ));
    }
    let known = |entry: &Entry| {
        let is = |p: &PhotoCount| {
            p.meta.sha256 == entry.photo_sha256
                || (entry.photo_sha256.is_empty() && p.photo == entry.photo)
        };
        counts.is_none_or(|c| c.photos.iter().any(is))
    };
    let away = journal.entries.iter().filter(|e| !known(e)).count();
    if away > 0 {
        notes.push(format!(
            "{away} of {} lines of {MARKS_JOURNAL} speak of photos that are not among the counts.",
            journal.entries.len()
        ));
    }
}

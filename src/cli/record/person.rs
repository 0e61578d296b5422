//! What persons said of the photos: the marks, as they go into the record.

use std::{collections::BTreeMap, path::Path};

use anyhow::Context;
use podfall::{
    counts::{CountsFile, PhotoCount},
    files,
    marks::{JOURNAL, Journal, OfPhoto, PhotoMarks, RECOUNTED, SeasonMarks, Standing},
    record::{MARKS, MARKS_JOURNAL, PersonCount, Redact, Redactions},
};

use super::{super::season_files::read_confirmed, bundle::Bundle};

/// Largest journal that is read, bytes.
const MOST_BYTES: u64 = 1_000_000_000;

/// By file name. `counts`: what the tool saw; `out`: the folder in which it lies.
pub fn persons(
    counts: &CountsFile,
    out: &Path,
    redactions: &Redactions,
) -> anyhow::Result<BTreeMap<String, PersonCount>> {
    let marks = podfall::batch::read_marks(out).map_err(super::usage)?;
    let confirmed = read_confirmed(counts, out)?;
    let of = |photo: &PhotoCount| {
        let said = marks.of(&photo.photo, &photo.meta.sha256)?;
        let of_photo = confirmed.photos.get(&photo.photo)?;
        (said != &PhotoMarks::default())
            .then(|| (photo.photo.clone(), person(said, of_photo, redactions)))
    };
    Ok(counts.photos.iter().filter_map(of).collect())
}

fn person(said: &PhotoMarks, of_photo: &OfPhoto, redactions: &Redactions) -> PersonCount {
    let confirmed = of_photo.applied.standing == Standing::Confirmed;
    let called_right = (of_photo.applied.count.counts).filter(|_| confirmed);
    let by: Vec<(&String, &String)> = (said.objects.iter().map(|m| (&m.who, &m.at)))
        .chain(said.added.iter().map(|m| (&m.who, &m.at)))
        .chain(said.confirmed.iter().map(|m| (&m.who, &m.at)))
        .collect();
    let mut who: Vec<String> = by.iter().map(|(who, _)| (*who).clone()).collect();
    who.sort();
    who.dedup();
    if redactions.has(Redact::Names) {
        who.clear();
    }
    let aside = said
        .unusable
        .as_ref()
        .map(|why| format!("set aside by hand: {why}"));
    let note = aside
        .into_iter()
        .chain(said.note.clone())
        .collect::<Vec<_>>()
        .join("; ");
    PersonCount {
        beans: said.hand.beans.or(called_right.map(|c| c.beans.estimate)),
        pods: said.hand.pods.or(called_right.map(|c| c.pods.estimate)),
        marks: said.objects.len() + said.added.len(),
        who,
        at: by.iter().map(|(_, at)| (*at).clone()).max(),
        note: (!note.is_empty() && !redactions.has(Redact::Notes)).then_some(note),
        confirmed,
    }
}

/// The journal as it lies there, what follows from it, and the counts made anew with corners set by hand.
pub fn put_marks(bundle: &Bundle, out: &Path, redactions: &Redactions) -> anyhow::Result<()> {
    let path = out.join(JOURNAL);
    if files::is_absent(&path) || !redactions.keeps_journal() {
        return Ok(());
    }
    let bytes = files::read_whole(&path, MOST_BYTES).with_context(|| path.display().to_string())?;
    let journal = Journal::read(&bytes)
        .with_context(|| path.display().to_string())
        .map_err(super::usage)?;
    // A last line that a killed process never finished was never said.
    bundle.put(MARKS_JOURNAL, &bytes[..journal.whole_bytes])?;
    let mut marks = serde_json::to_vec_pretty(&SeasonMarks::replay(&journal).file())?;
    marks.push(b'\n');
    bundle.put(MARKS, &marks)?;
    let recounted = out.join(RECOUNTED);
    if !files::is_absent(&recounted) && redactions.keeps_counts() {
        let bytes = files::read_whole(&recounted, MOST_BYTES)
            .with_context(|| recounted.display().to_string())?;
        bundle.put("evidence/recounted.json", &bytes)?;
    }
    Ok(())
}

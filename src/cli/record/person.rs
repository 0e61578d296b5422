//! What persons said of the photos: the marks, as they go into the record.

use std::{collections::BTreeMap, path::Path};

use anyhow::Context;
use podfall::{
    batch,
    counts::{CountsFile, PhotoCount},
    files,
    marks::{
        Act, HandMark, JOURNAL, Journal, OfPhoto, PhotoMarks, RECOUNTED, SeasonMarks, Standing,
    },
    record::{
        Counted, EdgeSet, MARKS, MARKS_JOURNAL, PersonCount, Redact, Redactions, problem_told,
    },
};

use super::{super::season_files::read_confirmed, bundle::Bundle};

/// Largest journal that is read, bytes.
const MOST_BYTES: u64 = 1_000_000_000;

/// What persons said, by file name.
#[derive(Default)]
pub struct Persons {
    /// Of the photos.
    pub said: BTreeMap<String, PersonCount>,
    /// The counts made anew with the frame's edge as a person set it.
    pub recounts: BTreeMap<String, PhotoCount>,
}

/// `counts`: what the tool saw; `out`: the folder in which it lies.
pub fn persons(
    counts: &CountsFile,
    out: &Path,
    redactions: &Redactions,
) -> anyhow::Result<Persons> {
    let Some((_, journal)) = read_journal(out)? else {
        return Ok(Persons::default());
    };
    let marks = SeasonMarks::replay(&journal);
    let recounted = batch::read_recounted(out).map_err(super::usage)?;
    let recounts = recounted.by(&counts.model);
    let confirmed = read_confirmed(counts, out)?;
    let mut persons = Persons::default();
    for photo in &counts.photos {
        let sha256 = &photo.meta.sha256;
        let said = (marks.of(&photo.photo, sha256)).zip(confirmed.photos.get(&photo.photo));
        let Some((marks, of_photo)) = said.filter(|(marks, _)| **marks != PhotoMarks::default())
        else {
            continue;
        };
        let entry = (photo, marks, of_photo);
        let name = &photo.photo;
        (persons.said).insert(name.clone(), person(entry, &journal, redactions));
        let edge = marks.corners_px.as_ref();
        if let Some(count) = edge.and_then(|edge| recounts.get(photo, edge)) {
            persons.recounts.insert(name.clone(), count.clone());
        }
    }
    Ok(persons)
}

fn person(
    (photo, said, of_photo): (&PhotoCount, &PhotoMarks, &OfPhoto),
    journal: &Journal,
    redactions: &Redactions,
) -> PersonCount {
    let named = |who: &String| (!redactions.has(Redact::Names)).then(|| who.clone());
    let last = |is: fn(&Act) -> bool| {
        let of = |e: &&podfall::marks::Entry| match photo.meta.sha256.as_str() {
            "" => e.photo == photo.photo,
            sha256 => e.photo_sha256 == sha256,
        };
        let entry = journal.standing().filter(of).filter(|e| is(&e.act)).last();
        (
            entry.and_then(|e| named(&e.who)),
            entry.map(|e| e.at.clone()),
        )
    };
    let marks = || {
        let objects = said.objects.iter().map(|m| (&m.who, &m.at));
        objects.chain(said.added.iter().map(|m| (&m.who, &m.at)))
    };
    let mut who: Vec<String> = marks().filter_map(|(who, _)| named(who)).collect();
    who.sort();
    who.dedup();
    let is_confirmed = of_photo.applied.standing == Standing::Confirmed;
    let confirmed = said.confirmed.as_ref().filter(|_| is_confirmed);
    let note = |text: &String| {
        if redactions.has(Redact::Notes) {
            String::new()
        } else {
            text.clone()
        }
    };
    PersonCount {
        marks: marks().count(),
        who,
        at: marks().map(|(_, at)| at.clone()).max(),
        confirmed: confirmed.map(|c| Counted {
            beans: Some(c.counts.beans.estimate),
            pods: Some(c.counts.pods.estimate),
            who: named(&c.who),
            at: Some(c.at.clone()),
        }),
        hand: (said.hand != HandMark::default()).then(|| {
            let (who, at) = last(|act| matches!(act, Act::Hand { .. }));
            Counted {
                beans: said.hand.beans,
                pods: said.hand.pods,
                who,
                at,
            }
        }),
        edge: said.corners_px.map(|_| {
            let (who, at) = last(|act| matches!(act, Act::Corners { .. }));
            EdgeSet {
                who,
                at,
                counted_anew: !of_photo.recount_missing,
                before: problem_told(photo),
            }
        }),
        set_aside: said.unusable.as_ref().map(note),
        note: (said.note.as_ref().map(note)).filter(|text| !text.is_empty()),
    }
}

/// The journal's bytes and what is in it; `None` where there is none.
fn read_journal(out: &Path) -> anyhow::Result<Option<(Vec<u8>, Journal)>> {
    let path = out.join(JOURNAL);
    if files::is_absent(&path) {
        return Ok(None);
    }
    let bytes = files::read_whole(&path, MOST_BYTES).with_context(|| path.display().to_string())?;
    let journal = Journal::read(&bytes)
        .with_context(|| path.display().to_string())
        .map_err(super::usage)?;
    Ok(Some((bytes, journal)))
}

/// The journal as it lies there, what follows from it, and the counts made anew with corners set by hand.
pub fn put_marks(bundle: &Bundle, out: &Path, redactions: &Redactions) -> anyhow::Result<()> {
    if !redactions.keeps_journal() {
        return Ok(());
    }
    let Some((bytes, journal)) = read_journal(out)? else {
        return Ok(());
    };
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

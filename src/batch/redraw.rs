//! Pictures drawn anew with what a person said. They stand beside those of what the tool saw, and never in their place.

use std::{
    fs,
    panic::{AssertUnwindSafe, catch_unwind},
};

use rayon::prelude::*;

use super::{BatchError, Budget, Layout, MOST_FILE_BYTES, Source, run::cost, work};
use crate::{
    annotate::Said,
    counts::Status,
    files,
    loss::Assumptions,
    marks::{ConfirmedCounts, OfPhoto},
    photo::{Spare, marked_as_drawn, sha256_hex},
    pipeline,
    present::{self, ReportPictures},
};

/// What came of drawing anew.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Redrawn {
    /// Photos drawn now.
    pub drawn: usize,
    /// Photos whose pictures were up to date.
    pub kept: usize,
    /// Files with marks that are no photos that can be read: there is nothing to draw.
    pub passed_over: Vec<String>,
    /// Photos with marks that could not be drawn, and why.
    pub left: Vec<String>,
}

enum Outcome {
    NothingSaid,
    Drawn,
    Kept,
    PassedOver,
    Left(String),
}

/// Draws every photo anew of which something was said: `confirmed/` beside `annotated/`. What is up to date is kept, and
/// what is of marks that were taken back since is removed.
///
/// - `memory_bytes`: memory that the photos being drawn may take together.
///
/// # Errors
/// [`BatchError::Write`] when a picture cannot be kept. A photo that cannot be read is no error.
pub fn redraw(
    layout: &Layout,
    sources: &[Source],
    confirmed: &ConfirmedCounts,
    (assumptions, memory_bytes): (&Assumptions, u64),
) -> Result<Redrawn, BatchError> {
    layout.prepare_confirmed()?;
    let budget = Budget::new(memory_bytes);
    let all: Vec<(&String, &OfPhoto)> = confirmed.photos.iter().collect();
    let one = |&(name, photo): &(&String, &OfPhoto)| {
        let source = sources.iter().find(|s| s.name == *name);
        let drawing = Drawing {
            layout,
            name,
            photo,
            photos: all.len(),
            assumptions,
        };
        drawing.one(source, &budget)
    };
    let outcomes: Vec<Outcome> = (all.par_iter().with_max_len(1))
        .map(one)
        .collect::<Result<_, _>>()?;
    let mut redrawn = Redrawn::default();
    for (outcome, (name, _)) in outcomes.into_iter().zip(&all) {
        match outcome {
            Outcome::NothingSaid => {}
            Outcome::Drawn => redrawn.drawn += 1,
            Outcome::Kept => redrawn.kept += 1,
            Outcome::PassedOver => redrawn.passed_over.push((*name).clone()),
            Outcome::Left(why) => redrawn.left.push(why),
        }
    }
    Ok(redrawn)
}

/// What was drawn for the report of a photo of which something was said.
pub fn said_pictures(layout: &Layout, name: &str, photo: &OfPhoto) -> Option<ReportPictures> {
    let sha256 = &photo.applied.count.meta.sha256;
    work::unpacked(&fs::read(layout.said_pictures(sha256, name)).ok()?)
}

/// One photo to be drawn.
struct Drawing<'a> {
    layout: &'a Layout,
    name: &'a str,
    photo: &'a OfPhoto,
    photos: usize,
    assumptions: &'a Assumptions,
}

impl Drawing<'_> {
    fn one(&self, source: Option<&Source>, budget: &Budget) -> Result<Outcome, BatchError> {
        let count = &self.photo.applied.count;
        let sha256 = &count.meta.sha256;
        let paths = [
            self.layout.confirmed(self.name),
            self.layout.said_pictures(sha256, self.name),
            self.layout.said_key(sha256, self.name),
        ];
        let Some(said) = Said::of(self.photo) else {
            for path in &paths {
                // There is none as a rule.
                let _ = fs::remove_file(path);
            }
            return Ok(Outcome::NothingSaid);
        };
        if count.status == Status::Failed {
            return Ok(Outcome::PassedOver);
        }
        let key = self.key(&said);
        let is_key = |bytes: Vec<u8>| bytes == key.as_bytes();
        if paths[..2].iter().all(|p| p.is_file()) && fs::read(&paths[2]).is_ok_and(is_key) {
            return Ok(Outcome::Kept);
        }
        let left = |why: &str| Ok(Outcome::Left(format!("{}: {why}", self.name)));
        let Some(source) = source else {
            return left("the photo file is not there");
        };
        let Ok(bytes) = files::read_whole(&source.path, MOST_FILE_BYTES) else {
            return left("the file cannot be read");
        };
        if !sha256.is_empty() && sha256_hex(&bytes) != *sha256 {
            return left("the file is not the one that was counted; run podfall count again");
        }
        let _taken = budget.take(cost(&bytes));
        let draw = || {
            let picture = pipeline::picture_of(&bytes, count, &Spare::default())?;
            Some(present::draw_as_said(
                &picture,
                (count, Some(&said)),
                self.assumptions,
                self.photos,
            ))
        };
        let Some(drawing) = catch_unwind(AssertUnwindSafe(draw)).ok().flatten() else {
            return left("it cannot be drawn");
        };
        work::put(&paths[0], &marked_as_drawn(drawing.annotated_jpeg))?;
        work::put(&paths[1], &work::packed(&drawing.for_report))?;
        work::put(&paths[2], key.as_bytes())?;
        Ok(Outcome::Drawn)
    }

    /// Changes with whatever the pictures depend on.
    fn key(&self, said: &Said) -> String {
        let text = format!(
            "{} {:?} {said:?} {:?} {}",
            env!("CARGO_PKG_VERSION"),
            self.photo.applied.count,
            self.assumptions,
            self.photos
        );
        sha256_hex(text.as_bytes())
    }
}

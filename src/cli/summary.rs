//! The short answer on the terminal after a count.

use std::path::Path;

use podfall::{
    batch::Layout,
    counts::{PhotoCount, Status},
    present::told_once,
    units::plural,
};

use super::{Outcome, progress::in_words, shown};

/// The worst that became of any photo.
pub fn outcome(photos: &[PhotoCount]) -> Outcome {
    photos
        .iter()
        .map(|photo| match photo.status {
            Status::Counted => Outcome::Good,
            Status::Confirm => Outcome::Confirm,
            Status::Refused | Status::Failed => Outcome::Failed,
        })
        .max()
        .unwrap_or(Outcome::Good)
}

/// One line a photo, then how many of which, then where to look.
pub fn text(photos: &[PhotoCount], layout: &Layout) -> String {
    let name_width = photos
        .iter()
        .map(|photo| shown(&photo.photo).chars().count())
        .max()
        .unwrap_or(0);
    let mut out = String::new();
    for photo in photos {
        out.push_str(&format!(
            "{:name_width$}  {}\n",
            shown(&photo.photo),
            in_words(photo)
        ));
    }
    let of = |status: Status| photos.iter().filter(|p| p.status == status).count();
    out.push_str(&format!(
        "\n{}: {} counted, {} to confirm, {} not counted, {} failed\n",
        plural(photos.len(), "photo"),
        of(Status::Counted),
        of(Status::Confirm),
        of(Status::Refused),
        of(Status::Failed),
    ));
    for once in told_once(photos) {
        out.push_str(&format!("caution: {once}\n"));
    }
    out.push_str(&where_to_look(layout));
    out
}

/// The files that are there, each with what it is for.
fn where_to_look(layout: &Layout) -> String {
    let annotated = layout.annotated_folder();
    let has_pictures = annotated
        .read_dir()
        .is_ok_and(|mut entries| entries.next().is_some());
    let line =
        |what: &str, path: &Path| format!("{what:<20} {}\n", shown(&path.display().to_string()));
    let mut out = String::new();
    if layout.report().is_file() {
        out.push_str(&line("Confidence report:", &layout.report()));
    }
    if has_pictures {
        out.push_str(&line("Annotated pictures:", &annotated));
    }
    out.push_str(&line("Counts:", &layout.counts_json()));
    out.push_str(&line("As a table:", &layout.counts_csv()));
    out
}

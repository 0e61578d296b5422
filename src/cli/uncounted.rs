//! Photos that were copied into the season's folder after the count.

use std::path::{Path, PathBuf};

use podfall::{
    batch::{self, Source},
    counts::CountsFile,
    units::{plural_does, short_list},
};

use super::{
    count, hint,
    season_files::FolderArgs,
    setup::{self, Home},
    shown,
};

/// Photos that `count` would find, and of which the counts know nothing: which, and what to do. `out` is the counts' folder.
/// Goes by names alone.
pub fn uncounted(folder: &FolderArgs, counts: &CountsFile, out: &Path) -> Option<String> {
    let is_counted = |photo: &Source| (counts.photos.iter()).any(|count| count.photo == photo.name);
    // Photos of something else may lie in a folder that was given for its counts alone.
    let is_seasons = |at: &Path, photos: &[Source]| {
        batch::season_root(at).is_some() || photos.iter().any(is_counted)
    };
    // The folder given may be that of the results: above them may be the photos that they are of.
    let (at, photos) = [folder.home(), above(out)].into_iter().find_map(|at| {
        let photos = photos_of(&at).filter(|photos| is_seasons(&at, photos))?;
        Some((at, photos))
    })?;
    let new: Vec<String> = (photos.iter().filter(|photo| !is_counted(photo)))
        .map(|photo| shown(&photo.name))
        .collect();
    (!new.is_empty()).then(|| {
        format!(
            "{} not counted yet ({}): run {}",
            plural_does(
                new.len(),
                "photo",
                ("in the folder is", "in the folder are")
            ),
            short_list(&new),
            count_as_before(&at, counts, out)
        )
    })
}

/// Tells them on the terminal, where there are any.
pub fn tell_uncounted(folder: &FolderArgs, counts: &CountsFile, out: &Path) {
    if let Some(uncounted) = uncounted(folder, counts, out) {
        tell!("caution: {uncounted}");
    }
}

/// The photos that `podfall count FOLDER` would count; `None` where there are none.
fn photos_of(folder: &Path) -> Option<Vec<Source>> {
    (batch::gather(&[folder.to_owned()]).ok()).map(|found| found.photos)
}

fn above(folder: &Path) -> PathBuf {
    match (folder.file_name(), folder.parent()) {
        (Some(_), Some(parent)) if !parent.as_os_str().is_empty() => parent.to_owned(),
        (Some(_), _) => PathBuf::from("."),
        (None, _) => folder.join(".."),
    }
}

/// The command that counts this folder with the same frame and into the same place.
fn count_as_before(folder: &Path, counts: &CountsFile, out: &Path) -> String {
    let mut command = hint::podfall("count", folder);
    let Ok(home) = Home::of(&[folder.to_owned()]) else {
        return command;
    };
    let says_frame = setup::settings(&count::Args::default(), &home).is_ok();
    if let (false, Some(first)) = (says_frame, counts.photos.first()) {
        command.push_str(&format!(" --frame {}", first.frame_spec.typed()));
        if let Some(mm) = first.bar_height_mm {
            command.push_str(&format!(" --bar-height {}mm", (mm * 1e3).round() / 1e3));
        }
    }
    let same = |a: &Path, b: &Path| matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b);
    if !same(&home.out(), out) {
        command.push_str(&format!(" --out {}", hint::word(out)));
    }
    command
}

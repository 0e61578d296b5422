//! Which files are photos.

use std::{
    collections::HashMap,
    fs::{self, File},
    io::{self, Read},
    path::{Path, PathBuf},
};

use super::{BatchError, annotated_name};
use crate::{
    files,
    photo::{HEAD_BYTES, PhotoError, recognise},
    season,
};

/// One photo file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// Where it lies.
    pub path: PathBuf,
    /// Its name without folder. Bytes that are no UTF-8 are shown as U+FFFD.
    pub name: String,
}

/// A file in a folder that is not counted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftOut {
    /// Which.
    pub path: PathBuf,
    /// Why, in a few words.
    pub why: String,
}

/// What was found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Gathered {
    /// Photos, by name.
    pub photos: Vec<Source>,
    /// The rest, by path.
    pub left_out: Vec<LeftOut>,
}

/// Endings of photo files. A file with one of these is counted or told as failed, never passed
/// over, whatever its bytes are.
const PHOTO_ENDINGS: [&str; 9] = [
    "jpg", "jpeg", "png", "webp", "tif", "tiff", "heic", "heif", "avif",
];

/// Whether there is a `podfall.toml`, be it one that cannot be read: then reading it says so.
fn is_season(folder: &Path) -> bool {
    !files::is_absent(&folder.join(season::FILE))
}

/// The season folder that `folder` is, or whose `photos/` it is.
pub fn season_root(folder: &Path) -> Option<PathBuf> {
    if is_season(folder) {
        return Some(folder.to_owned());
    }
    let parent = folder.parent()?;
    (folder.ends_with(season::PHOTOS) && is_season(parent)).then(|| parent.to_owned())
}

/// Finds the photos: files as given, and of each folder the files in it (of a season folder,
/// those in its `photos/`). Folders in folders are not counted, so results in `out/` are never
/// taken for photos; one with photos in it is told as left out.
///
/// # Errors
/// [`BatchError`] for a path that leads nowhere, a folder that cannot be listed, two photos of one
/// name, or no photo at all.
pub fn gather(paths: &[PathBuf]) -> Result<Gathered, BatchError> {
    let mut found = Gathered::default();
    for path in paths {
        let meta = fs::metadata(path).map_err(|_| BatchError::NoSuchPath { path: path.clone() })?;
        if meta.is_dir() {
            let inner = path.join(season::PHOTOS);
            let season = is_season(path);
            let before = found.photos.len();
            if !(season && inner.is_dir()) {
                list(path, &mut found)?;
            }
            if found.photos.len() == before && inner.is_dir() {
                list(&inner, &mut found)?;
            }
        } else {
            found.photos.push(source(path.clone()));
        }
    }
    let by_name = |a: &Source, b: &Source| (&a.name, &a.path).cmp(&(&b.name, &b.path));
    found.photos.sort_by(by_name);
    // The same path given twice, or a folder and a photo in it, is one photo.
    found.photos.dedup_by(|a, b| same_file(&a.path, &b.path));
    found.left_out.sort_by(|a, b| a.path.cmp(&b.path));
    check_names(&found.photos)?;
    if found.photos.is_empty() {
        let path = paths.first().cloned().unwrap_or_default();
        return Err(BatchError::NoPhotos { path });
    }
    Ok(found)
}

fn source(path: PathBuf) -> Source {
    let name = path.file_name().unwrap_or(path.as_os_str());
    Source {
        name: name.to_string_lossy().into_owned(),
        path,
    }
}

fn same_file(a: &Path, b: &Path) -> bool {
    a == b || matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

/// Refuses two photos of which one's results would stand for the other's. Case is passed over, as
/// many file systems do.
fn check_names(photos: &[Source]) -> Result<(), BatchError> {
    let mut seen: HashMap<String, &Path> = HashMap::new();
    for photo in photos {
        let key = annotated_name(&photo.name).to_lowercase();
        if let Some(first) = seen.insert(key, &photo.path) {
            return Err(BatchError::SameName {
                first: first.to_owned(),
                second: photo.path.clone(),
            });
        }
    }
    Ok(())
}

/// Sorts the files of one folder into photos and the rest.
fn list(folder: &Path, found: &mut Gathered) -> Result<(), BatchError> {
    let error = |source| BatchError::Folder {
        path: folder.to_owned(),
        source,
    };
    for entry in fs::read_dir(folder).map_err(error)? {
        let path = entry.map_err(error)?.path();
        let source = source(path.clone());
        if source.name.starts_with(files::UNFINISHED) || is_ours(&source.name) {
            continue;
        }
        match judge(&path, &source.name) {
            Verdict::Photo => found.photos.push(source),
            Verdict::Folder if holds_photos(&path, &source.name) => found.left_out.push(LeftOut {
                path,
                why: "a folder with photos in it; move them up, or give the folder by itself"
                    .to_owned(),
            }),
            Verdict::Folder => {}
            Verdict::LeftOut(why) => found.left_out.push(LeftOut { path, why }),
        }
    }
    Ok(())
}

/// Files that belong to a season and are never taken for stray ones.
fn is_ours(name: &str) -> bool {
    [
        season::FILE,
        "sheet.csv",
        "counts.json",
        "counts.csv",
        "marks.json",
        "marks.journal",
        "recounted.json",
        "report.html",
    ]
    .contains(&name)
}

/// Whether a folder within a folder looks like photos that were copied one level too deep. What podfall draws itself does
/// not (`result` is the demo's).
fn holds_photos(folder: &Path, name: &str) -> bool {
    let ours = [
        "out",
        "record",
        season::PHOTOS,
        "annotated",
        "confirmed",
        "result",
    ];
    let written =
        ours.contains(&name) || name.starts_with('.') || folder.join("counts.json").exists();
    !written
        && fs::read_dir(folder)
            .is_ok_and(|entries| (entries.flatten()).any(|entry| has_photo_ending(&entry.path())))
}

enum Verdict {
    Photo,
    Folder,
    LeftOut(String),
}

fn judge(path: &Path, name: &str) -> Verdict {
    let left_out = |why: &str| Verdict::LeftOut(why.to_owned());
    match fs::metadata(path) {
        Ok(meta) if meta.is_dir() => return Verdict::Folder,
        Ok(meta) if !meta.is_file() => return left_out("not a plain file"),
        Err(_) if !has_photo_ending(path) => return left_out("a link that leads nowhere"),
        _ => {}
    }
    if name.starts_with('.') {
        return left_out("hidden (its name begins with a point)");
    }
    if has_photo_ending(path) {
        return Verdict::Photo;
    }
    match head(path).map(|head| recognise(&head)) {
        Ok(Ok(_) | Err(PhotoError::NotReadHere { .. } | PhotoError::Raw)) => Verdict::Photo,
        Ok(Err(PhotoError::Film)) => left_out("a film, not a photo"),
        Ok(Err(_)) => left_out("not a photo"),
        Err(error) => Verdict::LeftOut(format!("cannot be opened: {error}")),
    }
}

fn has_photo_ending(path: &Path) -> bool {
    path.extension()
        .map(|ending| ending.to_string_lossy().to_ascii_lowercase())
        .is_some_and(|ending| PHOTO_ENDINGS.contains(&ending.as_str()))
}

fn head(path: &Path) -> io::Result<Vec<u8>> {
    let mut head = Vec::with_capacity(HEAD_BYTES);
    File::open(path)?
        .take(HEAD_BYTES as u64)
        .read_to_end(&mut head)?;
    Ok(head)
}

//! Files written beside and renamed into place, so that a stopped run leaves no half file, and
//! files read with a bound on their size.

use std::{
    fs::{self, File},
    io::{self, Read, Write},
    path::Path,
    process,
    sync::atomic::{AtomicU64, Ordering},
    time::Duration,
};

/// Begins the names of files that are not finished. A reader leaves such files alone.
pub const UNFINISHED: &str = ".podfall-unfinished-";

/// Parts the names of files written at the same time by one process.
static NEXT: AtomicU64 = AtomicU64::new(0);

/// Writes a file beside `path`, to the disk, and renames it into place.
///
/// # Errors
/// What the system said; then nothing at `path` has changed.
pub fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    replace(path, bytes, true)?;
    keep_the_name(folder_of(path));
    Ok(())
}

/// As [`write_whole`], for what can be made again: a killed run leaves the old file or the new one, but
/// a power cut may leave an empty one. Costs none of the waiting for the disk, which is as
/// long as a tenth of a photo's count for each file.
///
/// # Errors
/// What the system said; then nothing at `path` has changed.
pub fn write_replaceable(path: &Path, bytes: &[u8]) -> io::Result<()> {
    replace(path, bytes, false)
}

fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

fn replace(path: &Path, bytes: &[u8], to_the_disk: bool) -> io::Result<()> {
    // Short and of its own making: the file's own name may already be as long as a name can be.
    let number = NEXT.fetch_add(1, Ordering::Relaxed);
    let beside = folder_of(path).join(format!("{UNFINISHED}{}-{number}", process::id()));
    let write = || -> io::Result<()> {
        let mut file = File::create(&beside)?;
        file.write_all(bytes)?;
        if to_the_disk {
            file.sync_all()?;
        }
        fs::rename(&beside, path)
    };
    let written = write();
    if written.is_err() {
        // Nothing more can be done when this fails too; a later run sweeps it away.
        let _ = fs::remove_file(&beside);
    }
    written
}

/// Brings the folder's own entry to the disk where the system lets one; a file system that cannot
/// has still got the whole file.
fn keep_the_name(folder: &Path) {
    if let Ok(folder) = File::open(folder) {
        let _ = folder.sync_all();
    }
}

/// Removes unfinished files of at least this age that a killed run left in `folder`. A younger one
/// may belong to a run that still goes on.
pub fn sweep(folder: &Path, least_age: Duration) {
    let Ok(entries) = fs::read_dir(folder) else {
        return;
    };
    for entry in entries.flatten() {
        let unfinished = entry.file_name().to_string_lossy().starts_with(UNFINISHED);
        // A clock that was put back makes a file look as if it came from the future: it stays.
        let age = entry
            .metadata()
            .and_then(|meta| meta.modified())
            .ok()
            .and_then(|modified| modified.elapsed().ok());
        if unfinished && age.is_some_and(|age| age >= least_age) {
            let _ = fs::remove_file(entry.path());
        }
    }
}

/// Whether nothing at all stands at `path`. A link that leads nowhere, or a place that may not be looked at, is not absent:
/// reading it says what is wrong, where passing it over would leave out what somebody wrote.
pub fn is_absent(path: &Path) -> bool {
    matches!(fs::symlink_metadata(path), Err(error) if error.kind() == io::ErrorKind::NotFound)
}

/// Reads a whole file of at most `most_bytes`.
///
/// # Errors
/// What the system said, or `FileTooLarge` with both sizes.
pub fn read_whole(path: &Path, most_bytes: u64) -> io::Result<Vec<u8>> {
    // Asked first: to open a pipe for reading would wait for a writer without end.
    let meta = fs::metadata(path)?;
    if !meta.is_file() {
        return Err(io::Error::new(
            io::ErrorKind::InvalidInput,
            "not a plain file",
        ));
    }
    let too_large = |bytes: u64| {
        let text = format!(
            "the file is {:.0} MB, at most {:.0} MB are read",
            bytes as f64 / 1e6,
            most_bytes as f64 / 1e6
        );
        io::Error::new(io::ErrorKind::FileTooLarge, text)
    };
    if meta.len() > most_bytes {
        return Err(too_large(meta.len()));
    }
    let mut bytes = Vec::with_capacity(meta.len() as usize);
    // One that grows meanwhile is not read without end.
    File::open(path)?
        .take(most_bytes + 1)
        .read_to_end(&mut bytes)?;
    if bytes.len() as u64 > most_bytes {
        return Err(too_large(bytes.len() as u64));
    }
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn replaces_whole_and_leaves_nothing_beside() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x".repeat(255));
        write_whole(&path, b"one").unwrap();
        write_whole(&path, b"two").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"two");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_failed_write_changes_nothing_and_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let taken = folder.path().join("taken");
        fs::create_dir_all(taken.join("inside")).unwrap();
        assert!(write_whole(&taken, b"bytes").is_err());
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn reads_up_to_the_bound_and_not_beyond() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("four");
        fs::write(&path, b"1234").unwrap();
        assert_eq!(read_whole(&path, 4).unwrap(), b"1234");
        let error = read_whole(&path, 3).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::FileTooLarge);
        assert!(read_whole(folder.path(), 3).is_err());
    }

    #[cfg(unix)]
    #[test]
    fn a_link_that_leads_nowhere_is_not_absent() {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("link");
        assert!(is_absent(&link));
        std::os::unix::fs::symlink("nowhere", &link).unwrap();
        assert!(!is_absent(&link) && !link.exists());
    }

    #[test]
    fn sweeps_only_what_is_unfinished() {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join(format!("{UNFINISHED}1-2")), b"half").unwrap();
        fs::write(folder.path().join("counts.json"), b"{}").unwrap();
        sweep(folder.path(), Duration::from_secs(60));
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2);
        sweep(folder.path(), Duration::ZERO);
        assert!(folder.path().join("counts.json").exists());
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}

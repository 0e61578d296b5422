//! Where marks are kept: the journal, appended to and brought to the disk; `marks.json` and `recounted.json` beside it.

use std::{
    fs::{self, File, OpenOptions},
    io::{self, Seek, SeekFrom, Write},
    path::{Path, PathBuf},
};

use crate::{
    files,
    marks::{
        Act, Entry, JOURNAL, Journal, JournalError, MARKS, RECOUNTED, RecountFile, SCHEMA, Said,
        SeasonMarks, line_of,
    },
};

/// Largest journal that is read, bytes: some million marks.
const MOST_JOURNAL_BYTES: u64 = 1_000_000_000;

/// Why marks could not be read or kept.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum MarksError {
    /// A file that could not be read or written.
    #[error("{}: {what}; see that the disk has room and that the folder may be written to", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// What was done.
        what: &'static str,
        /// What the system said.
        #[source]
        source: io::Error,
    },
    /// A journal that cannot be trusted.
    #[error("{}", path.display())]
    Journal {
        /// Which.
        path: PathBuf,
        /// What is wrong with it.
        #[source]
        source: JournalError,
    },
    /// `recounted.json` is not as it should be.
    #[error("{}: cannot be read; move it away, podfall confirm makes it again", path.display())]
    Recounted {
        /// Which.
        path: PathBuf,
        /// What the reader said.
        #[source]
        source: serde_json::Error,
    },
    /// Somebody else writes.
    #[error("{}: another podfall confirm has this season open; close that one first", path.display())]
    Taken {
        /// The journal.
        path: PathBuf,
    },
}

fn failed(path: &Path, what: &'static str) -> impl FnOnce(io::Error) -> MarksError {
    let path = path.to_owned();
    move |source| MarksError::File { path, what, source }
}

/// Reads the marks beside `counts.json`; none where there is no journal. Writes nothing.
///
/// # Errors
/// [`MarksError`] when the journal cannot be read or its chain is broken.
pub fn read_marks(folder: &Path) -> Result<SeasonMarks, MarksError> {
    Ok(SeasonMarks::replay(&read_journal(&folder.join(JOURNAL))?))
}

fn read_journal(path: &Path) -> Result<Journal, MarksError> {
    if files::is_absent(path) {
        return Ok(Journal::new());
    }
    let bytes =
        files::read_whole(path, MOST_JOURNAL_BYTES).map_err(failed(path, "cannot be read"))?;
    Journal::read(&bytes).map_err(|source| MarksError::Journal {
        path: path.to_owned(),
        source,
    })
}

/// Reads `recounted.json`; empty where there is none.
///
/// # Errors
/// [`MarksError`] when it cannot be read.
pub fn read_recounted(folder: &Path) -> Result<RecountFile, MarksError> {
    let path = folder.join(RECOUNTED);
    if files::is_absent(&path) {
        return Ok(RecountFile {
            schema: SCHEMA,
            photos: Vec::new(),
        });
    }
    let bytes =
        files::read_whole(&path, MOST_JOURNAL_BYTES).map_err(failed(&path, "cannot be read"))?;
    serde_json::from_slice(&bytes).map_err(|source| MarksError::Recounted { path, source })
}

/// The marks of a season, open for writing by one process.
#[derive(Debug)]
pub struct MarkStore {
    folder: PathBuf,
    file: File,
    journal: Journal,
    marks: SeasonMarks,
    /// Where an unfinished line was set aside.
    pub set_aside: Option<PathBuf>,
}

impl MarkStore {
    /// Opens the journal beside `counts.json`, or begins one. An unfinished last line is set aside in a file of
    /// its own.
    ///
    /// # Errors
    /// [`MarksError`]: also when another process has it open.
    pub fn open(folder: &Path) -> Result<Self, MarksError> {
        let path = folder.join(JOURNAL);
        let mut file = OpenOptions::new()
            .create(true)
            .read(true)
            .write(true)
            .truncate(false)
            .open(&path)
            .map_err(failed(&path, "cannot be opened"))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(fs::TryLockError::WouldBlock) => return Err(MarksError::Taken { path }),
            // A file system without locks: the journal's chain still tells when two have written.
            Err(fs::TryLockError::Error(_)) => {}
        }
        let journal = read_journal(&path)?;
        let set_aside = if journal.torn.is_empty() {
            None
        } else {
            let aside = free_name(folder);
            files::write_whole(&aside, &journal.torn)
                .map_err(failed(&aside, "cannot be written"))?;
            file.set_len(journal.whole_bytes as u64)
                .and_then(|()| file.sync_all())
                .map_err(failed(&path, "cannot be cut to its whole lines"))?;
            Some(aside)
        };
        file.seek(SeekFrom::End(0))
            .map_err(failed(&path, "cannot be opened"))?;
        let marks = SeasonMarks::replay(&journal);
        let store = Self {
            folder: folder.to_owned(),
            file,
            journal,
            marks,
            set_aside,
        };
        if store.journal.seq() > 0 {
            store.snapshot()?;
        }
        Ok(store)
    }

    /// What stands.
    pub fn marks(&self) -> &SeasonMarks {
        &self.marks
    }

    /// The journal.
    pub fn journal(&self) -> &Journal {
        &self.journal
    }

    /// Writes one act: first to the journal, which is brought to the disk, then into `marks.json`.
    ///
    /// # Errors
    /// [`MarksError`] when the act could not be kept; then nothing has changed. When only `marks.json` could not be
    /// written, the act stands, for it follows from the journal.
    pub fn say(&mut self, said: Said<'_>, act: Act) -> Result<&Entry, MarksError> {
        let entry = self.journal.next(said, act);
        let line = line_of(&entry);
        let path = self.folder.join(JOURNAL);
        let whole = self.journal.whole_bytes as u64;
        let written = (self.file.write_all(line.as_bytes())).and_then(|()| self.file.sync_data());
        if let Err(error) = written {
            // Should this fail too, the next opening sets the rest aside.
            let _ = self.file.set_len(whole);
            let _ = self.file.seek(SeekFrom::Start(whole));
            return Err(failed(&path, "the mark cannot be written")(error));
        }
        self.journal
            .push(entry)
            .map_err(|source| MarksError::Journal { path, source })?;
        self.marks = SeasonMarks::replay(&self.journal);
        let _ = self.snapshot();
        Ok(&self.journal.entries[self.journal.entries.len() - 1])
    }

    fn snapshot(&self) -> Result<(), MarksError> {
        let path = self.folder.join(MARKS);
        let bytes = serde_json::to_vec_pretty(&self.marks.file()).expect("marks are plain data");
        files::write_replaceable(&path, &bytes).map_err(failed(&path, "cannot be written"))
    }

    /// Keeps counts made anew with corners set by hand.
    ///
    /// # Errors
    /// [`MarksError::File`].
    pub fn keep_recounted(&self, recounted: &RecountFile) -> Result<(), MarksError> {
        let path = self.folder.join(RECOUNTED);
        let bytes = serde_json::to_vec(recounted).expect("counts are plain data");
        files::write_whole(&path, &bytes).map_err(failed(&path, "cannot be written"))
    }
}

fn free_name(folder: &Path) -> PathBuf {
    (1..)
        .map(|n| folder.join(format!("{JOURNAL}.torn-{n}")))
        .find(|path| files::is_absent(path))
        .unwrap_or_else(|| folder.join(format!("{JOURNAL}.torn")))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn note(store: &mut MarkStore, text: &str) -> Result<(), MarksError> {
        let said = Said {
            at: "2026-10-01T19:04:05+02:00",
            who: "me",
            photo: ("a.jpg", "ab"),
        };
        let act = Act::Note {
            text: text.to_owned(),
        };
        store.say(said, act).map(|_| ())
    }

    #[test]
    fn goes_on_where_it_was_and_sets_a_torn_line_aside() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = MarkStore::open(folder.path()).unwrap();
        note(&mut store, "one").unwrap();
        note(&mut store, "two").unwrap();
        drop(store);
        let path = folder.path().join(JOURNAL);
        let mut bytes = fs::read(&path).unwrap();
        bytes.extend(b"{\"seq\":3,\"pre");
        fs::write(&path, &bytes).unwrap();
        let mut store = MarkStore::open(folder.path()).unwrap();
        let aside = store.set_aside.clone().unwrap();
        assert_eq!(fs::read(aside).unwrap(), b"{\"seq\":3,\"pre");
        note(&mut store, "three").unwrap();
        assert_eq!(read_marks(folder.path()).unwrap().seq, 3);
        let marks: crate::marks::MarksFile =
            serde_json::from_slice(&fs::read(folder.path().join(MARKS)).unwrap()).unwrap();
        assert_eq!(marks.seq, 3);
        assert_eq!(marks.photos[0].marks.note.as_deref(), Some("three"));
    }

    #[test]
    fn a_second_process_is_told() {
        let folder = tempfile::tempdir().unwrap();
        let _store = MarkStore::open(folder.path()).unwrap();
        let second = MarkStore::open(folder.path()).unwrap_err();
        assert!(matches!(second, MarksError::Taken { .. }), "{second}");
    }

    /// Every write to this device fails as on a full disk.
    #[cfg(target_os = "linux")]
    #[test]
    fn a_full_disk_is_told_and_nothing_changes() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = MarkStore::open(folder.path()).unwrap();
        note(&mut store, "one").unwrap();
        let real = std::mem::replace(
            &mut store.file,
            OpenOptions::new().write(true).open("/dev/full").unwrap(),
        );
        let error = note(&mut store, "two").unwrap_err();
        assert!(error.to_string().contains("room"), "{error}");
        assert_eq!(store.journal().seq(), 1);
        store.file = real;
        note(&mut store, "two again").unwrap();
        drop(store);
        let marks = read_marks(folder.path()).unwrap();
        assert_eq!(marks.seq, 2);
    }
}

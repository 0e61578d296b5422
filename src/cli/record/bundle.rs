//! The bundle on the disk: made beside its place, sealed, packed, and only then put there.

use std::{
    fs::{self, File},
    io::{self, BufWriter, Write},
    path::{Path, PathBuf},
    sync::Mutex,
};

use anyhow::Context;
use podfall::{
    batch::BatchError,
    files,
    photo::sha256_hex,
    record::{
        HTML, MANIFEST, PDF, SEAL, SIGNATURE,
        seal::{self, HashLine, Packer},
    },
};

use super::{super::Usage, Args};

/// Room left to others on the disk, and for tables and lists (0.2 MB for the demo's eight photos), bytes.
const ROOM_TO_SPARE_BYTES: u64 = 20_000_000;

const MAKE_ROOM: &str =
    "make room, choose another disk with --out, or leave the photos at home with --hashes-only";

/// A bundle in the making.
pub struct Bundle {
    /// Where it is made.
    at: PathBuf,
    /// Where it will lie.
    folder: PathBuf,
    zip: PathBuf,
    replace: bool,
    lines: Mutex<Vec<HashLine>>,
}

/// A finished one.
pub struct Put {
    /// The folder.
    pub folder: PathBuf,
    /// The zip.
    pub zip: PathBuf,
    /// Whether it is signed.
    pub signed: bool,
}

impl Bundle {
    /// Begins one beside its place. Nothing that is there is touched.
    pub fn begin(args: &Args) -> anyhow::Result<Self> {
        let folder = args
            .out
            .clone()
            .unwrap_or_else(|| args.folder.home().join("record"));
        let mut zip = folder.clone().into_os_string();
        zip.push(".zip");
        let zip = PathBuf::from(zip);
        let there = [&folder, &zip]
            .into_iter()
            .find(|path| path.symlink_metadata().is_ok());
        if let Some(path) = there
            && !args.replace
        {
            return Err(Usage(format!(
                "{} is there already, and may have been handed over; choose another with --out, or say --replace",
                path.display()
            ))
            .into());
        }
        if folder.exists() && !is_bundle(&folder) {
            return Err(Usage(format!(
                "{} is no bundle of podfall's, and is not replaced; choose another with --out",
                folder.display()
            ))
            .into());
        }
        let parent = parent_of(&folder);
        fs::create_dir_all(parent).map_err(BatchError::writing(parent))?;
        let at = parent.join(format!(
            "{}record-{}",
            files::UNFINISHED,
            std::process::id()
        ));
        // Left by a killed run that had the same number.
        let _ = fs::remove_dir_all(&at);
        fs::create_dir(&at).map_err(BatchError::writing(parent))?;
        Ok(Self {
            at,
            folder,
            zip,
            replace: args.replace,
            lines: Mutex::new(Vec::new()),
        })
    }

    /// Puts a file in; `path` is below the bundle's folder, parts joined by `/`.
    pub fn put(&self, path: &str, bytes: &[u8]) -> anyhow::Result<()> {
        self.put_hashed(path, bytes, sha256_hex(bytes))
    }

    /// The same, where the hash is known.
    pub fn put_hashed(&self, path: &str, bytes: &[u8], sha256: String) -> anyhow::Result<()> {
        let to = self.at.join(path);
        let write = || -> std::io::Result<()> {
            fs::create_dir_all(parent_of(&to))?;
            let mut file = File::create(&to)?;
            file.write_all(bytes)
        };
        write().map_err(|error| self.not_written(&to, error))?;
        self.lines().push(HashLine {
            path: path.to_owned(),
            sha256,
        });
        Ok(())
    }

    fn lines(&self) -> std::sync::MutexGuard<'_, Vec<HashLine>> {
        self.lines
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    /// Writes the manifest over all that is in it so far; gives its own hash.
    pub fn manifest(&self) -> anyhow::Result<String> {
        let text = seal::list(self.lines().clone());
        self.put(MANIFEST, text.as_bytes())?;
        Ok(sha256_hex(text.as_bytes()))
    }

    /// Writes the seal, and signs it.
    pub fn seal(&self, key: Option<&[u8]>) -> anyhow::Result<()> {
        let is_sealed = |line: &HashLine| [MANIFEST, PDF, HTML].contains(&line.path.as_str());
        let lines: Vec<HashLine> = self
            .lines()
            .iter()
            .filter(|l| is_sealed(l))
            .cloned()
            .collect();
        let text = seal::list(lines);
        self.put(SEAL, text.as_bytes())?;
        if let Some(key) = key {
            self.put(SIGNATURE, seal::sign(key, text.as_bytes())?.as_bytes())?;
        }
        Ok(())
    }

    /// Packs the zip, and puts both into their places.
    pub fn finish(self) -> anyhow::Result<Put> {
        let mut zip = self.at.clone().into_os_string();
        zip.push(".zip");
        let zip = PathBuf::from(zip);
        let result = self.pack(&zip).and_then(|()| self.put_in_place(&zip));
        if result.is_err() {
            let _ = fs::remove_file(&zip);
        }
        result?;
        Ok(Put {
            folder: self.folder.clone(),
            zip: self.zip.clone(),
            signed: self.lines().iter().any(|l| l.path == SIGNATURE),
        })
    }

    /// In the order in which a person looks: what is to be read, the lists, then the evidence.
    fn pack(&self, zip: &Path) -> anyhow::Result<()> {
        let top = self
            .folder
            .file_name()
            .map_or_else(|| "record".into(), |n| n.to_string_lossy());
        let mut paths: Vec<String> = self.lines().iter().map(|l| l.path.clone()).collect();
        paths.sort_by_key(|path| (path.contains('/'), !path.ends_with(".pdf"), path.clone()));
        let file = File::create(zip).map_err(|error| self.not_written(zip, error))?;
        let mut packer = Packer::new(BufWriter::with_capacity(1 << 20, file));
        for path in paths {
            let from = self.at.join(&path);
            let bytes = fs::read(&from).with_context(|| from.display().to_string())?;
            (packer.add(&format!("{top}/{path}"), &bytes))
                .map_err(|error| self.not_written(zip, error))?;
        }
        let finished = || -> anyhow::Result<()> { Ok(packer.finish()?.into_inner()?.sync_all()?) };
        finished().map_err(|error| self.not_written(zip, error))
    }

    /// Before anything is written: whether a bundle of so many bytes, and the zip of it, find room.
    pub fn has_room_for(&self, bytes: u64) -> anyhow::Result<()> {
        let needed = 2 * bytes + ROOM_TO_SPARE_BYTES;
        match fs4::available_space(parent_of(&self.folder)) {
            Ok(free) if free < needed => {
                anyhow::bail!(
                    "{}: the bundle takes about {:.0} MB (photos and pictures twice, once in the zip), {:.0} MB are free there; {}",
                    self.folder.display(),
                    mb(needed),
                    mb(free),
                    MAKE_ROOM
                )
            }
            // A disk that does not say how full it is may have room.
            _ => Ok(()),
        }
    }

    /// What went wrong, and where it was for want of room, how much there was and what to do.
    fn not_written(&self, path: &Path, error: impl Into<anyhow::Error>) -> anyhow::Error {
        use io::ErrorKind::{FileTooLarge, QuotaExceeded, StorageFull};
        let (path, error) = (path.display(), error.into());
        let is_full = (error
            .chain()
            .filter_map(|cause| cause.downcast_ref::<io::Error>()))
        .any(|io| matches!(io.kind(), StorageFull | QuotaExceeded | FileTooLarge));
        if !is_full {
            return error.context(path.to_string());
        }
        let free = fs4::available_space(parent_of(&self.folder)).map_or_else(
            |_| String::new(),
            |free| format!(" ({:.0} MB are free on that disk)", mb(free)),
        );
        error.context(format!("{path}: cannot be written{free}; {MAKE_ROOM}"))
    }

    fn put_in_place(&self, zip: &Path) -> anyhow::Result<()> {
        let old = self.at.with_extension("old");
        let was_there = self.replace && self.folder.exists();
        if was_there {
            fs::rename(&self.folder, &old).with_context(|| self.folder.display().to_string())?;
        }
        let put = fs::rename(&self.at, &self.folder).and_then(|()| fs::rename(zip, &self.zip));
        if put.is_err() && was_there && !self.folder.exists() {
            let _ = fs::rename(&old, &self.folder);
        }
        put.with_context(|| self.folder.display().to_string())?;
        if was_there {
            // The new one is in its place; an old one that cannot be removed is only in the way.
            let _ = fs::remove_dir_all(&old);
        }
        Ok(())
    }
}

impl Drop for Bundle {
    /// Never half a bundle: what was not finished is taken away.
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.at);
    }
}

fn mb(bytes: u64) -> f64 {
    bytes as f64 / 1e6
}

fn is_bundle(folder: &Path) -> bool {
    folder.join(SEAL).is_file() && folder.join(MANIFEST).is_file()
}

fn parent_of(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

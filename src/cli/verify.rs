//! `podfall verify`: re-checks a bundle.

use std::{
    fs::{self, File},
    io::{BufReader, Read},
    path::{Path, PathBuf},
};

use anyhow::Context;
use podfall::{
    files,
    photo::sha256_hex,
    record::{
        HTML, MANIFEST, PDF, RECORD, SEAL,
        seal::{self, Expect, Finding, Kind, PackError, Report, Seen, SeenFile, Verdict, is_kept},
    },
    units::plural,
};
use rayon::prelude::*;
use sha2::{Digest, Sha256};

use super::{Outcome, Usage, print_line, shown, usage};

/// Check a bundle that podfall record made: is every byte as it was sealed?
///
/// Says which file, which mark and which link is broken, which files are too many, and what could not be checked. Needs
/// nothing but the bundle, as a folder or as the zip; a zip is not unpacked.
#[derive(clap::Args, Debug)]
#[command(after_help = "\
Examples:
  podfall verify north-field/record
  podfall verify record.zip --manifest 3f1c…      the number on the first page of the record in your hands
  podfall verify record.zip --key maker.pub       the maker's public key, one line

Exit codes: 0 as sealed; 1 something is broken; 2 there is no bundle; 3 not all of it could be checked, or files are too many")]
pub struct Args {
    /// The bundle: a folder or a zip
    #[arg(value_name = "PATH")]
    path: PathBuf,
    /// SHA-256 of manifest.sha256 as it stands on the first page that you were handed
    #[arg(long, value_name = "SHA256")]
    manifest: Option<String>,
    /// The maker's public key, as OpenSSH keeps it
    #[arg(long, value_name = "FILE")]
    key: Option<PathBuf>,
}

/// Largest file out of a zip, bytes.
const MOST_FILE_BYTES: u32 = u32::MAX - 1;
/// Largest file that is looked into, bytes; of larger ones only the hash is taken.
const MOST_KEPT_BYTES: u64 = 1_000_000_000;
/// Hex digits of a SHA-256.
const DIGITS: usize = 64;

/// Checks it.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let expect = Expect {
        manifest_sha256: args.manifest.clone(),
        public_key: match &args.key {
            None => None,
            Some(path) => Some(key(path)?),
        },
    };
    if let Some(hash) = &expect.manifest_sha256
        && hash.chars().filter(char::is_ascii_hexdigit).count() != DIGITS
    {
        return Err(Usage(format!(
            "--manifest must be {DIGITS} hex digits, as on the first page"
        ))
        .into());
    }
    let meta = fs::metadata(&args.path)
        .with_context(|| args.path.display().to_string())
        .map_err(usage)?;
    let seen = if meta.is_dir() {
        is_bundle(&args.path)?;
        of_folder(&args.path)
    } else {
        of_zip(&args.path)?
    };
    tell(&seal::verify(&seen, &expect), &expect)
}

/// Says where one may be if this folder is none. What a bundle still has after a list was lost is checked all the same.
fn is_bundle(folder: &Path) -> anyhow::Result<()> {
    let any = |names: &[&str]| names.iter().any(|name| folder.join(name).exists());
    if any(&[SEAL, MANIFEST, PDF, HTML, RECORD]) {
        return Ok(());
    }
    let there: Vec<String> = ["record", "record.zip"]
        .into_iter()
        .map(|name| folder.join(name))
        .filter(|path| path.is_file() || path.join(SEAL).is_file())
        .map(|path| path.display().to_string())
        .collect();
    let where_else = if there.is_empty() {
        "podfall record makes one".to_owned()
    } else {
        format!("try {}", there.join(" or "))
    };
    Err(Usage(format!(
        "{}: there is no bundle of podfall record in this folder; {where_else}",
        folder.display()
    ))
    .into())
}

fn key(path: &Path) -> anyhow::Result<String> {
    let bytes = files::read_whole(path, 100_000)
        .with_context(|| path.display().to_string())
        .map_err(usage)?;
    let text = String::from_utf8_lossy(&bytes).trim().to_owned();
    if text.starts_with("-----") {
        return Err(Usage(format!(
            "{} is a private key; give the public one, which ends in .pub",
            path.display()
        ))
        .into());
    }
    Ok(text)
}

/// Every file below a folder, hashed side by side.
fn of_folder(folder: &Path) -> Seen {
    let mut seen = Seen::default();
    let mut paths = Vec::new();
    list(folder, "", &mut paths, &mut seen.unread);
    let hashed: Vec<(String, Result<SeenFile, String>)> = (paths.into_par_iter())
        .map(|(name, path)| {
            let file = hash(&name, &path).map_err(|error| error.to_string());
            (name, file)
        })
        .collect();
    for (name, file) in hashed {
        match file {
            Ok(file) => {
                seen.files.insert(name, file);
            }
            Err(error) => seen.unread.push((name, format!("cannot be read: {error}"))),
        }
    }
    seen
}

fn list(
    folder: &Path,
    below: &str,
    paths: &mut Vec<(String, PathBuf)>,
    unread: &mut Vec<(String, String)>,
) {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) => {
            let name = if below.is_empty() {
                "the folder"
            } else {
                below
            };
            unread.push((name.to_owned(), format!("cannot be listed: {error}")));
            return;
        }
    };
    for entry in entries {
        let Ok(entry) = entry else {
            unread.push((below.to_owned(), "cannot be listed to its end".to_owned()));
            return;
        };
        let name = format!("{below}{}", entry.file_name().to_string_lossy());
        match entry.file_type() {
            Ok(kind) if kind.is_dir() => list(&entry.path(), &format!("{name}/"), paths, unread),
            Ok(kind) if kind.is_file() => paths.push((name, entry.path())),
            _ => unread.push((name, "is no plain file; links are not followed".to_owned())),
        }
    }
}

fn hash(name: &str, path: &Path) -> std::io::Result<SeenFile> {
    if is_kept(name) && fs::metadata(path)?.len() <= MOST_KEPT_BYTES {
        let bytes = fs::read(path)?;
        return Ok(SeenFile {
            sha256: sha256_hex(&bytes),
            bytes: Some(bytes),
        });
    }
    let mut file = File::open(path)?;
    let mut hasher = Sha256::new();
    let mut buffer = vec![0; 1 << 20];
    loop {
        let n = file.read(&mut buffer)?;
        if n == 0 {
            break;
        }
        hasher.update(&buffer[..n]);
    }
    let sha256 = hasher
        .finalize()
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect();
    Ok(SeenFile {
        sha256,
        bytes: None,
    })
}

/// Every file of a zip. All of them lie in one folder, whose name does not matter.
fn of_zip(path: &Path) -> anyhow::Result<Seen> {
    let file = File::open(path)
        .with_context(|| path.display().to_string())
        .map_err(usage)?;
    let mut seen = Seen::default();
    let mut top = None;
    let mut twice = Vec::new();
    let mut from = BufReader::with_capacity(1 << 20, file);
    let unpacked = seal::unpack(&mut from, MOST_FILE_BYTES, &mut |file| {
        let (first, name) = file.name.split_once('/').unwrap_or(("", &file.name));
        let name = if *top.get_or_insert_with(|| first.to_owned()) == first {
            name
        } else {
            &file.name
        };
        if !file.crc_is_right {
            seen.packing
                .push(broken(name, "the zip's own sum of it (CRC-32) is wrong"));
        }
        let entry = SeenFile {
            sha256: sha256_hex(&file.bytes),
            bytes: is_kept(name).then_some(file.bytes),
        };
        if seen.files.insert(name.to_owned(), entry).is_some() {
            twice.push(name.to_owned());
        }
    });
    for name in twice {
        seen.packing.push(broken(&name, "stands in the zip twice"));
    }
    match unpacked {
        Ok(()) => Ok(seen),
        Err(error @ PackError::NotAsPacked { at: 0 }) => {
            Err(Usage(format!("{}: {error}", path.display())).into())
        }
        Err(error) => {
            seen.packing.push(Finding {
                kind: Kind::NotChecked,
                ..broken("the zip", &error.to_string())
            });
            Ok(seen)
        }
    }
}

fn broken(what: &str, says: &str) -> Finding {
    Finding {
        kind: Kind::Broken,
        what: what.to_owned(),
        says: says.to_owned(),
    }
}

fn tell(report: &Report, expect: &Expect) -> anyhow::Result<Outcome> {
    for finding in &report.findings {
        let word = match finding.kind {
            Kind::Broken => "BROKEN",
            Kind::NotChecked => "not checked",
            Kind::TooMany => "too many",
        };
        print_line(&shown(&format!(
            "{word}: {} {}",
            finding.what, finding.says
        )))?;
    }
    let of = |kind| report.findings.iter().filter(|f| f.kind == kind).count();
    let files = report.agree;
    print_line(&match report.verdict {
        Verdict::AsSealed => format!(
            "As sealed: all {files} files agree with the bundle's own lists, and there is no other."
        ),
        Verdict::TooMany => format!(
            "The {files} sealed files agree with the bundle's own lists; put in beside them: {}.",
            plural(of(Kind::TooMany), "file")
        ),
        Verdict::NotChecked => format!(
            "NOT ALL CHECKED: {} could not be checked; {} as the bundle's own lists have them.",
            plural(of(Kind::NotChecked), "thing"),
            plural(files, "file")
        ),
        Verdict::Broken => format!(
            "NOT AS SEALED: {} broken; {} as the bundle's own lists have them.",
            plural(of(Kind::Broken), "thing"),
            plural(files, "file")
        ),
    })?;
    for note in &report.notes {
        print_line(&shown(note))?;
    }
    if let Some(hash) = &report.manifest_sha256 {
        print_line(&format!("manifest.sha256: {hash}"))?;
    }
    if report.verdict != Verdict::Broken && expect == &Expect::default() {
        print_line(
            "Whether this is the bundle that was handed over, only that number tells: compare it with the first page of the \
             record in your hands (--manifest), or check the maker's signature (--key).",
        )?;
    }
    Ok(match report.verdict {
        Verdict::AsSealed => Outcome::Good,
        Verdict::TooMany | Verdict::NotChecked => Outcome::Confirm,
        Verdict::Broken => Outcome::Failed,
    })
}

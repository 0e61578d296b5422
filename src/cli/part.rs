//! `podfall count --part` and `podfall gather`: photos counted apart, and put together again.

use std::{
    collections::BTreeSet,
    fs::File,
    io::{self, BufRead, BufReader, Read},
    path::{Path, PathBuf},
    sync::atomic::{AtomicUsize, Ordering},
};

use anyhow::Context;
use podfall::{
    batch::{self, Budget, Gathered, Job, Layout, Part, Stages},
    counts::SCHEMA,
    model::Model,
    photo::sha256_hex,
    pipeline::Settings,
};
use rayon::prelude::*;

use super::{
    Outcome, Usage, print_line,
    setup::{jobs, memory},
    shown, summary, usage,
};

/// Longest line that is read, bytes: a photo with ten thousand objects is a tenth of it.
const MOST_LINE_BYTES: u64 = 50_000_000;

/// Prints one line a photo as it is counted, and writes no file.
pub fn print_parts(
    found: &Gathered,
    settings: &Settings,
    model: &Model,
    (at_once, memory_bytes): (Option<std::num::NonZeroUsize>, Option<u64>),
) -> anyhow::Result<Outcome> {
    let job = Job {
        schema: SCHEMA,
        podfall: env!("CARGO_PKG_VERSION").to_owned(),
        model: model.name(),
        settings: sha256_hex(settings.count_key().as_bytes()),
    };
    let worker = Stages::new(settings, model);
    let budget = Budget::new(memory(memory_bytes));
    let unread = AtomicUsize::new(0);
    let one = |source: &batch::Source| -> anyhow::Result<()> {
        match batch::part(source, &job, &worker, &budget) {
            Ok(part) => print_line(&serde_json::to_string(&part)?)?,
            Err(error) => {
                unread.fetch_add(1, Ordering::Relaxed);
                let path = shown(&source.path.display().to_string());
                tell!("error: {path}: the file cannot be read: {error}");
            }
        }
        Ok(())
    };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(jobs(at_once))
        .build()?;
    pool.install(|| {
        let photos = found.photos.par_iter().with_max_len(1);
        photos.try_for_each(one)
    })?;
    Ok(match unread.into_inner() {
        0 => Outcome::Good,
        _ => Outcome::Failed,
    })
}

/// Put together what `podfall count --part` printed, in any order, to what one run would have given.
///
/// Give files with its lines, folders with such files (*.jsonl), or - for standard input. A photo that was
/// counted twice stands once; a line that is not whole is told and left out. Writes counts.json and
/// counts.csv, byte for byte those of one `podfall count` over all the photos.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  podfall count --part IMG_1.jpg --frame 12x12in > IMG_1.jsonl      on any machine
  podfall gather lines --photos photos --out out
  cat */lines.jsonl | podfall gather - --out out

Exit codes:
  0  all of it is gathered
  1  a line was not whole, or a photo of --photos has no line: it is told which
  2  the lines are not of one model, version and settings, or two photos have one name; nothing was written")]
pub struct Args {
    /// Files of lines, folders of *.jsonl files, or - for standard input
    #[arg(required = true, value_name = "PART")]
    parts: Vec<PathBuf>,
    /// Folder for counts.json and counts.csv
    #[arg(long, value_name = "DIR", default_value = "out")]
    out: PathBuf,
    /// Photos, or folders of photos, that must all be there
    #[arg(long, value_name = "PATH")]
    photos: Vec<PathBuf>,
}

/// Gathers.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let mut lines = Lines::default();
    for path in &args.parts {
        lines.read_path(path)?;
    }
    let counts = batch::gathered(lines.parts).map_err(usage)?;
    let missing = missing(&args.photos, counts.photos.iter().map(|p| p.photo.as_str()))?;
    let layout = Layout {
        out: args.out.clone(),
    };
    std::fs::create_dir_all(&layout.out).with_context(|| layout.out.display().to_string())?;
    batch::write_counts(&layout, &counts)?;
    for name in &missing {
        tell!("no line for {}: count it again", shown(name));
    }
    print_line(summary::text(&counts.photos, &layout).trim_end())?;
    Ok(if missing.is_empty() && lines.broken == 0 {
        Outcome::Good
    } else {
        Outcome::Failed
    })
}

/// Photos that should be there and are not.
fn missing<'a>(
    photos: &[PathBuf],
    there: impl Iterator<Item = &'a str>,
) -> anyhow::Result<Vec<String>> {
    if photos.is_empty() {
        return Ok(Vec::new());
    }
    let there: BTreeSet<&str> = there.collect();
    let wanted = batch::gather(photos).map_err(usage)?.photos;
    let names = wanted.into_iter().map(|source| source.name);
    Ok(names.filter(|n| !there.contains(n.as_str())).collect())
}

/// Lines read so far.
#[derive(Default)]
struct Lines {
    parts: Vec<Part>,
    broken: usize,
}

impl Lines {
    /// A file, a folder of files, or standard input.
    fn read_path(&mut self, path: &Path) -> anyhow::Result<()> {
        let name = shown(&path.display().to_string());
        if path == Path::new("-") {
            return self.read(io::stdin().lock(), "standard input");
        }
        if !path.is_dir() {
            let file = File::open(path).with_context(|| name.clone());
            return self.read(BufReader::new(file.map_err(usage)?), &name);
        }
        let mut files = Vec::new();
        for entry in std::fs::read_dir(path).with_context(|| name.clone())? {
            files.push(entry.with_context(|| name.clone())?.path());
        }
        files.retain(|file| file.extension().is_some_and(|ending| ending == "jsonl"));
        files.sort();
        if files.is_empty() {
            let text = format!("no file in {name} ends in .jsonl; give the files by name");
            return Err(Usage(text).into());
        }
        files.iter().try_for_each(|file| self.read_path(file))
    }

    /// Every line that is whole; one that was cut when its worker was stopped is told.
    fn read(&mut self, mut from: impl BufRead, name: &str) -> anyhow::Result<()> {
        for number in 1.. {
            let mut line = Vec::new();
            let mut bounded = from.by_ref().take(MOST_LINE_BYTES);
            let read = bounded.read_until(b'\n', &mut line);
            if read.with_context(|| name.to_owned())? == 0 {
                break;
            }
            if line.trim_ascii().is_empty() {
                continue;
            }
            match serde_json::from_slice(&line) {
                Ok(part) => self.parts.push(part),
                Err(error) => {
                    self.broken += 1;
                    tell!(
                        "left out {name}, line {number}: not a whole line of podfall count --part ({error}); count its photo again"
                    );
                }
            }
        }
        Ok(())
    }
}

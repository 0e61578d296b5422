//! `podfall ready`: what would stop an evening's run, told before it.

use std::{
    collections::HashMap,
    fs,
    path::{Path, PathBuf},
};

use podfall::{
    batch::{self, Gathered, MOST_FILE_BYTES, Source},
    files,
    frame::FrameSpec,
    photo::{self, PhotoLimits, PhotoMeta},
    season,
    units::{length_mm, plural},
};
use rayon::prelude::*;

use super::{
    Outcome, count, print_line,
    setup::{self, Home},
    shown,
};

/// No frame that is laid on the ground has a higher bar, mm; common practice, no source.
const HIGHEST_BAR_MM: f64 = 60.0;

/// Room that one photo's results take, bytes: twice what the annotated pictures, the report's share and the
/// finished work of the demo's photos took, 12 MP each.
const ROOM_A_PHOTO_BYTES: u64 = 6_000_000;

/// Room wanted beside that, bytes: for what else is written to the disk meanwhile.
const ROOM_TO_SPARE_BYTES: u64 = 200_000_000;

/// Tell what would stop podfall count, before the evening's run.
///
/// Reads every photo to its end without counting it: is it whole, is it there twice, is the frame's size known, is
/// there room for the results and may they be written there, is the model whole. Writes nothing that stays.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  podfall ready north-field
  podfall ready photos --frame 12x12in --out results

Exit codes:
  0  nothing stands in the way
  1  something would stop the run or a photo: each line that begins with 'stops' says what, and what to do
  2  the command line could not be followed")]
pub struct Args {
    /// Photos, folders of photos, or a season folder
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,
    /// Inside size of the frame, where no podfall.toml says it
    #[arg(long, value_name = "SIZE")]
    frame: Option<FrameSpec>,
    /// Height of the bar's inner edge over the ground
    #[arg(long, value_name = "LENGTH", value_parser = length_mm)]
    bar_height: Option<f64>,
    /// Folder that the results are to go to [default: as count]
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// A model file to score with instead of the one built in
    #[arg(long, value_name = "FILE")]
    model: Option<PathBuf>,
}

/// What was found out, line by line.
#[derive(Debug, Default)]
struct Findings {
    stops: usize,
    minds: usize,
}

impl Findings {
    fn good(&self, text: &str) -> std::io::Result<()> {
        print_line(&format!("good   {}", shown(text)))
    }

    fn mind(&mut self, text: &str) -> std::io::Result<()> {
        self.minds += 1;
        print_line(&format!("mind   {}", shown(text)))
    }

    fn stop(&mut self, text: &str) -> std::io::Result<()> {
        self.stops += 1;
        print_line(&format!("stops  {}", shown(text)))
    }

    /// Good with these words, or stops with the error's.
    fn settle<T>(
        &mut self,
        result: anyhow::Result<T>,
        good: impl FnOnce(&T) -> String,
    ) -> std::io::Result<Option<T>> {
        match result {
            Ok(value) => {
                self.good(&good(&value))?;
                Ok(Some(value))
            }
            Err(error) => {
                self.stop(&format!("{error:#}"))?;
                Ok(None)
            }
        }
    }
}

/// Looks at everything that `podfall count` will need.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let as_count = count::Args {
        paths: args.paths.clone(),
        frame: args.frame,
        bar_height: args.bar_height,
        out: args.out.clone(),
        model: args.model.clone(),
        ..count::Args::default()
    };
    let mut found = Findings::default();
    let home = Home::of(&args.paths)?;
    let frame = setup::settings(&as_count, &home);
    let settings = found.settle(frame, |s| {
        format!("the frame is {} inside", s.frame.spec.in_words())
    })?;
    let bar_mm = settings.and_then(|s| s.frame.bar_height_mm);
    if let Some(mm) = bar_mm.filter(|mm| *mm > HIGHEST_BAR_MM) {
        found.mind(&format!(
            "bar_height is read as {} mm, and no frame's bar is higher than {HIGHEST_BAR_MM} mm: check its unit in {} or after --bar-height",
            (mm * 10.0).round() / 10.0,
            season::FILE
        ))?;
    }
    let model = setup::model(args.model.as_deref());
    found.settle(model, |m| format!("the model {} is whole", m.name().name))?;
    let photos = batch::gather(&args.paths).map_err(anyhow::Error::from);
    let all = |g: &Gathered| format!("{} found", plural(g.photos.len(), "photo"));
    let gathered = found.settle(photos, all)?.unwrap_or_default();
    for left in &gathered.left_out {
        found.mind(&format!("left out {}: {}", left.path.display(), left.why))?;
    }
    let out = args.out.clone().unwrap_or_else(|| home.out());
    room(&out, gathered.photos.len() as u64, &mut found)?;
    photos_are_whole(&gathered.photos, &mut found)?;
    print_line(&match (found.stops, found.minds) {
        (0, 0) => "\nReady: nothing stands in the way.".to_owned(),
        (0, n) => format!("\nReady; to mind: {n}."),
        (n, _) => format!("\nNot ready: {n} to put right first."),
    })?;
    Ok(if found.stops == 0 {
        Outcome::Good
    } else {
        Outcome::Failed
    })
}

/// Whether the results may be written, and have room.
fn room(out: &Path, photos: u64, found: &mut Findings) -> std::io::Result<()> {
    let place = nearest(out);
    let trial = place.join(format!("{}trial-{}", files::UNFINISHED, std::process::id()));
    let written = fs::write(&trial, b"x");
    let removed = fs::remove_file(&trial);
    if let Err(error) = written.and(removed) {
        let place = place.display();
        return found.stop(&format!(
            "the results cannot be written into {place} ({error}); choose another folder with --out"
        ));
    }
    let need = photos * ROOM_A_PHOTO_BYTES + ROOM_TO_SPARE_BYTES;
    let mb = |bytes: u64| bytes as f64 / 1e6;
    match fs4::available_space(&place) {
        Ok(free) if free < need => found.stop(&format!(
            "{:.0} MB are free for the results in {}, {:.0} MB are wanted for {photos} photos; make room, or choose another disk with --out",
            mb(free), out.display(), mb(need)
        )),
        Ok(free) => found.good(&format!(
            "the results have room in {} ({:.0} MB free, {:.0} MB wanted)",
            out.display(), mb(free), mb(need)
        )),
        Err(error) => found.mind(&format!(
            "how much room there is in {} could not be found out ({error})",
            out.display()
        )),
    }
}

/// The folder itself, or the nearest above it that is there.
fn nearest(out: &Path) -> PathBuf {
    let mut place = out;
    while !place.is_dir() {
        match place.parent() {
            Some(above) if !above.as_os_str().is_empty() => place = above,
            _ => return PathBuf::from("."),
        }
    }
    place.to_owned()
}

/// Reads and decodes each photo, and tells those that fail and those that stand twice.
fn photos_are_whole(photos: &[Source], found: &mut Findings) -> std::io::Result<()> {
    let read: Vec<Result<PhotoMeta, String>> =
        photos.par_iter().with_max_len(1).map(read).collect();
    let mut whole = 0;
    let mut first: HashMap<&str, &str> = HashMap::new();
    for (source, read) in photos.iter().zip(&read) {
        match read {
            Err(problem) => found.stop(&format!("{}: {problem}", source.name))?,
            Ok(meta) => {
                whole += 1;
                let name = first.entry(&meta.sha256).or_insert(&source.name);
                if *name != source.name {
                    let text = format!(
                        "{} is the same file as {name}: in the loss it counts once",
                        source.name
                    );
                    found.mind(&text)?;
                }
            }
        }
    }
    if whole > 0 {
        let all = if whole == photos.len() { "all " } else { "" };
        found.good(&format!("{all}{whole} can be read to the end"))?;
    }
    Ok(())
}

fn read(source: &Source) -> Result<PhotoMeta, String> {
    let bytes = files::read_whole(&source.path, MOST_FILE_BYTES)
        .map_err(|error| format!("the file cannot be read: {error}"))?;
    photo::read(&bytes, &source.name, &PhotoLimits::default())
        .map(|photo| photo.meta)
        .map_err(|error| podfall::pipeline::with_causes(&error))
}

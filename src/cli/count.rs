//! `podfall count`: photos to counts, annotated pictures and the confidence report.

use std::{
    fs, io,
    num::NonZeroUsize,
    path::{Path, PathBuf},
    time::UNIX_EPOCH,
};

use anyhow::Context;
use podfall::{
    batch::{self, Gathered, Layout, Orders, Stages},
    counts::{CountsFile, PhotoCount, SCHEMA},
    files,
    frame::{FrameSettings, FrameSpec},
    geometry::Point,
    model::Model,
    photo::sha256_hex,
    pipeline::Settings,
    present,
    season::{self, Season},
    units::length_mm,
};

use super::{EXIT_CODES, Outcome, Usage, progress::Progress, shown, summary, usage};

/// Largest model file that is read, bytes.
const MOST_MODEL_BYTES: u64 = 100_000_000;

/// Count the beans and pods inside the frame on each photo.
///
/// Give photos, folders of photos, or a season folder (one with a podfall.toml, which then says
/// what the frame is; its photos lie in photos/). Photos are only read. What was found, with
/// its limits and doubts, goes to counts.json, counts.csv, report.html and annotated/.
///
/// A run that was stopped goes on where it was when the same command is given again.
#[derive(Debug, clap::Args)]
#[command(after_help = format!("\
Examples:
  podfall count photos --frame 12x12in
  podfall count photos --frame ring:24in --out results
  podfall count season --jobs 2                       frame from season/podfall.toml
  podfall count plot7.jpg --frame 50x25cm --corners 812,640,2210,655,2198,2050,801,2031
  podfall count photos --frame 12x12in --json > counts.jsonl

Results, in OUT: counts.json, counts.csv, report.html, annotated/; work/ keeps finished photos.

{EXIT_CODES}"))]
pub struct Args {
    /// Photos, folders of photos, or a season folder
    #[arg(required = true, value_name = "PATH")]
    pub paths: Vec<PathBuf>,
    /// Inside size of the frame: 12x12in, 50x25cm, 1x0.25m, or ring:24in for a ring's inside diameter
    #[arg(long, value_name = "SIZE")]
    pub frame: Option<FrameSpec>,
    /// Height of the bar's inner top edge above the ground, as 27mm or 1in
    #[arg(long, value_name = "LENGTH", value_parser = length_mm)]
    pub bar_height: Option<f64>,
    /// The four inner corners by hand, in order round the frame, pixels of the upright photo (one photo only)
    #[arg(long, value_name = "X,Y,X,Y,X,Y,X,Y", value_parser = corners, allow_hyphen_values = true)]
    pub corners: Option<Corners>,
    /// Folder for the results [default: out/ in the season folder or beside the photos]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Photos counted at the same time; memory grows with it [default: one a core]
    #[arg(long, value_name = "N")]
    pub jobs: Option<NonZeroUsize>,
    /// Print one line of JSON a photo instead of the table
    #[arg(long)]
    pub json: bool,
    /// A model file to score with instead of the one built in; its card lies beside it as .toml
    #[arg(long, value_name = "FILE")]
    pub model: Option<PathBuf>,
    /// Count everything again, also what is finished
    #[arg(long)]
    pub again: bool,
    /// Draw no annotated pictures
    #[arg(long)]
    pub no_pictures: bool,
}

/// Four corners as given with `--corners`.
pub type Corners = [Point; 4];

/// Reads `x,y,x,y,x,y,x,y`.
fn corners(text: &str) -> Result<Corners, String> {
    let numbers: Vec<f64> = text
        .split(',')
        .map(|part| part.trim().parse::<f64>().ok().filter(|n| n.is_finite()))
        .collect::<Option<_>>()
        .ok_or("write eight numbers with commas between, as 10,10,90,10,90,90,10,90")?;
    match *numbers {
        [a, b, c, d, e, f, g, h] => {
            Ok([(a, b), (c, d), (e, f), (g, h)].map(|(x, y)| Point::new(x, y)))
        }
        _ => Err(format!(
            "{} numbers, needs eight: x and y of four corners",
            numbers.len()
        )),
    }
}

/// A finished count.
pub struct Finished {
    /// What stands in `counts.json`.
    pub counts: CountsFile,
    /// Where the results are.
    pub layout: Layout,
}

/// Counts, then prints the table or the JSON lines.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let done = count(args)?;
    let photos = &done.counts.photos;
    if args.json {
        for photo in photos {
            print_line(&serde_json::to_string(photo)?)?;
        }
    } else {
        print_line(summary::text(photos, &done.layout).trim_end())?;
    }
    Ok(summary::outcome(photos))
}

/// Prints; a reader that went away early (`| head`) is no fault.
fn print_line(text: &str) -> io::Result<()> {
    use std::io::Write;
    match writeln!(io::stdout(), "{text}") {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}

/// Counts everything and writes the results.
pub fn count(args: &Args) -> anyhow::Result<Finished> {
    let home = Home::of(&args.paths);
    let found = batch::gather(&args.paths).map_err(usage)?;
    let settings = settings(args, &home)?;
    if settings.frame.corners_px.is_some() && found.photos.len() > 1 {
        let text = format!(
            "--corners are of one photo, but there are {}; give one photo",
            found.photos.len()
        );
        return Err(Usage(text).into());
    }
    let model = model(args.model.as_deref())?;
    let layout = Layout {
        out: args.out.clone().unwrap_or_else(|| home.out()),
    };
    if args.out.is_none() {
        keep_other_counts(args, &found, &layout)?;
    }
    for left in &found.left_out {
        eprintln!(
            "left out {}: {}",
            shown(&left.path.display().to_string()),
            left.why
        );
    }
    let orders = Orders {
        layout: layout.clone(),
        jobs: jobs(args.jobs),
        again: args.again,
        pictures: !args.no_pictures,
        key: key(&settings, &model),
        drawing_key: settings.drawing_key(found.photos.len()),
    };
    let photos = counted(&found, &orders, &settings, &model)?;
    let counts = CountsFile {
        schema: SCHEMA,
        podfall: env!("CARGO_PKG_VERSION").to_owned(),
        model: model.name(),
        photos,
    };
    batch::write_counts(&layout, &counts)?;
    let pictures = |name: &str| {
        let count = counts.photos.iter().find(|count| count.photo == name)?;
        batch::report_pictures(&layout, count)
    };
    let html = present::report(&counts, &settings, &pictures)?;
    batch::write_report(&layout, &html)?;
    Ok(Finished { counts, layout })
}

fn counted(
    found: &Gathered,
    orders: &Orders,
    settings: &Settings,
    model: &Model,
) -> anyhow::Result<Vec<PhotoCount>> {
    let progress = Progress::new(found.photos.len());
    let result = batch::run(
        &found.photos,
        orders,
        &Stages { settings, model },
        &|step| progress.step(step),
    );
    progress.finish();
    Ok(result?)
}

/// Where the photos are at home.
struct Home {
    /// The folder given first, or that of the photo given first.
    folder: PathBuf,
    /// The season folder that it belongs to.
    season: Option<PathBuf>,
}

impl Home {
    fn of(paths: &[PathBuf]) -> Self {
        let first = paths.first().cloned().unwrap_or_default();
        let folder = if first.is_dir() {
            first
        } else {
            match first.parent() {
                Some(parent) if !parent.as_os_str().is_empty() => parent.to_owned(),
                _ => PathBuf::from("."),
            }
        };
        let season = batch::season_root(&folder);
        Self { folder, season }
    }

    fn out(&self) -> PathBuf {
        self.season.as_ref().unwrap_or(&self.folder).join("out")
    }
}

/// The season's `podfall.toml`, if there is one; the command line goes before it.
fn settings(args: &Args, home: &Home) -> anyhow::Result<Settings> {
    let season = match &home.season {
        Some(root) => read_season(&root.join(season::FILE))?,
        None => Season::default(),
    };
    let Some(spec) = args.frame.or(season.frame) else {
        return Err(Usage(format!(
            "the frame's size is not known; give it, as --frame 12x12in, or write it once into {}",
            home.folder.join(season::FILE).display()
        ))
        .into());
    };
    let mut frame = FrameSettings::new(spec);
    frame.bar_height_mm = args.bar_height.or(season.bar_height_mm);
    frame.corners_px = args.corners;
    Ok(Settings {
        assumptions: season.assumptions().map_err(usage)?,
        ..Settings::new(frame)
    })
}

fn read_season(path: &Path) -> anyhow::Result<Season> {
    const MOST_BYTES: u64 = 1_000_000;
    let read = || -> anyhow::Result<Season> {
        let bytes = files::read_whole(path, MOST_BYTES)?;
        let text = String::from_utf8(bytes).context("the file is not UTF-8 text")?;
        Ok(Season::parse(&text)?)
    };
    read()
        .with_context(|| path.display().to_string())
        .map_err(usage)
}

fn model(path: Option<&Path>) -> anyhow::Result<Model> {
    let Some(path) = path else {
        return Ok(Model::built_in());
    };
    let read = || -> anyhow::Result<Model> {
        let card = String::from_utf8(files::read_whole(
            &path.with_extension("toml"),
            MOST_MODEL_BYTES,
        )?)?;
        Ok(Model::from_bytes(
            files::read_whole(path, MOST_MODEL_BYTES)?,
            &card,
        )?)
    };
    read()
        .with_context(|| path.display().to_string())
        .map_err(usage)
}

/// One a core unless told.
fn jobs(asked: Option<NonZeroUsize>) -> usize {
    asked
        .or_else(|| std::thread::available_parallelism().ok())
        .map_or(1, NonZeroUsize::get)
}

/// Everything besides the photo that a count depends on, so that finished work of another
/// version, another build, other settings or another model is not used.
fn key(settings: &Settings, model: &Model) -> String {
    let build = std::env::current_exe()
        .and_then(fs::metadata)
        .ok()
        .map(|meta| {
            let modified = meta
                .modified()
                .ok()
                .and_then(|at| at.duration_since(UNIX_EPOCH).ok());
            (meta.len(), modified.map(|at| at.as_nanos()))
        });
    let text = format!(
        "{} {SCHEMA} {build:?} {} {:?}",
        env!("CARGO_PKG_VERSION"),
        settings.count_key(),
        model.name()
    );
    sha256_hex(text.as_bytes())
}

/// Counting a few photos by name must not take the place of the counts of the whole folder.
fn keep_other_counts(args: &Args, found: &Gathered, layout: &Layout) -> anyhow::Result<()> {
    if args.paths.iter().all(|path| path.is_dir()) {
        return Ok(());
    }
    let path = layout.counts_json();
    let there: Option<CountsFile> = fs::read(&path)
        .ok()
        .and_then(|bytes| serde_json::from_slice(&bytes).ok());
    let lost = there.map_or(0, |counts| {
        let is_found = |name: &str| found.photos.iter().any(|photo| photo.name == name);
        counts.photos.iter().filter(|p| !is_found(&p.photo)).count()
    });
    if lost == 0 {
        return Ok(());
    }
    Err(Usage(format!(
        "{} holds {lost} photos that are not counted now and would be lost; choose another folder with --out",
        path.display()
    ))
    .into())
}

//! What a count needs before it starts, from the command line, `podfall.toml` and the files given.

use std::{
    fs,
    num::NonZeroUsize,
    path::{Path, PathBuf},
    time::UNIX_EPOCH,
};

use anyhow::Context;
use podfall::{
    batch::{self, Gathered, Layout},
    counts::{CountsFile, SCHEMA},
    files,
    frame::FrameSettings,
    model::Model,
    photo::sha256_hex,
    pipeline::Settings,
    season::{self, Season},
};

use super::{
    Usage, assumptions::AssumptionArgs, count::Args, season_files::MOST_COUNTS_BYTES, usage,
};

/// Everything that is settled before the first photo is counted.
pub struct Setup {
    /// The photos, and what was left out.
    pub found: Gathered,
    /// What every count depends on.
    pub settings: Settings,
    /// The model.
    pub model: Model,
    /// Where the results go.
    pub layout: Layout,
}

impl Setup {
    /// Settles it.
    ///
    /// # Errors
    /// [`Usage`] for whatever cannot be followed.
    pub fn new(args: &Args) -> anyhow::Result<Self> {
        let home = Home::of(&args.paths)?;
        let found = batch::gather(&args.paths).map_err(usage)?;
        let settings = settings(args, &home)?;
        if settings.frame.corners_px.is_some() && found.photos.len() > 1 {
            return Err(Usage(format!(
                "--corners are of one photo, but there are {}; give one photo",
                found.photos.len()
            ))
            .into());
        }
        let model = model(args.model.as_deref())?;
        let layout = Layout {
            out: args.out.clone().unwrap_or_else(|| home.out()),
        };
        if args.out.is_none() && !args.part {
            keep_other_counts(args, &found, &layout)?;
        }
        Ok(Self {
            found,
            settings,
            model,
            layout,
        })
    }
}

/// Where the photos are at home.
pub(super) struct Home {
    /// The folder given first, or that of the photo given first.
    folder: PathBuf,
    /// The season folder that it belongs to.
    season: Option<PathBuf>,
}

impl Home {
    /// Of all paths given; photos of two seasons have two frames, of which one would be wrong.
    pub fn of(paths: &[PathBuf]) -> anyhow::Result<Self> {
        let mut folders = paths.iter().map(|path| folder_of(path));
        let folder = folders.next().unwrap_or_default();
        let season = batch::season_root(&folder);
        for other in folders.filter_map(|folder| batch::season_root(&folder)) {
            if season.as_ref() != Some(&other) {
                return Err(Usage(format!(
                    "{} is a season folder of its own; count it apart from {}",
                    other.display(),
                    folder.display()
                ))
                .into());
            }
        }
        Ok(Self { folder, season })
    }

    /// Where the results go unless told.
    pub fn out(&self) -> PathBuf {
        self.season.as_ref().unwrap_or(&self.folder).join("out")
    }
}

/// A folder itself; of a file the folder that it lies in.
fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        _ if path.is_dir() => path.to_owned(),
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_owned(),
        _ => PathBuf::from("."),
    }
}

/// The season's `podfall.toml`, if there is one; the command line goes before it.
pub(super) fn settings(args: &Args, home: &Home) -> anyhow::Result<Settings> {
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
    // A frame given here is another one than the season's, and its bar with it.
    let of_season = season.bar_height_mm.filter(|_| args.frame.is_none());
    frame.bar_height_mm = args.bar_height.or(of_season);
    frame.corners_px = args.corners;
    Ok(Settings {
        assumptions: AssumptionArgs::default().over(&season)?,
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

/// The model in the binary, or the one given.
pub(super) fn model(path: Option<&Path>) -> anyhow::Result<Model> {
    let Some(path) = path else {
        return Ok(Model::built_in());
    };
    batch::read_model(path).map_err(usage)
}

/// One a core unless told.
pub fn jobs(asked: Option<NonZeroUsize>) -> usize {
    asked
        .or_else(|| std::thread::available_parallelism().ok())
        .map_or(1, NonZeroUsize::get)
}

/// What was asked for; else half of the memory that is free, where the system tells it as Linux does, or 2 GB.
pub fn memory(asked: Option<u64>) -> u64 {
    const UNKNOWN_BYTES: u64 = 2_000_000_000;
    let free = || {
        let text = fs::read_to_string("/proc/meminfo").ok()?;
        let line = text
            .lines()
            .find(|line| line.starts_with("MemAvailable:"))?;
        let kib: u64 = line.split_whitespace().nth(1)?.parse().ok()?;
        Some(kib * 1024 / 2)
    };
    asked.or_else(free).unwrap_or(UNKNOWN_BYTES)
}

/// Everything besides the photo that a count depends on, so that finished work of another
/// version, another build, other settings or another model is not used.
pub fn key(settings: &Settings, model: &Model) -> String {
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
        model.card
    );
    sha256_hex(text.as_bytes())
}

/// Counting a few photos by name must not take the place of the counts of the whole folder.
fn keep_other_counts(args: &Args, found: &Gathered, layout: &Layout) -> anyhow::Result<()> {
    if args.paths.iter().all(|path| path.is_dir()) {
        return Ok(());
    }
    let path = layout.counts_json();
    if files::is_absent(&path) {
        return Ok(());
    }
    let bytes = files::read_whole(&path, MOST_COUNTS_BYTES)
        .with_context(|| path.display().to_string())
        .map_err(usage)?;
    let there: Option<CountsFile> = serde_json::from_slice(&bytes).ok();
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finished_work_of_another_card_is_not_used() {
        let frame = podfall::frame::FrameSettings::new("12x12in".parse().unwrap());
        let settings = Settings::new(frame);
        let (one, mut other) = (Model::built_in(), Model::built_in());
        assert_eq!(key(&settings, &one), key(&settings, &other));
        other.card.bean.weights[0] += 0.1;
        assert_eq!(one.name(), other.name(), "the network is the same");
        assert_ne!(key(&settings, &one), key(&settings, &other));
    }
}

//! Finds and reads what a season folder holds: podfall.toml, counts.json, sheet.csv.

use std::{
    collections::BTreeMap,
    path::{Path, PathBuf},
};

use anyhow::Context;
use podfall::{
    batch::{self, Layout},
    counts::{CountsFile, PhotoCount},
    files,
    frame::FrameSpec,
    loss::{
        Assumptions, LossCaution, LossCautionKind, SeasonFrames, SeasonLoss,
        season_frames_confirmed, season_loss,
    },
    marks::{ConfirmedCounts, MarkSettings, confirmed},
    season::{self, LossUnit, Season},
    sheet::Sheet,
    units::plural_does,
};

use super::{Usage, assumptions::AssumptionArgs, hint, usage};

/// Where the counts and the sheet are.
#[derive(Debug, Clone, clap::Args)]
pub struct FolderArgs {
    /// Season folder, or the folder with counts.json
    #[arg(value_name = "FOLDER", default_value = ".")]
    pub folder: PathBuf,
    /// The counts [default: counts.json in FOLDER or in FOLDER/out]
    #[arg(long, value_name = "FILE")]
    pub counts: Option<PathBuf>,
    /// The sheet [default: sheet.csv in FOLDER]
    #[arg(long, value_name = "FILE")]
    pub sheet: Option<PathBuf>,
}

/// A season as read.
pub struct SeasonRead {
    /// Where it was read.
    pub folder: FolderArgs,
    /// What podfall.toml says.
    pub season: Season,
    /// Frames with a count.
    pub frames: SeasonFrames,
    /// The sheet, where there is one.
    pub sheet: Option<Sheet>,
    /// Whether there is a sheet, or places that were said on the page.
    pub has_sheet: bool,
    /// The counts with the marks in them.
    pub confirmed: ConfirmedCounts,
    /// Assumptions, flags before podfall.toml.
    pub assumptions: Assumptions,
    /// Unit told first.
    pub unit: LossUnit,
    /// Folder of the counts, where results go.
    pub out: PathBuf,
    /// Name of the season.
    pub title: String,
}

pub const MOST_COUNTS_BYTES: u64 = 2_000_000_000;
const MOST_SHEET_BYTES: u64 = 50_000_000;

impl FolderArgs {
    /// Path of the counts.
    pub fn counts_path(&self) -> anyhow::Result<PathBuf> {
        if let Some(path) = &self.counts {
            return Ok(path.clone());
        }
        let home = self.home();
        counts_in(&home).ok_or_else(|| {
            Usage(format!(
                "no counts.json in {0} or {0}/out; run {1} first",
                home.display(),
                hint::podfall("count", &home)
            ))
            .into()
        })
    }

    /// The folder that the season's files lie in: the one given or, as for `count`, the season folder above its photos.
    pub fn home(&self) -> PathBuf {
        let above = || {
            let has_its_own = self.counts.is_some() || counts_in(&self.folder).is_some();
            (!has_its_own).then(|| batch::season_root(&self.folder))?
        };
        match above() {
            Some(root) if root.as_os_str().is_empty() => PathBuf::from("."),
            Some(root) => root,
            None => self.folder.clone(),
        }
    }

    /// Another command on the same files, as a hint.
    pub fn command(&self, name: &str) -> String {
        let mut command = hint::podfall(name, &self.home());
        for (option, path) in [("--counts", &self.counts), ("--sheet", &self.sheet)] {
            if let Some(path) = path {
                command.push_str(&format!(" {option} {}", hint::word(path)));
            }
        }
        command
    }

    /// Path of the sheet.
    pub fn sheet_path(&self) -> PathBuf {
        self.sheet
            .clone()
            .unwrap_or_else(|| self.home().join("sheet.csv"))
    }

    /// The counts.
    pub fn read_counts(&self) -> anyhow::Result<(CountsFile, PathBuf)> {
        let path = self.counts_path()?;
        let read = || -> anyhow::Result<CountsFile> {
            Ok(serde_json::from_slice(&files::read_whole(
                &path,
                MOST_COUNTS_BYTES,
            )?)?)
        };
        let counts = read()
            .with_context(|| path.display().to_string())
            .map_err(usage)?;
        Ok((counts, path))
    }

    /// The sheet; `None` where there is no file and none was named.
    pub fn read_sheet(&self) -> anyhow::Result<Option<Sheet>> {
        let path = self.sheet_path();
        if self.sheet.is_none() && files::is_absent(&path) {
            return Ok(None);
        }
        let read = || -> anyhow::Result<Sheet> {
            Ok(Sheet::read(&files::read_whole(&path, MOST_SHEET_BYTES)?)?)
        };
        read()
            .map(Some)
            .with_context(|| path.display().to_string())
            .map_err(usage)
    }

    /// What podfall.toml says; nothing where there is none.
    pub fn read_season(&self) -> anyhow::Result<Season> {
        let path = self.home().join(season::FILE);
        if files::is_absent(&path) {
            return Ok(Season::default());
        }
        let read = || -> anyhow::Result<Season> {
            let text = String::from_utf8(files::read_whole(&path, 1_000_000)?)?;
            Ok(Season::parse(&text)?)
        };
        read()
            .with_context(|| path.display().to_string())
            .map_err(usage)
    }

    /// The photo files by name: where they were said to be, else where `count` looks for them, seen from the counts.
    pub fn photo_paths(&self, photos: Option<&Path>) -> anyhow::Result<BTreeMap<String, PathBuf>> {
        let own = folder_of(&self.counts_path()?);
        let above = own.join("..");
        let folders: Vec<PathBuf> = match photos {
            Some(folder) => vec![folder.to_owned()],
            None => vec![self.home(), own, above],
        };
        let mut found = BTreeMap::new();
        for folder in folders {
            let Ok(gathered) = batch::gather(&[folder]) else {
                continue;
            };
            for photo in gathered.photos {
                found.entry(photo.name).or_insert(photo.path);
            }
        }
        if found.is_empty() {
            return Err(Usage(format!(
                "no photo in {}; say where the photos are with --photos",
                self.folder.display()
            ))
            .into());
        }
        Ok(found)
    }

    /// Everything.
    pub fn read(&self, flags: &AssumptionArgs) -> anyhow::Result<SeasonRead> {
        let season = self.read_season()?;
        let assumptions = flags.over(&season)?;
        let (counts, counts_path) = self.read_counts()?;
        let sheet = self.read_sheet()?;
        let out = folder_of(&counts_path);
        let confirmed = read_confirmed(&counts, &out)?;
        let mut frames = season_frames_confirmed(&confirmed, sheet.as_ref())
            .with_context(|| self.sheet_path().display().to_string())
            .map_err(usage)?;
        frames
            .cautions
            .extend(counted_otherwise(&season, &confirmed.counts));
        Ok(SeasonRead {
            folder: self.clone(),
            unit: flags.unit(&season),
            title: title_of(&self.home()),
            has_sheet: sheet.is_some() || frames.frames.iter().any(|f| f.place.is_some()),
            sheet,
            season,
            frames,
            confirmed,
            assumptions,
            out,
        })
    }
}

impl SeasonRead {
    /// The loss of the season.
    pub fn loss(&self) -> anyhow::Result<SeasonLoss> {
        if !self.has_sheet {
            return Err(Usage(format!(
                "there is no sheet.csv to say where each frame was laid; {} writes one to fill in",
                self.folder.command("sheet")
            ))
            .into());
        }
        season_loss(&self.frames, &self.assumptions).map_err(usage)
    }
}

/// What to say where podfall.toml has another frame than the photos were counted with.
fn counted_otherwise(season: &Season, counts: &CountsFile) -> Option<LossCaution> {
    let spec = season.frame?;
    let said = |spec: FrameSpec, bar_mm: Option<f64>| match bar_mm {
        Some(mm) => format!("{} with a bar {mm} mm high", spec.typed()),
        None => spec.typed(),
    };
    let otherwise = |p: &&PhotoCount| {
        let other_bar = season.bar_height_mm.is_some() && p.bar_height_mm != season.bar_height_mm;
        p.frame_spec != spec || other_bar
    };
    let all: Vec<&PhotoCount> = counts.photos.iter().filter(otherwise).collect();
    let first = all.first()?;
    Some(LossCaution {
        kind: LossCautionKind::OtherFrame,
        message: format!(
            "{} has the frame {}, but {} counted with {}: the loss goes by that; if {} is right, count again (podfall count)",
            season::FILE,
            said(spec, season.bar_height_mm),
            plural_does(all.len(), "photo", ("was", "were")),
            said(first.frame_spec, first.bar_height_mm),
            season::FILE,
        ),
    })
}

/// The counts in a folder or its `out/`.
fn counts_in(folder: &Path) -> Option<PathBuf> {
    let places = [
        folder.join("counts.json"),
        folder.join("out").join("counts.json"),
    ];
    places.into_iter().find(|path| !files::is_absent(path))
}

/// The folder that a file lies in.
pub fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_owned(),
        _ => PathBuf::from("."),
    }
}

/// The counts with the marks that lie beside them.
pub fn read_confirmed(counts: &CountsFile, folder: &Path) -> anyhow::Result<ConfirmedCounts> {
    let marks = batch::read_marks(folder).map_err(usage)?;
    let recounted = batch::read_recounted(folder).map_err(usage)?;
    let layout = Layout {
        out: folder.to_owned(),
    };
    let card = batch::card_of_counts(&layout, &counts.model);
    let settings = MarkSettings::of(&card);
    Ok(confirmed(counts, &marks, &recounted, &settings))
}

/// Name of a season: that of its folder.
pub fn title_of(folder: &Path) -> String {
    let full = std::fs::canonicalize(folder).unwrap_or_else(|_| folder.to_owned());
    full.file_name()
        .map_or_else(|| "season".to_owned(), |n| n.to_string_lossy().into_owned())
}

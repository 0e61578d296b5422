//! The evidence: photos, their pictures, and the season's own files.

use std::{
    collections::BTreeMap,
    path::{Path, PathBuf},
};

use anyhow::Context;
use image::imageops::FilterType;
use podfall::{
    annotate,
    batch::{self, BatchError, Layout, Source, annotated_name, report_pictures, said_pictures},
    counts::{CountsFile, PhotoCount},
    files,
    marks::ConfirmedCounts,
    photo::sha256_hex,
    record::{ANNOTATED, CONFIRMED, COUNTS, Kept, ORIGINALS, PagePicture, Redactions},
    report::{csv::counts_csv, html::PictureSettings},
};
use rayon::prelude::*;

use super::{
    super::{
        Usage, hint,
        redraw::redraw,
        season_files::{FolderArgs, SeasonRead},
    },
    Args,
    bundle::Bundle,
    season_file,
};

/// Largest file of the season that is read, bytes.
const MOST_BYTES: u64 = 2_000_000_000;

/// The photos where they lie.
pub struct Photos {
    paths: BTreeMap<String, PathBuf>,
    /// What to run where they are not the files that were counted.
    again: String,
    layout: Layout,
}

impl Photos {
    /// Finds the originals of these counts.
    pub fn gather(folder: &FolderArgs, counts: &CountsFile, out: &Path) -> anyhow::Result<Self> {
        let home = folder.home();
        let found = match batch::gather(std::slice::from_ref(&home)) {
            Ok(found) => found.photos,
            Err(BatchError::NoPhotos { .. }) => Vec::new(),
            Err(error) => return Err(super::usage(error)),
        };
        let counted = |name: &str| counts.photos.iter().any(|p| p.photo == name);
        let paths = found
            .into_iter()
            .filter(|s| counted(&s.name))
            .map(|s| (s.name, s.path));
        Ok(Self {
            paths: paths.collect(),
            again: format!(
                "{} again, then {}",
                hint::podfall("count", &home),
                folder.command("record")
            ),
            layout: Layout {
                out: out.to_owned(),
            },
        })
    }

    /// Draws the pictures with what persons said, where they are not up to date. One that cannot be drawn is left out.
    pub fn redraw(&self, read: &SeasonRead) -> anyhow::Result<()> {
        let sources: Vec<Source> = (self.paths.iter())
            .map(|(name, path)| Source {
                path: path.clone(),
                name: name.clone(),
            })
            .collect();
        redraw(read, &sources).map(drop)
    }

    /// About how many bytes go in: photos, pictures, and the two pages, which hold the pictures again, smaller (for the demo's
    /// photos they took 0.87 of the pictures' bytes).
    pub fn bytes(&self, counts: &CountsFile, redactions: &Redactions) -> u64 {
        let size = |path: &Path| path.metadata().map_or(0, |meta| meta.len());
        let of = |photo: &PhotoCount| {
            let name = &photo.photo;
            let original = (self.paths.get(name)).filter(|_| redactions.keeps_originals());
            let drawn = size(&self.layout.annotated(name)) + size(&self.layout.confirmed(name));
            2 * drawn + original.map_or(0, |path| size(path))
        };
        counts.photos.iter().map(of).sum()
    }

    /// Holds every original against its count, and copies it byte for byte where it may go in.
    pub fn put_in(
        &self,
        bundle: &Bundle,
        counts: &CountsFile,
        redactions: &Redactions,
    ) -> anyhow::Result<BTreeMap<String, Kept>> {
        let kept: Vec<(String, Option<Kept>)> = (counts.photos.par_iter())
            .map(|photo| {
                Ok((
                    photo.photo.clone(),
                    self.put_one(bundle, photo, redactions)?,
                ))
            })
            .collect::<anyhow::Result<_>>()?;
        let changed: Vec<&str> = kept
            .iter()
            .filter(|k| k.1.is_none())
            .map(|k| k.0.as_str())
            .collect();
        if !changed.is_empty() {
            return Err(Usage(format!(
                "not the files that were counted: {}. Run {}",
                changed.join(", "),
                self.again
            ))
            .into());
        }
        Ok(kept
            .into_iter()
            .filter_map(|(name, kept)| Some((name, kept?)))
            .collect())
    }

    /// `None` where the file is not the one that was counted.
    fn put_one(
        &self,
        bundle: &Bundle,
        photo: &PhotoCount,
        redactions: &Redactions,
    ) -> anyhow::Result<Option<Kept>> {
        let drawn = [
            (ANNOTATED, self.layout.annotated(&photo.photo)),
            (CONFIRMED, self.layout.confirmed(&photo.photo)),
        ];
        for (folder, path) in drawn.iter().filter(|(_, path)| path.is_file()) {
            let bytes =
                files::read_whole(path, MOST_BYTES).with_context(|| path.display().to_string())?;
            let name = annotated_name(&photo.photo);
            bundle.put(&format!("{folder}/{name}"), &bytes)?;
        }
        let Some(path) = self.paths.get(&photo.photo) else {
            return Ok(Some(Kept::Missing));
        };
        let bytes = files::read_whole(path, batch::MOST_FILE_BYTES)
            .with_context(|| path.display().to_string())?;
        let sha256 = sha256_hex(&bytes);
        if sha256 != photo.meta.sha256 {
            return Ok(None);
        }
        if !redactions.keeps_originals() {
            return Ok(Some(Kept::HashOnly));
        }
        bundle.put_hashed(&format!("{ORIGINALS}/{}", photo.photo), &bytes, sha256)?;
        Ok(Some(Kept::Copied))
    }

    /// The pictures for the pages: those of the confidence report, else the annotated ones made smaller.
    pub fn pictures(
        &self,
        counts: &CountsFile,
        confirmed: &ConfirmedCounts,
    ) -> BTreeMap<String, PagePicture> {
        let size = PictureSettings::for_photos(counts.photos.len());
        (counts.photos.par_iter())
            .filter_map(|photo| {
                let said = (confirmed.photos.get(&photo.photo))
                    .and_then(|said| said_pictures(&self.layout, &photo.photo, said));
                let drawn = said.or_else(|| report_pictures(&self.layout, photo));
                let drawn = drawn.map(|p| p.small_jpeg);
                let picture = drawn
                    .filter(|jpeg| !jpeg.is_empty())
                    .and_then(of_jpeg)
                    .or_else(|| smaller(&self.layout.annotated(&photo.photo), &size))?;
                Some((photo.photo.clone(), picture))
            })
            .collect()
    }
}

fn of_jpeg(jpeg: Vec<u8>) -> Option<PagePicture> {
    let reader = image::ImageReader::new(std::io::Cursor::new(&jpeg))
        .with_guessed_format()
        .ok()?;
    let (width_px, height_px) = reader.into_dimensions().ok()?;
    Some(PagePicture {
        jpeg,
        width_px,
        height_px,
    })
}

fn smaller(path: &Path, size: &PictureSettings) -> Option<PagePicture> {
    let bytes = files::read_whole(path, MOST_BYTES).ok()?;
    let picture = image::load_from_memory(&bytes).ok()?;
    let side = size.small_px * 4 / 3;
    let picture = picture.resize(side, side, FilterType::Triangle).to_rgb8();
    of_jpeg(annotate::jpeg(&picture, size.quality))
}

/// Counts, sheet and settings.
pub fn put_files(
    bundle: &Bundle,
    args: &Args,
    counts: &CountsFile,
    redactions: &Redactions,
) -> anyhow::Result<()> {
    let whole = |path: &Path| {
        files::read_whole(path, MOST_BYTES).with_context(|| path.display().to_string())
    };
    if redactions.keeps_counts() {
        bundle.put(COUNTS, &whole(&args.folder.counts_path()?)?)?;
    } else {
        let mut json = serde_json::to_string(counts)?;
        json.push('\n');
        bundle.put(COUNTS, json.as_bytes())?;
    }
    bundle.put("evidence/counts.csv", counts_csv(counts).as_bytes())?;
    if let Some(sheet) = args.folder.read_sheet()? {
        let bytes = match redactions.sheet(&sheet) {
            Some(bytes) => bytes,
            None => whole(&args.folder.sheet_path())?,
        };
        bundle.put("evidence/sheet.csv", &bytes)?;
    }
    let toml = season_file(&args.folder.home());
    if !files::is_absent(&toml) {
        let text = String::from_utf8(whole(&toml)?).context("podfall.toml is not UTF-8 text")?;
        let text = redactions.season(&text).context("podfall.toml")?;
        bundle.put("evidence/podfall.toml", text.as_bytes())?;
    }
    Ok(())
}

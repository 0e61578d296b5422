//! Pictures for the page: the photo as it is, and the plot from above.

use std::{
    collections::VecDeque,
    path::PathBuf,
    sync::{Arc, Mutex, PoisonError},
};

use image::imageops::{rotate90, rotate180, rotate270};

use super::ConfirmError;
use crate::{
    annotate,
    batch::MOST_FILE_BYTES,
    counts::{FrameFound, PhotoCount},
    files,
    frame::{FrameSpec, Outline},
    photo::{self, PhotoLimits, sha256_hex},
    plot::{self, PlotSettings},
};

/// Finest plot that is drawn, pixels to the mm: a bean is then 40 pixels wide.
const MOST_PX_PER_MM: f64 = 6.0;
/// Coarsest.
const LEAST_PX_PER_MM: f64 = 2.4;
/// Most pixels along a plot's side.
const MOST_SIDE_PX: f64 = 3_000.0;
/// Ground shown beyond the frame's inner edge, mm: the bar, to see whether the corners are right.
pub const MARGIN_MM: f64 = 15.0;
/// JPEG quality of a plot.
const QUALITY: u8 = 88;
/// Plots kept in memory; each is about a megabyte.
const KEPT: usize = 24;

/// What a picture is made of.
#[derive(Debug, Clone)]
pub struct Wanted {
    /// The photo file.
    pub path: PathBuf,
    /// Its name.
    pub name: String,
    /// SHA-256 of the file that was counted.
    pub sha256: String,
    /// The frame as found or set.
    pub frame: Option<FrameFound>,
    /// Its shape.
    pub spec: FrameSpec,
    /// Scale of the plot, pixels to the mm.
    pub px_per_mm: f64,
    /// Height of the bar's inner edge, mm: as it was counted with, else as the season says now.
    pub bar_height_mm: Option<f64>,
    /// What the camera says.
    pub focal_length_35mm_mm: Option<f64>,
}

/// A picture and its media type.
pub type Picture = (&'static str, Vec<u8>);

/// Scale of the plot that the page shows: about that of the photo.
pub fn px_per_mm(count: &PhotoCount) -> f64 {
    let (width_mm, height_mm) = count.frame_spec.size_mm();
    let most = MOST_SIDE_PX / (width_mm.max(height_mm) + 2.0 * MARGIN_MM);
    let own = count.plot.map_or(LEAST_PX_PER_MM, |p| p.photo_px_per_mm);
    own.clamp(LEAST_PX_PER_MM, MOST_PX_PER_MM).min(most)
}

/// The bytes of a photo, if they are those that were counted.
pub fn bytes(wanted: &Wanted) -> Result<Vec<u8>, ConfirmError> {
    let error = |what: String| ConfirmError::Photo {
        photo: wanted.name.clone(),
        what,
    };
    let bytes = files::read_whole(&wanted.path, MOST_FILE_BYTES)
        .map_err(|e| error(format!("the file cannot be read: {e}")))?;
    if !wanted.sha256.is_empty() && sha256_hex(&bytes) != wanted.sha256 {
        return Err(error(
            "the file is not the one that was counted; run podfall count again".to_owned(),
        ));
    }
    Ok(bytes)
}

/// The photo as it is where a browser can show it, else as JPEG.
pub fn photo(wanted: &Wanted) -> Result<Picture, ConfirmError> {
    let bytes = bytes(wanted)?;
    let kind = match bytes.as_slice() {
        [0xFF, 0xD8, ..] => Some("image/jpeg"),
        [0x89, b'P', b'N', b'G', ..] => Some("image/png"),
        [
            b'R',
            b'I',
            b'F',
            b'F',
            _,
            _,
            _,
            _,
            b'W',
            b'E',
            b'B',
            b'P',
            ..,
        ] => Some("image/webp"),
        _ => None,
    };
    if let Some(kind) = kind {
        return Ok((kind, bytes));
    }
    let read = read(wanted, &bytes)?;
    Ok(("image/jpeg", annotate::jpeg(&read.pixels, QUALITY)))
}

fn read(wanted: &Wanted, bytes: &[u8]) -> Result<photo::Photo, ConfirmError> {
    photo::read(bytes, &wanted.name, &PhotoLimits::default()).map_err(|e| ConfirmError::Photo {
        photo: wanted.name.clone(),
        what: e.to_string(),
    })
}

/// Quarter turns, clockwise, by which a plot stands as its photo does: its first corner is any of the four.
pub fn quarters(outline: &Outline) -> u8 {
    match outline {
        Outline::Corners([a, b, ..]) => {
            let turn = (b.y - a.y).atan2(b.x - a.x) / std::f64::consts::FRAC_PI_2;
            turn.round().rem_euclid(4.0) as u8
        }
        // A ring's plot lies as its photo does.
        Outline::Ring(_) => 0,
    }
}

/// The plot from above, as photographed, standing as the photo does.
pub fn plot(wanted: &Wanted) -> Result<Picture, ConfirmError> {
    let error = |what: String| ConfirmError::Photo {
        photo: wanted.name.clone(),
        what,
    };
    let frame = wanted
        .frame
        .as_ref()
        .ok_or_else(|| error("no frame was found, so there is no plot".to_owned()))?;
    let photo = read(wanted, &bytes(wanted)?)?;
    let settings = PlotSettings {
        px_per_mm: wanted.px_per_mm,
        margin_mm: MARGIN_MM,
        focal_length_35mm_mm: wanted.focal_length_35mm_mm,
        even_light: false,
        ..PlotSettings::default()
    };
    let plot = plot::flatten(&photo.pixels, &frame.found, wanted.spec, &settings)
        .map_err(|e| error(e.to_string()))?;
    let standing = match quarters(&frame.found.outline) {
        1 => rotate90(&plot.raw),
        2 => rotate180(&plot.raw),
        3 => rotate270(&plot.raw),
        _ => plot.raw,
    };
    Ok(("image/jpeg", annotate::jpeg(&standing, QUALITY)))
}

/// A plot that is there, or being drawn: whoever wants it meanwhile waits for it.
type Slot = Arc<Mutex<Option<Arc<Picture>>>>;

/// Plots drawn lately, by key.
#[derive(Debug, Default)]
pub struct Shelf {
    kept: Mutex<VecDeque<(String, Slot)>>,
}

impl Shelf {
    /// From the shelf, or made and put there.
    pub fn get(
        &self,
        key: &str,
        make: impl FnOnce() -> Result<Picture, ConfirmError>,
    ) -> Result<Arc<Picture>, ConfirmError> {
        let place = self.place(key);
        let mut there = place.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(picture) = &*there {
            return Ok(picture.clone());
        }
        let picture = Arc::new(make()?);
        *there = Some(picture.clone());
        Ok(picture)
    }

    fn place(&self, key: &str) -> Slot {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, place)) = kept.iter().find(|(k, _)| k == key) {
            return place.clone();
        }
        let place = Slot::default();
        kept.push_back((key.to_owned(), place.clone()));
        while kept.len() > KEPT {
            kept.pop_front();
        }
        place
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Point;

    /// Corners clockwise from any of the four, the photo held a little askew: the plot's top is the photo's.
    #[test]
    fn a_plot_stands_as_its_photo_does() {
        let corners = [(100.0, 80.0), (900.0, 120.0), (880.0, 900.0), (90.0, 870.0)];
        for first in 0..4 {
            let from = |i: usize| {
                let (x, y) = corners[(first + i) % 4];
                Point::new(x, y)
            };
            let outline = Outline::Corners(std::array::from_fn(from));
            assert_eq!(usize::from(quarters(&outline)), first);
        }
    }
}

//! First stage: a photo file becomes upright sRGB pixels and what the camera said of them.
//!
//! The format is told from the bytes, never from the name. Limits are checked from the header
//! before memory is spent; a file that was cut off is an error, never a picture with a grey end.

use std::panic::{AssertUnwindSafe, catch_unwind};

use image::RgbImage;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

mod error;
#[cfg(feature = "heic")]
mod heic;
mod jpeg;
mod kind;
mod markers;
mod meta;
mod profile;
mod raster;
mod spare;
mod turn;

pub use error::PhotoError;
pub use kind::{Format, HEAD_BYTES, recognise};
pub use spare::Spare;
use spare::Taken;
pub use turn::upright;

use crate::stats::median;

/// A photo, upright.
#[derive(Debug, Clone)]
pub struct Photo {
    /// File name without its folder.
    pub file_name: String,
    /// Upright pixels (turned as the file asks), 8-bit sRGB (colour profile applied), y down.
    pub pixels: RgbImage,
    /// What the file and the camera say.
    pub meta: PhotoMeta,
}

/// What a photo file says of itself. Everything here is the camera's word, not measured.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct PhotoMeta {
    /// SHA-256 of the file's bytes, lower-case hex.
    pub sha256: String,
    /// Size of the file, bytes.
    pub file_bytes: u64,
    /// `jpeg`, `png`, `webp`, `tiff` or `heic`; empty where the file is none of them.
    pub format: String,
    /// Width of the upright picture, pixels.
    pub width_px: u32,
    /// Height of the upright picture, pixels.
    pub height_px: u32,
    /// EXIF orientation as stored, 1 to 8 (CIPA DC-008, tag 0x0112); already applied. Of a HEIC always 1: its
    /// own boxes say how it is turned, and EXIF beside them must not turn it again.
    pub exif_orientation: u8,
    /// Capture time, RFC 3339 with offset where the camera gave one, else local time without
    /// (`2026-10-03T18:41:07-05:00` or `2026-10-03T18:41:07`).
    pub taken: Option<String>,
    /// Position in degrees, WGS 84.
    pub position: Option<Position>,
    /// Camera maker and model as written in the file.
    pub camera: Option<String>,
    /// Software that wrote the file, as it says itself.
    pub software: Option<String>,
    /// Focal length, mm.
    pub focal_length_mm: Option<f64>,
    /// Focal length, mm, of a 36 mm wide picture with the same field.
    pub focal_length_35mm_mm: Option<f64>,
    /// Exposure time, seconds.
    pub exposure_s: Option<f64>,
    /// The colour profile that the pixels came in; `None` where the file names none, which is taken for sRGB.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub colour_profile: Option<ColourProfile>,
}

/// A picture's own colour profile.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ColourProfile {
    /// What it calls itself, or its code points (ITU-T H.273).
    pub name: String,
    /// Whether the pixels were turned into sRGB by it. If not, they are as stored and their colours may be off.
    pub applied: bool,
}

/// A place on the earth as the camera wrote it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Position {
    /// Degrees north, negative south.
    pub lat_deg: f64,
    /// Degrees east, negative west.
    pub lon_deg: f64,
    /// Metres above the sea, where given.
    pub altitude_m: Option<f64>,
    /// The camera's own horizontal error, metres, where given.
    pub error_m: Option<f64>,
}

impl Position {
    /// Latitude and longitude.
    pub fn degrees(self) -> (f64, f64) {
        (self.lat_deg, self.lon_deg)
    }

    /// The middle of positions: medians, which one from far away does not move. `None` of none.
    pub fn middle(all: impl Iterator<Item = Self>) -> Option<Self> {
        let (mut lat, mut lon): (Vec<f64>, Vec<f64>) = all.map(Self::degrees).unzip();
        Some(Self {
            lat_deg: median(&mut lat)?,
            lon_deg: median(&mut lon)?,
            altitude_m: None,
            error_m: None,
        })
    }
}

/// What a photo may cost.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PhotoLimits {
    /// Most pixels. The default takes the 108-megapixel cameras of phones (12 032 × 9 024).
    /// Raised: memory grows by 3 bytes a pixel and more; lowered: such photos are refused.
    pub most_pixels: u64,
    /// Most memory for decoding, bytes: the pixels and what the decoder holds beside them.
    pub most_decode_bytes: u64,
}

impl Default for PhotoLimits {
    fn default() -> Self {
        Self {
            most_pixels: 110_000_000,
            most_decode_bytes: 700_000_000,
        }
    }
}

impl PhotoLimits {
    /// Number of pixels, if there are any and not too many.
    fn check_pixels(&self, width_px: u32, height_px: u32) -> Result<u64, PhotoError> {
        let pixels = u64::from(width_px) * u64::from(height_px);
        if pixels == 0 {
            return Err(PhotoError::NoPixels {
                width_px,
                height_px,
            });
        }
        if pixels > self.most_pixels {
            return Err(PhotoError::TooManyPixels {
                width_px,
                height_px,
                megapixels: pixels as f64 / 1e6,
                most_megapixels: self.most_pixels as f64 / 1e6,
            });
        }
        Ok(pixels)
    }

    fn check_memory(&self, needed_bytes: u64) -> Result<(), PhotoError> {
        if needed_bytes > self.most_decode_bytes {
            return Err(PhotoError::TooMuchMemory {
                needed_mb: needed_bytes as f64 / 1e6,
                most_mb: self.most_decode_bytes as f64 / 1e6,
            });
        }
        Ok(())
    }
}

/// The JPEG application segment (APP15) that marks a picture drawn by podfall: low byte of its marker.
const OWN_PICTURE_SEGMENT: u8 = 0xEF;
/// What stands in that segment.
const OWN_PICTURE_MARK: &[u8] = b"podfall drew this";

/// Puts a mark into a JPEG that says that podfall drew it: [`read`] then refuses it.
/// Bytes that are no JPEG are given back as they are.
pub fn marked_as_drawn(jpeg: Vec<u8>) -> Vec<u8> {
    let Some(rest) = jpeg.strip_prefix(&[0xFF, 0xD8]) else {
        return jpeg;
    };
    let length = 2 + OWN_PICTURE_MARK.len() as u16;
    let head = [0xFF, 0xD8, 0xFF, OWN_PICTURE_SEGMENT];
    [&head[..], &length.to_be_bytes(), OWN_PICTURE_MARK, rest].concat()
}

/// Reads a photo file: pixels turned upright, what the camera said, SHA-256.
///
/// - `bytes`: the whole file, JPEG, PNG, WebP, TIFF or (feature `heic`) HEIC.
/// - `file_name`: name without folder, kept as it is.
///
/// # Errors
/// [`PhotoError`] when the file is no photo that is read here, too large, cut off or damaged.
pub fn read(bytes: &[u8], file_name: &str, limits: &PhotoLimits) -> Result<Photo, PhotoError> {
    read_into(bytes, file_name, limits, &Spare::default())
}

/// As [`read`], with memory of photos before.
///
/// # Errors
/// As [`read`].
pub fn read_into(
    bytes: &[u8],
    file_name: &str,
    limits: &PhotoLimits,
    spare: &Spare,
) -> Result<Photo, PhotoError> {
    let format = recognise(bytes)?;
    if format == Format::Jpeg && jpeg::is_our_own(bytes) {
        return Err(PhotoError::OwnPicture);
    }
    let mut said = meta::read(bytes);
    if format == Format::Tiff && said.raw {
        return Err(PhotoError::Raw);
    }
    if format == Format::Heic {
        said.orientation = 1;
    }
    let memory = match (spare.take(), format) {
        (memory, Format::Jpeg) => memory,
        // The other decoders make their own.
        _ => Taken::default(),
    };
    let (stored, colour_profile) = guarded(format, || {
        let (mut pixels, colours) = match format {
            Format::Jpeg => jpeg::decode(bytes, limits, memory),
            Format::Png | Format::Webp | Format::Tiff => raster::decode(bytes, format, limits),
            #[cfg(feature = "heic")]
            Format::Heic => heic::decode(bytes, limits),
            #[cfg(not(feature = "heic"))]
            Format::Heic => Err(PhotoError::NotReadHere { format: "HEIC" }),
        }?;
        let colours = match &said.tiff_profile {
            Some(icc) if format == Format::Tiff => profile::Said::Icc(icc.clone()),
            _ => colours,
        };
        let profile = profile::to_srgb(&mut pixels, &colours);
        Ok((pixels, profile))
    })?;
    let pixels = upright(stored, said.orientation);
    let mut meta = PhotoMeta {
        format: format.word().to_owned(),
        width_px: pixels.width(),
        height_px: pixels.height(),
        colour_profile,
        ..file_only(bytes)
    };
    said.put_into(&mut meta);
    Ok(Photo {
        file_name: file_name.to_owned(),
        pixels,
        meta,
    })
}

/// Most memory that decoding takes, bytes, told from the file's header; `None` for a file that will not be decoded.
pub fn decode_bytes(bytes: &[u8]) -> Option<u64> {
    let told = || match recognise(bytes).ok()? {
        Format::Jpeg => jpeg::decode_bytes(bytes),
        #[cfg(feature = "heic")]
        Format::Heic => heic::decode_bytes(bytes),
        #[cfg(not(feature = "heic"))]
        Format::Heic => None,
        format => raster::decode_bytes(bytes, format),
    };
    catch_unwind(AssertUnwindSafe(told)).ok().flatten()
}

/// What can be said of a file that is no photo: its size and SHA-256.
pub fn file_only(bytes: &[u8]) -> PhotoMeta {
    PhotoMeta {
        sha256: sha256_hex(bytes),
        file_bytes: bytes.len() as u64,
        ..PhotoMeta::default()
    }
}

/// SHA-256 in lower-case hex.
pub fn sha256_hex(bytes: &[u8]) -> String {
    Sha256::digest(bytes)
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

/// Turns a decoder's panic into an error: a hostile file must not stop the photos beside it.
fn guarded<T>(
    format: Format,
    decode: impl FnOnce() -> Result<T, PhotoError>,
) -> Result<T, PhotoError> {
    catch_unwind(AssertUnwindSafe(decode)).unwrap_or(Err(PhotoError::DecoderGaveUp {
        format: format.name(),
    }))
}

/// Share of pixels, %, that may be see-through. Raised: holes in the picture would be counted as
/// ground without beans; lowered: screenshots with rounded corners are refused.
const MOST_SEE_THROUGH_PCT: f64 = 1.0;

/// Refuses a picture of which more than [`MOST_SEE_THROUGH_PCT`] is not opaque.
fn check_opaque_share(see_through: usize, width_px: u32, height_px: u32) -> Result<(), PhotoError> {
    let all = f64::from(width_px) * f64::from(height_px);
    let share_pct = 100.0 * see_through as f64 / all;
    if share_pct > MOST_SEE_THROUGH_PCT {
        return Err(PhotoError::SeeThrough {
            share_pct,
            most_pct: MOST_SEE_THROUGH_PCT,
        });
    }
    Ok(())
}

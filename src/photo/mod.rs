//! First stage: a photo file becomes upright sRGB pixels and what the camera said of them.

use image::RgbImage;
use serde::{Deserialize, Serialize};

/// A photo, upright.
#[derive(Debug, Clone)]
pub struct Photo {
    /// File name without its folder.
    pub file_name: String,
    /// Upright pixels (EXIF orientation applied), 8-bit sRGB, y down.
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
    /// `jpeg`, `png`, `webp` or `tiff`.
    pub format: String,
    /// Width of the upright picture, pixels.
    pub width_px: u32,
    /// Height of the upright picture, pixels.
    pub height_px: u32,
    /// EXIF orientation as stored, 1 to 8 (CIPA DC-008, tag 0x0112); already applied.
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

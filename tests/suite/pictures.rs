//! Small pictures made on the spot.

use std::path::{Path, PathBuf};

use image::{DynamicImage, ImageFormat, RgbImage};
use jpeg_encoder::{ColorType, Encoder};

/// A path in `fixtures/`, also from `tests/fuzz`.
pub fn fixture(name: &str) -> PathBuf {
    let package = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut folders = package.ancestors().map(|folder| folder.join("fixtures"));
    folders
        .find(|folder| folder.is_dir())
        .expect("the fixtures are there")
        .join(name)
}

/// A fixture's bytes.
pub fn fixture_bytes(name: &str) -> Vec<u8> {
    std::fs::read(fixture(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

/// A picture without repetition: ramps and a grain that differs with `seed`.
pub fn grainy(width: u32, height: u32, seed: u32) -> RgbImage {
    RgbImage::from_fn(width, height, |x, y| {
        let mut h = (x.wrapping_mul(0x9E37_79B1) ^ y.wrapping_mul(0x85EB_CA77)).wrapping_add(seed);
        h = (h ^ (h >> 15)).wrapping_mul(0x2C1B_3C6D);
        let grain = (h >> 24) / 4;
        image::Rgb([
            (x * 150 / width + grain) as u8,
            (y * 150 / height + grain) as u8,
            (60 + grain) as u8,
        ])
    })
}

/// As JPEG.
pub fn jpeg(picture: &RgbImage, progressive: bool) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut encoder = Encoder::new(&mut bytes, 90);
    encoder.set_progressive(progressive);
    let (w, h) = (picture.width() as u16, picture.height() as u16);
    encoder
        .encode(picture, w, h, ColorType::Rgb)
        .expect("memory takes every byte");
    bytes
}

/// As PNG, TIFF or WebP (lossless).
pub fn encoded(picture: &DynamicImage, format: ImageFormat) -> Vec<u8> {
    let mut bytes = std::io::Cursor::new(Vec::new());
    picture
        .write_to(&mut bytes, format)
        .expect("memory takes every byte");
    bytes.into_inner()
}

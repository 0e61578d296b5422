//! PNG, WebP and TIFF through the `image` crate, with the limits checked from the header.

use std::io::Cursor;

use image::{DynamicImage, ImageDecoder, ImageError, ImageReader, Limits, RgbImage};

use super::{PhotoError, PhotoLimits, check_opaque_share, kind::Format, profile};

/// Decodes to 8-bit pixels as stored, not yet turned upright, and tells their colours. Grey becomes
/// three equal channels, 16-bit values are rounded to 8 bits.
pub(super) fn decode(
    bytes: &[u8],
    format: Format,
    limits: &PhotoLimits,
) -> Result<(RgbImage, profile::Said), PhotoError> {
    let name = format.name();
    let damaged = |source: ImageError| match &source {
        ImageError::IoError(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
            PhotoError::CutOff {
                format: name,
                file_bytes: bytes.len() as u64,
            }
        }
        _ => PhotoError::Damaged {
            format: name,
            source,
        },
    };
    let mut reader = ImageReader::with_format(Cursor::new(bytes), image_format(format));
    let mut bounds = Limits::no_limits();
    bounds.max_alloc = Some(limits.most_decode_bytes);
    reader.limits(bounds);
    let mut decoder = reader.into_decoder().map_err(damaged)?;
    let (w, h) = decoder.dimensions();
    let pixels = limits.check_pixels(w, h)?;
    let as_rgb8 = if decoder.color_type() == image::ColorType::Rgb8 {
        0
    } else {
        3 * pixels
    };
    limits.check_memory(decoder.total_bytes().saturating_add(as_rgb8))?;
    // A profile that cannot be read is one that cannot be applied, which is told.
    let icc = decoder.icc_profile().unwrap_or(Some(Vec::new()));
    let picture = DynamicImage::from_decoder(decoder).map_err(damaged)?;
    check_opaque(&picture)?;
    Ok((picture.into_rgb8(), icc.into()))
}

fn image_format(format: Format) -> image::ImageFormat {
    match format {
        // Both are read elsewhere.
        Format::Jpeg | Format::Heic => image::ImageFormat::Jpeg,
        Format::Png => image::ImageFormat::Png,
        Format::Webp => image::ImageFormat::WebP,
        Format::Tiff => image::ImageFormat::Tiff,
    }
}

/// Refuses a picture that is see-through in too many places.
fn check_opaque(picture: &DynamicImage) -> Result<(), PhotoError> {
    let see_through = match picture {
        DynamicImage::ImageLumaA8(p) => p.pixels().filter(|p| p.0[1] < u8::MAX).count(),
        DynamicImage::ImageRgba8(p) => p.pixels().filter(|p| p.0[3] < u8::MAX).count(),
        DynamicImage::ImageLumaA16(p) => p.pixels().filter(|p| p.0[1] < u16::MAX).count(),
        DynamicImage::ImageRgba16(p) => p.pixels().filter(|p| p.0[3] < u16::MAX).count(),
        DynamicImage::ImageRgba32F(p) => p.pixels().filter(|p| p.0[3] < 1.0).count(),
        _ => 0,
    };
    check_opaque_share(see_through, picture.width(), picture.height())
}

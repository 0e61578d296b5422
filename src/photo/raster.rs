//! PNG, WebP and TIFF through the `image` crate, with the limits checked from the header.

use std::io::Cursor;

use image::{DynamicImage, ImageDecoder, ImageError, ImageReader, Limits, RgbImage};

use super::{PhotoError, PhotoLimits, kind::Format};

/// Share of pixels, %, that may be see-through. Raised: holes in the picture would be counted as
/// ground without beans; lowered: screenshots with rounded corners are refused.
const MOST_SEE_THROUGH_PCT: f64 = 1.0;

/// Decodes to 8-bit sRGB pixels as stored, not yet turned upright. Grey becomes three equal
/// channels, 16-bit values are rounded to 8 bits.
pub(super) fn decode(
    bytes: &[u8],
    format: Format,
    limits: &PhotoLimits,
) -> Result<RgbImage, PhotoError> {
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
    let decoder = reader.into_decoder().map_err(damaged)?;
    let (w, h) = decoder.dimensions();
    let pixels = limits.check_pixels(w, h)?;
    let as_rgb8 = if decoder.color_type() == image::ColorType::Rgb8 {
        0
    } else {
        3 * pixels
    };
    limits.check_memory(decoder.total_bytes().saturating_add(as_rgb8))?;
    let picture = DynamicImage::from_decoder(decoder).map_err(damaged)?;
    check_opaque(&picture)?;
    Ok(picture.into_rgb8())
}

fn image_format(format: Format) -> image::ImageFormat {
    match format {
        Format::Jpeg => image::ImageFormat::Jpeg,
        Format::Png => image::ImageFormat::Png,
        Format::Webp => image::ImageFormat::WebP,
        Format::Tiff => image::ImageFormat::Tiff,
    }
}

/// Refuses a picture of which more than [`MOST_SEE_THROUGH_PCT`] is not opaque.
fn check_opaque(picture: &DynamicImage) -> Result<(), PhotoError> {
    let see_through = match picture {
        DynamicImage::ImageLumaA8(p) => p.pixels().filter(|p| p.0[1] < u8::MAX).count(),
        DynamicImage::ImageRgba8(p) => p.pixels().filter(|p| p.0[3] < u8::MAX).count(),
        DynamicImage::ImageLumaA16(p) => p.pixels().filter(|p| p.0[1] < u16::MAX).count(),
        DynamicImage::ImageRgba16(p) => p.pixels().filter(|p| p.0[3] < u16::MAX).count(),
        DynamicImage::ImageRgba32F(p) => p.pixels().filter(|p| p.0[3] < 1.0).count(),
        _ => 0,
    };
    let all = f64::from(picture.width()) * f64::from(picture.height());
    let share_pct = 100.0 * see_through as f64 / all;
    if share_pct > MOST_SEE_THROUGH_PCT {
        return Err(PhotoError::SeeThrough {
            share_pct,
            most_pct: MOST_SEE_THROUGH_PCT,
        });
    }
    Ok(())
}

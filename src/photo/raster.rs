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
    let mut decoder = opened(bytes, format, limits).map_err(damaged)?;
    let (w, h) = decoder.dimensions();
    limits.check_pixels(w, h)?;
    limits.check_memory(needed_bytes(&decoder))?;
    // A profile that cannot be read is one that cannot be applied, which is told.
    let icc = decoder.icc_profile().unwrap_or(Some(Vec::new()));
    let picture = DynamicImage::from_decoder(decoder).map_err(damaged)?;
    check_opaque(&picture)?;
    Ok((picture.into_rgb8(), icc.into()))
}

/// The decoder, which has read the header.
fn opened<'a>(
    bytes: &'a [u8],
    format: Format,
    limits: &PhotoLimits,
) -> Result<impl ImageDecoder + 'a, ImageError> {
    let mut reader = ImageReader::with_format(Cursor::new(bytes), image_format(format));
    let mut bounds = Limits::no_limits();
    bounds.max_alloc = Some(match format {
        Format::Png => png_bytes(bytes).min(limits.most_decode_bytes),
        _ => limits.most_decode_bytes,
    });
    reader.limits(bounds);
    reader.into_decoder()
}

/// What a PNG of this size may take, whatever is packed into it beside its pixels: a colour profile of two megabytes can
/// unfold to gigabytes.
fn png_bytes(bytes: &[u8]) -> u64 {
    /// Sixteen bits of red, green, blue and alpha.
    const MOST_PIXEL_BYTES: u64 = 8;
    /// Profiles of cameras are below 1 MB, of printers a few.
    const BESIDE_BYTES: u64 = 20_000_000;
    // Width and height stand first in the first chunk (ISO/IEC 15948, 11.2.2).
    let side = |at: usize| {
        let four = bytes.get(at..).and_then(<[u8]>::first_chunk::<4>);
        four.map_or(0, |four| u64::from(u32::from_be_bytes(*four)))
    };
    let pixels = side(16).saturating_mul(side(20));
    pixels
        .saturating_mul(MOST_PIXEL_BYTES)
        .saturating_add(BESIDE_BYTES)
}

/// Pixels as the decoder gives them, and as 8-bit RGB where those are others.
fn needed_bytes(decoder: &impl ImageDecoder) -> u64 {
    let (w, h) = decoder.dimensions();
    let as_rgb8 = match decoder.color_type() {
        image::ColorType::Rgb8 => 0,
        _ => 3 * u64::from(w) * u64::from(h),
    };
    decoder.total_bytes().saturating_add(as_rgb8)
}

/// Memory for decoding; `None` where the header cannot be read.
pub(super) fn decode_bytes(bytes: &[u8], format: Format) -> Option<u64> {
    let decoder = opened(bytes, format, &PhotoLimits::default()).ok()?;
    Some(needed_bytes(&decoder))
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

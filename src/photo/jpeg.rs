//! JPEG: a walk over the markers first, so that a file that was cut off is an error and never a
//! short count, then the decoder in strict mode.

use image::RgbImage;
use zune_core::{bytestream::ZCursor, colorspace::ColorSpace, options::DecoderOptions};
use zune_jpeg::JpegDecoder;

use super::{
    PhotoError, PhotoLimits,
    markers::{Header, PROGRESSIVE, SOS, segment, survey},
    profile,
    spare::Taken,
};

/// Scans that a progressive JPEG may have. Cameras write about ten; thousands only serve to
/// keep a decoder busy.
const MOST_SCANS: usize = 100;

/// Decodes a whole JPEG to pixels as stored, not yet turned upright, and tells their colours.
pub(super) fn decode(
    bytes: &[u8],
    limits: &PhotoLimits,
    memory: Taken,
) -> Result<(RgbImage, profile::Said), PhotoError> {
    let header = survey(bytes)?;
    check(&header, limits)?;
    let (pixels, icc) = if header.apart {
        drop(memory);
        channels_apart(bytes, &header)?
    } else {
        ordinary(bytes, &header, memory)?
    };
    let picture = RgbImage::from_raw(header.width_px, header.height_px, pixels)
        .ok_or(PhotoError::DecoderGaveUp { format: "JPEG" })?;
    match filling_at_the_end(&picture) {
        Some(period_px) => Err(PhotoError::FilledUp { period_px }),
        None => Ok((picture, icc.into())),
    }
}

/// RGB bytes of a JPEG as cameras write it, and its ICC profile.
fn ordinary(
    bytes: &[u8],
    header: &Header,
    memory: Taken,
) -> Result<(Vec<u8>, Option<Vec<u8>>), PhotoError> {
    let options = DecoderOptions::new_safe()
        .set_strict_mode(true)
        .set_max_width(usize::from(u16::MAX))
        .set_max_height(usize::from(u16::MAX))
        .jpeg_set_max_scans(MOST_SCANS)
        .jpeg_set_out_colorspace(ColorSpace::RGB);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    let size = 3 * header.width_px as usize * header.height_px as usize;
    let mut pixels = memory.zeros(size);
    decoder
        .decode_into(&mut pixels)
        .map_err(|source| PhotoError::DamagedJpeg { source })?;
    Ok((pixels, decoder.icc_profile()))
}

/// RGB bytes of a JPEG that is not progressive but has a scan for each channel, which the fast
/// decoder takes for whole and turns into wrong colours.
fn channels_apart(bytes: &[u8], header: &Header) -> Result<(Vec<u8>, Option<Vec<u8>>), PhotoError> {
    let gave_up = || PhotoError::DecoderGaveUp { format: "JPEG" };
    let mut decoder = jpeg_decoder::Decoder::new(bytes);
    let pixels = decoder
        .decode()
        .map_err(|source| PhotoError::DamagedApart { source })?;
    let icc = decoder.icc_profile();
    match header.components {
        3 => Ok((pixels, icc)),
        1 => Ok((pixels.iter().flat_map(|&v| [v; 3]).collect(), icc)),
        _ => Err(gave_up()),
    }
}

/// Whether this JPEG carries the mark that podfall puts into the pictures that it draws.
pub(super) fn is_our_own(bytes: &[u8]) -> bool {
    let mut at = 2;
    while let Some((marker, body)) = segment(bytes, at) {
        if marker == super::OWN_PICTURE_SEGMENT && body == super::OWN_PICTURE_MARK {
            return true;
        }
        if marker == SOS {
            return false;
        }
        at += 4 + body.len();
    }
    false
}

/// Refuses what is too large or not read, before any memory is spent on it.
fn check(header: &Header, limits: &PhotoLimits) -> Result<(), PhotoError> {
    let pixels = limits.check_pixels(header.width_px, header.height_px)?;
    let odd = match header {
        Header {
            precision_bits: p, ..
        } if *p != 8 => Some("more or fewer than 8 bits a channel"),
        Header { components: 4, .. } => Some("four colour channels (CMYK, for print)"),
        Header { components: c, .. } if ![1, 3].contains(c) => {
            Some("a number of colour channels other than one or three")
        }
        Header { frame_kind: k, .. } if ![0xC0, 0xC1, PROGRESSIVE].contains(k) => {
            Some("lossless or arithmetic coding")
        }
        _ => None,
    };
    if let Some(what) = odd {
        return Err(PhotoError::OddJpeg { what });
    }
    limits.check_memory(needed_bytes(header, pixels))
}

/// Pixels, and what the decoder holds beside them.
fn needed_bytes(header: &Header, pixels: u64) -> u64 {
    // A progressive JPEG is held as 16-bit coefficients until its last scan.
    let coefficient_bytes = match header.frame_kind {
        PROGRESSIVE => 2 * u64::from(header.components) * pixels,
        _ => 0,
    };
    3 * pixels + coefficient_bytes
}

/// Memory for decoding; `None` for a file that is not whole.
pub(super) fn decode_bytes(bytes: &[u8]) -> Option<u64> {
    let header = survey(bytes).ok()?;
    let pixels = u64::from(header.width_px) * u64::from(header.height_px);
    Some(needed_bytes(&header, pixels))
}

/// The width of the pattern if the lowest eight rows are one pattern over and over, which is what
/// a decoder makes of data that end early behind a proper end marker. Rows of one plain
/// black or white are left alone: a photo can have those.
fn filling_at_the_end(picture: &RgbImage) -> Option<u32> {
    const ROWS: u32 = 8;
    /// Across the largest coding unit of ordinary subsampling.
    const PERIOD_PX: u32 = 16;
    /// In a picture narrower than this, chance could repeat a pattern.
    const LEAST_WIDTH_PX: u32 = 256;
    let (w, h) = picture.dimensions();
    if w < LEAST_WIDTH_PX || h < 4 * ROWS {
        return None;
    }
    let row_bytes = w as usize * 3;
    let period_bytes = PERIOD_PX as usize * 3;
    let lowest = &picture.as_raw()[row_bytes * (h - ROWS) as usize..];
    let first = lowest[0];
    let plain = lowest.iter().all(|&v| v == first);
    let repeats = lowest
        .chunks_exact(row_bytes)
        .all(|row| row[period_bytes..] == row[..row_bytes - period_bytes]);
    (repeats && !plain).then_some(PERIOD_PX)
}

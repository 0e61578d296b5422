//! JPEG: a walk over the markers first, so that a file that was cut off is an error and never a
//! short count, then the decoder in strict mode.

use image::RgbImage;
use zune_core::{bytestream::ZCursor, colorspace::ColorSpace, options::DecoderOptions};
use zune_jpeg::JpegDecoder;

use super::{PhotoError, PhotoLimits};

/// Scans that a progressive JPEG may have. Cameras write about ten; thousands only serve to
/// keep a decoder busy.
const MOST_SCANS: usize = 100;

/// What the markers say.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Header {
    width_px: u32,
    height_px: u32,
    precision_bits: u8,
    components: u8,
    /// The low byte of the SOF marker: 0xC0 baseline, 0xC1 extended, 0xC2 progressive.
    frame_kind: u8,
}

/// Decodes a whole JPEG to sRGB pixels as stored, not yet turned upright.
pub(super) fn decode(bytes: &[u8], limits: &PhotoLimits) -> Result<RgbImage, PhotoError> {
    let header = survey(bytes)?;
    check(&header, limits)?;
    let options = DecoderOptions::new_safe()
        .set_strict_mode(true)
        .set_max_width(usize::from(u16::MAX))
        .set_max_height(usize::from(u16::MAX))
        .jpeg_set_max_scans(MOST_SCANS)
        .jpeg_set_out_colorspace(ColorSpace::RGB);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    let pixels = decoder
        .decode()
        .map_err(|source| PhotoError::DamagedJpeg { source })?;
    let picture = RgbImage::from_raw(header.width_px, header.height_px, pixels)
        .ok_or(PhotoError::DecoderGaveUp { format: "JPEG" })?;
    match filling_at_the_end(&picture) {
        Some(period_px) => Err(PhotoError::FilledUp { period_px }),
        None => Ok(picture),
    }
}

/// Whether this JPEG carries the mark that podfall puts into the pictures that it draws.
pub(super) fn is_our_own(bytes: &[u8]) -> bool {
    let mut at = 2;
    while let Some((marker, body)) = segment(bytes, at) {
        if marker == super::OWN_PICTURE_SEGMENT && body == super::OWN_PICTURE_MARK {
            return true;
        }
        if marker == 0xDA {
            return false;
        }
        at += 4 + body.len();
    }
    false
}

/// The marker at `at` (low byte) and what its segment holds.
fn segment(bytes: &[u8], at: usize) -> Option<(u8, &[u8])> {
    let &[0xFF, marker, high, low] = bytes.get(at..)?.first_chunk::<4>()? else {
        return None;
    };
    let length = usize::from(u16::from_be_bytes([high, low]));
    Some((marker, bytes.get(at + 4..at + 2 + length)?))
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
        Header { frame_kind: k, .. } if ![0xC0, 0xC1, 0xC2].contains(k) => {
            Some("lossless or arithmetic coding")
        }
        _ => None,
    };
    if let Some(what) = odd {
        return Err(PhotoError::OddJpeg { what });
    }
    // A progressive JPEG is held as 16-bit coefficients until its last scan.
    let coefficient_bytes = match header.frame_kind {
        0xC2 => 2 * u64::from(header.components) * pixels,
        _ => 0,
    };
    limits.check_memory(3 * pixels + coefficient_bytes)
}

/// Walks the markers up to the end of the first picture.
///
/// # Errors
/// [`PhotoError::CutOff`] when the file ends first.
fn survey(bytes: &[u8]) -> Result<Header, PhotoError> {
    let cut_off = || PhotoError::CutOff {
        format: "JPEG",
        file_bytes: bytes.len() as u64,
    };
    let mut header = None;
    let mut at = 2;
    loop {
        let (marker, after) = next_marker(bytes, at).ok_or_else(cut_off)?;
        at = after;
        match marker {
            0xD9 => break,
            0x01 | 0xD0..=0xD8 => continue,
            _ => {}
        }
        let length = bytes.get(at..at + 2).ok_or_else(cut_off)?;
        let end = at + usize::from(u16::from_be_bytes([length[0], length[1]])).max(2);
        let body = bytes.get(at + 2..end).ok_or_else(cut_off)?;
        // Start of frame: every 0xCn that is no table.
        if matches!(marker, 0xC0..=0xCF)
            && !matches!(marker, 0xC4 | 0xC8 | 0xCC)
            && let Some(&[precision_bits, h1, h0, w1, w0, components]) = body.first_chunk::<6>()
        {
            header.get_or_insert(Header {
                width_px: u32::from(u16::from_be_bytes([w1, w0])),
                height_px: u32::from(u16::from_be_bytes([h1, h0])),
                precision_bits,
                components,
                frame_kind: marker,
            });
        }
        at = end;
    }
    header.ok_or(PhotoError::OddJpeg {
        what: "no frame header",
    })
}

/// The next marker at or after `at` (its low byte) and the place after it. Passes over
/// coded data: stuffed zeros, restart markers and fill bytes are not markers here.
fn next_marker(bytes: &[u8], mut at: usize) -> Option<(u8, usize)> {
    loop {
        at += bytes.get(at..)?.iter().position(|&b| b == 0xFF)? + 1;
        match *bytes.get(at)? {
            0x00 | 0xD0..=0xD7 => at += 1,
            0xFF => {}
            marker => return Some((marker, at + 1)),
        }
    }
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

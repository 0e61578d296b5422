//! A JPEG's markers: what they say of the picture, and whether all of it is there.

use memchr::memchr;

use super::PhotoError;

/// Start of scan, low byte of the marker.
pub(super) const SOS: u8 = 0xDA;
/// Start of a progressive frame, low byte of the marker.
pub(super) const PROGRESSIVE: u8 = 0xC2;
/// End of image, low byte of the marker.
const EOI: u8 = 0xD9;
/// Coefficients of one 8 × 8 block.
const BLOCK: usize = 64;
/// Components whose scans are followed. More are refused elsewhere.
const COMPONENTS: usize = 4;

/// What the frame header says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Header {
    pub width_px: u32,
    pub height_px: u32,
    pub precision_bits: u8,
    pub components: u8,
    /// The marker's low byte: 0xC0 baseline, 0xC1 extended, 0xC2 progressive.
    pub frame_kind: u8,
    /// Whether each channel comes in a scan of its own although the picture is not progressive.
    pub apart: bool,
    /// The components' own numbers.
    ids: [u8; COMPONENTS],
}

/// Walks the markers up to the end of the first picture.
///
/// # Errors
/// [`PhotoError::CutOff`] when the file ends first, or ends properly before the last scans of a
/// picture that comes in several.
///
/// # Source
/// ITU-T T.81 (1992), annex B (markers) and G.1 (progressive scans).
pub(super) fn survey(bytes: &[u8]) -> Result<Header, PhotoError> {
    let cut_off = || PhotoError::CutOff {
        format: "JPEG",
        file_bytes: bytes.len() as u64,
    };
    let mut header: Option<Header> = None;
    let mut finished = [[false; BLOCK]; COMPONENTS];
    let mut scans = 0;
    let mut at = 2;
    loop {
        let (marker, after) = next_marker(bytes, at).ok_or_else(cut_off)?;
        at = after;
        match marker {
            EOI => break,
            // TEM and SOI stand alone.
            0x01 | 0xD8 => continue,
            _ => {}
        }
        let length = bytes.get(at..at + 2).ok_or_else(cut_off)?;
        let end = at + usize::from(u16::from_be_bytes([length[0], length[1]])).max(2);
        let body = bytes.get(at + 2..end).ok_or_else(cut_off)?;
        match (&header, marker) {
            (None, 0xC0..=0xC3 | 0xC5..=0xC7 | 0xC9..=0xCB | 0xCD..=0xCF) => {
                header = frame_header(marker, body);
            }
            (Some(header), SOS) => {
                scans += 1;
                finish(header, body, &mut finished);
            }
            _ => {}
        }
        at = end;
    }
    let mut header = header.ok_or(PhotoError::OddJpeg {
        what: "no frame header",
    })?;
    let whole = finished.iter().take(usize::from(header.components));
    if !whole.flatten().all(|&done| done) {
        return Err(cut_off());
    }
    header.apart = header.frame_kind != PROGRESSIVE && scans > 1;
    Ok(header)
}

fn frame_header(marker: u8, body: &[u8]) -> Option<Header> {
    let &[precision_bits, h1, h0, w1, w0, components] = body.first_chunk::<6>()?;
    let mut ids = [0; COMPONENTS];
    for (id, component) in ids.iter_mut().zip(body[6..].chunks(3)) {
        *id = component[0];
    }
    Some(Header {
        width_px: u32::from(u16::from_be_bytes([w1, w0])),
        height_px: u32::from(u16::from_be_bytes([h1, h0])),
        precision_bits,
        components,
        frame_kind: marker,
        apart: false,
        ids,
    })
}

/// Notes which coefficients a scan brings to their last bit.
fn finish(header: &Header, scan: &[u8], finished: &mut [[bool; BLOCK]; COMPONENTS]) {
    let Some((&count, rest)) = scan.split_first() else {
        return;
    };
    let Some((parts, &[from, to, bits])) = rest
        .split_at_checked(2 * usize::from(count))
        .and_then(|(parts, tail)| Some((parts, tail.first_chunk::<3>()?)))
    else {
        return;
    };
    // Low four bits: the bit from which on nothing has been sent yet.
    if bits & 0x0F != 0 {
        return;
    }
    for part in parts.chunks_exact(2) {
        for (id, done) in header.ids.iter().zip(finished.iter_mut()) {
            if *id == part[0] {
                let span = usize::from(from)..usize::from(to).min(BLOCK - 1) + 1;
                done.get_mut(span).unwrap_or_default().fill(true);
            }
        }
    }
}

/// The segment at `at`: its marker (low byte) and what it holds.
pub(super) fn segment(bytes: &[u8], at: usize) -> Option<(u8, &[u8])> {
    let &[0xFF, marker, high, low] = bytes.get(at..)?.first_chunk::<4>()? else {
        return None;
    };
    let length = usize::from(u16::from_be_bytes([high, low]));
    Some((marker, bytes.get(at + 4..at + 2 + length)?))
}

/// The next marker at or after `at` (its low byte) and the place after it. Passes over
/// coded data: stuffed zeros, restart markers and fill bytes are not markers here.
fn next_marker(bytes: &[u8], mut at: usize) -> Option<(u8, usize)> {
    loop {
        at += memchr(0xFF, bytes.get(at..)?)? + 1;
        match *bytes.get(at)? {
            0x00 | 0xD0..=0xD7 => at += 1,
            0xFF => {}
            marker => return Some((marker, at + 1)),
        }
    }
}

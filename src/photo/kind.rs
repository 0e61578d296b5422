//! What a file is, told from its first bytes and never from its name.

use super::PhotoError;

/// A picture format that can be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// JPEG (ITU-T T.81).
    Jpeg,
    /// PNG (ISO/IEC 15948).
    Png,
    /// WebP (RFC 9649).
    Webp,
    /// TIFF 6.0, either byte order.
    Tiff,
    /// HEVC pictures in HEIF (ISO/IEC 23008-12). Read where podfall was built with `heic`.
    Heic,
}

impl Format {
    /// The word in `counts.json`.
    pub fn word(self) -> &'static str {
        match self {
            Self::Jpeg => "jpeg",
            Self::Png => "png",
            Self::Webp => "webp",
            Self::Tiff => "tiff",
            Self::Heic => "heic",
        }
    }

    /// The name in messages.
    pub fn name(self) -> &'static str {
        match self {
            Self::Jpeg => "JPEG",
            Self::Png => "PNG",
            Self::Webp => "WebP",
            Self::Tiff => "TIFF",
            Self::Heic => "HEIC",
        }
    }
}

/// Bytes of a file's head that [`recognise`] looks at.
pub const HEAD_BYTES: usize = 32;

/// Tells the format from the head of a file, [`HEAD_BYTES`] or all of it.
///
/// # Errors
/// [`PhotoError::Empty`], [`PhotoError::NotReadHere`] for a picture format that is known but not
/// read, [`PhotoError::UnknownFormat`] for anything else.
///
/// # Source
/// Signatures: ITU-T T.81 (SOI), PNG and WebP specifications, TIFF 6.0 (1992), ISO/IEC 23008-12
/// annex B (brands of HEIF).
pub fn recognise(head: &[u8]) -> Result<Format, PhotoError> {
    let brand = || head.get(8..12).unwrap_or_default();
    match head {
        [] => Err(PhotoError::Empty),
        [0xFF, 0xD8, 0xFF, ..] => Ok(Format::Jpeg),
        [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1A, b'\n', ..] => Ok(Format::Png),
        [b'R', b'I', b'F', b'F', ..] if brand() == b"WEBP" => Ok(Format::Webp),
        [b'I', b'I', 42, 0, ..] | [b'M', b'M', 0, 42, ..] => Ok(Format::Tiff),
        [_, _, _, _, b'f', b't', b'y', b'p', ..] => boxed(
            brand(),
            head.get(16..head.len().min(HEAD_BYTES)).unwrap_or_default(),
        ),
        [b'G', b'I', b'F', b'8', ..] => Err(PhotoError::NotReadHere { format: "GIF" }),
        [b'B', b'M', ..] => Err(PhotoError::NotReadHere { format: "BMP" }),
        [0xFF, 0x0A, ..] | [0, 0, 0, 12, b'J', b'X', b'L', b' ', ..] => {
            Err(PhotoError::NotReadHere { format: "JPEG XL" })
        }
        _ => Err(PhotoError::UnknownFormat {
            first_bytes: hex_words(&head[..head.len().min(4)]),
        }),
    }
}

/// Files in ISO base media boxes: still pictures of phones, films, a few raw files. `others`: the brands that
/// the file names beside its first.
fn boxed(brand: &[u8], others: &[u8]) -> Result<Format, PhotoError> {
    let avif = others.chunks_exact(4).any(|other| other == b"avif");
    Err(match brand {
        b"avif" | b"avis" => PhotoError::NotReadHere { format: "AVIF" },
        b"mif1" | b"mif2" | b"msf1" if avif => PhotoError::NotReadHere { format: "AVIF" },
        b"heic" | b"heix" | b"heim" | b"heis" | b"hevc" | b"hevx" | b"mif1" | b"mif2" | b"msf1" => {
            if cfg!(feature = "heic") {
                return Ok(Format::Heic);
            }
            PhotoError::NotReadHere { format: "HEIC" }
        }
        b"crx " => PhotoError::Raw,
        _ => PhotoError::Film,
    })
}

/// `ff d8 ff`.
fn hex_words(bytes: &[u8]) -> String {
    let words: Vec<String> = bytes.iter().map(|b| format!("{b:02x}")).collect();
    words.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_phones_own_format_is_told_what_to_do() {
        let heic = recognise(b"\0\0\0\x18ftypheic\0\0\0\0");
        if cfg!(feature = "heic") {
            assert_eq!(heic.unwrap(), Format::Heic);
        } else {
            let error = heic.unwrap_err().to_string();
            assert!(error.starts_with("HEIC is not read here; set"), "{error}");
        }
        let error = recognise(b"\0\0\0\x20ftypmif1\0\0\0\0mif1avif").unwrap_err();
        assert!(error.to_string().starts_with("AVIF is not read here; set"));
        assert!(matches!(
            recognise(b"\0\0\0\x18ftypmp42"),
            Err(PhotoError::Film)
        ));
    }

    #[test]
    fn anything_else_shows_its_first_bytes() {
        let error = recognise(b"PK\x03\x04zip").unwrap_err().to_string();
        assert!(error.contains("50 4b 03 04"), "{error}");
        assert!(matches!(recognise(b""), Err(PhotoError::Empty)));
        assert!(matches!(
            recognise(b"\xFF"),
            Err(PhotoError::UnknownFormat { .. })
        ));
    }
}

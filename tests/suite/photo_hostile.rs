//! Cut, damaged, swollen and random files: an error, never a panic, never another picture.

use std::time::{Duration, Instant};

use image::{DynamicImage, ImageFormat};
use podfall::photo::{PhotoError, PhotoLimits, read};
use proptest::prelude::*;

use crate::pictures::{encoded, fixture_bytes, grainy, jpeg};

fn is_error(bytes: &[u8]) -> bool {
    read(bytes, "photo", &PhotoLimits::default()).is_err()
}

#[test]
fn a_jpeg_cut_at_any_byte_is_an_error() {
    let picture = grainy(80, 56, 1);
    for (kind, bytes) in [
        ("baseline", jpeg(&picture, false)),
        ("progressive", jpeg(&picture, true)),
        ("with EXIF", fixture_bytes("photo-exif/phone.jpg")),
        (
            "restart markers",
            fixture_bytes("photo-decoded/restart.jpg"),
        ),
        ("grey", fixture_bytes("photo-decoded/grey.jpg")),
    ] {
        assert!(!is_error(&bytes), "{kind} whole");
        for length in 0..bytes.len() {
            assert!(is_error(&bytes[..length]), "{kind} cut to {length} bytes");
        }
    }
}

#[test]
fn a_large_jpeg_cut_anywhere_and_closed_again_is_an_error() {
    // Some programs put an end marker behind what they got. Then the decoder has nothing to
    // complain of, and only the picture shows it.
    let picture = grainy(640, 480, 2);
    for (kind, bytes) in [
        ("baseline", jpeg(&picture, false)),
        ("progressive", jpeg(&picture, true)),
    ] {
        for tenth in 2..=9 {
            let mut cut = bytes[..bytes.len() * tenth / 10].to_vec();
            assert!(is_error(&cut), "{kind} cut at {tenth}/10");
            cut.extend([0xFF, 0xD9]);
            assert!(is_error(&cut), "{kind} cut at {tenth}/10 and closed");
            cut.truncate(cut.len() - 2);
            cut.resize(bytes.len(), 0);
            assert!(
                is_error(&cut),
                "{kind} cut at {tenth}/10 and filled with zeros"
            );
        }
    }
}

#[test]
fn other_formats_cut_at_any_byte_are_an_error_or_the_whole_picture() {
    let picture = DynamicImage::ImageRgb8(grainy(40, 28, 3));
    for format in [ImageFormat::Png, ImageFormat::WebP, ImageFormat::Tiff] {
        let bytes = encoded(&picture, format);
        for length in 0..bytes.len() {
            // A file may lack bytes that say nothing, such as a PNG's end mark.
            if let Ok(photo) = read(&bytes[..length], "photo", &PhotoLimits::default()) {
                assert_eq!(
                    photo.pixels.as_raw(),
                    picture.as_bytes(),
                    "{format:?} cut to {length} of {}",
                    bytes.len()
                );
            }
        }
    }
}

/// Headers that promise more than is there must cost neither time nor memory.
#[test]
fn a_header_that_promises_too_much_is_refused_at_once() {
    let start = Instant::now();
    let mut swollen = jpeg(&grainy(64, 64, 4), false);
    let sof = swollen.windows(2).position(|w| w == [0xFF, 0xC0]).unwrap();
    swollen[sof + 5..sof + 9].fill(0xFF);
    let error = read(&swollen, "photo", &PhotoLimits::default()).unwrap_err();
    assert_eq!(
        error.to_string(),
        "65535 x 65535 px are 4294.8 million pixels, at most 110.0 million are taken; set the camera to a smaller picture or scale the photo down"
    );
    // PNG of 40 000 x 40 000 px: signature, IHDR with its CRC-32, and one empty IDAT.
    let ihdr = b"IHDR\0\0\x9c\x40\0\0\x9c\x40\x08\x02\0\0\0";
    let mut png = b"\x89PNG\r\n\x1a\n\0\0\0\x0d".to_vec();
    png.extend(ihdr);
    png.extend(crc32(ihdr).to_be_bytes());
    png.extend(b"\0\0\0\0IDAT");
    png.extend(crc32(b"IDAT").to_be_bytes());
    let error = read(&png, "photo", &PhotoLimits::default()).unwrap_err();
    assert!(
        matches!(error, PhotoError::TooManyPixels { .. }),
        "{error:?}"
    );
    assert!(start.elapsed() < Duration::from_secs(5));
}

#[test]
fn a_picture_within_the_pixels_but_not_the_memory_is_refused() {
    let deep = DynamicImage::ImageRgb16(DynamicImage::ImageRgb8(grainy(100, 100, 5)).to_rgb16());
    let limits = PhotoLimits {
        most_pixels: 10_000,
        most_decode_bytes: 80_000,
    };
    let error = read(&encoded(&deep, ImageFormat::Png), "photo", &limits).unwrap_err();
    assert!(
        matches!(error, PhotoError::TooMuchMemory { .. }),
        "{error:?}"
    );
    assert!(read(&jpeg(&grainy(100, 100, 5), false), "photo", &limits).is_ok());
}

/// CRC-32 bit by bit (ISO/IEC 15948, annex D).
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, &byte| {
        (0..8).fold(crc ^ u32::from(byte), |c, _| {
            (c >> 1) ^ (0xEDB8_8320 & (c & 1).wrapping_neg())
        })
    })
}

/// Small whole files of every format, to be damaged.
fn whole_files() -> Vec<Vec<u8>> {
    let picture = DynamicImage::ImageRgb8(grainy(33, 21, 6));
    let mut files = vec![
        jpeg(&picture.to_rgb8(), false),
        jpeg(&picture.to_rgb8(), true),
        fixture_bytes("photo-decoded/cmyk.jpg"),
    ];
    files.extend(
        ["jpg", "png", "webp", "tif"].map(|f| fixture_bytes(&format!("photo-exif/phone.{f}"))),
    );
    let formats = [ImageFormat::Png, ImageFormat::WebP, ImageFormat::Tiff];
    files.extend(formats.map(|format| encoded(&picture, format)));
    files
}

const HEADS: [&[u8]; 6] = [
    b"",
    b"\xFF\xD8\xFF\xE1\0\x20Exif\0\0MM\0\x2a",
    b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR",
    b"RIFF\xFF\0\0\0WEBPVP8 ",
    b"II\x2a\0\x08\0\0\0",
    b"\0\0\0\x18ftypheic",
];

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_bytes_never_panic(
        head in 0..HEADS.len(),
        tail in prop::collection::vec(any::<u8>(), 0..2000),
    ) {
        let bytes = [HEADS[head], &tail].concat();
        let _ = read(&bytes, "photo", &PhotoLimits::default());
    }

    #[test]
    fn damaged_files_never_panic_and_stay_within_the_limits(
        file in 0..10_usize,
        damage in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..12),
    ) {
        let mut bytes = whole_files().swap_remove(file);
        for (at, value) in damage {
            let at = at.index(bytes.len());
            bytes[at] = value;
        }
        let limits = PhotoLimits { most_pixels: 4_000_000, most_decode_bytes: 40_000_000 };
        if let Ok(photo) = read(&bytes, "photo", &limits) {
            prop_assert!(photo.pixels.len() <= 12_000_000);
            prop_assert!((1..=8).contains(&photo.meta.exif_orientation));
        }
    }
}

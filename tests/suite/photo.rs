//! Photos of every kind, against what other libraries make of them.

use image::{DynamicImage, ImageFormat, RgbImage};
use podfall::photo::{Photo, PhotoError, PhotoLimits, marked_as_drawn, read};

use crate::pictures::{encoded, fixture_bytes, grainy, jpeg};

fn reads(bytes: &[u8]) -> Photo {
    read(bytes, "photo", &PhotoLimits::default()).unwrap_or_else(|e| panic!("{e}"))
}

fn refuses(bytes: &[u8]) -> PhotoError {
    read(bytes, "photo", &PhotoLimits::default()).expect_err("must be refused")
}

/// The greatest difference in any channel.
fn difference(a: &RgbImage, b: &RgbImage) -> u8 {
    assert_eq!(a.dimensions(), b.dimensions());
    let pairs = a.as_raw().iter().zip(b.as_raw());
    pairs.map(|(a, b)| a.abs_diff(*b)).max().unwrap_or(0)
}

fn png(name: &str) -> RgbImage {
    image::load_from_memory(&fixture_bytes(name))
        .unwrap()
        .into_rgb8()
}

/// Files and turned pictures by Pillow 13.0.0: see the fixture's SOURCE.md.
#[test]
fn all_eight_orientations_come_out_upright() {
    let upright = png("photo-orientations/upright.png");
    for orientation in 1..=8 {
        let photo = reads(&fixture_bytes(&format!(
            "photo-orientations/{orientation}.jpg"
        )));
        assert_eq!(photo.meta.exif_orientation, orientation);
        assert_eq!((photo.meta.width_px, photo.meta.height_px), (40, 24));
        let off = difference(&photo.pixels, &upright);
        assert!(off <= 3, "orientation {orientation}: {off} levels off");
    }
}

/// Decoded by libjpeg-turbo 3.2.0: see the fixture's SOURCE.md.
#[test]
fn jpegs_decode_as_the_reference_library_decodes_them() {
    for kind in [
        "plain",
        "progressive",
        "restart",
        "half",
        "full",
        "grey",
        "rgb",
    ] {
        let photo = reads(&fixture_bytes(&format!("photo-decoded/{kind}.jpg")));
        let expected = png(&format!("photo-decoded/{kind}.png"));
        let off = difference(&photo.pixels, &expected);
        assert!(off <= 4, "{kind}: {off} levels off");
    }
}

/// Written by Pillow 13.0.0: see the fixture's SOURCE.md. It puts no EXIF folder into a TIFF, so
/// that tells only what stands among the TIFF's own tags.
#[test]
fn what_the_camera_said_is_read_in_all_formats() {
    for format in ["jpg", "png", "webp", "tif"] {
        let meta = reads(&fixture_bytes(&format!("photo-exif/phone.{format}"))).meta;
        assert_eq!(meta.camera.as_deref(), Some("Example Phone 3"), "{format}");
        assert_eq!(meta.software.as_deref(), Some("camera 1.0"), "{format}");
        assert_eq!(meta.exif_orientation, 6, "{format}");
        assert_eq!((meta.width_px, meta.height_px), (24, 40), "{format}");
        if format == "tif" {
            continue;
        }
        assert_eq!(meta.taken.as_deref(), Some("2026-10-03T18:41:07-05:00"));
        assert_eq!(meta.focal_length_mm, Some(4.3));
        assert_eq!(meta.focal_length_35mm_mm, Some(26.0));
        assert_eq!(meta.exposure_s, Some(0.002));
        let position = meta.position.expect("a position");
        assert!((position.lat_deg - 41.505).abs() < 1e-9);
        assert!((position.lon_deg - -93.26).abs() < 1e-9);
        assert_eq!(position.altitude_m, Some(289.5));
        assert_eq!(position.error_m, Some(4.7));
    }
}

#[test]
fn the_sum_and_size_are_those_of_the_file() {
    // SHA-256 of "abc": FIPS 180-4, example B.1 (from memory).
    let meta = podfall::photo::file_only(b"abc");
    assert_eq!(
        meta.sha256,
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    );
    assert_eq!(meta.file_bytes, 3);
}

#[test]
fn lossless_formats_and_depths_give_the_same_pixels() {
    let picture = grainy(61, 47, 1);
    let rgb = DynamicImage::ImageRgb8(picture.clone());
    let deep = DynamicImage::ImageRgb16(rgb.to_rgb16());
    let opaque = DynamicImage::ImageRgba8(rgb.to_rgba8());
    for (name, bytes) in [
        ("png", encoded(&rgb, ImageFormat::Png)),
        ("tiff", encoded(&rgb, ImageFormat::Tiff)),
        ("webp", encoded(&rgb, ImageFormat::WebP)),
        ("png, 16 bits", encoded(&deep, ImageFormat::Png)),
        ("tiff, 16 bits", encoded(&deep, ImageFormat::Tiff)),
        ("png, opaque alpha", encoded(&opaque, ImageFormat::Png)),
    ] {
        let photo = reads(&bytes);
        assert_eq!(difference(&photo.pixels, &picture), 0, "{name}");
        assert!(name.starts_with(&photo.meta.format), "{name}");
    }
    let grey = DynamicImage::ImageLuma8(rgb.to_luma8());
    let photo = reads(&encoded(&grey, ImageFormat::Png));
    assert_eq!(difference(&photo.pixels, &grey.to_rgb8()), 0);
}

#[test]
fn a_big_endian_tiff_is_read() {
    // Header, one IFD of 9 entries, then one strip of 2 x 1 RGB pixels (TIFF 6.0, section 6).
    let entry = |tag: u16, kind: u16, count: u32, value: u32| {
        let mut e = [tag.to_be_bytes(), kind.to_be_bytes()].concat();
        e.extend(count.to_be_bytes());
        e.extend(value.to_be_bytes());
        e
    };
    let short = |v: u32| v << 16;
    let bits_at = 8 + 2 + 9 * 12 + 4;
    let mut file = b"MM\0\x2a\0\0\0\x08\0\x09".to_vec();
    for e in [
        entry(256, 3, 1, short(2)),
        entry(257, 3, 1, short(1)),
        entry(258, 3, 3, bits_at),
        entry(259, 3, 1, short(1)),
        entry(262, 3, 1, short(2)),
        entry(273, 4, 1, bits_at + 6),
        entry(277, 3, 1, short(3)),
        entry(278, 3, 1, short(1)),
        entry(279, 4, 1, 6),
    ] {
        file.extend(e);
    }
    file.extend([0, 0, 0, 0, 0, 8, 0, 8, 0, 8, 10, 20, 30, 40, 50, 60]);
    assert_eq!(reads(&file).pixels.as_raw(), &[10, 20, 30, 40, 50, 60]);
}

#[test]
fn what_is_not_read_is_refused_with_what_to_do() {
    let cmyk = refuses(&fixture_bytes("photo-decoded/cmyk.jpg")).to_string();
    assert!(
        cmyk.contains("CMYK") && cmyk.contains("save it as"),
        "{cmyk}"
    );
    let avif = refuses(b"\0\0\0\x18ftypavif\0\0\0\0mif1avif").to_string();
    assert!(avif.contains("most compatible"), "{avif}");
    let mut holes = DynamicImage::ImageRgb8(grainy(40, 40, 2)).to_rgba8();
    for x in 0..40 {
        holes.put_pixel(x, 0, image::Rgba([0, 0, 0, 0]));
    }
    let holes = refuses(&encoded(&holes.into(), ImageFormat::Png)).to_string();
    assert!(
        holes.starts_with("2.5 % of the pixels are see-through"),
        "{holes}"
    );
}

#[test]
fn a_raw_file_is_not_taken_for_its_preview() {
    let mut file = encoded(&DynamicImage::ImageRgb8(grainy(8, 8, 3)), ImageFormat::Tiff);
    // A little-endian IFD that says NewSubfileType 1, and nothing else.
    let at = (file.len() as u32).to_le_bytes();
    file[4..8].copy_from_slice(&at);
    file.extend([1, 0, 254, 0, 4, 0, 1, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0]);
    assert!(matches!(refuses(&file), PhotoError::Raw));
}

#[test]
fn a_picture_that_podfall_drew_is_never_counted() {
    let drawn = marked_as_drawn(jpeg(&grainy(32, 32, 4), false));
    assert!(matches!(refuses(&drawn), PhotoError::OwnPicture));
    // To everything else it is an ordinary JPEG.
    assert!(image::load_from_memory(&drawn).is_ok());
    assert_eq!(marked_as_drawn(b"no JPEG".to_vec()), b"no JPEG");
}

#[test]
fn broken_exif_keeps_what_can_be_read() {
    let mut bytes = fixture_bytes("photo-exif/phone.jpg");
    // The second IFD entry gets an unknown type; the others still stand.
    let at = bytes
        .windows(2)
        .position(|w| w == b"MM")
        .expect("big-endian EXIF");
    let second_type = at + 8 + 2 + 12 + 2;
    bytes[second_type..second_type + 2].copy_from_slice(&[0xEE, 0xEE]);
    let meta = reads(&bytes).meta;
    assert_eq!(meta.taken.as_deref(), Some("2026-10-03T18:41:07-05:00"));
    assert_eq!(meta.exif_orientation, 6);
}

#[test]
fn a_jpeg_with_something_behind_it_is_whole() {
    // Phones put films and gain maps behind the picture.
    let picture = grainy(64, 48, 5);
    let mut bytes = jpeg(&picture, false);
    let alone = reads(&bytes).pixels;
    bytes.extend_from_slice(b"a short film");
    assert_eq!(reads(&bytes).pixels, alone);
}

/// A JPEG that is not progressive but has one scan a channel (as encoders with optimised Huffman tables write it)
/// is read as the same picture with its channels interleaved.
#[test]
fn channels_in_scans_of_their_own_are_read_right() {
    let picture = image::RgbImage::from_fn(320, 240, |x, y| {
        image::Rgb([(x / 2) as u8, (y / 2 + 60) as u8, ((x + y) / 4) as u8])
    });
    let packed = |optimised: bool| {
        let mut bytes = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut bytes, 95);
        encoder.set_sampling_factor(jpeg_encoder::SamplingFactor::F_2_2);
        encoder.set_optimized_huffman_tables(optimised);
        encoder
            .encode(picture.as_raw(), 320, 240, jpeg_encoder::ColorType::Rgb)
            .unwrap();
        bytes
    };
    let limits = podfall::photo::PhotoLimits::default();
    for optimised in [false, true] {
        let read = podfall::photo::read(&packed(optimised), "a.jpg", &limits).unwrap();
        let worst = picture
            .as_raw()
            .iter()
            .zip(read.pixels.as_raw())
            .map(|(a, b)| a.abs_diff(*b))
            .max();
        assert!(
            worst.unwrap() < 24,
            "optimised: {optimised}, worst {worst:?}"
        );
    }
}

//! Files as phones and other programs write them: counted as their plain JPEG is, within a bean, or refused with what
//! to do. Made by libheif, LittleCMS, libjpeg-turbo and ImageMagick: see fixtures/photo-formats/SOURCE.md.

use std::sync::LazyLock;

use image::RgbImage;
use podfall::{
    caution::CautionKind,
    counts::{PhotoCount, Status},
    frame::FrameSettings,
    photo::{Photo, PhotoLimits, read},
    pipeline::{Settings, count_photo},
};

use crate::{
    case::model,
    pictures::{fixture_bytes, grainy, jpeg},
};

/// The same ground as every file here shows, as a plain JPEG.
const PLAIN: &str = "forty-beans-some-touching/photo.jpg";

fn count(bytes: &[u8], name: &str) -> PhotoCount {
    let settings = Settings::new(FrameSettings::new("12x12in".parse().unwrap()));
    count_photo(bytes, name, &settings, model()).count
}

static PLAIN_BEANS: LazyLock<f64> = LazyLock::new(|| beans(&count(&fixture_bytes(PLAIN), "plain")));

fn beans(count: &PhotoCount) -> f64 {
    let counts = count.counts.as_ref();
    counts
        .unwrap_or_else(|| panic!("{}: {:?}", count.photo, count.problem))
        .beans
        .estimate
}

/// Counted, and within a bean of the plain JPEG.
fn counts_as_the_plain_one(name: &str, bytes: &[u8]) -> PhotoCount {
    let count = count(bytes, name);
    let (got, plain) = (beans(&count), *PLAIN_BEANS);
    assert!(
        (got - plain).abs() <= 1.0,
        "{name}: {got:.2} beans, the plain JPEG has {plain:.2}"
    );
    assert!(!cautioned(&count), "{name}: {:?}", count.cautions);
    count
}

fn cautioned(count: &PhotoCount) -> bool {
    let kinds = count.cautions.iter().map(|c| c.kind);
    kinds.into_iter().any(|k| k == CautionKind::ColourProfile)
}

fn file(name: &str) -> Vec<u8> {
    fixture_bytes(&format!("photo-formats/{name}"))
}

fn reads(name: &str) -> Photo {
    read(&file(name), name, &PhotoLimits::default()).unwrap_or_else(|e| panic!("{name}: {e}"))
}

/// The mean difference in a channel, levels.
fn mean_difference(a: &RgbImage, b: &RgbImage) -> f64 {
    assert_eq!(a.dimensions(), b.dimensions());
    let pairs = a.as_raw().iter().zip(b.as_raw());
    pairs.map(|(a, b)| f64::from(a.abs_diff(*b))).sum::<f64>() / a.as_raw().len() as f64
}

#[cfg(feature = "heic")]
mod heic {
    use image::{Rgb, imageops};

    use super::*;

    const FILES: [&str; 4] = [
        "one-picture.heic",
        "grid.heic",
        "ten-bits.heic",
        "grid-turned-p3.heic",
    ];

    #[test]
    fn a_heic_is_counted_as_its_plain_jpeg() {
        let plain = read(&fixture_bytes(PLAIN), "plain", &PhotoLimits::default()).unwrap();
        for name in FILES {
            let photo = reads(name);
            let off = mean_difference(&photo.pixels, &plain.pixels);
            assert!(off < 5.0, "{name}: {off:.1} levels off");
            assert_eq!(photo.meta.format, "heic");
            counts_as_the_plain_one(name, &file(name));
        }
    }

    /// EXIF inside says 6, as phones leave it there; the boxes have turned the picture already.
    #[test]
    fn its_boxes_turn_it_and_exif_does_not_turn_it_again() {
        let meta = reads("grid-turned-p3.heic").meta;
        assert_eq!((meta.width_px, meta.height_px), (1440, 1080));
        assert_eq!(meta.exif_orientation, 1);
        assert_eq!(meta.camera.as_deref(), Some("Example Phone 3"));
        assert_eq!(meta.taken.as_deref(), Some("2026-10-03T18:41:07-05:00"));
        let profile = meta.colour_profile.unwrap();
        assert_eq!(
            (profile.name.as_str(), profile.applied),
            ("Display P3", true)
        );
    }

    /// Stored in the seven other ways that there are, turned and mirrored by irot and imir (5 and 7 by both), with the same
    /// number in EXIF. libheif 1.23.6, which wrote them, reads each upright: mean luma 1.02 to 1.13 levels off the picture
    /// that they were made of, and within 0.7 of what comes out here. Colours are 4.7 levels off there and 5.1 here, where
    /// they are taken to lie on every second pixel, not between two: as phones write them, and half a pixel beside libheif's.
    #[test]
    fn turned_and_mirrored_it_comes_out_upright() {
        let bytes = fixture_bytes("photo-decoded/plain.png");
        let plain = image::load_from_memory(&bytes).unwrap().to_rgb8();
        for (way, boxes) in [
            (2, "imir"),
            (3, "irot"),
            (4, "imir"),
            (5, "both"),
            (6, "irot"),
            (7, "both"),
            (8, "irot"),
        ] {
            let name = format!("small-stored-{way}.heic");
            let bytes = file(&name);
            for kind in ["irot", "imir"] {
                let there = bytes.windows(4).any(|w| w == kind.as_bytes());
                assert_eq!(there, boxes == kind || boxes == "both", "{name}: {kind}");
            }
            let photo = reads(&name);
            let (luma, all) = (
                luma_difference(&photo.pixels, &plain),
                mean_difference(&photo.pixels, &plain),
            );
            assert!(
                luma < 1.5 && all < 6.0,
                "{name}: {luma:.2}, {all:.2} levels off"
            );
            assert_eq!(photo.meta.exif_orientation, 1);
        }
        // What a wrong turn would give.
        for wrong in [
            imageops::flip_horizontal(&plain),
            imageops::flip_vertical(&plain),
            imageops::rotate180(&plain),
        ] {
            assert!(luma_difference(&wrong, &plain) > 30.0);
        }
    }

    /// The mean difference in luma (Rec. ITU-R BT.709), levels.
    fn luma_difference(a: &RgbImage, b: &RgbImage) -> f64 {
        assert_eq!(a.dimensions(), b.dimensions());
        let luma = |p: &Rgb<u8>| {
            0.2126 * f64::from(p[0]) + 0.7152 * f64::from(p[1]) + 0.0722 * f64::from(p[2])
        };
        let pairs = a.pixels().zip(b.pixels());
        pairs.map(|(a, b)| (luma(a) - luma(b)).abs()).sum::<f64>()
            / f64::from(a.width() * a.height())
    }

    /// At every kilobyte and at the last few bytes.
    #[test]
    fn a_heic_cut_off_anywhere_is_an_error() {
        for name in FILES {
            let whole = file(name);
            let ends = (0..whole.len()).step_by(1024);
            for end in ends.chain(whole.len() - 40..whole.len()) {
                let cut = read(&whole[..end], name, &PhotoLimits::default());
                let error = cut.expect_err(&format!("{name} cut to {end} bytes"));
                assert!(
                    end < 12 || error.to_string().contains("copy the photo"),
                    "{error}"
                );
            }
        }
    }

    #[test]
    fn a_heic_with_too_many_pixels_is_refused_before_it_is_decoded() {
        let limits = PhotoLimits {
            most_pixels: 1_000_000,
            ..PhotoLimits::default()
        };
        let error = read(&file("grid.heic"), "grid", &limits).unwrap_err();
        assert!(error.to_string().contains("1.6 million pixels"), "{error}");
        let limits = PhotoLimits {
            most_decode_bytes: 10_000_000,
            ..PhotoLimits::default()
        };
        let error = read(&file("grid.heic"), "grid", &limits).unwrap_err();
        assert!(error.to_string().contains("12 MB of memory"), "{error}");
    }
}

#[cfg(not(feature = "heic"))]
#[test]
fn without_heic_built_in_it_is_said_what_to_do() {
    let count = count(&file("grid.heic"), "grid.heic");
    assert_eq!(count.status, Status::Failed);
    assert!(count.problem.unwrap().contains("most compatible format"));
}

#[test]
fn avif_is_refused_with_what_to_do() {
    let count = count(&file("refused.avif"), "refused.avif");
    assert_eq!(count.status, Status::Failed);
    let problem = count.problem.unwrap();
    assert!(problem.starts_with("AVIF is not read here"), "{problem}");
    assert!(problem.contains("convert the photo to JPEG"), "{problem}");
}

#[test]
fn display_p3_and_progressive_jpegs_are_counted_as_the_plain_one() {
    let p3 = counts_as_the_plain_one("p3.jpg", &file("p3.jpg"));
    let profile = p3.meta.colour_profile.unwrap();
    assert_eq!(
        (profile.name.as_str(), profile.applied),
        ("Display P3", true)
    );
    // jpegtran changes no coefficient: the pixels are the same ones.
    let progressive = count(&file("progressive.jpg"), "progressive.jpg");
    assert_eq!(beans(&progressive), *PLAIN_BEANS);
}

/// What Display P3 costs when it is taken for sRGB, so that the test above cannot pass by doing nothing.
#[test]
fn display_p3_differs_from_srgb_by_more_than_the_tests_allow() {
    let with = reads("small-p3.png").pixels;
    let stored = image::load_from_memory(&file("small-p3.png")).unwrap();
    let off = mean_difference(&with, &stored.into_rgb8());
    assert!(off > 1.5, "{off:.2}");
}

#[test]
fn a_profile_that_cannot_be_applied_is_a_caution() {
    let mut bytes = file("p3.jpg");
    let at = bytes.windows(4).position(|w| w == b"RGB ").unwrap();
    bytes[at..at + 4].copy_from_slice(b"5CLR");
    let odd = count(&bytes, "odd.jpg");
    let caution = (odd.cautions.iter()).find(|c| c.kind == CautionKind::ColourProfile);
    let message = &caution.expect("a caution").message;
    assert!(message.contains("export the photo"), "{message}");
    assert_eq!(odd.status, Status::Confirm);
    assert!(!odd.meta.colour_profile.unwrap().applied);
}

/// Every lossless form of the small picture gives that picture.
#[test]
fn lossless_files_of_other_programs_give_the_same_pixels() {
    let plain = image::load_from_memory(&fixture_bytes("photo-decoded/plain.png"));
    let plain = plain.unwrap().into_rgb8();
    for (name, most) in [
        ("small-msb.tif", 0),
        ("small-msb-lzw-16.tif", 0),
        ("small-16.png", 0),
        ("small-interlaced.png", 0),
        // 97 of 65 536 more is 0.4 levels: rounds to the same.
        ("small-16-between.png", 0),
        // There and back over 8 bits.
        ("small-p3.png", 3),
        ("small-p3.tif", 3),
        ("small-p3.webp", 3),
    ] {
        let got = reads(name).pixels;
        let pairs = got.as_raw().iter().zip(plain.as_raw());
        let worst = pairs.map(|(a, b)| a.abs_diff(*b)).max().unwrap();
        assert!(worst <= most, "{name}: {worst} levels off");
    }
}

/// A segment of a JPEG.
fn segment(marker: u8, body: &[u8]) -> Vec<u8> {
    let length = (body.len() + 2) as u16;
    [&[0xFF, marker][..], &length.to_be_bytes(), body].concat()
}

/// Phones put a film or a second picture behind the first, and say so in segments of their own (CIPA DC-007 for several
/// pictures in one file; the film's are common practice).
#[test]
fn what_stands_behind_the_first_picture_is_passed_over() {
    let photo = fixture_bytes(PLAIN);
    let with = |segment: &[u8], behind: &[u8]| [&photo[..2], segment, &photo[2..], behind].concat();
    let gain_map = with(
        &segment(0xE2, b"MPF\0MM\0\x2a\0\0\0\x08\0\0\0\0\0\0"),
        &jpeg(&grainy(180, 135, 3), false),
    );
    let film = with(
        &segment(0xE1, b"http://example.org/\0<film/>"),
        &[b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom", &[0xFF; 5000][..]].concat(),
    );
    for (name, bytes) in [("gain map", gain_map), ("film", film)] {
        let got = count(&bytes, name);
        assert_eq!(beans(&got), *PLAIN_BEANS, "{name}");
        // Cut within what stands behind, the photo is still whole.
        let cut = count(&bytes[..bytes.len() - 1000], name);
        assert_eq!(beans(&cut), *PLAIN_BEANS, "{name}, cut behind");
    }
}

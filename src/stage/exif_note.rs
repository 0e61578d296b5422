//! The EXIF block of a staged photo.
//!
//! # Source
//! CIPA DC-008 (Exif 2.32): tags and their forms.

use std::io::Cursor;

use exif::experimental::Writer;
use exif::{Field, In, Rational, Tag, Value};

use super::scene::Scene;

/// Bytes of the TIFF structure that goes into a JPEG's APP1 segment after `Exif\0\0`.
pub(super) fn exif_bytes(scene: &Scene) -> Vec<u8> {
    let fields = fields(scene);
    let mut writer = Writer::new();
    for f in &fields {
        writer.push_field(f);
    }
    let mut out = Cursor::new(Vec::new());
    writer
        .write(&mut out, false)
        .expect("writing to memory does not fail");
    out.into_inner()
}

fn field(tag: Tag, value: Value) -> Field {
    Field {
        tag,
        ifd_num: In::PRIMARY,
        value,
    }
}

fn text(tag: Tag, text: &str) -> Field {
    field(tag, Value::Ascii(vec![text.as_bytes().to_vec()]))
}

fn ratio(tag: Tag, num: u32, denom: u32) -> Field {
    field(tag, Value::Rational(vec![Rational { num, denom }]))
}

fn fields(scene: &Scene) -> Vec<Field> {
    let (local, offset) = split_time(&scene.note.taken);
    let turned = scene.note.orientation >= 5;
    let (w, h) = if turned {
        (scene.height_px, scene.width_px)
    } else {
        (scene.width_px, scene.height_px)
    };
    let focal_35 = scene.camera.focal_35mm_mm;
    let mut fields = vec![
        text(Tag::Make, "Example"),
        text(Tag::Model, "Example Phone"),
        text(Tag::Software, "podfall stage"),
        field(
            Tag::Orientation,
            Value::Short(vec![u16::from(scene.note.orientation)]),
        ),
        text(Tag::DateTime, &local),
        text(Tag::DateTimeOriginal, &local),
        text(Tag::DateTimeDigitized, &local),
        field(Tag::ExifVersion, Value::Undefined(b"0232".to_vec(), 0)),
        field(Tag::ColorSpace, Value::Short(vec![1])),
        field(Tag::PixelXDimension, Value::Long(vec![w])),
        field(Tag::PixelYDimension, Value::Long(vec![h])),
        // A sensor 6 times smaller than a 36 mm wide picture.
        ratio(
            Tag::FocalLength,
            (focal_35 * 1000.0 / 6.0).round() as u32,
            1000,
        ),
        field(
            Tag::FocalLengthIn35mmFilm,
            Value::Short(vec![focal_35.round() as u16]),
        ),
        ratio(Tag::ExposureTime, 1, 120),
        ratio(Tag::FNumber, 18, 10),
    ];
    if !offset.is_empty() {
        fields.push(text(Tag::OffsetTime, &offset));
        fields.push(text(Tag::OffsetTimeOriginal, &offset));
    }
    if let Some((lat, lon)) = scene.note.position_deg {
        fields.extend(place(lat, lon));
    }
    fields
}

fn place(lat: f64, lon: f64) -> [Field; 6] {
    [
        field(Tag::GPSVersionID, Value::Byte(vec![2, 3, 0, 0])),
        text(Tag::GPSLatitudeRef, if lat < 0.0 { "S" } else { "N" }),
        field(Tag::GPSLatitude, degrees(lat)),
        text(Tag::GPSLongitudeRef, if lon < 0.0 { "W" } else { "E" }),
        field(Tag::GPSLongitude, degrees(lon)),
        ratio(Tag::GPSHPositioningError, 45, 10),
    ]
}

/// Degrees, minutes and seconds to a thousandth.
fn degrees(deg: f64) -> Value {
    let thousandths = (deg.abs() * 3_600_000.0).round() as u32;
    let part = |num: u32, denom: u32| Rational { num, denom };
    Value::Rational(vec![
        part(thousandths / 3_600_000, 1),
        part(thousandths / 60_000 % 60, 1),
        part(thousandths % 60_000, 1000),
    ])
}

/// `2026-10-03T18:41:07-05:00` as EXIF's `2026:10:03 18:41:07` and `-05:00`.
fn split_time(taken: &str) -> (String, String) {
    let (date, time) = taken.split_once('T').unwrap_or((taken, ""));
    let clock = time.get(..8).unwrap_or("00:00:00");
    let offset = match time.get(8..) {
        Some("Z") => "+00:00",
        Some(o) => o,
        None => "",
    };
    (format!("{} {clock}", date.replace('-', ":")), offset.into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_is_split_as_exif_wants_it() {
        let split = |t: &str| split_time(t);
        assert_eq!(
            split("2026-10-03T18:41:07-05:00"),
            ("2026:10:03 18:41:07".into(), "-05:00".into())
        );
        assert_eq!(
            split("2026-10-03T18:41:07Z"),
            ("2026:10:03 18:41:07".into(), "+00:00".into())
        );
    }

    #[test]
    fn seconds_never_reach_sixty() {
        let Value::Rational(parts) = degrees(-93.999_999_99) else {
            panic!("not a rational")
        };
        assert_eq!(parts[0].num, 94);
        assert_eq!(parts[1].num, 0);
        assert_eq!(parts[2].num, 0);
    }
}

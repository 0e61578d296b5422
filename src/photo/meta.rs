//! What the camera wrote beside the pixels: EXIF, read as far as it can be.

use std::io::Cursor;

use exif::{Context, Exif, In, Tag, Value};
use jiff::{
    civil::DateTime,
    tz::{Offset, TimeZone},
};

use super::{PhotoMeta, Position};

/// Longest text taken from EXIF, characters. Raised: a hostile file swells every report;
/// lowered: long camera names are cut.
pub(super) const MOST_TEXT: usize = 120;

/// What EXIF says of a file.
#[derive(Debug, Default)]
pub(super) struct Said {
    pub orientation: u8,
    pub taken: Option<String>,
    pub position: Option<Position>,
    pub camera: Option<String>,
    pub software: Option<String>,
    pub focal_length_mm: Option<f64>,
    pub focal_length_35mm_mm: Option<f64>,
    pub exposure_s: Option<f64>,
    /// Colour profile of a TIFF (tag 34675).
    pub tiff_profile: Option<Vec<u8>>,
    /// A raw file, or a TIFF whose first picture is only a preview.
    pub raw: bool,
}

impl Said {
    /// Moves what was said into a photo's record.
    pub fn put_into(self, meta: &mut PhotoMeta) {
        meta.exif_orientation = self.orientation;
        meta.taken = self.taken;
        meta.position = self.position;
        meta.camera = self.camera;
        meta.software = self.software;
        meta.focal_length_mm = self.focal_length_mm;
        meta.focal_length_35mm_mm = self.focal_length_35mm_mm;
        meta.exposure_s = self.exposure_s;
    }
}

/// Reads EXIF from a JPEG, PNG, WebP, TIFF or HEIC. Broken entries are passed over; what can be read is
/// kept. A file without EXIF says nothing, and is taken to be upright.
///
/// # Source
/// CIPA DC-008 (EXIF 2.31 and later): tags and their forms.
pub(super) fn read(bytes: &[u8]) -> Said {
    let exif = exif::Reader::new()
        .continue_on_error(true)
        .read_from_container(&mut Cursor::new(bytes))
        .or_else(|error| error.distill_partial_result(|_| ()));
    let Ok(exif) = exif else {
        return Said {
            orientation: 1,
            ..Said::default()
        };
    };
    Said {
        orientation: orientation(&exif),
        taken: taken(&exif),
        position: position(&exif),
        camera: camera(&exif),
        software: text(&exif, Tag::Software),
        focal_length_mm: above_zero(&exif, Tag::FocalLength),
        focal_length_35mm_mm: above_zero(&exif, Tag::FocalLengthIn35mmFilm),
        exposure_s: above_zero(&exif, Tag::ExposureTime),
        tiff_profile: tiff_profile(&exif),
        raw: is_raw(&exif),
    }
}

/// 1 to 8; 1 where the file says nothing or something else.
fn orientation(exif: &Exif) -> u8 {
    exif.get_field(Tag::Orientation, In::PRIMARY)
        .and_then(|field| field.value.get_uint(0))
        .and_then(|value| u8::try_from(value).ok())
        .filter(|value| (1..=8).contains(value))
        .unwrap_or(1)
}

/// The ICC profile among a TIFF's own tags (ICC.1:2022, annex B.4), which the decoder passes over.
fn tiff_profile(exif: &Exif) -> Option<Vec<u8>> {
    match &exif
        .get_field(Tag(Context::Tiff, 34675), In::PRIMARY)?
        .value
    {
        Value::Undefined(bytes, _) | Value::Byte(bytes) => Some(bytes.clone()),
        _ => None,
    }
}

/// `DNGVersion` (TIFF tag 50706), or a first picture that calls itself a reduced one
/// (NewSubfileType, tag 254, bit 0; TIFF 6.0, section 8).
fn is_raw(exif: &Exif) -> bool {
    let reduced = exif
        .get_field(Tag(Context::Tiff, 254), In::PRIMARY)
        .and_then(|field| field.value.get_uint(0))
        .is_some_and(|kind| kind & 1 == 1);
    let dng = exif.get_field(Tag(Context::Tiff, 50706), In::PRIMARY);
    reduced || dng.is_some()
}

/// Capture time as RFC 3339, with the offset where the camera wrote one.
fn taken(exif: &Exif) -> Option<String> {
    let written = text(exif, Tag::DateTimeOriginal)?;
    let local = DateTime::strptime("%Y:%m:%d %H:%M:%S", &written).ok()?;
    let offset = text(exif, Tag::OffsetTimeOriginal).and_then(|text| offset(&text));
    Some(match offset {
        Some(offset) => {
            let instant = TimeZone::fixed(offset).to_timestamp(local).ok()?;
            instant.display_with_offset(offset).to_string()
        }
        None => local.to_string(),
    })
}

/// Reads `±HH:MM`. Offsets on the earth reach from -12:00 to +14:00.
fn offset(text: &str) -> Option<Offset> {
    let (sign, rest) = match text.split_at_checked(1)? {
        ("+", rest) => (1, rest),
        ("-", rest) => (-1, rest),
        _ => return None,
    };
    let (hours, minutes) = rest.split_once(':')?;
    let (hours, minutes): (i32, i32) = (hours.parse().ok()?, minutes.parse().ok()?);
    if !(0..=14).contains(&hours) || !(0..60).contains(&minutes) {
        return None;
    }
    Offset::from_seconds(sign * (hours * 3600 + minutes * 60)).ok()
}

fn position(exif: &Exif) -> Option<Position> {
    let lat_deg = angle(exif, Tag::GPSLatitude, Tag::GPSLatitudeRef, "S")?;
    let lon_deg = angle(exif, Tag::GPSLongitude, Tag::GPSLongitudeRef, "W")?;
    if lat_deg.abs() > 90.0 || lon_deg.abs() > 180.0 {
        return None;
    }
    // GPSAltitudeRef 1: below the sea.
    let below = exif
        .get_field(Tag::GPSAltitudeRef, In::PRIMARY)
        .and_then(|field| field.value.get_uint(0))
        == Some(1);
    let altitude_m = numbers(exif, Tag::GPSAltitude)
        .and_then(|numbers| numbers.first().copied())
        .map(|metres| if below { -metres } else { metres });
    Some(Position {
        lat_deg,
        lon_deg,
        altitude_m,
        error_m: above_zero(exif, Tag::GPSHPositioningError),
    })
}

/// Degrees, minutes, seconds to degrees; negative where the reference says `negative`.
fn angle(exif: &Exif, tag: Tag, reference: Tag, negative: &str) -> Option<f64> {
    let parts = numbers(exif, tag)?;
    let [degrees, minutes, seconds] = *parts.first_chunk::<3>()?;
    let angle = degrees + minutes / 60.0 + seconds / 3600.0;
    let reference = text(exif, reference)?;
    Some(if reference.eq_ignore_ascii_case(negative) {
        -angle
    } else {
        angle
    })
}

fn camera(exif: &Exif) -> Option<String> {
    let make = text(exif, Tag::Make);
    let model = text(exif, Tag::Model);
    match (make, model) {
        (Some(make), Some(model)) if model.starts_with(&make) => Some(model),
        (Some(make), Some(model)) => Some(format!("{make} {model}")),
        (make, model) => make.or(model),
    }
}

/// A tag's text without control characters and outer blanks; `None` when nothing is left.
fn text(exif: &Exif, tag: Tag) -> Option<String> {
    let Value::Ascii(parts) = &exif.get_field(tag, In::PRIMARY)?.value else {
        return None;
    };
    let text: String = String::from_utf8_lossy(parts.first()?)
        .chars()
        .filter(|c| !c.is_control())
        .take(MOST_TEXT)
        .collect();
    let text = text.trim();
    (!text.is_empty()).then(|| text.to_owned())
}

/// A tag's numbers; `None` when one is missing or not finite (a denominator of 0).
fn numbers(exif: &Exif, tag: Tag) -> Option<Vec<f64>> {
    let numbers: Vec<f64> = match &exif.get_field(tag, In::PRIMARY)?.value {
        Value::Rational(values) => values.iter().map(exif::Rational::to_f64).collect(),
        Value::Short(values) => values.iter().copied().map(f64::from).collect(),
        Value::Long(values) => values.iter().copied().map(f64::from).collect(),
        _ => return None,
    };
    numbers.iter().all(|n| n.is_finite()).then_some(numbers)
}

/// A tag's first number if it is above 0: a lens or an exposure of 0 means not known.
fn above_zero(exif: &Exif, tag: Tag) -> Option<f64> {
    numbers(exif, tag)?.first().copied().filter(|&n| n > 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn offsets_as_cameras_write_them() {
        let seconds = |text: &str| offset(text).map(Offset::seconds);
        assert_eq!(seconds("-05:00"), Some(-18_000));
        assert_eq!(seconds("+05:30"), Some(19_800));
        for odd in ["", "05:00", "+15:00", "+05:60", "+5", "+é:00", "Z"] {
            assert_eq!(seconds(odd), None, "{odd}");
        }
    }
}

//! What is odd in what the camera said of time, place and itself. Nothing here says that anybody did wrong: a phone's
//! clock can be off, and a messenger's copy loses its position. It is told so that nobody has to find it.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp, civil::DateTime, tz::TimeZone};
use serde::{Deserialize, Serialize};

use crate::{
    caution::CautionKind,
    counts::PhotoCount,
    photo::Position,
    sheet::{Shot, distance_m, seconds},
};

/// Further than this from the middle of all photos is far from the field, m. Raised: a photo from another farm passes;
/// lowered: a large field is odd in itself. Common practice, no source.
const FAR_M: f64 = 5_000.0;
/// Times that run backwards by less than this are one burst of photos, s.
const BACK_S: f64 = 60.0;
/// A clock may be ahead by this much before it is said to be in the future: phones and computers differ.
const AHEAD: SignedDuration = SignedDuration::from_mins(10);
/// Farthest that a local time can be ahead of UTC: UTC+14.
const FARTHEST_EAST: SignedDuration = SignedDuration::from_hours(14);

/// Kinds of oddity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OddityKind {
    /// The camera gave no time.
    NoTime,
    /// A time without an offset from UTC.
    NoOffset,
    /// A time that is yet to come.
    Future,
    /// By its name it follows another photo, by its time it comes before it.
    OutOfOrder,
    /// No position, though other photos have one.
    NoPosition,
    /// Far from where the other photos lie.
    Far,
    /// Written by other software than the rest of the camera's photos, or by a program that calls itself an editor.
    Software,
    /// The same file twice.
    SameFile,
    /// The same ground photographed twice, as it seems.
    SamePlot,
}

/// One oddity of one photo.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Oddity {
    /// What is odd.
    pub kind: OddityKind,
    /// One sentence.
    pub says: String,
}

/// The oddities of each photo, in the order of `photos`. `now`: when the record is made.
pub fn oddities(photos: &[PhotoCount], now: Timestamp) -> Vec<Vec<Oddity>> {
    let back = running_back(photos);
    let middle = Position::middle(photos.iter().filter_map(|p| p.meta.position));
    let usual = usual_software(photos);
    let placed = photos.iter().any(|p| p.meta.position.is_some());
    (photos.iter().zip(back))
        .map(|(photo, back)| {
            let mut odd = Vec::new();
            let mut say = |kind, says| odd.push(Oddity { kind, says });
            of_time(photo, now, &mut say);
            if let Some(before) = back {
                say(
                    OddityKind::OutOfOrder,
                    format!("by its name it follows {before}, by the camera's time it was taken before it"),
                );
            }
            of_position(photo, middle, placed, &mut say);
            of_software(photo, &usual, &mut say);
            for caution in &photo.cautions {
                match caution.kind {
                    CautionKind::SameFile => say(OddityKind::SameFile, caution.matter().to_owned()),
                    CautionKind::SamePlot => say(OddityKind::SamePlot, caution.matter().to_owned()),
                    _ => {}
                }
            }
            odd
        })
        .collect()
}

fn of_time(photo: &PhotoCount, now: Timestamp, say: &mut impl FnMut(OddityKind, String)) {
    let Some(taken) = &photo.meta.taken else {
        say(OddityKind::NoTime, "the file says no time".to_owned());
        return;
    };
    let stamp: Option<Timestamp> = taken.parse().ok();
    let latest = match stamp {
        Some(stamp) => Some((stamp, AHEAD)),
        None => {
            say(
                OddityKind::NoOffset,
                "the camera's time has no offset from UTC: it is local time, of which place is not said".to_owned(),
            );
            taken
                .parse::<DateTime>()
                .and_then(|local| TimeZone::UTC.to_timestamp(local))
                .ok()
                .map(|stamp| (stamp, FARTHEST_EAST))
        }
    };
    if let Some((stamp, may_be_ahead)) = latest
        && stamp.duration_since(now) > may_be_ahead
    {
        say(
            OddityKind::Future,
            format!(
                "the camera's time, {taken}, lies after the time at which this record was made"
            ),
        );
    }
}

fn of_position(
    photo: &PhotoCount,
    middle: Option<Position>,
    placed: bool,
    say: &mut impl FnMut(OddityKind, String),
) {
    match (photo.meta.position, middle) {
        (Some(position), Some(middle)) => {
            let far_m = distance_m(position.degrees(), middle.degrees());
            if far_m > FAR_M {
                say(
                    OddityKind::Far,
                    format!(
                        "its position is {:.0} km from the middle of the others",
                        far_m / 1e3
                    ),
                );
            }
        }
        (None, _) if placed => say(
            OddityKind::NoPosition,
            "the file says no position, though other photos have one".to_owned(),
        ),
        _ => {}
    }
}

fn of_software(
    photo: &PhotoCount,
    usual: &BTreeMap<Option<String>, Option<String>>,
    say: &mut impl FnMut(OddityKind, String),
) {
    let Some(software) = &photo.meta.software else {
        return;
    };
    let most = usual.get(&photo.meta.camera).and_then(Option::as_ref);
    if software.to_lowercase().contains("edit") {
        say(
            OddityKind::Software,
            format!("the file says that it was written by “{software}”, which may have changed it"),
        );
    } else if most.is_some_and(|most| most != software) {
        say(
            OddityKind::Software,
            format!(
                "the file says that it was written by “{software}”, unlike most photos of this camera"
            ),
        );
    }
}

/// For each camera the software that most of its photos name.
fn usual_software(photos: &[PhotoCount]) -> BTreeMap<Option<String>, Option<String>> {
    let mut counted: BTreeMap<Option<String>, BTreeMap<Option<String>, usize>> = BTreeMap::new();
    for photo in photos {
        let of = counted.entry(photo.meta.camera.clone()).or_default();
        *of.entry(photo.meta.software.clone()).or_default() += 1;
    }
    let most = |of: BTreeMap<Option<String>, usize>| {
        of.into_iter()
            .max_by_key(|(_, n)| *n)
            .and_then(|(software, _)| software)
    };
    counted
        .into_iter()
        .map(|(camera, of)| (camera, most(of)))
        .collect()
}

/// For each photo that runs backwards in time: the photo before it by name.
fn running_back(photos: &[PhotoCount]) -> Vec<Option<String>> {
    let shots: Vec<Shot> = photos
        .iter()
        .map(|p| Shot {
            photo: p.photo.clone(),
            taken: p.meta.taken.clone(),
            position: None,
            card: None,
        })
        .collect();
    // A second camera counts in names of its own, and so does each way of naming.
    type Series<'a> = (Option<&'a str>, String);
    let mut all: BTreeMap<Series<'_>, Vec<(u64, f64, usize)>> = BTreeMap::new();
    for (at, (photo, time)) in photos.iter().zip(seconds(&shots)).enumerate() {
        if let (Some(time_s), Some((name, number))) = (time, in_series(&photo.photo)) {
            let series = (photo.meta.camera.as_deref(), name);
            all.entry(series).or_default().push((number, time_s, at));
        }
    }
    let mut back = vec![None; photos.len()];
    for series in all.values_mut() {
        series.sort_by_key(|&(number, _, at)| (number, at));
        for two in series.windows(2) {
            if two[0].1 - two[1].1 > BACK_S {
                back[two[1].2] = Some(photos[two[0].2].photo.clone());
            }
        }
    }
    back
}

/// A name's series and its number in it: `IMG_0012.JPG` is number 12 of `img_`. `None` where no number ends the name.
fn in_series(name: &str) -> Option<(String, u64)> {
    let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
    let series = stem.trim_end_matches(|c: char| c.is_ascii_digit());
    let number = stem[series.len()..].parse().ok()?;
    Some((series.to_lowercase(), number))
}

/// A name's letters and numbers apart, so that p10 comes after p9.
pub(super) fn in_order(name: &str) -> Vec<(String, u64)> {
    let mut parts = Vec::new();
    let mut rest = name;
    while !rest.is_empty() {
        let letters = rest
            .find(|c: char| c.is_ascii_digit())
            .unwrap_or(rest.len());
        let (word, after) = rest.split_at(letters);
        let digits = after
            .find(|c: char| !c.is_ascii_digit())
            .unwrap_or(after.len());
        let (number, after) = after.split_at(digits);
        parts.push((word.to_lowercase(), number.parse().unwrap_or(u64::MAX)));
        rest = after;
    }
    parts
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photo::PhotoMeta;

    fn photo(name: &str, taken: Option<&str>, lat: Option<f64>) -> PhotoCount {
        let json = serde_json::json!({
            "photo": name, "status": "counted", "meta": {}, "frame_spec": "1x1ft", "frame": null, "plot": null,
            "ground": null, "objects": [], "counts": null, "cautions": [],
        });
        let mut photo: PhotoCount = serde_json::from_value(json).unwrap();
        photo.meta = PhotoMeta {
            taken: taken.map(str::to_owned),
            position: lat.map(|lat_deg| Position {
                lat_deg,
                lon_deg: -93.0,
                altitude_m: None,
                error_m: None,
            }),
            software: Some("17.4".to_owned()),
            ..PhotoMeta::default()
        };
        photo
    }

    fn kinds(photos: &[PhotoCount]) -> Vec<Vec<OddityKind>> {
        let now = "2026-10-04T00:00:00Z".parse().unwrap();
        let of = |odd: Vec<Oddity>| odd.into_iter().map(|o| o.kind).collect();
        oddities(photos, now).into_iter().map(of).collect()
    }

    #[test]
    fn ordinary_photos_are_not_odd() {
        let photos = [
            photo("p9.jpg", Some("2026-10-03T17:00:00-05:00"), Some(42.0)),
            photo("p10.jpg", Some("2026-10-03T18:00:00-05:00"), Some(42.001)),
        ];
        assert_eq!(kinds(&photos), [vec![], vec![]]);
    }

    /// Two ways of naming, and names without a number, say nothing of the order between them.
    #[test]
    fn order_is_looked_at_within_one_way_of_naming() {
        let at = |name, time: &str| {
            photo(
                name,
                Some(&format!("2026-10-03T{time}:00-05:00")),
                Some(42.0),
            )
        };
        let photos = [
            at("IMG_20261003_160412.jpg", "16:04"),
            at("dark.jpg", "18:30"),
            at("IMG_blurred.jpg", "16:10"),
            at("carded.jpg", "18:35"),
            at("carded4.jpg", "18:20"),
            at("DSC_0007.jpg", "12:00"),
            at("IMG_20261003_160838 (1).jpg", "10:00"),
        ];
        assert!(
            kinds(&photos).iter().all(Vec::is_empty),
            "{:?}",
            kinds(&photos)
        );
        let photos = [
            at("IMG_0009.HEIC", "16:00"),
            at("IMG_0010.jpg", "15:00"),
            at("IMG_0011.jpg", "17:00"),
        ];
        assert_eq!(
            kinds(&photos),
            [vec![], vec![OddityKind::OutOfOrder], vec![]]
        );
    }

    #[test]
    fn each_oddity_is_told() {
        use OddityKind::*;
        let mut photos = vec![
            photo("p1.jpg", Some("2026-10-03T17:00:00-05:00"), Some(42.0)),
            photo("p2.jpg", Some("2026-10-03T16:00:00-05:00"), Some(42.0)),
            photo("p3.jpg", Some("2026-10-04T17:00:00Z"), Some(42.1)),
            photo("p4.jpg", None, None),
        ];
        photos[1].meta.software = Some("Some Editor 3".to_owned());
        assert_eq!(
            kinds(&photos),
            [
                vec![],
                vec![OutOfOrder, Software],
                vec![Future, Far],
                vec![NoTime, NoPosition]
            ]
        );
        photos[3].meta.taken = Some("2026-10-04T17:30:00".to_owned());
        assert_eq!(kinds(&photos)[3], [NoOffset, Future, NoPosition]);
        photos[3].meta.taken = Some("2026-10-04T13:00:00".to_owned());
        assert_eq!(kinds(&photos)[3], [NoOffset, OutOfOrder, NoPosition]);
    }
}

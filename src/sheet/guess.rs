//! Guesses which photos are of one stop, from their times and positions.

use jiff::{Timestamp, civil::DateTime, tz::TimeZone};

use crate::{card::Card, photo::Position};

/// One photo's time and place, as the camera says.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Shot {
    /// File name.
    pub photo: String,
    /// RFC 3339, or local time without offset.
    pub taken: Option<String>,
    /// Where.
    pub position: Option<Position>,
    /// What the spot card beside its frame says.
    pub card: Option<Card>,
}

/// When two photos are of different stops. All values are common practice, no source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GuessSettings {
    /// A pause longer than this parts them, wherever they are, s. Raised: two stops nearby run together;
    /// lowered: a long count at one stop falls apart.
    pub pause_s: f64,
    /// A way further than this from the middle of the stop parts them, m. A stop reaches from the standing
    /// crop to behind the machine and over the header's width.
    pub way_m: f64,
    /// A shorter pause that parts them together with `short_way_m`, s.
    pub short_pause_s: f64,
    /// A shorter way that parts them together with `short_pause_s`, m.
    pub short_way_m: f64,
}

impl Default for GuessSettings {
    fn default() -> Self {
        Self {
            pause_s: 1_200.0,
            way_m: 80.0,
            short_pause_s: 300.0,
            short_way_m: 30.0,
        }
    }
}

/// For each photo the number of its stop, from 1 in the order of time; `None` without time and position.
pub fn guess_checks(shots: &[Shot], settings: &GuessSettings) -> Vec<Option<usize>> {
    let times: Vec<Option<f64>> = seconds(shots);
    let mut order: Vec<usize> = (0..shots.len())
        .filter(|&i| times[i].is_some() || shots[i].position.is_some())
        .collect();
    // Photos without a time keep their place by name among those with one.
    order.sort_by(|&a, &b| match (times[a], times[b]) {
        (Some(x), Some(y)) => x
            .total_cmp(&y)
            .then_with(|| shots[a].photo.cmp(&shots[b].photo)),
        (None, None) => shots[a].photo.cmp(&shots[b].photo),
        (x, y) => y.is_some().cmp(&x.is_some()),
    });
    let mut checks = vec![None; shots.len()];
    let mut current = 0;
    let mut last_time: Option<f64> = None;
    let mut here: Vec<Position> = Vec::new();
    for i in order {
        let pause_s = times[i]
            .zip(last_time)
            .map_or(0.0, |(now, before)| now - before);
        let way_m = shots[i].position.map_or(0.0, |p| way_from(&here, p));
        let parted = pause_s > settings.pause_s
            || way_m > settings.way_m
            || (pause_s > settings.short_pause_s && way_m > settings.short_way_m);
        if current == 0 || parted {
            current += 1;
            here.clear();
        }
        checks[i] = Some(current);
        here.extend(shots[i].position);
        last_time = times[i].or(last_time);
    }
    checks
}

/// Seconds on one clock: true time where every photo has an offset, else the camera's local time for all.
pub(crate) fn seconds(shots: &[Shot]) -> Vec<Option<f64>> {
    let texts: Vec<Option<&str>> = shots.iter().map(|s| s.taken.as_deref()).collect();
    let stamps: Vec<Option<Timestamp>> = texts
        .iter()
        .map(|t| t.and_then(|t| t.parse().ok()))
        .collect();
    let all_true = texts
        .iter()
        .zip(&stamps)
        .all(|(t, s)| t.is_none() || s.is_some());
    (texts.iter().zip(&stamps))
        .map(|(text, stamp)| {
            if all_true {
                return stamp.map(|s| s.as_second() as f64);
            }
            // What comes after the local time is left away: `2026-10-03T18:41:07-05:00`.
            let local: DateTime = text.and_then(|t| t.get(..19)?.parse().ok())?;
            let there = TimeZone::UTC.to_timestamp(local).ok()?;
            Some(there.as_second() as f64)
        })
        .collect()
}

/// How far a position surely is from the middle of some others, m; the cameras' own errors are taken off.
fn way_from(here: &[Position], p: Position) -> f64 {
    if here.is_empty() {
        return 0.0;
    }
    let n = here.len() as f64;
    let lat_deg = here.iter().map(|q| q.lat_deg).sum::<f64>() / n;
    let lon_deg = here.iter().map(|q| q.lon_deg).sum::<f64>() / n;
    let error_m = p.error_m.unwrap_or(0.0).clamp(0.0, 50.0);
    (distance_m((lat_deg, lon_deg), (p.lat_deg, p.lon_deg)) - error_m).max(0.0)
}

/// Distance between two positions (latitude, longitude in degrees), m; on a sphere, good to half a percent.
pub(crate) fn distance_m(a: (f64, f64), b: (f64, f64)) -> f64 {
    let (lat_a, lat_b) = (a.0.to_radians(), b.0.to_radians());
    let half_lat = (lat_b - lat_a) / 2.0;
    let half_lon = (b.1 - a.1).to_radians() / 2.0;
    let h = half_lat.sin().powi(2) + lat_a.cos() * lat_b.cos() * half_lon.sin().powi(2);
    2.0 * 6_371_008.8 * h.sqrt().min(1.0).asin()
}

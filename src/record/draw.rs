//! The map, as shapes that both pages draw: where the frames lay, north up.

use std::collections::BTreeMap;

use super::{Facts, FrameFact};
use crate::{
    photo::Position,
    report::near::{OnMap, not_on_map, on_map},
    sheet::Place,
    units::plural,
};

/// Metres in one degree of latitude on a sphere of the earth's mean radius (6,371.0088 km): good to a metre over a field.
const M_PER_DEG: f64 = 111_195.08;

/// A drawing: origin top left, y down, in units of its own.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Drawing {
    pub width: f64,
    pub height: f64,
    pub shapes: Vec<Shape>,
    /// What it shows, for those who do not see it.
    pub alt: String,
}

/// One shape of a drawing. All strokes are black or white, so that it reads in grey.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Shape {
    /// A line through points.
    Line { points: Vec<(f64, f64)>, width: f64 },
    /// A closed figure with a fill, 8-bit sRGB.
    Closed {
        points: Vec<(f64, f64)>,
        fill: [u8; 3],
    },
    /// Words; `middle`: `x` is their middle, else their left end.
    Words {
        x: f64,
        y: f64,
        size: f64,
        middle: bool,
        text: String,
    },
}

const WIDE: f64 = 760.0;
const HIGH: f64 = 400.0;

/// Where the frames in the loss lay, and what is said of those that are not on the map; `None` where none has a position.
pub(super) fn map(facts: &Facts) -> Option<(Drawing, String)> {
    let in_loss: Vec<&FrameFact> = facts.in_loss().collect();
    let positions: Vec<Option<Position>> = in_loss.iter().map(|f| f.position).collect();
    let on = on_map(&positions);
    let shown: Vec<(&FrameFact, Position)> = (in_loss.iter().zip(&on))
        .filter(|(_, on)| **on == OnMap::Yes)
        .filter_map(|(f, _)| Some((*f, f.position?)))
        .collect();
    let placed: Vec<(f64, f64, Option<Place>)> = (shown.iter())
        .map(|(f, p)| (p.lat_deg, p.lon_deg, f.place))
        .collect();
    let n = placed.len() as f64;
    if placed.is_empty() {
        return None;
    }
    let mid_lat = placed.iter().map(|p| p.0).sum::<f64>() / n;
    let mid_lon = placed.iter().map(|p| p.1).sum::<f64>() / n;
    let metres = |lat: f64, lon: f64| {
        (
            (lon - mid_lon) * M_PER_DEG * mid_lat.to_radians().cos(),
            (lat - mid_lat) * M_PER_DEG,
        )
    };
    let at: Vec<(f64, f64)> = placed.iter().map(|p| metres(p.0, p.1)).collect();
    let ends = |of: fn(&(f64, f64)) -> f64| {
        let values = || at.iter().map(of);
        (
            values().fold(f64::INFINITY, f64::min),
            values().fold(f64::NEG_INFINITY, f64::max),
        )
    };
    let ((west, east), (south, north)) = (ends(|p| p.0), ends(|p| p.1));
    let across_m = (east - west).max((north - south) * WIDE / HIGH).max(30.0) * 1.25;
    let scale = WIDE / across_m;
    let spot = |(x_m, y_m): (f64, f64)| {
        (
            20.0 + WIDE / 2.0 + (x_m - (west + east) / 2.0) * scale,
            HIGH / 2.0 - (y_m - (south + north) / 2.0) * scale,
        )
    };
    let mut shapes = vec![Shape::Closed {
        points: vec![
            (1.0, 1.0),
            (799.0, 1.0),
            (799.0, HIGH - 1.0),
            (1.0, HIGH - 1.0),
        ],
        fill: [246, 243, 234],
    }];
    for (place, &(x, y)) in placed.iter().map(|p| p.2).zip(&at) {
        shapes.push(sign(place, spot((x, y))));
    }
    names(&shown, &mut shapes, &|lat, lon| spot(metres(lat, lon)));
    scale_and_north(&mut shapes, across_m, scale);
    key(&shown, &mut shapes);
    let drawing = Drawing {
        width: 800.0,
        height: HIGH + 62.0,
        alt: format!(
            "Map of {} by the cameras' positions, {:.0} m across, north up",
            plural(placed.len(), "photo"),
            across_m
        ),
        shapes,
    };
    Some((drawing, not_on_it(&in_loss, &on)))
}

/// Far ones are named photo by photo, those without a position check by check.
fn not_on_it(in_loss: &[&FrameFact], on: &[OnMap]) -> String {
    let mut all: Vec<(String, OnMap)> = Vec::new();
    for (frame, &on) in in_loss.iter().zip(on) {
        let photo = format!("photo {} ({})", frame.number, frame.photo);
        let name = match &frame.check {
            Some(check) if on == OnMap::NoPosition => {
                let is_shown =
                    |f: &&&FrameFact| f.check.as_ref() == Some(check) && f.position.is_some();
                if in_loss.iter().any(|f| is_shown(&f)) {
                    photo
                } else {
                    format!("check {check}")
                }
            }
            _ => photo,
        };
        if !all.iter().any(|(there, _)| *there == name) {
            all.push((name, on));
        }
    }
    not_on_map(all.into_iter())
}

/// A sign for a place: told apart by form, and by fill.
fn sign(place: Option<Place>, (x, y): (f64, f64)) -> Shape {
    let round = |corners: usize, radius: f64, turn: f64| {
        let corner = |i: usize| {
            let angle = turn + i as f64 * std::f64::consts::TAU / corners as f64;
            (x + radius * angle.sin(), y - radius * angle.cos())
        };
        (0..corners).map(corner).collect::<Vec<_>>()
    };
    let (points, fill) = match place {
        Some(Place::Standing) => (round(3, 9.0, 0.0), [255, 255, 255]),
        Some(Place::Cut) => (round(4, 8.5, std::f64::consts::FRAC_PI_4), [198, 160, 96]),
        Some(Place::Behind) => (round(24, 6.5, 0.0), [70, 70, 70]),
        Some(Place::Tray) => (round(6, 7.0, 0.0), [220, 220, 220]),
        None => (round(4, 5.0, 0.0), [255, 255, 255]),
    };
    Shape::Closed { points, fill }
}

/// The checks' names below their frames.
fn names(
    shown: &[(&FrameFact, Position)],
    shapes: &mut Vec<Shape>,
    spot: &dyn Fn(f64, f64) -> (f64, f64),
) {
    let mut of: BTreeMap<&str, Vec<(f64, f64)>> = BTreeMap::new();
    for (frame, p) in shown {
        if let Some(check) = frame.check.as_deref() {
            of.entry(check)
                .or_default()
                .push(spot(p.lat_deg, p.lon_deg));
        }
    }
    for (check, spots) in of {
        let x = spots.iter().map(|s| s.0).sum::<f64>() / spots.len() as f64;
        let low = spots.iter().map(|s| s.1).fold(0.0, f64::max);
        shapes.push(Shape::Words {
            x,
            y: (low + 24.0).min(HIGH - 6.0),
            size: 14.0,
            middle: true,
            text: check.to_owned(),
        });
    }
}

fn scale_and_north(shapes: &mut Vec<Shape>, across_m: f64, scale: f64) {
    let power = 10_f64.powf((across_m / 5.0).log10().floor());
    let step = [1.0, 2.0, 5.0]
        .into_iter()
        .rfind(|s| s * power <= across_m / 5.0)
        .unwrap_or(1.0);
    let bar_m = step * power;
    let y = HIGH + 18.0;
    shapes.push(Shape::Line {
        points: vec![(10.0, y), (10.0 + bar_m * scale, y)],
        width: 3.0,
    });
    shapes.push(Shape::Words {
        x: 18.0 + bar_m * scale,
        y: y + 5.0,
        size: 14.0,
        middle: false,
        text: format!("{bar_m:.0} m"),
    });
    shapes.push(Shape::Line {
        points: vec![
            (775.0, 46.0),
            (775.0, 14.0),
            (768.0, 24.0),
            (775.0, 14.0),
            (782.0, 24.0),
        ],
        width: 2.0,
    });
    shapes.push(Shape::Words {
        x: 775.0,
        y: 62.0,
        size: 14.0,
        middle: true,
        text: "N".to_owned(),
    });
}

/// What the signs mean, of those that there are.
fn key(shown: &[(&FrameFact, Position)], shapes: &mut Vec<Shape>) {
    let mut x = 24.0;
    let y = HIGH + 46.0;
    let there = |place| shown.iter().any(|(f, _)| f.place == place);
    for place in Place::ALL
        .map(Some)
        .into_iter()
        .chain([None])
        .filter(|p| there(*p))
    {
        let word = place.map_or("place not said", Place::word);
        shapes.push(sign(place, (x, y)));
        shapes.push(Shape::Words {
            x: x + 16.0,
            y: y + 5.0,
            size: 14.0,
            middle: false,
            text: word.to_owned(),
        });
        x += 60.0 + 8.5 * word.len() as f64;
    }
}

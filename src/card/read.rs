//! Reads a card off a photo, in the plane of the frame.

use image::RgbImage;

use super::{
    CardSeen, MODULE_MM, SIDE_MODULES,
    book::{Bits, Book, MODULES},
    finders::{light_at, marks},
};
use crate::{
    geometry::{Homography, Point},
    plot::PlotMap,
};

/// Modules from the middle of one corner mark to the next.
const BETWEEN_MARKS: f64 = 14.0;
/// How much smaller or larger than printed at full size a card may be.
const SIZES: std::ops::Range<f64> = 0.6..1.6;
/// Most telling modules that may be wrong, of some 220: half of what the code itself could put right. Raised: cards
/// under more straw are read; lowered: blurred ones are passed over.
const MOST_WRONG: u32 = 32;
/// How many more must be wrong for the next card. Chance alone puts the nearest of 900 cards 75 or so wrong,
/// with the next within a few.
const LEAST_AHEAD: u32 = 24;
/// Least share of the modules that all codes have in common that must be right before any card is looked for.
const LEAST_COMMON: f64 = 0.78;
/// Shifts of the fourth corner that are tried, modules: a card on uneven ground leans against the frame's plane.
const SHIFTS: [f64; 5] = [0.0, -0.7, 0.7, -1.4, 1.4];

/// The card beside the frame; `None` where none can be read for certain, or two say different things.
///
/// - `map`: between plot mm and photo, from the frame: the card lies in much the same plane.
/// - `px_per_mm`: photo pixels per mm at the frame.
pub fn find(photo: &RgbImage, map: &PlotMap, px_per_mm: f64) -> Option<CardSeen> {
    let found: Vec<(Point, usize)> = marks(photo, 7.0 * MODULE_MM * px_per_mm)
        .into_iter()
        .map(|mark| (map.plot_mm_from_photo_px(mark.middle_px), mark.seen))
        .collect();
    let all: Vec<Point> = found.iter().map(|m| m.0).collect();
    let sure: Vec<Point> = (found.iter().filter(|m| m.1 > 1)).map(|m| m.0).collect();
    let mut seen: Option<CardSeen> = None;
    for corner in triples(&all).into_iter().chain(pairs(&sure)) {
        let Some(card) = read(photo, map, corner) else {
            continue;
        };
        match &seen {
            Some(other) if other.card != card.card => return None,
            Some(other) if other.wrong_modules <= card.wrong_modules => {}
            _ => seen = Some(card),
        }
    }
    seen
}

/// Three marks that may be a code's: the corner between the two others, the one to its right, the one below.
fn triples(marks: &[Point]) -> Vec<[Point; 3]> {
    let side_mm = BETWEEN_MARKS * MODULE_MM;
    let mut found = Vec::new();
    for &corner in marks {
        let near: Vec<(f64, f64)> = marks
            .iter()
            .map(|m| (m.x - corner.x, m.y - corner.y))
            .filter(|v| SIZES.contains(&(v.0.hypot(v.1) / side_mm)))
            .collect();
        for right in &near {
            for below in &near {
                let (a, b) = (right.0.hypot(right.1), below.0.hypot(below.1));
                let cross = (right.0 * below.1 - right.1 * below.0) / (a * b);
                let level = (right.0 * below.0 + right.1 * below.1) / (a * b);
                if cross > 0.95 && level.abs() < 0.15 && (0.85..1.18).contains(&(a / b)) {
                    let at = |v: &(f64, f64)| Point::new(corner.x + v.0, corner.y + v.1);
                    found.push([corner, at(right), at(below)]);
                }
            }
        }
    }
    found
}

/// Where the third mark would lie, for every two that may be a code's: a crumb or straw often hides one. Of
/// wrong guesses nothing comes, for the modules are then unlike any card's.
fn pairs(marks: &[Point]) -> Vec<[Point; 3]> {
    let side_mm = BETWEEN_MARKS * MODULE_MM;
    let mut found = Vec::new();
    for &a in marks {
        for &b in marks {
            let (x, y) = (b.x - a.x, b.y - a.y);
            let share = x.hypot(y) / side_mm;
            if SIZES.contains(&share) {
                found.push([a, b, Point::new(a.x - y, a.y + x)]);
                found.push([a, Point::new(a.x + y, a.y - x), b]);
            }
            if SIZES.contains(&(share / 2.0_f64.sqrt())) {
                // From the right one to the one below: the corner lies half a way on and half a way aside.
                let corner = Point::new((a.x + b.x - y) / 2.0, (a.y + b.y + x) / 2.0);
                found.push([corner, a, b]);
            }
        }
    }
    found
}

fn read(photo: &RgbImage, map: &PlotMap, [corner, right, below]: [Point; 3]) -> Option<CardSeen> {
    let far = Point::new(right.x + below.x - corner.x, right.y + below.y - corner.y);
    let (low, high) = (3.5, 3.5 + BETWEEN_MARKS);
    let module_mm = corner.distance(right) / BETWEEN_MARKS;
    let marks = [(low, low), (high, low), (high, high), (low, high)].map(|(x, y)| Point::new(x, y));
    for dx in SHIFTS {
        for dy in SHIFTS {
            let far = Point::new(far.x + dx * module_mm, far.y + dy * module_mm);
            let mm = Homography::from_four(marks, [corner, right, far, below])?;
            let px = |x: f64, y: f64| map.photo_px_from_plot_mm(mm.apply(Point::new(x, y)));
            let Some((dark, read)) = modules(photo, &px) else {
                continue;
            };
            if Book::get().common_share(dark, read) < LEAST_COMMON {
                continue;
            }
            let nearest = Book::get().nearest(dark, read);
            let ahead = nearest.wrong_next.saturating_sub(nearest.wrong);
            if nearest.wrong <= MOST_WRONG && ahead >= LEAST_AHEAD {
                let side = SIDE_MODULES as f64;
                return Some(CardSeen {
                    card: nearest.card,
                    corners_px: [(0.0, 0.0), (side, 0.0), (side, side), (0.0, side)]
                        .map(|(x, y)| px(x, y)),
                    wrong_modules: nearest.wrong,
                    wrong_modules_next: nearest.wrong_next,
                });
            }
        }
    }
    None
}

/// Which modules are dark, and which could be told at all; `None` where the code runs out of the picture.
///
/// A module is set against the lightest and darkest within three modules of it, so that the edge of a shadow
/// across the card does no harm.
fn modules(photo: &RgbImage, px: &impl Fn(f64, f64) -> Point) -> Option<(Bits, Bits)> {
    const OFF: [f64; 3] = [-0.22, 0.0, 0.22];
    let mut lights = [0.0_f32; MODULES];
    for (at, light) in lights.iter_mut().enumerate() {
        let (x, y) = (at % SIDE_MODULES, at / SIDE_MODULES);
        for dy in OFF {
            for dx in OFF {
                let p = px(x as f64 + 0.5 + dx, y as f64 + 0.5 + dy);
                *light += light_at(photo, p.x, p.y)? / 9.0;
            }
        }
    }
    let (mut dark, mut read) = (Bits::default(), Bits::default());
    for (at, &light) in lights.iter().enumerate() {
        let (x, y) = (at % SIDE_MODULES, at / SIDE_MODULES);
        let (mut low, mut high) = (f32::MAX, f32::MIN);
        for row in y.saturating_sub(3)..(y + 4).min(SIDE_MODULES) {
            for column in x.saturating_sub(3)..(x + 4).min(SIDE_MODULES) {
                let other = lights[row * SIDE_MODULES + column];
                (low, high) = (low.min(other), high.max(other));
            }
        }
        if high - low > 0.15 * high.max(2.0) {
            read.set(at);
            if light < (low + high) / 2.0 {
                dark.set(at);
            }
        }
    }
    Some((dark, read))
}

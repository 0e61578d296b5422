//! The bar itself: how wide it is, whether it has an outside edge, and its colour.

use super::beside::{Place, median};
use super::ground_tone::GroundTone;
use super::judge::Judged;
use super::log_colour::log_colour;
use super::reduce::{Colour, Small};

/// Widest bar looked for, small pixels.
const MOST_PX: usize = 90;
/// Where a bar's colour is taken, small pixels outside its inner edge.
const BAR_AT_PX: f64 = 2.5;
/// Where the ground's is taken, small pixels within.
const GROUND_AT_PX: f64 = 4.5;
/// Widths of two sides that differ by less are of one bar (perspective, fittings).
const ALIKE_WIDTHS: std::ops::Range<f64> = 0.55..1.8;

/// What was seen of the bar.
pub(super) struct Bar {
    /// Middle colour between its edges.
    pub colour: Colour,
    /// Width, small pixels; 0 when its outside is not in view.
    pub width_px: f64,
    /// Share of the sides with room to show it that have an outside edge at this width; 1 when none has room.
    pub bounded: f64,
}

/// Where a side's bar ends.
enum End {
    /// At this width, small pixels.
    At(f64),
    /// Nowhere, though there is room.
    Nowhere,
    /// Out of the picture before it could be seen.
    OutOfView,
}

/// Middle colour at a distance outside the edge; `None` when mostly out of view.
fn colour_at(small: &Small, places: &[Place], outside_px: f64) -> Option<Colour> {
    let seen: Vec<Colour> = places
        .iter()
        .filter_map(|(p, inwards)| {
            small.at(p.x - outside_px * inwards.0, p.y - outside_px * inwards.1)
        })
        .collect();
    (seen.len() * 2 > places.len()).then(|| {
        std::array::from_fn(|c| median(&mut seen.iter().map(|k| k[c]).collect::<Vec<f32>>()))
    })
}

/// Log colours outside the edge at a distance, place by place.
fn logs_at(small: &Small, places: &[Place], outside_px: f64) -> Vec<Option<Colour>> {
    places
        .iter()
        .map(|(p, inwards)| {
            let (x, y) = (p.x - outside_px * inwards.0, p.y - outside_px * inwards.1);
            small.at(x, y).map(log_colour)
        })
        .collect()
}

/// Differences of two rows of log colours, where both are in view.
fn differences(a: &[Option<Colour>], b: &[Option<Colour>], ground: &GroundTone) -> Vec<f32> {
    let pairs = a.iter().zip(b);
    pairs
        .filter_map(|(a, b)| Some(ground.apart((*a)?, (*b)?) as f32))
        .collect()
}

/// Walks outwards until most places are nearer to the ground's colour than to the bar's. Every
/// place is compared with itself close to the edge, so that a shadow over part of the bar does
/// not end it.
fn end_of(small: &Small, places: &[Place], ground: &GroundTone, most_px: usize) -> End {
    let bar = logs_at(small, places, BAR_AT_PX);
    let within = logs_at(small, places, -GROUND_AT_PX);
    let half = median(&mut differences(&bar, &within, ground)) / 2.0;
    let mut before: Option<f32> = None;
    for d in 3..most_px {
        let mut off = differences(&bar, &logs_at(small, places, d as f64 + 0.5), ground);
        if off.len() * 2 <= places.len() {
            return End::OutOfView;
        }
        let off = median(&mut off);
        if let Some(last) = before.filter(|_| off > half) {
            // Between the centres of the last place within half a step and the first beyond it.
            let share = f64::from((half - last) / (off - last).max(1e-6)).clamp(0.0, 1.0);
            return End::At(d as f64 - 0.5 + share);
        }
        before = Some(off);
    }
    End::Nowhere
}

/// Looks at the bar outside an edge that was judged. `sides`: places along each side;
/// `size_px`: the outline's size, small pixels.
pub(super) fn look_at_bar(
    small: &Small,
    sides: &[Vec<Place>],
    judged: &Judged,
    size_px: f64,
) -> Bar {
    let most_px = ((0.3 * size_px) as usize).clamp(8, MOST_PX);
    let ends: Vec<End> = sides
        .iter()
        .map(|places| end_of(small, places, &judged.ground, most_px))
        .collect();
    let mut widths: Vec<f32> = Vec::new();
    let mut room = 0;
    for end in &ends {
        room += usize::from(!matches!(end, End::OutOfView));
        if let End::At(w) = end {
            widths.push(*w as f32);
        }
    }
    let middle_width = f64::from(median(&mut widths.clone()));
    let alike = widths
        .iter()
        .filter(|w| ALIKE_WIDTHS.contains(&(f64::from(**w) / middle_width)))
        .count();
    let width_px = if alike * 2 >= sides.len() {
        middle_width
    } else {
        0.0
    };
    let middle = if width_px > 0.0 { width_px / 2.0 } else { 3.0 };
    let colours: Vec<Colour> = sides
        .iter()
        .filter_map(|places| colour_at(small, places, middle))
        .collect();
    let colour = if colours.is_empty() {
        judged.bar
    } else {
        std::array::from_fn(|c| median(&mut colours.iter().map(|k| k[c]).collect::<Vec<f32>>()))
    };
    Bar {
        colour,
        width_px,
        bounded: if room == 0 {
            1.0
        } else {
            alike as f64 / room as f64
        },
    }
}

//! The bar itself: how wide it is and what colour.

use super::beside::{Place, median};
use super::reduce::{CHANNELS, Colour, Small};

/// Widest bar looked for, small pixels.
const MOST_PX: usize = 90;

/// What was seen of the bar.
pub(super) struct Bar {
    /// Middle colour between its edges.
    pub colour: Colour,
    /// Width, small pixels; 0 when its outside is not in view.
    pub width_px: f64,
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

/// Width on one side: the largest step away from the bar's colour, walking outwards.
fn width_on(small: &Small, places: &[Place], noise: Colour) -> Option<f64> {
    let profile: Vec<Colour> = (0..MOST_PX)
        .map_while(|d| colour_at(small, places, d as f64 + 0.5))
        .collect();
    let bar = *profile.get(2)?;
    let ground = colour_at(small, places, -4.0)?;
    let off = |c: Colour| -> f32 {
        (0..CHANNELS)
            .map(|k| ((c[k] - bar[k]) / noise[k]).powi(2))
            .sum::<f32>()
            .sqrt()
    };
    let half = off(ground) / 2.0;
    let end = (2..profile.len().saturating_sub(1))
        .find(|&d| off(profile[d]) > half && off(profile[d + 1]) > half)?;
    // Between the centres of the last place within half a step and the first beyond it.
    let (before, after) = (off(profile[end - 1]), off(profile[end]));
    let share = f64::from((half - before) / (after - before).max(1e-6)).clamp(0.0, 1.0);
    Some(end as f64 - 0.5 + share)
}

/// Looks at the bar outside an edge. `sides`: places along each side.
pub(super) fn look_at_bar(
    small: &Small,
    sides: &[Vec<Place>],
    noise: Colour,
    fallback: Colour,
) -> Bar {
    let mut widths: Vec<f32> = sides
        .iter()
        .filter_map(|places| width_on(small, places, noise))
        .map(|w| w as f32)
        .collect();
    let width_px = if widths.len() * 2 >= sides.len() {
        f64::from(median(&mut widths))
    } else {
        0.0
    };
    let middle = if width_px > 0.0 { width_px / 2.0 } else { 3.0 };
    let colours: Vec<Colour> = sides
        .iter()
        .filter_map(|places| colour_at(small, places, middle))
        .collect();
    let colour = if colours.is_empty() {
        fallback
    } else {
        std::array::from_fn(|c| median(&mut colours.iter().map(|k| k[c]).collect::<Vec<f32>>()))
    };
    Bar { colour, width_px }
}

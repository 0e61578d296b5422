//! A closer look at an outline: is there a bar along its outside, and ground within?

use super::reduce::{CHANNELS, Colour, Small};
use crate::geometry::Point;

/// Places looked at along a side.
const PLACES: usize = 48;
/// Distances from the edge of a bar at which bar and ground are looked at, small pixels.
pub(super) const BESIDE_BAR_PX: [f64; 3] = [1.3, 2.1, 2.9];
/// The same for a ring, which may be a thin rope.
pub(super) const BESIDE_RING_PX: [f64; 3] = [0.9, 1.5, 2.1];

/// A place on the edge and the unit vector inwards.
pub(super) type Place = (Point, (f64, f64));

/// What is seen along one side.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Side {
    /// Middle colour just outside the edge.
    pub outside: Colour,
    /// Middle colour just within.
    pub inside: Colour,
    /// Middle deviation of the colours outside.
    pub outside_spread: Colour,
    /// … and within.
    pub inside_spread: Colour,
    /// How far bar and ground are apart, in spreads.
    pub contrast: f64,
    /// Share of the side in view along which the bar is seen.
    pub seen: f64,
    /// Share of the side inside the picture.
    pub in_view: f64,
}

/// The verdict on an outline.
#[derive(Debug, Clone)]
pub(super) struct Judged {
    /// Its sides (of a rectangle: corner 0 to 1, 1 to 2, …; of a ring: arcs).
    pub sides: Vec<Side>,
    /// −1: the bar lies within the line; 1: outside of it.
    pub bar_outside: f64,
    /// 0..1: how alike the sides' bars are.
    pub alike: f64,
    /// Colour of the bar.
    pub bar: Colour,
}

/// Median of values that may be reordered; 0 when there are none.
pub(super) fn median(values: &mut [f32]) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

/// Middle colour and middle deviation from it, channel by channel.
fn middle_colour(colours: &[Colour]) -> (Colour, Colour) {
    let mut middle = [0.0; CHANNELS];
    let mut spread = [0.0; CHANNELS];
    for c in 0..CHANNELS {
        let mut values: Vec<f32> = colours.iter().map(|k| k[c]).collect();
        middle[c] = median(&mut values);
        for v in &mut values {
            *v = (*v - middle[c]).abs();
        }
        spread[c] = median(&mut values);
    }
    (middle, spread)
}

/// Distance of two colours, every channel in units of its noise.
fn distance(a: Colour, b: Colour, noise: Colour) -> f64 {
    (0..CHANNELS)
        .map(|c| f64::from((a[c] - b[c]) / noise[c]).powi(2))
        .sum::<f64>()
        .sqrt()
}

fn mean(colours: &[Colour]) -> Colour {
    std::array::from_fn(|c| colours.iter().map(|k| k[c]).sum::<f32>() / colours.len().max(1) as f32)
}

/// Places along a straight side, its ends left out.
pub(super) fn places_on_side(from: Point, to: Point) -> Vec<Place> {
    let length = from.distance(to).max(1e-9);
    // Clockwise with y down: the inside lies to the right of the way from one corner to the next.
    let inwards = (-(to.y - from.y) / length, (to.x - from.x) / length);
    (0..PLACES)
        .map(|k| {
            (
                from.towards(to, 0.08 + 0.84 * (k as f64 + 0.5) / PLACES as f64),
                inwards,
            )
        })
        .collect()
}

/// Colours just outside and just within, place by place along a side.
fn beside(small: &Small, places: &[Place], distances: [f64; 3]) -> Vec<(Colour, Colour)> {
    places
        .iter()
        .filter_map(|(p, inwards)| {
            let strip = |sign: f64| -> Option<Colour> {
                let mut found = [[0.0; CHANNELS]; 3];
                for (cell, d) in found.iter_mut().zip(distances) {
                    *cell = small.at(p.x + sign * d * inwards.0, p.y + sign * d * inwards.1)?;
                }
                Some(mean(&found))
            };
            Some((strip(-1.0)?, strip(1.0)?))
        })
        .collect()
}

fn look_at_side(small: &Small, along: &[Place], distances: [f64; 3], noise: Colour) -> Side {
    let places = beside(small, along, distances);
    let in_view = places.len() as f64 / along.len().max(1) as f64;
    if places.len() < 6 {
        return Side::default();
    }
    let outs: Vec<Colour> = places.iter().map(|p| p.0).collect();
    let ins: Vec<Colour> = places.iter().map(|p| p.1).collect();
    let (outside, outside_spread) = middle_colour(&outs);
    let (inside, inside_spread) = middle_colour(&ins);
    let weights: [f32; CHANNELS] = std::array::from_fn(|c| {
        1.0 / (outside_spread[c].powi(2) + inside_spread[c].powi(2) + (noise[c] * 0.7).powi(2))
    });
    let apart = |a: Colour, b: Colour| -> f32 {
        (0..CHANNELS)
            .map(|c| (a[c] - b[c]).powi(2) * weights[c])
            .sum()
    };
    let seen = places
        .iter()
        .filter(|(o, i)| {
            apart(*o, outside) < apart(*o, inside) && apart(*i, inside) < apart(*i, outside)
        })
        .count() as f64
        / places.len() as f64;
    Side {
        outside,
        inside,
        outside_spread,
        inside_spread,
        contrast: f64::from(apart(outside, inside)).sqrt(),
        seen,
        in_view,
    }
}

/// Places well within a four-sided outline.
pub(super) fn places_within(corners: &[Point; 4]) -> Vec<Point> {
    let share = |k: usize| 0.15 + 0.7 * k as f64 / 13.0;
    (0..14 * 14)
        .map(|k| {
            let (u, v) = (share(k % 14), share(k / 14));
            let upper = corners[0].towards(corners[1], u);
            upper.towards(corners[3].towards(corners[2], u), v)
        })
        .collect()
}

/// What is looked at.
pub(super) struct Outlined<'a> {
    /// Places along each side.
    pub sides: &'a [Vec<Place>],
    /// Places on the ground within.
    pub within: &'a [Point],
    /// How far beside the edge to look, small pixels.
    pub distances: [f64; 3],
}

/// Looks at an outline. `small` blurred a little; `noise` as [`super::edges::Edges::noise`].
pub(super) fn judge(small: &Small, outlined: &Outlined, noise: Colour) -> Judged {
    let sides: Vec<Side> = outlined
        .sides
        .iter()
        .map(|places| look_at_side(small, places, outlined.distances, noise))
        .collect();
    let inner: Vec<Colour> = outlined
        .within
        .iter()
        .filter_map(|p| small.at(p.x, p.y))
        .collect();
    let ground = middle_colour(&inner).0;
    let (mut out, mut within) = (0.0, 0.0);
    for s in sides.iter().filter(|s| s.in_view > 0.0) {
        out += distance(s.outside, ground, noise);
        within += distance(s.inside, ground, noise);
    }
    let visible: Vec<Colour> = sides
        .iter()
        .filter(|s| s.in_view > 0.2)
        .map(|s| s.outside)
        .collect();
    let bar = middle_colour(&visible).0;
    let contrast = distance(bar, ground, noise);
    let unlike = visible
        .iter()
        .map(|b| distance(*b, bar, noise))
        .sum::<f64>()
        / visible.len().max(1) as f64;
    Judged {
        sides,
        bar_outside: (out - within) / (out + within + 1.0),
        alike: 1.0 / (1.0 + unlike / (contrast + 0.5)),
        bar,
    }
}

impl Judged {
    /// How much it looks like a bar round ground, 0..1, over the sides that are in view.
    pub fn score(&self) -> f64 {
        let over = |value: &dyn Fn(&Side) -> f64| -> f64 {
            let logs: Vec<f64> = self
                .sides
                .iter()
                .filter(|s| s.in_view > 0.1)
                .map(|s| value(s).ln())
                .collect();
            (logs.iter().sum::<f64>() / logs.len().max(1) as f64).exp()
        };
        if self.sides.iter().all(|s| s.in_view <= 0.1) {
            return 0.0;
        }
        let seen = over(&|s| (2.0 * (s.seen - 0.5)).max(0.02));
        let contrast = over(&|s| (s.contrast / 6.0).clamp(0.05, 1.0)).sqrt();
        seen * contrast * self.alike * (1.0 + self.bar_outside) / 2.0
    }
}

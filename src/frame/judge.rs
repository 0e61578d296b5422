//! A closer look at an outline: is there a bar along its outside, and ground within?

use super::quads::Quad;
use super::reduce::{CHANNELS, Colour, Small};
use crate::geometry::Point;

/// Places looked at along a side.
const PLACES: usize = 48;
/// Distances from the edge at which bar and ground are looked at, small pixels.
const BESIDE_PX: [f64; 3] = [1.3, 2.1, 2.9];

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
    /// The outline.
    pub quad: Quad,
    /// Its sides: corner 0 to 1, 1 to 2, …
    pub sides: [Side; 4],
    /// −1: the bar lies within the line; 1: outside of it.
    pub bar_outside: f64,
    /// 0..1: how alike the four sides' bars are.
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

/// Colours just outside and just within, place by place along a side.
fn beside(small: &Small, from: Point, to: Point, inwards: (f64, f64)) -> Vec<(Colour, Colour)> {
    (0..PLACES)
        .filter_map(|k| {
            let p = from.towards(to, 0.08 + 0.84 * (k as f64 + 0.5) / PLACES as f64);
            let strip = |sign: f64| -> Option<Colour> {
                let mut found = [[0.0; CHANNELS]; 3];
                for (cell, d) in found.iter_mut().zip(BESIDE_PX) {
                    *cell = small.at(p.x + sign * d * inwards.0, p.y + sign * d * inwards.1)?;
                }
                Some(mean(&found))
            };
            Some((strip(-1.0)?, strip(1.0)?))
        })
        .collect()
}

fn look_at_side(small: &Small, from: Point, to: Point, inwards: (f64, f64), noise: Colour) -> Side {
    let places = beside(small, from, to, inwards);
    let in_view = places.len() as f64 / PLACES as f64;
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
        (0..CHANNELS).map(|c| (a[c] - b[c]).powi(2) * weights[c]).sum()
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

/// Middle colour of the ground well within the outline.
fn ground_colour(small: &Small, corners: &[Point; 4]) -> Colour {
    let mut colours = Vec::new();
    for i in 0..14 {
        for j in 0..14 {
            let (u, v) = (0.15 + 0.7 * f64::from(i) / 13.0, 0.15 + 0.7 * f64::from(j) / 13.0);
            let p = corners[0]
                .towards(corners[1], u)
                .towards(corners[3].towards(corners[2], u), v);
            colours.extend(small.at(p.x, p.y));
        }
    }
    middle_colour(&colours).0
}

/// Looks at an outline. `small` blurred a little; `noise` as [`super::edges::Edges::noise`].
pub(super) fn judge(small: &Small, quad: Quad, noise: Colour) -> Judged {
    let c = &quad.corners;
    let sides: [Side; 4] = std::array::from_fn(|i| {
        let (from, to) = (c[i], c[(i + 1) % 4]);
        let length = from.distance(to).max(1e-9);
        // Clockwise with y down: the inside lies to the left of (dx, dy) turned by a quarter.
        let inwards = (-(to.y - from.y) / length, (to.x - from.x) / length);
        look_at_side(small, from, to, inwards, noise)
    });
    let ground = ground_colour(small, c);
    let (mut out, mut within) = (0.0, 0.0);
    for s in sides.iter().filter(|s| s.in_view > 0.0) {
        out += distance(s.outside, ground, noise);
        within += distance(s.inside, ground, noise);
    }
    let visible: Vec<Colour> = sides.iter().filter(|s| s.in_view > 0.2).map(|s| s.outside).collect();
    let bar = middle_colour(&visible).0;
    let contrast = distance(bar, ground, noise);
    let unlike = visible.iter().map(|b| distance(*b, bar, noise)).sum::<f64>() / visible.len().max(1) as f64;
    Judged {
        sides,
        bar_outside: (out - within) / (out + within + 1.0),
        alike: 1.0 / (1.0 + unlike / (contrast + 0.5)),
        bar,
        quad,
    }
}

impl Judged {
    /// How good it looks, all told; 0 for no frame at all.
    pub fn score(&self) -> f64 {
        let seen: f64 = self
            .sides
            .iter()
            .map(|s| (2.0 * (s.seen - 0.5)).max(0.02))
            .product::<f64>()
            .powf(0.25);
        let contrast: f64 = self
            .sides
            .iter()
            .map(|s| (s.contrast / 6.0).clamp(0.05, 1.0))
            .product::<f64>()
            .powf(0.125);
        self.quad.score * seen * contrast * self.alike * (1.0 + self.bar_outside) / 2.0
    }
}

//! Colours on both sides of an edge, place by place, and the step between them.

use super::log_colour::{LOG_FLOOR, log_colour};
use super::reduce::{CHANNELS, Colour, Small};
use crate::geometry::Point;

/// A place on the edge and the unit vector inwards.
pub(super) type Place = (Point, (f64, f64));

/// Colours on both sides of the edge at one place, and the step of log colour outwards.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pair {
    /// Just outside.
    pub outside: Colour,
    /// Just within.
    pub inside: Colour,
    /// From within to outside, log colour.
    pub step: Colour,
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
pub(super) fn middle_colour(colours: &[Colour]) -> (Colour, Colour) {
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

/// Looks on both sides at every place, at three distances, the edge taken `shift` further in.
pub(super) fn look_beside(
    small: &Small,
    places: &[Place],
    distances: [f64; 3],
    shift: f64,
) -> Vec<Pair> {
    places
        .iter()
        .filter_map(|(p, inwards)| {
            let strip = |sign: f64| -> Option<Colour> {
                let mut sum = [0.0; CHANNELS];
                for d in distances {
                    let by = sign * d + shift;
                    let colour = small.at(p.x + by * inwards.0, p.y + by * inwards.1)?;
                    for c in 0..CHANNELS {
                        sum[c] += colour[c];
                    }
                }
                Some(sum.map(|v| v / 3.0))
            };
            let (outside, inside) = (strip(-1.0)?, strip(1.0)?);
            let (o, i) = (log_colour(outside), log_colour(inside));
            Some(Pair {
                outside,
                inside,
                step: std::array::from_fn(|c| o[c] - i[c]),
            })
        })
        .collect()
}

/// The step of log colour from ground to bar that most places share.
pub(super) struct Step {
    middle: Colour,
    weights: Colour,
}

impl Step {
    /// From all places: the middle of those that are nearer to the middle than to no step.
    pub fn of<'a>(pairs: impl Iterator<Item = &'a Pair>) -> Self {
        let all: Vec<Colour> = pairs.map(|p| p.step).collect();
        let mut step = Self::from_steps(&all);
        for _ in 0..2 {
            let near: Vec<Colour> = all.iter().copied().filter(|s| step.is_seen(*s)).collect();
            if near.len() < 8 {
                break;
            }
            step = Self::from_steps(&near);
        }
        step
    }

    fn from_steps(steps: &[Colour]) -> Self {
        let (middle, spread) = middle_colour(steps);
        Self {
            middle,
            weights: std::array::from_fn(|c| 1.0 / (spread[c].powi(2) + LOG_FLOOR[c].powi(2))),
        }
    }

    /// Squared distance of two steps, in spreads.
    fn off(&self, a: Colour, b: Colour) -> f32 {
        (0..CHANNELS)
            .map(|c| (a[c] - b[c]).powi(2) * self.weights[c])
            .sum()
    }

    /// Whether a step is nearer to this one than to none, and not far beyond.
    pub fn is_seen(&self, step: Colour) -> bool {
        let whole = self.off(self.middle, [0.0; CHANNELS]);
        self.off(step, self.middle) < self.off(step, [0.0; CHANNELS]).min(2.0 * whole)
    }
}

//! The edge of a bar at full resolution: one look across it.

use image::RgbImage;

use super::judge::Side;
use super::reduce::{CHANNELS, Colour, opponent};
use crate::geometry::Point;

/// Smallest step taken for the edge, as a share of that between bar and ground. Lowered: straw counts as bar; raised: bars in shadow are not seen.
const LEAST_STEP: f64 = 0.25;

/// Where the edge was seen.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    /// Photo pixels.
    pub at: Point,
    /// Size of the step, as a share of that between bar and ground.
    pub step: f64,
}

/// Bilinear colour at a point of the photo.
fn sample(pixels: &RgbImage, p: Point) -> Option<Colour> {
    let (x, y) = (p.x - 0.5, p.y - 0.5);
    let (w, h) = (pixels.width() as usize, pixels.height() as usize);
    if x < 0.0 || y < 0.0 || x >= (w - 1) as f64 || y >= (h - 1) as f64 {
        return None;
    }
    let (column, row) = (x as usize, y as usize);
    let (fx, fy) = ((x - column as f64) as f32, (y - row as f64) as f32);
    let raw = pixels.as_raw();
    let i = (row * w + column) * 3;
    let mix = |c: usize| {
        let v = |k: usize| f32::from(raw[k + c]);
        let top = v(i) + (v(i + 3) - v(i)) * fx;
        let below = i + w * 3;
        let bottom = v(below) + (v(below + 3) - v(below)) * fx;
        top + (bottom - top) * fy
    };
    Some(opponent([mix(0), mix(1), mix(2)]))
}

/// Turns colours into one number: 0 for the ground beside this bar, 1 for the bar.
pub(super) struct Scale {
    axis: Colour,
    ground: Colour,
}

impl Scale {
    /// From what was seen along a side.
    pub fn new(side: &Side, noise: Colour) -> Self {
        let mut axis: Colour = std::array::from_fn(|c| {
            let spread =
                side.outside_spread[c].powi(2) + side.inside_spread[c].powi(2) + noise[c].powi(2);
            (side.outside[c] - side.inside[c]) / spread
        });
        let whole: f32 = (0..CHANNELS)
            .map(|c| axis[c] * (side.outside[c] - side.inside[c]))
            .sum();
        axis = axis.map(|a| a / whole.max(1e-9));
        Self {
            axis,
            ground: side.inside,
        }
    }

    fn of(&self, colour: Colour) -> f64 {
        (0..CHANNELS)
            .map(|c| f64::from(self.axis[c] * (colour[c] - self.ground[c])))
            .sum()
    }
}

/// How far from the expected edge to look, and over what length to tell bar from ground, photo pixels.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reach {
    /// To both sides of the expected edge.
    pub look: usize,
    /// Averaged on each side of a step.
    pub half_step: usize,
}

/// Looks across the expected edge at one place; `outwards` a unit vector, `along` the sampling
/// step on the side.
pub(super) fn across(
    pixels: &RgbImage,
    scale: &Scale,
    at: Point,
    outwards: (f64, f64),
    along: f64,
    reach: Reach,
) -> Option<Seen> {
    let (look, half) = (reach.look as i32, reach.half_step as i32);
    let far = look + half;
    let mut profile = Vec::with_capacity((2 * far + 1) as usize);
    for d in -far..=far {
        let mut sum = 0.0;
        let mut count = 0.0;
        for k in [-1.0, 0.0, 1.0] {
            let (dx, dy) = (f64::from(d), k * along / 3.0);
            let p = Point::new(
                at.x + dx * outwards.0 - dy * outwards.1,
                at.y + dx * outwards.1 + dy * outwards.0,
            );
            if let Some(colour) = sample(pixels, p) {
                sum += scale.of(colour).clamp(-1.0, 2.0);
                count += 1.0;
            }
        }
        // Beyond the picture's edge the last colour goes on.
        let value = if count > 0.0 { sum / count } else { f64::NAN };
        profile.push(value);
    }
    let response = |d: i32| -> f64 {
        let mid = (d + far) as usize;
        let h = half as usize;
        let mean = |range: &[f64]| range.iter().sum::<f64>() / range.len() as f64;
        mean(&profile[mid + 1..=mid + h]) - mean(&profile[mid - h..mid])
    };
    let mut best: Option<(i32, f64, f64)> = None;
    for d in -look..=look {
        let r = response(d);
        let near = 1.0 - 0.3 * (f64::from(d) / f64::from(look)).powi(2);
        if r.is_finite() && best.is_none_or(|b| r * near > b.2) {
            best = Some((d, r, r * near));
        }
    }
    let (d, step, _) = best?;
    if step < LEAST_STEP {
        return None;
    }
    let mut place = f64::from(d);
    if d > -look && d < look {
        let (a, c) = (response(d - 1), response(d + 1));
        let bend = a + c - 2.0 * step;
        if bend < 0.0 && a.is_finite() && c.is_finite() {
            place += ((a - c) / (2.0 * bend)).clamp(-1.0, 1.0);
        }
    }
    Some(Seen {
        at: Point::new(at.x + place * outwards.0, at.y + place * outwards.1),
        step,
    })
}

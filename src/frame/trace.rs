//! The edge of a bar at full resolution: one look across it.

use image::RgbImage;

use super::judge::Side;
use super::reduce::{CHANNELS, Colour, opponent};
use crate::geometry::Point;

/// A place on the expected edge and the unit vector outwards.
pub(super) type Spot = (Point, (f64, f64));

/// Smallest step taken for the edge, as a share of that between bar and ground. Lowered: straw counts as bar; raised: bars in shadow are not seen.
const LEAST_STEP: f64 = 0.25;

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

    /// Lightness alone, 1 for half of full.
    pub fn of_lightness() -> Self {
        let mut axis = [0.0; CHANNELS];
        axis[0] = 1.0 / 128.0;
        Self {
            axis,
            ground: [0.0; CHANNELS],
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

/// What is seen across an edge: 0 for ground, 1 for bar, photo pixel by photo pixel from the
/// inside out, the expected edge in the middle. NaN beyond the picture.
struct Profile {
    values: Vec<f64>,
    reach: Reach,
}

impl Profile {
    /// `outwards`: unit vector; every value is the mean of three samples over `along` photo pixels of the edge.
    fn new(
        pixels: &RgbImage,
        scale: &Scale,
        (at, outwards): Spot,
        along: f64,
        reach: Reach,
    ) -> Self {
        let far = (reach.look + reach.half_step) as i32;
        let value = |d: i32| {
            let (mut sum, mut count) = (0.0, 0.0);
            for k in [-1.0, 0.0, 1.0] {
                let (out, on) = (f64::from(d), k * along / 3.0);
                let p = Point::new(
                    at.x + out * outwards.0 - on * outwards.1,
                    at.y + out * outwards.1 + on * outwards.0,
                );
                if let Some(colour) = sample(pixels, p) {
                    sum += scale.of(colour).clamp(-1.0, 2.0);
                    count += 1.0;
                }
            }
            if count > 0.0 { sum / count } else { f64::NAN }
        };
        Self {
            values: (-far..=far).map(value).collect(),
            reach,
        }
    }

    /// Mean just outside less mean just within an edge at `d`.
    fn step(&self, d: i32) -> f64 {
        let half = self.reach.half_step;
        let at = (d + (self.reach.look + half) as i32) as usize;
        let mean = |range: &[f64]| range.iter().sum::<f64>() / range.len() as f64;
        mean(&self.values[at + 1..=at + half]) - mean(&self.values[at - half..at])
    }

    /// Where the largest step is, nearer ones preferred, to a share of a pixel.
    fn edge(&self) -> Option<f64> {
        let look = self.reach.look as i32;
        let mut best: Option<(i32, f64, f64)> = None;
        for d in -look..=look {
            let step = self.step(d);
            let near = 1.0 - 0.3 * (f64::from(d) / f64::from(look)).powi(2);
            if step.is_finite() && best.is_none_or(|b| step * near > b.2) {
                best = Some((d, step, step * near));
            }
        }
        let (d, step, _) = best.filter(|b| b.1 >= LEAST_STEP)?;
        let mut place = f64::from(d);
        if d.abs() < look {
            let (before, after) = (self.step(d - 1), self.step(d + 1));
            let bend = before + after - 2.0 * step;
            if bend < 0.0 && bend.is_finite() {
                place += ((before - after) / (2.0 * bend)).clamp(-1.0, 1.0);
            }
        }
        Some(place)
    }
}

/// The steps at all places that [`across`] would look at, from the innermost to the outermost.
pub(super) fn steps(
    pixels: &RgbImage,
    scale: &Scale,
    spot: Spot,
    along: f64,
    reach: Reach,
) -> Vec<f64> {
    let profile = Profile::new(pixels, scale, spot, along, reach);
    let look = reach.look as i32;
    (-look..=look).map(|d| profile.step(d)).collect()
}

/// Looks across the expected edge at one place. `outwards`: unit vector; `along`: length of
/// edge to look at, photo pixels.
pub(super) fn across(
    pixels: &RgbImage,
    scale: &Scale,
    (at, outwards): Spot,
    along: f64,
    reach: Reach,
) -> Option<Point> {
    let place = Profile::new(pixels, scale, (at, outwards), along, reach).edge()?;
    Some(Point::new(
        at.x + place * outwards.0,
        at.y + place * outwards.1,
    ))
}

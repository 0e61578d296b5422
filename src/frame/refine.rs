//! The inner edge at full resolution: where it is on every stretch of bar, straight lines
//! through it, and how far the lens bends them.

use image::RgbImage;

use super::judge::Side;
use super::reduce::{CHANNELS, Colour, opponent};
use crate::geometry::{LensBend, Point};

/// Places looked at along a side.
const PLACES: usize = 150;
/// Smallest step taken for the edge, as a share of that between bar and ground. Lowered: straw counts as bar; raised: bars in shadow are not seen.
const LEAST_STEP: f64 = 0.25;
/// How strongly real phone lenses bend: one standard deviation of k1 (common practice; maker-corrected lenses stay within 0.02, uncorrected within 0.1).
const USUAL_BEND: f64 = 0.05;

/// Where the edge was seen.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    /// Photo pixels.
    pub at: Point,
    /// Size of the step, as a share of that between bar and ground.
    pub step: f64,
}

/// A line `x cos + y sin = rho` through straightened points.
#[derive(Debug, Clone, Copy)]
struct Fit {
    cos: f64,
    sin: f64,
    rho: f64,
    /// Robust spread of the points about it, pixels.
    spread: f64,
    /// Points that belong to it.
    members: usize,
}

/// The refined outline.
#[derive(Debug, Clone)]
pub(super) struct Refined {
    /// Corners, photo pixels, in the order given.
    pub corners: [Point; 4],
    /// Bending of the lens.
    pub lens: LensBend,
    /// Share of each side along which the edge was seen on the line.
    pub seen: [f64; 4],
    /// One standard error of a corner, photo pixels.
    pub corner_error_px: f64,
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
struct Scale {
    axis: Colour,
    ground: Colour,
}

impl Scale {
    fn new(side: &Side, noise: Colour) -> Self {
        let mut axis: Colour = std::array::from_fn(|c| {
            let spread = side.outside_spread[c].powi(2) + side.inside_spread[c].powi(2) + noise[c].powi(2);
            (side.outside[c] - side.inside[c]) / spread
        });
        let whole: f32 = (0..CHANNELS)
            .map(|c| axis[c] * (side.outside[c] - side.inside[c]))
            .sum();
        axis = axis.map(|a| a / whole.max(1e-9));
        Self { axis, ground: side.inside }
    }

    fn of(&self, colour: Colour) -> f64 {
        (0..CHANNELS)
            .map(|c| f64::from(self.axis[c] * (colour[c] - self.ground[c])))
            .sum()
    }
}

/// How far from the expected edge to look, and over what length to tell bar from ground, photo pixels.
#[derive(Debug, Clone, Copy)]
struct Reach {
    look: usize,
    half_step: usize,
}

/// Looks across the expected edge at one place; `outwards` a unit vector, `along` the sampling
/// step on the side.
fn across(
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

/// Looks for the edge along a side given by two straightened corners.
fn along_side(
    pixels: &RgbImage,
    scale: &Scale,
    ends: (Point, Point),
    lens: &LensBend,
    reach: Reach,
) -> Vec<Seen> {
    let (from, to) = ends;
    let length = from.distance(to);
    let spacing = (length / PLACES as f64).max(1.0);
    (0..PLACES)
        .filter_map(|k| {
            let share = 0.03 + 0.94 * (k as f64 + 0.5) / PLACES as f64;
            let step = 1.0 / length;
            let p = lens.photo_px_from_straight_px(from.towards(to, share - step));
            let q = lens.photo_px_from_straight_px(from.towards(to, share + step));
            let (dx, dy) = (q.x - p.x, q.y - p.y);
            let size = dx.hypot(dy).max(1e-9);
            // Clockwise with y down: outside lies to the right of the way turned back.
            let outwards = (dy / size, -dx / size);
            across(pixels, scale, p.towards(q, 0.5), outwards, spacing.min(6.0), reach)
        })
        .collect()
}

/// Straight line through points by reweighting (Tukey's biweight on the median deviation).
///
/// # Source
/// Beaton, A. E. & Tukey, J. W. (1974), Technometrics 16(2); tuning constant 4.685 at unit spread.
fn fit(points: &[Point], start: (Point, Point)) -> Option<Fit> {
    let (from, to) = start;
    let length = from.distance(to);
    if length < 1e-6 || points.len() < 8 {
        return None;
    }
    let (ux, uy) = ((to.x - from.x) / length, (to.y - from.y) / length);
    let local: Vec<(f64, f64)> = points
        .iter()
        .map(|p| {
            let (dx, dy) = (p.x - from.x, p.y - from.y);
            ((dx * ux + dy * uy) / length - 0.5, dx * -uy + dy * ux)
        })
        .collect();
    let mut offsets: Vec<f64> = local.iter().map(|l| l.1).collect();
    let (mut a, mut b) = (middle(&mut offsets), 0.0);
    let mut spread = 1e9_f64;
    for round in 0..12 {
        let mut sizes: Vec<f64> = local.iter().map(|(t, r)| (r - a - b * t).abs()).collect();
        let now = (1.4826 * middle(&mut sizes)).max(0.25);
        spread = if round < 3 { now.max(1.0) } else { now };
        let limit = 4.685 * spread;
        let (mut n, mut st, mut sr, mut stt, mut str_) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (t, r) in &local {
            let off = (r - a - b * t) / limit;
            if off.abs() < 1.0 {
                let w = (1.0 - off * off).powi(2);
                n += w;
                st += w * t;
                sr += w * r;
                stt += w * t * t;
                str_ += w * t * r;
            }
        }
        let det = n * stt - st * st;
        if n < 4.0 || det < 1e-9 {
            return None;
        }
        b = (n * str_ - st * sr) / det;
        a = (sr - b * st) / n;
    }
    let limit = 3.0 * spread.max(0.7);
    let members = local.iter().filter(|(t, r)| (r - a - b * t).abs() < limit).count();
    // Back from the local frame: the line passes (t, a + b t), t in shares of the length.
    let slope = b / length;
    let norm = slope.hypot(1.0);
    let (nx, ny) = ((-uy - slope * ux) / norm, (ux - slope * uy) / norm);
    let through = Point::new(
        from.x + 0.5 * length * ux - a * uy,
        from.y + 0.5 * length * uy + a * ux,
    );
    Some(Fit {
        cos: nx,
        sin: ny,
        rho: through.x * nx + through.y * ny,
        spread,
        members,
    })
}

fn middle(values: &mut [f64]) -> f64 {
    let at = values.len() / 2;
    *values.select_nth_unstable_by(at, f64::total_cmp).1
}

fn meet(a: &Fit, b: &Fit) -> Option<Point> {
    let det = a.cos * b.sin - a.sin * b.cos;
    (det.abs() > 0.1).then(|| {
        Point::new(
            (a.rho * b.sin - b.rho * a.sin) / det,
            (a.cos * b.rho - b.cos * a.rho) / det,
        )
    })
}

/// Straightens, fits, and sums what is left over: bounded squares of the distances in spreads.
fn fit_all(
    seen: &[Vec<Seen>; 4],
    corners: &[Point; 4],
    lens: &LensBend,
) -> Option<([Fit; 4], f64)> {
    let mut left = 0.0;
    let mut fits = Vec::with_capacity(4);
    for (i, side) in seen.iter().enumerate() {
        let points: Vec<Point> = side.iter().map(|s| lens.straight_px_from_photo_px(s.at)).collect();
        let line = fit(&points, (corners[i], corners[(i + 1) % 4]))?;
        for p in &points {
            let off = p.x * line.cos + p.y * line.sin - line.rho;
            left += (off / 1.5).powi(2).min(9.0);
        }
        fits.push(line);
    }
    Some((fits.try_into().ok()?, left))
}

/// Bending that leaves the bars straightest, drawn towards 0 by what lenses usually do; 0 where
/// it does not stand out from its own error.
fn bend_of(seen: &[Vec<Seen>; 4], corners: &[Point; 4], flat: &LensBend) -> f64 {
    let cost = |k1: f64| -> f64 {
        let lens = LensBend { k1, ..*flat };
        let straight = corners.map(|c| lens.straight_px_from_photo_px(c));
        match fit_all(seen, &straight, &lens) {
            // Neighbouring places share their errors: about one in four stands for itself.
            Some((_, left)) => left / 4.0 + (k1 / USUAL_BEND).powi(2),
            None => f64::MAX,
        }
    };
    let mut best = (cost(0.0), 0.0);
    let none = best.0;
    let mut width = 0.04;
    let mut centre = 0.0;
    for _ in 0..4 {
        for k in -4..=4_i32 {
            let k1 = centre + f64::from(k) * width;
            if k1.abs() > 0.2 {
                continue;
            }
            let c = cost(k1);
            if c < best.0 {
                best = (c, k1);
            }
        }
        centre = best.1;
        width /= 4.0;
    }
    if none - best.0 > 6.0 { best.1 } else { 0.0 }
}

/// Refines an outline. `corners`: photo pixels, clockwise; `factor`: photo pixels a small pixel.
pub(super) fn refine(
    pixels: &RgbImage,
    corners: [Point; 4],
    sides: &[Side; 4],
    noise: Colour,
    factor: usize,
) -> Option<Refined> {
    let flat = LensBend::none(pixels.width(), pixels.height());
    let scales: [Scale; 4] = std::array::from_fn(|i| Scale::new(&sides[i], noise));
    let mut lens = flat;
    let mut bent = corners;
    let mut seen: [Vec<Seen>; 4] = Default::default();
    let mut fits = None;
    for (look, half_step) in [(2.5, 1.5), (2.0, 1.0), (1.5, 1.0)] {
        let pixels_of = |small: f64| ((small * factor as f64).round() as usize).max(2);
        let reach = Reach { look: pixels_of(look), half_step: pixels_of(half_step) };
        let straight = bent.map(|c| lens.straight_px_from_photo_px(c));
        for (i, side) in seen.iter_mut().enumerate() {
            let ends = (straight[i], straight[(i + 1) % 4]);
            *side = along_side(pixels, &scales[i], ends, &lens, reach);
        }
        lens.k1 = bend_of(&seen, &bent, &flat);
        let straight = bent.map(|c| lens.straight_px_from_photo_px(c));
        let (lines, _) = fit_all(&seen, &straight, &lens)?;
        let mut met = [Point::new(0.0, 0.0); 4];
        for (i, cell) in met.iter_mut().enumerate() {
            *cell = lens.photo_px_from_straight_px(meet(&lines[(i + 3) % 4], &lines[i])?);
        }
        bent = met;
        fits = Some(lines);
    }
    let fits = fits?;
    let error = |f: &Fit| {
        // Error of a line at its end is twice that of its mean; neighbours share errors (see above).
        2.0 * f.spread / (f.members as f64 / 4.0).max(1.0).sqrt()
    };
    let corner_error_px = (0..4)
        .map(|i| error(&fits[i]).hypot(error(&fits[(i + 3) % 4])))
        .fold(0.0, f64::max)
        .hypot(0.4);
    Some(Refined {
        corners: bent,
        lens,
        seen: std::array::from_fn(|i| fits[i].members as f64 / PLACES as f64),
        corner_error_px,
    })
}

//! The inner edge at full resolution: where it is on every stretch of bar, straight lines
//! through it, and how far the lens bends them.

use image::RgbImage;

use super::judge::Side;
use super::reduce::Colour;
use super::trace::{Reach, Scale, Seen, across};
use crate::geometry::{LensBend, Point};

/// Places looked at along a side.
const PLACES: usize = 150;
/// How strongly real phone lenses bend: one standard deviation of k1 (common practice; maker-corrected lenses stay within 0.02, uncorrected within 0.1).
const USUAL_BEND: f64 = 0.05;

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
            across(
                pixels,
                scale,
                p.towards(q, 0.5),
                outwards,
                spacing.min(6.0),
                reach,
            )
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
    let members = local
        .iter()
        .filter(|(t, r)| (r - a - b * t).abs() < limit)
        .count();
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
        let points: Vec<Point> = side
            .iter()
            .map(|s| lens.straight_px_from_photo_px(s.at))
            .collect();
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
    sides: &[Side],
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
        let reach = Reach {
            look: pixels_of(look),
            half_step: pixels_of(half_step),
        };
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

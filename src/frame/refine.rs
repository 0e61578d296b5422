//! The inner edge at full resolution: where it is on every stretch of bar, straight lines
//! through it, and how far the lens bends them.

use image::RgbImage;

use super::judge::Side;
use super::line_fit::{LineFit, fit_line, meet};
use super::reduce::Colour;
use super::trace::{Reach, Scale, across};
use crate::geometry::{LensBend, Point, polygon_area};

/// Places looked at along a side.
const PLACES: usize = 110;
/// Points this near a line stand for it when the line is chosen, small pixels.
const NEAR_LINE: f64 = 0.45;
/// How strongly real phone lenses bend: one standard deviation of k1 (common practice; maker-corrected lenses stay within 0.02, uncorrected within 0.1).
const USUAL_BEND: f64 = 0.05;
/// Most that is looked for.
const MOST_BEND: f64 = 0.15;

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
) -> Vec<Point> {
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
                (p.towards(q, 0.5), outwards),
                spacing.min(6.0),
                reach,
            )
        })
        .collect()
}

/// Straightens, fits, and sums what is left over: bounded squares of the distances in spreads.
fn fit_all(
    seen: &[Vec<Point>; 4],
    corners: &[Point; 4],
    lens: &LensBend,
    near_px: f64,
) -> Option<([LineFit; 4], f64)> {
    let mut left = 0.0;
    let mut fits = Vec::with_capacity(4);
    for (i, side) in seen.iter().enumerate() {
        let points: Vec<Point> = side
            .iter()
            .map(|p| lens.straight_px_from_photo_px(*p))
            .collect();
        let line = fit_line(&points, (corners[i], corners[(i + 1) % 4]), near_px)?;
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
fn bend_of(seen: &[Vec<Point>; 4], corners: &[Point; 4], flat: &LensBend, near_px: f64) -> f64 {
    let cost = |k1: f64| -> f64 {
        let lens = LensBend { k1, ..*flat };
        let straight = corners.map(|c| lens.straight_px_from_photo_px(c));
        match fit_all(seen, &straight, &lens, near_px) {
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
        for k in -3..=3_i32 {
            let k1 = centre + f64::from(k) * width;
            if k == 0 || k1.abs() > MOST_BEND {
                continue;
            }
            let c = cost(k1);
            if c < best.0 {
                best = (c, k1);
            }
        }
        centre = best.1;
        width /= 3.5;
    }
    if none - best.0 > 6.0 { best.1 } else { 0.0 }
}

/// Where a line ends up less sure than its fit says: edges of real bars are worn and rounded.
/// A share of the side, and photo pixels (measured on rendered frames of known corners).
const WORN_EDGE: (f64, f64) = (0.0005, 0.6);
/// Passes: how far to look and over what length to tell bar from ground (small pixels), and
/// whether the lens may bend.
const PASSES: [(f64, f64, bool); 3] = [(2.5, 1.5, false), (2.0, 1.0, true), (1.5, 1.0, true)];

/// One standard error of the worst corner, photo pixels.
fn corner_error(fits: &[LineFit; 4], corners: &[Point; 4]) -> f64 {
    let error = |f: &LineFit| {
        // Error of a line at its end is twice that of its mean; neighbours share errors (see above).
        2.0 * f.spread / (f.members as f64 / 4.0).max(1.0).sqrt()
    };
    let worn = WORN_EDGE.0 * polygon_area(corners).sqrt() + WORN_EDGE.1;
    (0..4)
        .map(|i| error(&fits[i]).hypot(error(&fits[(i + 3) % 4])))
        .fold(0.0, f64::max)
        .hypot(worn)
}

/// Corners where neighbouring lines meet, bent back into the photo.
fn corners_of(lines: &[LineFit; 4], lens: &LensBend) -> Option<[Point; 4]> {
    let mut met = [Point::new(0.0, 0.0); 4];
    for (i, cell) in met.iter_mut().enumerate() {
        *cell = lens.photo_px_from_straight_px(meet(&lines[(i + 3) % 4], &lines[i])?);
    }
    Some(met)
}

/// Refines an outline. `corners`: photo pixels, clockwise; `factor`: photo pixels a small pixel.
pub(super) fn refine(
    pixels: &RgbImage,
    mut corners: [Point; 4],
    sides: &[Side],
    noise: Colour,
    factor: usize,
) -> Option<Refined> {
    let flat = LensBend::none(pixels.width(), pixels.height());
    let mut lens = flat;
    let mut fits = None;
    let near_px = (NEAR_LINE * factor as f64).max(1.0);
    let pixels_of = |small: f64| ((small * factor as f64).round() as usize).max(2);
    for (look, half_step, bends) in PASSES {
        let reach = Reach {
            look: pixels_of(look),
            half_step: pixels_of(half_step),
        };
        let straight = corners.map(|c| lens.straight_px_from_photo_px(c));
        let seen: [Vec<Point>; 4] = std::array::from_fn(|i| {
            let ends = (straight[i], straight[(i + 1) % 4]);
            along_side(pixels, &Scale::new(&sides[i], noise), ends, &lens, reach)
        });
        if bends {
            lens.k1 = bend_of(&seen, &corners, &flat, near_px);
        }
        let straight = corners.map(|c| lens.straight_px_from_photo_px(c));
        let (lines, _) = fit_all(&seen, &straight, &lens, near_px)?;
        corners = corners_of(&lines, &lens)?;
        fits = Some(lines);
    }
    let fits = fits?;
    Some(Refined {
        corners,
        lens,
        seen: std::array::from_fn(|i| fits[i].members as f64 / PLACES as f64),
        corner_error_px: corner_error(&fits, &corners),
    })
}

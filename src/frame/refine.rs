//! The inner edge at full resolution: where it is on every stretch of bar, straight lines
//! through it, and how far the lens bends them.

use image::RgbImage;

use super::judge::Side;
use super::line_fit::{LineFit, fit_line, meet, middle};
use super::reduce::Colour;
use super::trace::{Reach, Scale, Spot, across, steps};
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

/// Where the edge along a side is looked for, given by two straightened corners, and the length of edge that each spot stands for,
/// photo pixels.
fn spots(ends: (Point, Point), lens: &LensBend) -> (Vec<Spot>, f64) {
    let (from, to) = ends;
    let length = from.distance(to);
    let spacing = (length / PLACES as f64).max(1.0);
    let spot = |k: usize| {
        let share = 0.03 + 0.94 * (k as f64 + 0.5) / PLACES as f64;
        let step = 1.0 / length;
        let p = lens.photo_px_from_straight_px(from.towards(to, share - step));
        let q = lens.photo_px_from_straight_px(from.towards(to, share + step));
        let (dx, dy) = (q.x - p.x, q.y - p.y);
        let size = dx.hypot(dy).max(1e-9);
        // Clockwise with y down: outside lies to the right of the way turned back.
        (p.towards(q, 0.5), (dy / size, -dx / size))
    };
    ((0..PLACES).map(spot).collect(), spacing.min(6.0))
}

/// Looks for the edge along a side.
fn along_side(
    pixels: &RgbImage,
    scale: &Scale,
    ends: (Point, Point),
    lens: &LensBend,
    reach: Reach,
) -> Vec<Point> {
    let (spots, along) = spots(ends, lens);
    (spots.into_iter())
        .filter_map(|spot| across(pixels, scale, spot, along, reach))
        .collect()
}

/// How far within the expected edge the shaded side of a round bar is looked for, small pixels.
const SHADE_LOOK: f64 = 12.0;
/// Nearer than this the passes find the edge by themselves, small pixels.
const SHADE_NEAR: f64 = 2.5;
/// By how much the step of lightness there exceeds the one expected. Raised: frames are too wide by the shaded side; lowered: a straight
/// border on the ground may be taken for the edge.
const SHADE_STEP: f64 = 1.5;
/// Least step of lightness expected, halves of full: bars that are hardly lighter than the ground are left as they are.
const LEAST_LIGHTER: f64 = 0.15;

/// How far within the expected edge a side's bar ends, photo pixels; 0 almost always.
///
/// In bright sun the inner side of a round bar can lie in the bar's own shadow: the border of that shadow is found first, and is soft,
/// while the bar's edge is a sharp step farther in, all along the side. Straw makes steps too, at each place elsewhere; a shadow on the
/// ground makes one the other way round.
fn shaded_side(pixels: &RgbImage, ends: (Point, Point), lens: &LensBend, factor: usize) -> f64 {
    let px = |small: f64| (small * factor as f64) as usize;
    let (far, near) = (px(SHADE_LOOK), px(SHADE_NEAR));
    // From `far` within the expected edge to `near` outside of it: looked at about the middle of that.
    let reach = Reach {
        look: (far + near).div_ceil(2),
        half_step: (1.5 * factor as f64).round().max(2.0) as usize,
    };
    let inwards = (far - reach.look) as f64;
    let ((spots, along), lightness) = (spots(ends, lens), Scale::of_lightness());
    let all: Vec<Vec<f64>> = (spots.into_iter())
        .map(|(at, out)| {
            let within = Point::new(at.x - inwards * out.0, at.y - inwards * out.1);
            steps(pixels, &lightness, (within, out), along, reach)
        })
        .collect();
    let shared = |at: usize| {
        let steps_here = all.iter().map(|s| s[at]).filter(|s| s.is_finite());
        let mut here: Vec<f64> = steps_here.collect();
        if here.is_empty() {
            0.0
        } else {
            middle(&mut here)
        }
    };
    let largest = |range: std::ops::RangeInclusive<usize>| {
        range
            .map(|at| (at, shared(at)))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or((far, 0.0))
    };
    let expected = largest(far - near..=far + near).1;
    let (at, within) = largest(0..=far - near);
    if expected >= LEAST_LIGHTER && within >= SHADE_STEP * expected {
        (far - at) as f64
    } else {
        0.0
    }
}

/// The outline with each side moved inwards.
fn moved_in(corners: &[Point; 4], by_px: [f64; 4]) -> Option<[Point; 4]> {
    let lines: [LineFit; 4] = std::array::from_fn(|i| {
        let (p, q) = (corners[i], corners[(i + 1) % 4]);
        let length = p.distance(q).max(1e-9);
        let (cos, sin) = ((q.y - p.y) / length, (p.x - q.x) / length);
        LineFit {
            cos,
            sin,
            rho: p.x * cos + p.y * sin - by_px[i],
            spread: 0.0,
            members: 0,
        }
    });
    let mut moved = *corners;
    for (i, corner) in moved.iter_mut().enumerate() {
        *corner = meet(&lines[(i + 3) % 4], &lines[i])?;
    }
    Some(moved)
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
    let farther_in: [f64; 4] = std::array::from_fn(|i| {
        let ends = (corners[i], corners[(i + 1) % 4]);
        shaded_side(pixels, ends, &flat, factor)
    });
    if farther_in.iter().any(|by| *by > 0.0) {
        corners = moved_in(&corners, farther_in)?;
    }
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

#[cfg(test)]
mod tests {
    use super::*;
    use image::Rgb;

    /// Lightness across a white pipe whose inner side lies in its own shadow, from its inner edge, a tenth of its width a step: read off a
    /// path-traced photo in which the border of that shadow had been taken for the edge.
    const SHADED: [f64; 9] = [
        102.0, 120.0, 135.0, 157.0, 189.0, 209.0, 223.0, 235.0, 244.0,
    ];
    /// Where the bar's inner edge lies, px from the left.
    const EDGE: f64 = 200.0;

    /// Soil to the left of a bar 80 px wide; `soil` and `bar` give the lightness by distance from the edge, px.
    fn beside_bar(soil: impl Fn(f64) -> f64, bar: impl Fn(f64) -> f64) -> RgbImage {
        RgbImage::from_fn(400, 400, |x, y| {
            let out = f64::from(x) + 0.5 - EDGE;
            let speckle = f64::from((x / 5 * 31 + y / 5 * 17) % 23);
            let light = if (0.0..80.0).contains(&out) {
                bar(out)
            } else {
                soil(-out) + speckle
            };
            Rgb([light as u8; 3])
        })
    }

    /// How far within an edge expected at `x` the bar is found to end.
    fn farther_in(photo: &RgbImage, x: f64) -> f64 {
        let lens = LensBend::none(400, 400);
        shaded_side(photo, (Point::new(x, 20.0), Point::new(x, 380.0)), &lens, 4)
    }

    #[test]
    fn a_bar_ends_where_its_shaded_side_does() {
        let across = |out: f64| {
            let at = (out / 8.0).min(7.99);
            let (i, share) = (at as usize, at.fract());
            SHADED[i] * (1.0 - share) + SHADED[i + 1] * share
        };
        let photo = beside_bar(|_| 8.0, across);
        for expected in [EDGE + 20.0, EDGE + 32.0, EDGE + 40.0] {
            let by = farther_in(&photo, expected);
            assert!((expected - by - EDGE).abs() <= 1.0, "{expected}: {by}");
        }
        assert_eq!(farther_in(&photo, EDGE), 0.0, "expected where it is");
    }

    #[test]
    fn only_the_sides_that_are_told_move_in() {
        let square = [(0.0, 0.0), (100.0, 0.0), (100.0, 80.0), (0.0, 80.0)];
        let moved = moved_in(&square.map(|(x, y)| Point::new(x, y)), [0.0, 7.0, 3.0, 0.0]);
        let wanted = [(0.0, 0.0), (93.0, 0.0), (93.0, 77.0), (0.0, 77.0)];
        for (at, (x, y)) in moved.unwrap().iter().zip(wanted) {
            assert!(at.distance(Point::new(x, y)) < 1e-9, "{at:?}");
        }
    }

    #[test]
    fn a_shadow_on_the_ground_is_no_bar() {
        let in_shadow = |within: f64| if within < 25.0 { 10.0 } else { 130.0 };
        let lit_strip = |within: f64| if within < 25.0 { 90.0 } else { 10.0 };
        for soil in [in_shadow, lit_strip] {
            assert_eq!(farther_in(&beside_bar(soil, |_| 230.0), EDGE), 0.0);
        }
        // A dark bar beside straw that lies along it.
        let straw = |within: f64| if within < 20.0 { 150.0 } else { 60.0 };
        assert_eq!(farther_in(&beside_bar(straw, |_| 40.0), EDGE), 0.0);
    }
}

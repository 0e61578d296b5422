//! A ring's inner edge at full resolution.

use image::RgbImage;

use super::Ellipse;
use super::beside::median;
use super::ellipse::fit_ellipse;
use super::judge::Judged;
use super::reduce::Colour;
use super::ring::arcs;
use super::trace::{Reach, Scale, across};
use crate::geometry::Point;

/// Places looked at along one arc.
const PLACES: usize = 60;

/// The refined ring.
pub(super) struct RefinedRing {
    /// Inner edge, photo pixels.
    pub ellipse: Ellipse,
    /// Share of the edge that was seen.
    pub seen: f64,
    /// One standard error of the edge's place, photo pixels.
    pub edge_error_px: f64,
}

/// Refines a ring found in a picture `factor` times smaller.
pub(super) fn refine_ring(
    pixels: &RgbImage,
    found: (&Ellipse, &Judged),
    noise: Colour,
    factor: usize,
) -> Option<RefinedRing> {
    let (start, judged) = found;
    let scales: Vec<Scale> = judged.sides.iter().map(|s| Scale::new(s, noise)).collect();
    let mut ellipse = start.scaled(factor as f64);
    let mut last = None;
    for (look, half_step) in [(1.8, 1.0), (1.2, 0.75), (1.0, 0.75)] {
        let pixels_of = |small: f64| ((small * factor as f64).round() as usize).max(2);
        let reach = Reach {
            look: pixels_of(look),
            half_step: pixels_of(half_step),
        };
        let mut points = Vec::new();
        for (arc, scale) in arcs(&ellipse, PLACES).iter().zip(&scales) {
            for (at, inwards) in arc {
                let outwards = (-inwards.0, -inwards.1);
                points.extend(across(pixels, scale, (*at, outwards), 4.0, reach));
            }
        }
        let (fitted, spread, members) = robust(&points, ellipse)?;
        ellipse = fitted;
        last = Some((spread, members));
    }
    let (spread, members) = last?;
    let whole = PLACES * scales.len();
    Some(RefinedRing {
        ellipse,
        seen: members as f64 / whole as f64,
        // Neighbouring places share their errors: about one in four stands for itself; five numbers are fitted.
        edge_error_px: (spread * (5.0 / (members as f64 / 4.0).max(1.0)).sqrt()).hypot(0.4),
    })
}

/// Ellipse through points by reweighting (Tukey's biweight): ellipse, spread, members.
fn robust(points: &[Point], start: Ellipse) -> Option<(Ellipse, f64, usize)> {
    let mut ellipse = start;
    let mut spread = 1.0;
    for _ in 0..8 {
        let mut sizes: Vec<f32> = points
            .iter()
            .map(|p| ellipse.outside_by(*p).abs() as f32)
            .collect();
        spread = (1.4826 * f64::from(median(&mut sizes))).max(0.25);
        let weighted: Vec<(Point, f64)> = points
            .iter()
            .map(|p| (*p, ellipse.outside_by(*p) / (4.685 * spread)))
            .filter(|(_, share)| share.abs() < 1.0)
            .map(|(p, share)| (p, (1.0 - share * share).powi(2)))
            .collect();
        ellipse = fit_ellipse(&weighted, &ellipse)?;
    }
    let limit = 3.0 * spread.max(0.7);
    let members = points
        .iter()
        .filter(|p| ellipse.outside_by(**p).abs() < limit)
        .count();
    Some((ellipse, spread, members))
}

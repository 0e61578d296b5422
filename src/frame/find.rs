//! From the photo to the frame.

use image::RgbImage;

use super::bar::{Bar, look_at_bar};
use super::beside::Place;
use super::edges::{Edges, find_edges};
use super::judge::{BESIDE_BAR_PX, Judged, Outlined, judge, places_on_side, places_within};
use super::lines::find_lines;
use super::quads::{Quad, QuadSettings, apart, find_quads};
use super::reduce::{Small, reduce, srgb_of};
use super::refine::{Refined, refine};
use super::ring::{arcs, find_ring};
use super::ring_refine::refine_ring;
use super::tilt::Camera;
use super::{FoundFrame, FrameError, FrameSettings, FrameSpec, HowFound, Outline, check, given};
use crate::geometry::{LensBend, Point, polygon_area};

/// Long side of the small picture in which the frame is looked for, pixels.
const SMALL_LONG_SIDE_PX: usize = 800;
/// Least score that is taken for a frame. Raised: frames under straw are refused; lowered: straw is taken for a frame.
const LEAST_SCORE: f64 = 0.15;
/// A score at which confidence is 0 (the best of ground without a frame come close).
const DOUBTFUL_SCORE: f64 = 0.1;
/// A score that leaves no doubt.
const SURE_SCORE: f64 = 0.5;
/// Frames down to this share of the needed scale are still looked for, so as to say that they are too small.
const LOOK_BELOW: f64 = 0.6;
/// Outlines whose bar is looked at whole.
const MOST_CLOSE_LOOKS: usize = 12;
/// Share of the edge on its fitted line from which on nothing is taken off a score.
const STRAIGHT_ENOUGH: f64 = 0.6;
/// Largest lean looked at, radians (40°).
const MOST_TILT_RAD: f64 = 0.7;

/// The small picture and what was found in it first.
struct Scene<'a> {
    pixels: &'a RgbImage,
    small: Small,
    edges: Edges,
    settings: &'a FrameSettings,
    focal_mm: Option<f64>,
}

/// Finds the frame, or checks and takes the corners set by hand.
///
/// - `pixels`: upright photo, 8-bit sRGB.
/// - `focal_length_35mm_mm`: 35 mm equivalent focal length; an ordinary phone's is taken where not known.
/// - Gives the inner edge to sub-pixel, corners clockwise, the frame's width side first.
///
/// # Errors
/// No frame, a corner out of view, too few pixels for a bean, or too much lean; see [`FrameError`].
pub fn find(
    pixels: &RgbImage,
    settings: &FrameSettings,
    focal_length_35mm_mm: Option<f64>,
) -> Result<FoundFrame, FrameError> {
    let size = (pixels.width(), pixels.height());
    if let Some(corners) = &settings.corners_px {
        return given::use_given(corners, size, settings, focal_length_35mm_mm);
    }
    let small = reduce(pixels, SMALL_LONG_SIDE_PX).smoothed();
    let scene = Scene {
        pixels,
        edges: find_edges(&small),
        small,
        settings,
        focal_mm: focal_length_35mm_mm,
    };
    match settings.spec {
        FrameSpec::Rectangle { .. } => scene.rectangle(),
        FrameSpec::Ring { .. } => scene.ring(),
    }
}

/// A rectangle that was looked at.
struct Candidate {
    quad: Quad,
    judged: Judged,
    score: f64,
}

fn not_found(best_score: f64) -> FrameError {
    FrameError::NotFound {
        best_edge_seen_pct: 100.0 * best_score.clamp(0.0, 1.0),
        needed_pct: 100.0 * LEAST_SCORE,
    }
}

/// 0 at a doubtful score, 1 at a sure one, by the logarithm; `rival`: score of the next best.
fn confidence(score: f64, rival: f64) -> f64 {
    let sure = (score / DOUBTFUL_SCORE).ln() / (SURE_SCORE / DOUBTFUL_SCORE).ln();
    let alone = (2.0 * (1.0 - rival / score)).clamp(0.0, 1.0);
    (sure.clamp(0.0, 1.0) * alone).clamp(0.0, 1.0)
}

/// What is left of a score by how much of the bar has an outside edge.
fn bounded_share(bar: &Bar) -> f64 {
    0.05 + 0.95 * bar.bounded
}

/// What is left of a score by how straight the edge is at full resolution.
fn straight_share(seen: f64) -> f64 {
    (seen / STRAIGHT_ENOUGH).min(1.0)
}

fn sides_of(corners: &[Point; 4]) -> Vec<Vec<Place>> {
    (0..4)
        .map(|i| places_on_side(corners[i], corners[(i + 1) % 4]))
        .collect()
}

impl Scene<'_> {
    /// Shortest inside length worth looking for, small pixels.
    fn least_px(&self, length_mm: f64) -> f64 {
        let px_per_mm = self.settings.min_bean_px / 6.5;
        LOOK_BELOW * px_per_mm * length_mm / self.small.factor as f64
    }

    fn candidates(&self) -> Vec<Candidate> {
        let (w, h) = self.settings.spec.size_mm();
        let size = (self.small.width as f64, self.small.height as f64);
        let mut camera = Camera::new(size.0, size.1, self.focal_mm);
        camera.centre = Point::new(0.0, 0.0);
        let lines = find_lines(&self.edges, self.small.width, self.small.height);
        let wanted = QuadSettings {
            size,
            camera,
            aspect: w / h,
            least_side: self.least_px(w.min(h)),
            most_tilt_rad: MOST_TILT_RAD,
        };
        let mut found: Vec<Candidate> = find_quads(&lines, &wanted)
            .into_iter()
            .map(|quad| {
                let outlined = Outlined {
                    sides: &sides_of(&quad.corners),
                    within: &places_within(&quad.corners),
                    distances: BESIDE_BAR_PX,
                };
                let judged = judge(&self.small, &outlined);
                let score = quad.score * judged.score();
                Candidate {
                    quad,
                    judged,
                    score,
                }
            })
            .collect();
        found.sort_by(|a, b| b.score.total_cmp(&a.score));
        found.truncate(MOST_CLOSE_LOOKS);
        for candidate in &mut found {
            let bar = self.bar_of(&candidate.quad.corners, &candidate.judged);
            candidate.score *= bounded_share(&bar);
        }
        found.sort_by(|a, b| b.score.total_cmp(&a.score));
        found
    }

    /// The bar round an outline in the small picture.
    fn bar_of(&self, corners: &[Point; 4], judged: &Judged) -> Bar {
        let sides: Vec<Vec<Place>> = sides_of(corners)
            .into_iter()
            .map(|places| places.into_iter().step_by(3).collect())
            .collect();
        let size_px = polygon_area(corners).sqrt();
        look_at_bar(&self.small, &sides, judged, size_px)
    }

    fn rectangle(&self) -> Result<FoundFrame, FrameError> {
        let candidates = self.candidates();
        let Some(best) = candidates.first() else {
            return Err(not_found(0.0));
        };
        if best.score < LEAST_SCORE {
            return Err(not_found(best.score));
        }
        let side_px = polygon_area(&best.quad.corners).sqrt();
        let rival = candidates
            .iter()
            .find(|c| apart(&best.quad, &c.quad) > 0.04 * side_px)
            .map_or(0.0, |c| c.score);
        let factor = self.small.factor as f64;
        let rough = best
            .quad
            .corners
            .map(|p| Point::new(p.x * factor, p.y * factor));
        let size = (self.pixels.width(), self.pixels.height());
        let refined = refine(
            self.pixels,
            rough,
            &best.judged.sides,
            self.edges.noise,
            self.small.factor,
        );
        let Some(refined) = refined else {
            check::in_view(&rough, size)?;
            return Err(not_found(best.score));
        };
        let least_seen = refined.seen.iter().copied().fold(1.0, f64::min);
        let score = best.score * straight_share(least_seen);
        if score < LEAST_SCORE {
            return Err(not_found(score));
        }
        self.describe(best, &refined, confidence(score, rival))
    }

    fn describe(
        &self,
        best: &Candidate,
        refined: &Refined,
        confidence: f64,
    ) -> Result<FoundFrame, FrameError> {
        let size = (self.pixels.width(), self.pixels.height());
        let camera = Camera::new(f64::from(size.0), f64::from(size.1), self.focal_mm);
        let (pose, _) = check::rectangle(
            &refined.corners,
            &refined.lens,
            &camera,
            size,
            self.settings,
        )?;
        let factor = self.small.factor as f64;
        let small = refined
            .corners
            .map(|p| Point::new(p.x / factor, p.y / factor));
        let bar = self.bar_of(&small, &best.judged);
        let (w, h) = self.settings.spec.size_mm();
        let px_per_mm = (polygon_area(&small) / (w * h)).sqrt();
        Ok(FoundFrame {
            outline: Outline::Corners(refined.corners),
            lens: refined.lens,
            how: HowFound::Bars,
            confidence,
            corner_error_px: refined.corner_error_px,
            edge_seen: refined.seen.iter().sum::<f64>() / 4.0,
            tilt_deg: pose.map(|p| p.tilt_rad.to_degrees()),
            bar_srgb: srgb_of(bar.colour),
            bar_width_mm: bar.width_px / px_per_mm,
        })
    }

    fn ring(&self) -> Result<FoundFrame, FrameError> {
        let (diameter_mm, _) = self.settings.spec.size_mm();
        let best = find_ring(&self.edges, &self.small, self.least_px(diameter_mm))
            .ok_or_else(|| not_found(0.0))?;
        if best.score < LEAST_SCORE {
            return Err(not_found(best.score));
        }
        let found = (&best.ellipse, &best.judged);
        let refined = refine_ring(self.pixels, found, self.edges.noise, self.small.factor)
            .ok_or_else(|| not_found(best.score))?;
        let size = (self.pixels.width(), self.pixels.height());
        let (tilt_deg, _) = check::ring(&refined.ellipse, size, self.settings)?;
        let small = refined.ellipse.scaled(1.0 / self.small.factor as f64);
        let bar = look_at_bar(
            &self.small,
            &arcs(&small, 24),
            &best.judged,
            2.0 * small.semi_minor_px,
        );
        let score = best.score * bounded_share(&bar) * straight_share(refined.seen);
        if score < LEAST_SCORE {
            return Err(not_found(score));
        }
        let px_per_mm = (small.semi_major_px + small.semi_minor_px) / diameter_mm;
        Ok(FoundFrame {
            outline: Outline::Ring(refined.ellipse),
            lens: LensBend::none(size.0, size.1),
            how: HowFound::Bars,
            confidence: confidence(score, 0.0),
            corner_error_px: refined.edge_error_px,
            edge_seen: refined.seen,
            tilt_deg: Some(tilt_deg),
            bar_srgb: srgb_of(bar.colour),
            bar_width_mm: bar.width_px / px_per_mm,
        })
    }
}

#[cfg(test)]
mod tests;

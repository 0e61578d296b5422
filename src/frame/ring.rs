//! A ring: where many edge points look at one centre from one distance.

use super::Ellipse;
use super::beside::Place;
use super::edges::{EdgePoint, Edges};
use super::ellipse::{fit_ellipse, least_squares};
use super::judge::{BESIDE_RING_PX, Judged, Outlined, judge};
use super::reduce::{CHANNELS, Colour, Small};
use crate::geometry::Point;

/// Side of a voting cell for the centre and the radius, small pixels.
const CELL_PX: f64 = 8.0;
/// Centres looked at more closely.
const MOST_CENTRES: usize = 12;
/// Centres with less than this share of the best one's votes are left out.
const LEAST_OF_BEST: f64 = 0.5;
/// A point belongs to a ring when its direction is within this of the radius.
const RADIAL_COS: f64 = 0.94;
/// Arcs into which a ring is cut.
const ARCS: usize = 8;
/// Smallest short axis over long axis worth looking at (a lean of 40°).
const LEAST_ROUNDNESS: f64 = 0.75;

/// A ring seen in the small picture.
pub(super) struct FoundRing {
    /// Its inner edge, small pixels.
    pub ellipse: Ellipse,
    /// What was seen along it.
    pub judged: Judged,
    /// How good it looks.
    pub score: f64,
}

struct Votes {
    cells: Vec<u16>,
    columns: usize,
    rows: usize,
    radii: usize,
    least_radius: f64,
}

fn vote(points: &[EdgePoint], small: &Small, least_radius: f64) -> Votes {
    let most = small.width.min(small.height) as f64 * 0.62;
    let columns = (small.width as f64 / CELL_PX).ceil() as usize;
    let rows = (small.height as f64 / CELL_PX).ceil() as usize;
    let radii = ((most - least_radius) / CELL_PX).ceil().max(0.0) as usize;
    let mut votes = Votes {
        cells: vec![0; columns * rows * radii],
        columns,
        rows,
        radii,
        least_radius,
    };
    for p in points.iter().step_by(3) {
        let (sin, cos) = f64::from(p.angle_deg).to_radians().sin_cos();
        for sign in [-1.0, 1.0] {
            for r in 0..radii {
                let radius = sign * (least_radius + (r as f64 + 0.5) * CELL_PX);
                let (x, y) = (f64::from(p.x) + radius * cos, f64::from(p.y) + radius * sin);
                if x < 0.0 || y < 0.0 {
                    continue;
                }
                let (column, row) = ((x / CELL_PX) as usize, (y / CELL_PX) as usize);
                if column < columns && row < rows {
                    votes.cells[(r * rows + row) * columns + column] += 1;
                }
            }
        }
    }
    votes
}

impl Votes {
    /// Cells with most votes, over what is usual at their radius and in units of its chance
    /// spread: (that, centre, radius), best first.
    fn peaks(&self) -> Vec<(f64, Point, f64)> {
        let mut found = Vec::new();
        let slice = self.rows * self.columns;
        for r in 0..self.radii {
            let radius = self.least_radius + (r as f64 + 0.5) * CELL_PX;
            let cells = &self.cells[r * slice..(r + 1) * slice];
            let usual = 9.0 * cells.iter().map(|&v| f64::from(v)).sum::<f64>() / slice as f64;
            for row in 1..self.rows.saturating_sub(1) {
                for column in 1..self.columns.saturating_sub(1) {
                    let sum: u32 = (row - 1..=row + 1)
                        .map(|y| {
                            let start = y * self.columns + column - 1;
                            cells[start..start + 3]
                                .iter()
                                .map(|&v| u32::from(v))
                                .sum::<u32>()
                        })
                        .sum();
                    let centre = Point::new(
                        (column as f64 + 0.5) * CELL_PX,
                        (row as f64 + 0.5) * CELL_PX,
                    );
                    let over = (f64::from(sum) - usual) / (usual + 9.0).sqrt();
                    if over > 3.0 {
                        found.push((over, centre, radius));
                    }
                }
            }
        }
        found.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut kept: Vec<(f64, Point, f64)> = Vec::new();
        let worth = found.first().map_or(0.0, |f| f.0 * LEAST_OF_BEST);
        for peak in found.into_iter().take(3000).filter(|f| f.0 >= worth) {
            let again = kept.iter().any(|k| {
                k.1.distance(peak.1) < 2.5 * CELL_PX && (k.2 - peak.2).abs() < 2.5 * CELL_PX
            });
            if !again {
                kept.push(peak);
                if kept.len() == MOST_CENTRES {
                    break;
                }
            }
        }
        kept
    }
}

/// Radius about a fixed centre as a function of direction: mean and two harmonics.
fn harmonics(x: f64, y: f64) -> [f64; 5] {
    let r = x.hypot(y).max(1e-9);
    let (c, s) = (x / r, y / r);
    [1.0, c, s, c * c - s * s, 2.0 * c * s]
}

/// Draws an ellipse through the points about a rough circle, narrowing in.
fn settle(points: &[Point], centre: Point, radius: f64) -> Option<Ellipse> {
    let mut wave = [radius, 0.0, 0.0, 0.0, 0.0];
    let off = |wave: &[f64; 5], p: &Point| {
        let (x, y) = (p.x - centre.x, p.y - centre.y);
        let h = harmonics(x, y);
        x.hypot(y) - h.iter().zip(wave).map(|(a, b)| a * b).sum::<f64>()
    };
    for reach in [14.0, 11.0, 9.0, 7.0, 5.5, 4.5, 3.5, 3.0] {
        for _ in 0..2 {
            wave = least_squares(points.iter().filter_map(|p| {
                let share = off(&wave, p) / reach;
                let (x, y) = (p.x - centre.x, p.y - centre.y);
                (share.abs() < 1.0)
                    .then(|| (harmonics(x, y), x.hypot(y), (1.0 - share * share).powi(2)))
            }))?;
        }
    }
    let mut ellipse = Ellipse {
        centre_px: centre,
        semi_major_px: wave[0],
        semi_minor_px: wave[0],
        angle_rad: 0.0,
    };
    let near: Vec<(Point, f64)> = points
        .iter()
        .map(|p| (*p, off(&wave, p) / 3.0))
        .filter(|(_, share)| share.abs() < 1.0)
        .map(|(p, share)| (p, (1.0 - share * share).powi(2)))
        .collect();
    ellipse = fit_ellipse(&near, &ellipse)?;
    reweigh(points, ellipse, 2.0)
}

/// Fits again to the points near an ellipse.
fn reweigh(points: &[Point], start: Ellipse, reach: f64) -> Option<Ellipse> {
    let mut ellipse = start;
    for _ in 0..3 {
        let near: Vec<(Point, f64)> = points
            .iter()
            .map(|p| (*p, ellipse.outside_by(*p) / reach))
            .filter(|(_, share)| share.abs() < 1.0)
            .map(|(p, share)| (p, (1.0 - share * share).powi(2)))
            .collect();
        ellipse = fit_ellipse(&near, &ellipse)?;
    }
    let round = ellipse.semi_minor_px / ellipse.semi_major_px;
    (round > LEAST_ROUNDNESS).then_some(ellipse)
}

/// Places along an ellipse, cut into arcs.
pub(super) fn arcs(ellipse: &Ellipse, places: usize) -> Vec<Vec<Place>> {
    let step = std::f64::consts::TAU / (ARCS * places) as f64;
    (0..ARCS)
        .map(|arc| {
            (0..places)
                .map(|k| ellipse.place((arc * places + k) as f64 * step))
                .collect()
        })
        .collect()
}

fn places_within(ellipse: &Ellipse) -> Vec<Point> {
    (1..=4)
        .flat_map(|ring| {
            let share = f64::from(ring) * 0.2;
            let inner = Ellipse {
                semi_major_px: ellipse.semi_major_px * share,
                semi_minor_px: ellipse.semi_minor_px * share,
                ..*ellipse
            };
            (0..ring * 16).map(move |k| {
                inner
                    .place(f64::from(k) / f64::from(ring * 16) * std::f64::consts::TAU)
                    .0
            })
        })
        .collect()
}

/// Share of the edge, over the arcs, with radial edge points on it.
fn covered(points: &[Point], ellipse: &Ellipse) -> f64 {
    let pieces = ((ellipse.semi_major_px * 2.0) as usize).max(24);
    let mut hit = vec![false; pieces];
    for p in points
        .iter()
        .filter(|p| ellipse.outside_by(**p).abs() < 1.8)
    {
        let angle = (p.y - ellipse.centre_px.y).atan2(p.x - ellipse.centre_px.x);
        let piece = (angle / std::f64::consts::TAU + 0.5) * pieces as f64;
        hit[(piece as usize).min(pieces - 1)] = true;
    }
    hit.iter().filter(|h| **h).count() as f64 / pieces as f64
}

/// A radial edge point and its step outwards.
type Radial = (Point, Colour);

/// Edge points that look at a centre, near a radius.
fn radial_points(edges: &Edges, centre: Point, radius: f64) -> Vec<Radial> {
    edges
        .points
        .iter()
        .filter_map(|p| {
            let (x, y) = (f64::from(p.x) - centre.x, f64::from(p.y) - centre.y);
            let r = x.hypot(y);
            if (r - radius).abs() > 0.2 * radius + 10.0 {
                return None;
            }
            let (sin, cos) = f64::from(p.angle_deg).to_radians().sin_cos();
            let along = x * cos + y * sin;
            let outwards = along.signum() as f32;
            (along.abs() > RADIAL_COS * r).then(|| {
                (
                    Point::new(f64::from(p.x), f64::from(p.y)),
                    p.step.map(|s| s * outwards),
                )
            })
        })
        .collect()
}

/// The direction of colour along which most steps lie (power iteration on their second moments).
fn main_step(points: &[Radial], radius: f64, centre: Point) -> Colour {
    let mut moments = [[0.0_f32; CHANNELS]; CHANNELS];
    for (p, step) in points {
        if (p.distance(centre) - radius).abs() > 14.0 {
            continue;
        }
        // Strong steps count no more than middling ones.
        let size = step.iter().map(|s| s * s).sum::<f32>().max(16.0);
        for i in 0..CHANNELS {
            for j in 0..CHANNELS {
                moments[i][j] += step[i] * step[j] / size;
            }
        }
    }
    let mut axis = [1.0, 0.9, 0.8];
    for _ in 0..12 {
        let next: Colour =
            std::array::from_fn(|i| (0..CHANNELS).map(|j| moments[i][j] * axis[j]).sum());
        let size = next.iter().map(|v| v * v).sum::<f32>().sqrt().max(1e-9);
        axis = next.map(|v| v / size);
    }
    axis
}

/// Ellipses through the edge points about a voted centre: those where the colour steps one way
/// outwards, and those where it steps the other way (the two edges of a band).
fn ellipses_at(edges: &Edges, centre: Point, radius: f64) -> Vec<(Ellipse, Vec<Point>)> {
    let radial = radial_points(edges, centre, radius);
    let axis = main_step(&radial, radius, centre);
    [1.0_f32, -1.0]
        .iter()
        .filter_map(|sign| {
            let one_way: Vec<Point> = radial
                .iter()
                .filter(|(_, step)| {
                    sign * step.iter().zip(axis).map(|(s, a)| s * a).sum::<f32>() > 0.0
                })
                .map(|(p, _)| *p)
                .collect();
            let ellipse = settle(&one_way, centre, radius)?;
            Some((ellipse, one_way))
        })
        .collect()
}

/// The best ring, if any.
pub(super) fn find_ring(edges: &Edges, small: &Small, least_diameter: f64) -> Option<FoundRing> {
    let votes = vote(&edges.points, small, least_diameter / 2.0);
    let mut best: Option<FoundRing> = None;
    for (_, centre, radius) in votes.peaks() {
        for (ellipse, points) in ellipses_at(edges, centre, radius) {
            let judged = judge(
                small,
                &Outlined {
                    sides: &arcs(&ellipse, 16),
                    within: &places_within(&ellipse),
                    distances: BESIDE_RING_PX,
                },
            );
            let score = judged.score() * covered(&points, &ellipse);
            if best.as_ref().is_none_or(|b| score > b.score) {
                best = Some(FoundRing {
                    ellipse,
                    judged,
                    score,
                });
            }
        }
    }
    best
}

//! Straight lines that many edge points lie on.

use super::edges::{EdgePoint, Edges};
use super::line::Line;
use super::settle::{Field, Voted, settle};

/// Directions voted for on both sides of a point's own, degrees.
const SPREAD_DEG: i32 = 4;
/// Most lines kept. Raised: slower; lowered: a bar may be missed among straw.
pub(super) const MOST_LINES: usize = 150;
/// Fewest votes for a line.
const LEAST_VOTES: f32 = 6.0;

struct Votes {
    cells: Vec<f32>,
    rhos: usize,
}

/// Votes for lines: every point votes for those through it, near its own direction.
///
/// # Source
/// Duda, R. O. & Hart, P. E. (1972), "Use of the Hough transformation to detect lines and curves in pictures", Communications of the ACM 15(1); gradient direction after O'Gorman & Clowes (1976).
fn vote(points: &[EdgePoint], centre: (f64, f64), half_diagonal: f64) -> Votes {
    let rhos = 2 * half_diagonal.ceil() as usize + 4;
    let mut cells = vec![0.0_f32; 180 * rhos];
    let table: Vec<(f32, f32)> = (0..180)
        .map(|d| (f64::from(d) + 0.5).to_radians())
        .map(|a| (a.cos() as f32, a.sin() as f32))
        .collect();
    let middle = rhos as f32 / 2.0;
    for p in points {
        let (x, y) = (p.x - centre.0 as f32, p.y - centre.1 as f32);
        let strength = p.step.iter().map(|s| s * s).sum::<f32>().sqrt();
        let weight = (strength / 8.0).min(1.0).sqrt();
        for offset in -SPREAD_DEG..=SPREAD_DEG {
            let degree = (p.angle_deg as i32 + offset).rem_euclid(180) as usize;
            let (cos, sin) = table[degree];
            let place = (x * cos + y * sin + middle) as usize;
            let share = 1.0 - offset.abs() as f32 / (SPREAD_DEG + 2) as f32;
            cells[degree * rhos + place.min(rhos - 1)] += weight * share;
        }
    }
    Votes { cells, rhos }
}

impl Votes {
    /// Cells that beat their surroundings, strongest first: (votes, degree, place).
    fn peaks(&self) -> Vec<(f32, usize, usize)> {
        let at = |d: i32, r: usize| {
            // Turning by 180° turns the sign of the distance.
            let (d, r) = if (0..180).contains(&d) {
                (d, r)
            } else {
                (d.rem_euclid(180), self.rhos - 1 - r)
            };
            self.cells[d as usize * self.rhos + r]
        };
        let mut peaks = Vec::new();
        for d in 0..180_i32 {
            for r in 2..self.rhos - 2 {
                let here = self.cells[d as usize * self.rhos + r];
                if here < LEAST_VOTES {
                    continue;
                }
                let beaten = (-2..=2).any(|i: i32| {
                    (r - 2..=r + 2).any(|q| {
                        let there = at(d + i, q);
                        there > here || (there == here && (i, q) < (0, r))
                    })
                });
                if !beaten {
                    // Both neighbours share the votes of a line between cells.
                    let whole = here + at(d, r - 1).max(at(d, r + 1)) * 0.5;
                    peaks.push((whole, d as usize, r));
                }
            }
        }
        peaks.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.1, a.2).cmp(&(b.1, b.2))));
        peaks
    }
}

/// The strongest lines of a picture `width` × `height` small pixels.
pub(super) fn find_lines(edges: &Edges, width: usize, height: usize) -> Vec<Line> {
    let centre = (width as f64 / 2.0, height as f64 / 2.0);
    let half = centre.0.hypot(centre.1);
    let votes = vote(&edges.points, centre, half);
    let middle = votes.rhos as f64 / 2.0;
    let mut lines: Vec<Line> = Vec::new();
    for (_, degree, place) in votes.peaks().into_iter().take(MOST_LINES * 2) {
        let voted = Voted {
            degree: degree as f64 + 0.5,
            rho: place as f64 + 0.5 - middle,
        };
        let line = settle(edges, Field { centre, half }, voted);
        let again = lines.iter().any(|l| {
            let mut turn = (l.normal_rad - line.normal_rad).abs();
            let mut rho = line.rho;
            if turn > std::f64::consts::FRAC_PI_2 {
                turn = std::f64::consts::PI - turn;
                rho = -rho;
            }
            turn < 0.012 && (l.rho - rho).abs() < 1.5
        });
        if !again {
            lines.push(line);
        }
        if lines.len() == MOST_LINES {
            break;
        }
    }
    lines
}

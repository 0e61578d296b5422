//! Straight lines that many edge points lie on, and where along them the points are.

use super::edges::{EdgePoint, Edges};
use super::reduce::{CHANNELS, Colour};

/// Length of one piece of a line, small pixels.
const PIECE_PX: f64 = 3.0;
/// A point belongs to a line within this distance, small pixels. Raised: straw joins in; lowered: bent bars fall apart.
const NEAR_PX: f64 = 1.8;
/// … and when its direction differs by at most this.
const NEAR_DEG: f64 = 9.0;
/// Directions voted for on both sides of a point's own, degrees.
const SPREAD_DEG: i32 = 4;
/// Most lines kept. Raised: slower; lowered: a bar may be missed among straw.
pub(super) const MOST_LINES: usize = 150;

/// A line `x cos θ + y sin θ = ρ`, small pixels from the picture's centre.
#[derive(Debug, Clone)]
pub(super) struct Line {
    /// Direction of the normal, 0..π.
    pub normal_rad: f64,
    /// cos and sin of it.
    pub normal: (f64, f64),
    /// Distance from the picture's centre along the normal.
    pub rho: f64,
    /// Hits and summed steps of all pieces before each piece.
    sums: Vec<(f32, Colour)>,
    /// Place along the line of the first piece.
    first_t: f64,
}

/// What is seen along a stretch of line.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stretch {
    /// Share of its length with edge points.
    pub covered: f64,
    /// Mean step along the normal, in units of noise.
    pub step: Colour,
}

impl Line {
    /// Where this line crosses another: place along this one.
    pub fn crossing(&self, other: &Self) -> Option<f64> {
        let (nx, ny) = self.normal;
        let (mx, my) = other.normal;
        let along = my * nx - mx * ny;
        (along.abs() > 0.3).then(|| (other.rho - self.rho * (nx * mx + ny * my)) / along)
    }

    /// The point at a place along the line.
    pub fn point(&self, t: f64) -> (f64, f64) {
        let (nx, ny) = self.normal;
        (self.rho * nx - t * ny, self.rho * ny + t * nx)
    }

    fn index(&self, t: f64) -> usize {
        (((t - self.first_t) / PIECE_PX).max(0.0) as usize).min(self.sums.len() - 1)
    }

    /// What is seen between two places.
    pub fn stretch(&self, from_t: f64, to_t: f64) -> Stretch {
        let (low, high) = (from_t.min(to_t), from_t.max(to_t));
        let (a, b) = (self.index(low), self.index(high));
        let (first, last) = (&self.sums[a], &self.sums[b]);
        let hits = last.0 - first.0;
        let pieces = ((high - low) / PIECE_PX).max(1.0);
        Stretch {
            covered: (f64::from(hits) / pieces).min(1.0),
            step: std::array::from_fn(|c| {
                if hits > 0.0 {
                    (last.1[c] - first.1[c]) / hits
                } else {
                    0.0
                }
            }),
        }
    }

    /// Share of a stretch that has edge points.
    pub fn covered(&self, from_t: f64, to_t: f64) -> f32 {
        let (low, high) = (from_t.min(to_t), from_t.max(to_t));
        let hits = self.sums[self.index(high)].0 - self.sums[self.index(low)].0;
        hits * PIECE_PX as f32 / (high - low).max(PIECE_PX) as f32
    }
}

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
        let weight = (strength / 8.0).min(1.0).sqrt() * p.straight * p.straight;
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
                if here < 6.0 {
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

/// Points whose direction is within `within_deg` of `degree`, with the sign of their step there.
fn near_direction(
    points: &[EdgePoint],
    degree: f64,
    within_deg: f64,
) -> impl Iterator<Item = (&EdgePoint, f32)> {
    let range = move |low: f64, high: f64| {
        let from = points.partition_point(|p| f64::from(p.angle_deg) < low);
        let to = points.partition_point(|p| f64::from(p.angle_deg) <= high);
        &points[from..to.max(from)]
    };
    let (low, high) = (degree - within_deg, degree + within_deg);
    let turned_down = if low < 0.0 {
        range(low + 180.0, 180.0)
    } else {
        &[]
    };
    let turned_up = if high > 180.0 {
        range(0.0, high - 180.0)
    } else {
        &[]
    };
    range(low.max(0.0), high.min(180.0))
        .iter()
        .map(|p| (p, 1.0))
        .chain(turned_down.iter().chain(turned_up).map(|p| (p, -1.0)))
}

/// Fits a line to the points near it and marks where they lie. `degree` in 0..180.
fn settle(edges: &Edges, centre: (f64, f64), half: f64, degree: f64, rho: f64) -> Line {
    let near: Vec<(f64, f64, Colour)> = near_direction(&edges.points, degree, NEAR_DEG)
        .map(|(p, sign)| {
            let (x, y) = (f64::from(p.x) - centre.0, f64::from(p.y) - centre.1);
            (x, y, p.step.map(|s| s * sign))
        })
        .filter(|&(x, y, _)| {
            let (sin, cos) = degree.to_radians().sin_cos();
            (x * cos + y * sin - rho).abs() < NEAR_PX + 0.03 * half
        })
        .collect();
    let (mut angle, mut rho) = (degree.to_radians(), rho);
    for round in 0..3 {
        let (sin, cos) = angle.sin_cos();
        let reach = if round == 0 { 2.5 } else { NEAR_PX };
        let (mut n, mut st, mut sr, mut stt, mut str_) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for &(x, y, _) in &near {
            let r = x * cos + y * sin - rho;
            if r.abs() < reach {
                let t = y * cos - x * sin;
                let w = 1.0 - (r / reach).powi(2);
                n += w;
                st += w * t;
                sr += w * r;
                stt += w * t * t;
                str_ += w * t * r;
            }
        }
        let spread = n * stt - st * st;
        if n < 5.0 || spread <= 1e-6 {
            break;
        }
        // r = a + b t: turn the normal by -b and move by a.
        let b = ((n * str_ - st * sr) / spread).clamp(-0.03, 0.03);
        let a = (sr - b * st) / n;
        let turned = angle - b;
        rho = (rho + a) * b.cos();
        angle = turned;
    }
    let (sin, cos) = angle.sin_cos();
    let pieces = (2.0 * half / PIECE_PX).ceil() as usize + 1;
    let mut found = vec![(0_u32, [0.0_f32; CHANNELS]); pieces];
    for &(x, y, step) in &near {
        if (x * cos + y * sin - rho).abs() < NEAR_PX {
            let piece = ((y * cos - x * sin + half) / PIECE_PX).max(0.0) as usize;
            let cell = &mut found[piece.min(pieces - 1)];
            cell.0 += 1;
            for c in 0..CHANNELS {
                cell.1[c] += step[c];
            }
        }
    }
    let mut total = (0.0, [0.0; CHANNELS]);
    let mut sums = vec![total];
    for (count, step) in found {
        if count > 0 {
            total.0 += 1.0;
            for c in 0..CHANNELS {
                total.1[c] += step[c] / count as f32;
            }
        }
        sums.push(total);
    }
    let (angle, rho, flip) = if angle < 0.0 {
        (angle + std::f64::consts::PI, -rho, true)
    } else if angle >= std::f64::consts::PI {
        (angle - std::f64::consts::PI, -rho, true)
    } else {
        (angle, rho, false)
    };
    if flip {
        sums = turned(&sums);
    }
    Line {
        normal_rad: angle,
        normal: (angle.cos(), angle.sin()),
        rho,
        first_t: if flip {
            half - pieces as f64 * PIECE_PX
        } else {
            -half
        },
        sums,
    }
}

/// The same pieces seen with the normal turned about.
fn turned(sums: &[(f32, Colour)]) -> Vec<(f32, Colour)> {
    let last = sums[sums.len() - 1];
    sums.iter()
        .rev()
        .map(|s| (last.0 - s.0, std::array::from_fn(|c| s.1[c] - last.1[c])))
        .collect()
}

/// The strongest lines of a picture `width` × `height` small pixels.
pub(super) fn find_lines(edges: &Edges, width: usize, height: usize) -> Vec<Line> {
    let centre = (width as f64 / 2.0, height as f64 / 2.0);
    let half = centre.0.hypot(centre.1);
    let votes = vote(&edges.points, centre, half);
    let middle = votes.rhos as f64 / 2.0;
    let mut lines: Vec<Line> = Vec::new();
    for (_, degree, place) in votes.peaks().into_iter().take(MOST_LINES * 2) {
        let line = settle(
            edges,
            centre,
            half,
            degree as f64 + 0.5,
            place as f64 + 0.5 - middle,
        );
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

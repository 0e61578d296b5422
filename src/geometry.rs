//! Points, homographies and lens bending: plain geometry in `f64`, no pixels.

use serde::{Deserialize, Serialize};

/// A point (x, y), origin top left, y down. The unit is in the name of the
/// variable that holds it (`_px`, `_plot_px` or `_mm`). Pixel coordinates are
/// continuous: the top-left corner of the first pixel is (0, 0), its centre (0.5, 0.5).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(from = "[f64; 2]", into = "[f64; 2]")]
pub struct Point {
    /// To the right.
    pub x: f64,
    /// Down.
    pub y: f64,
}

impl From<[f64; 2]> for Point {
    fn from([x, y]: [f64; 2]) -> Self {
        Self { x, y }
    }
}

impl From<Point> for [f64; 2] {
    fn from(p: Point) -> Self {
        [p.x, p.y]
    }
}

impl Point {
    /// Makes a point.
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }

    /// Distance to `other`, in the unit of both.
    pub fn distance(self, other: Self) -> f64 {
        (self.x - other.x).hypot(self.y - other.y)
    }

    /// The point `share` of the way to `other` (0: here, 1: there).
    pub fn towards(self, other: Self, share: f64) -> Self {
        Self::new(
            self.x + (other.x - self.x) * share,
            self.y + (other.y - self.y) * share,
        )
    }
}

/// Area of a simple polygon (shoelace formula), in the square of the points' unit; never negative.
pub fn polygon_area(corners: &[Point]) -> f64 {
    let n = corners.len();
    let twice: f64 = (0..n)
        .map(|i| {
            let (a, b) = (corners[i], corners[(i + 1) % n]);
            a.x * b.y - b.x * a.y
        })
        .sum();
    twice.abs() / 2.0
}

/// A plane projective map, row-major 3 × 3, acting on column vectors (x, y, 1).
///
/// # Source
/// Hartley & Zisserman, *Multiple View Geometry*, 2nd ed. (2004), section 2.3.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Homography(pub [[f64; 3]; 3]);

impl Homography {
    /// The map that leaves every point where it is.
    pub const IDENTITY: Self = Self([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);

    /// The map that takes `from[i]` to `to[i]`. `None` when three of either four lie on a line.
    pub fn from_four(from: [Point; 4], to: [Point; 4]) -> Option<Self> {
        let mut rows = [[0.0; 9]; 8];
        for i in 0..4 {
            let (p, q) = (from[i], to[i]);
            rows[2 * i] = [p.x, p.y, 1.0, 0.0, 0.0, 0.0, -p.x * q.x, -p.y * q.x, q.x];
            rows[2 * i + 1] = [0.0, 0.0, 0.0, p.x, p.y, 1.0, -p.x * q.y, -p.y * q.y, q.y];
        }
        let h = solve(&mut rows)?;
        let map = Self([[h[0], h[1], h[2]], [h[3], h[4], h[5]], [h[6], h[7], 1.0]]);
        map.inverse().map(|_| map)
    }

    /// Where `p` goes. Points on the line at infinity give non-finite coordinates.
    pub fn apply(&self, p: Point) -> Point {
        let m = &self.0;
        let w = m[2][0] * p.x + m[2][1] * p.y + m[2][2];
        Point::new(
            (m[0][0] * p.x + m[0][1] * p.y + m[0][2]) / w,
            (m[1][0] * p.x + m[1][1] * p.y + m[1][2]) / w,
        )
    }

    /// The map back. `None` when this map flattens the plane.
    pub fn inverse(&self) -> Option<Self> {
        let m = &self.0;
        let minor = |a: usize, b: usize, c: usize, d: usize| m[a][b] * m[c][d] - m[a][d] * m[c][b];
        let adjugate = [
            [minor(1, 1, 2, 2), -minor(0, 1, 2, 2), minor(0, 1, 1, 2)],
            [-minor(1, 0, 2, 2), minor(0, 0, 2, 2), -minor(0, 0, 1, 2)],
            [minor(1, 0, 2, 1), -minor(0, 0, 2, 1), minor(0, 0, 1, 1)],
        ];
        let det = m[0][0] * adjugate[0][0] + m[0][1] * adjugate[1][0] + m[0][2] * adjugate[2][0];
        let size = m.iter().flatten().fold(0.0_f64, |a, v| a.max(v.abs()));
        if !det.is_finite() || det.abs() <= 1e-14 * size.powi(3) {
            return None;
        }
        Some(Self(adjugate.map(|row| row.map(|v| v / det))))
    }

    /// `self` after `first`.
    pub fn after(&self, first: &Self) -> Self {
        let mut out = [[0.0; 3]; 3];
        for (i, row) in out.iter_mut().enumerate() {
            for (j, cell) in row.iter_mut().enumerate() {
                *cell = (0..3).map(|k| self.0[i][k] * first.0[k][j]).sum();
            }
        }
        Self(out)
    }
}

/// Solves an 8 × 8 linear system given as rows of 8 coefficients and a right side, by
/// Gaussian elimination with row pivots. `None` when it has no single answer.
fn solve(rows: &mut [[f64; 9]; 8]) -> Option<[f64; 8]> {
    for col in 0..8 {
        let pivot = (col..8).max_by(|&a, &b| rows[a][col].abs().total_cmp(&rows[b][col].abs()))?;
        if rows[pivot][col].abs() < 1e-10 {
            return None;
        }
        rows.swap(col, pivot);
        let top = rows[col];
        for (r, row) in rows.iter_mut().enumerate() {
            if r != col {
                let share = row[col] / top[col];
                for k in col..9 {
                    row[k] -= share * top[k];
                }
            }
        }
    }
    Some(std::array::from_fn(|i| rows[i][8] / rows[i][i]))
}

/// Radial lens bending with one coefficient about the picture's centre:
/// `r_bent = r_straight · (1 + k1 · r_straight²)`, both radii in half diagonals of the picture.
///
/// # Source
/// Brown, D. C. (1971), "Close-range camera calibration", Photogrammetric Engineering 37(8), first radial term.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LensBend {
    /// The coefficient; negative: barrel. 0 for a lens that keeps lines straight.
    pub k1: f64,
    /// Centre of the picture, upright photo pixels.
    pub centre_px: Point,
    /// Half of the picture's diagonal, pixels.
    pub half_diagonal_px: f64,
}

impl LensBend {
    /// A lens that keeps lines straight, for a picture of this size.
    pub fn none(width_px: u32, height_px: u32) -> Self {
        let (w, h) = (f64::from(width_px), f64::from(height_px));
        Self {
            k1: 0.0,
            centre_px: Point::new(w / 2.0, h / 2.0),
            half_diagonal_px: w.hypot(h) / 2.0,
        }
    }

    /// From where a straight-line lens would show a point to where this one shows it.
    pub fn photo_px_from_straight_px(&self, p: Point) -> Point {
        let (dx, dy) = (p.x - self.centre_px.x, p.y - self.centre_px.y);
        let r2 = (dx * dx + dy * dy) / (self.half_diagonal_px * self.half_diagonal_px);
        let k = 1.0 + self.k1 * r2;
        Point::new(self.centre_px.x + dx * k, self.centre_px.y + dy * k)
    }

    /// The way back, by Newton's method on the radius.
    pub fn straight_px_from_photo_px(&self, p: Point) -> Point {
        let (dx, dy) = (p.x - self.centre_px.x, p.y - self.centre_px.y);
        let bent = dx.hypot(dy) / self.half_diagonal_px;
        if bent == 0.0 || self.k1 == 0.0 {
            return p;
        }
        let mut r = bent;
        for _ in 0..12 {
            r -= (r * (1.0 + self.k1 * r * r) - bent) / (1.0 + 3.0 * self.k1 * r * r);
        }
        let k = r / bent;
        Point::new(self.centre_px.x + dx * k, self.centre_px.y + dy * k)
    }
}

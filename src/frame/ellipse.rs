//! Ellipses: fitted to points, walked along.

use super::Ellipse;
use crate::geometry::Point;

/// Solves a small symmetric or general linear system by elimination with row pivots.
fn solve<const N: usize>(mut a: [[f64; N]; N], mut b: [f64; N]) -> Option<[f64; N]> {
    for col in 0..N {
        let pivot = (col..N).max_by(|&i, &j| a[i][col].abs().total_cmp(&a[j][col].abs()))?;
        if a[pivot][col].abs() < 1e-14 {
            return None;
        }
        a.swap(col, pivot);
        b.swap(col, pivot);
        for row in col + 1..N {
            let share = a[row][col] / a[col][col];
            let top = a[col];
            for (cell, above) in a[row].iter_mut().zip(top) {
                *cell -= share * above;
            }
            b[row] -= share * b[col];
        }
    }
    for col in (0..N).rev() {
        for k in col + 1..N {
            b[col] -= a[col][k] * b[k];
        }
        b[col] /= a[col][col];
    }
    Some(b)
}

/// Weighted least squares for `rows · x = values`.
pub(super) fn least_squares<const N: usize>(
    rows: impl Iterator<Item = ([f64; N], f64, f64)>,
) -> Option<[f64; N]> {
    let mut a = [[0.0; N]; N];
    let mut b = [0.0; N];
    for (row, value, weight) in rows {
        for i in 0..N {
            for j in 0..N {
                a[i][j] += weight * row[i] * row[j];
            }
            b[i] += weight * row[i] * value;
        }
    }
    solve(a, b)
}

impl Ellipse {
    /// The point at parameter `phase` (radians; not the polar angle) and the unit vector inwards.
    pub(super) fn place(&self, phase: f64) -> (Point, (f64, f64)) {
        let (sin, cos) = self.angle_rad.sin_cos();
        let (s, c) = phase.sin_cos();
        let turn = |u: f64, v: f64| (u * cos - v * sin, u * sin + v * cos);
        let (dx, dy) = turn(self.semi_major_px * c, self.semi_minor_px * s);
        let (nx, ny) = turn(c / self.semi_major_px, s / self.semi_minor_px);
        let size = nx.hypot(ny);
        (
            Point::new(self.centre_px.x + dx, self.centre_px.y + dy),
            (-nx / size, -ny / size),
        )
    }

    /// About how far a point lies outside (negative: within): first order in the distance.
    pub(super) fn outside_by(&self, p: Point) -> f64 {
        let (sin, cos) = self.angle_rad.sin_cos();
        let (dx, dy) = (p.x - self.centre_px.x, p.y - self.centre_px.y);
        let (u, v) = (dx * cos + dy * sin, dy * cos - dx * sin);
        let (a, b) = (self.semi_major_px, self.semi_minor_px);
        let level = (u / a).hypot(v / b);
        let slope = (u / (a * a)).hypot(v / (b * b)) / level.max(1e-9);
        (level - 1.0) / slope.max(1e-12)
    }

    /// The same ellipse in pixels `factor` times smaller.
    pub(super) fn scaled(&self, factor: f64) -> Self {
        Self {
            centre_px: Point::new(self.centre_px.x * factor, self.centre_px.y * factor),
            semi_major_px: self.semi_major_px * factor,
            semi_minor_px: self.semi_minor_px * factor,
            angle_rad: self.angle_rad,
        }
    }
}

/// Weighted algebraic fit of `A x² + B xy + C y² + D x + E y = 1` about `start`'s centre and size.
/// `None` when the points make no ellipse.
pub(super) fn fit_ellipse(points: &[(Point, f64)], start: &Ellipse) -> Option<Ellipse> {
    let unit = start.semi_major_px.max(1.0);
    let c = start.centre_px;
    let [a, b, d, e, f] = least_squares(points.iter().map(|(p, w)| {
        let (x, y) = ((p.x - c.x) / unit, (p.y - c.y) / unit);
        ([x * x, x * y, y * y, x, y], 1.0, *w)
    }))?;
    from_conic([a, b, d, e, f], c, unit)
}

/// The ellipse `a x² + b xy + d y² + e x + f y = 1`, its coordinates from `origin` in `unit`s.
fn from_conic([a, b, d, e, f]: [f64; 5], origin: Point, unit: f64) -> Option<Ellipse> {
    let det = 4.0 * a * d - b * b;
    if det <= 1e-9 || a + d <= 0.0 {
        return None;
    }
    let (cx, cy) = ((b * f - 2.0 * d * e) / det, (b * e - 2.0 * a * f) / det);
    let level = 1.0 + a * cx * cx + b * cx * cy + d * cy * cy;
    let spread = (a - d).hypot(b);
    let (low, high) = ((a + d - spread) / 2.0, (a + d + spread) / 2.0);
    if level <= 0.0 || low <= 0.0 {
        return None;
    }
    // The long axis lies along the eigenvector of the smaller eigenvalue.
    let angle_rad = 0.5 * b.atan2(a - d) + std::f64::consts::FRAC_PI_2;
    Some(Ellipse {
        centre_px: Point::new(origin.x + cx * unit, origin.y + cy * unit),
        semi_major_px: (level / low).sqrt() * unit,
        semi_minor_px: (level / high).sqrt() * unit,
        angle_rad,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_of_an_ellipse_give_it_back() {
        let truth = Ellipse {
            centre_px: Point::new(310.0, 205.0),
            semi_major_px: 120.0,
            semi_minor_px: 104.0,
            angle_rad: 0.6,
        };
        let points: Vec<(Point, f64)> = (0..50)
            .map(|k| (truth.place(f64::from(k) * 0.1).0, 1.0))
            .collect();
        let start = Ellipse {
            centre_px: Point::new(300.0, 200.0),
            ..truth
        };
        let found = fit_ellipse(&points, &start).unwrap();
        assert!(
            found.centre_px.distance(truth.centre_px) < 1e-6,
            "{found:?}"
        );
        assert!((found.semi_major_px - 120.0).abs() < 1e-6);
        assert!((found.semi_minor_px - 104.0).abs() < 1e-6);
        assert!((found.angle_rad - 0.6).sin().abs() < 1e-9);
    }

    #[test]
    fn distance_is_measured_outwards() {
        let circle = Ellipse {
            centre_px: Point::new(0.0, 0.0),
            semi_major_px: 10.0,
            semi_minor_px: 10.0,
            angle_rad: 0.0,
        };
        assert!((circle.outside_by(Point::new(12.0, 0.0)) - 2.0).abs() < 1e-9);
        assert!((circle.outside_by(Point::new(0.0, -7.0)) + 3.0).abs() < 1e-9);
    }
}

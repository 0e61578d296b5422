//! A straight line through points of which many may belong to something else.

use crate::geometry::Point;

/// Pairs of points tried as a line.
const PAIRS: usize = 40;

/// A line `x cos + y sin = rho` through straightened points.
#[derive(Debug, Clone, Copy)]
pub(super) struct LineFit {
    /// Normal.
    pub cos: f64,
    /// Normal.
    pub sin: f64,
    /// Distance from the origin along the normal.
    pub rho: f64,
    /// Robust spread of the points about it, pixels.
    pub spread: f64,
    /// Points that belong to it.
    pub members: usize,
}

/// A point beside a line: place along it (−0.5 to 0.5) and distance off it.
type Off = (f64, f64);

/// The line `a + b t` that most points are near, among the expected one and those through pairs
/// of points far apart.
///
/// # Source
/// Fischler, M. A. & Bolles, R. C. (1981), "Random sample consensus", Communications of the ACM 24(6); the pairs here are fixed, not drawn.
fn most_agreed(points: &[Off], near_px: f64) -> (f64, f64) {
    let agreed = |a: f64, b: f64| -> f64 {
        points
            .iter()
            .map(|(t, r)| (1.0 - ((r - a - b * t) / near_px).powi(2)).max(0.0))
            .sum()
    };
    let n = points.len();
    // The expected line is kept when another is hardly better.
    let mut best = (agreed(0.0, 0.0) * 1.05, 0.0, 0.0);
    for k in 0..PAIRS {
        let (i, j) = (
            k * n / (2 * PAIRS),
            n / 2 + (k * 17 % PAIRS) * (n / 2) / PAIRS,
        );
        let ((t, r), (u, s)) = (points[i], points[j.min(n - 1)]);
        if (u - t).abs() < 0.2 {
            continue;
        }
        let b = (s - r) / (u - t);
        let a = r - b * t;
        let score = agreed(a, b);
        if score > best.0 {
            best = (score, a, b);
        }
    }
    (best.1, best.2)
}

/// The middle one of values, of which there is one at least; they are reordered.
pub(super) fn middle(values: &mut [f64]) -> f64 {
    let at = values.len() / 2;
    *values.select_nth_unstable_by(at, f64::total_cmp).1
}

/// Reweighted least squares from a start (Tukey's biweight): (a, b, spread).
///
/// # Source
/// Beaton, A. E. & Tukey, J. W. (1974), Technometrics 16(2); tuning constant 4.685 at unit spread.
fn reweigh(points: &[Off], start: (f64, f64), near_px: f64) -> Option<(f64, f64, f64)> {
    let (mut a, mut b) = start;
    let mut spread = near_px / 2.0;
    for _ in 0..6 {
        let limit = 4.685 * spread;
        let (mut n, mut st, mut sr, mut stt, mut str_) = (0.0, 0.0, 0.0, 0.0, 0.0);
        let mut sizes = Vec::with_capacity(points.len());
        for (t, r) in points {
            let off = (r - a - b * t) / limit;
            if off.abs() < 1.0 {
                let w = (1.0 - off * off).powi(2);
                n += w;
                st += w * t;
                sr += w * r;
                stt += w * t * t;
                str_ += w * t * r;
                sizes.push((off * limit).abs());
            }
        }
        let det = n * stt - st * st;
        if n < 4.0 || det < 1e-9 {
            return None;
        }
        b = (n * str_ - st * sr) / det;
        a = (sr - b * st) / n;
        spread = (1.4826 * middle(&mut sizes)).clamp(0.25, near_px);
    }
    Some((a, b, spread))
}

/// Fits a line to points, expected from `ends.0` to `ends.1`. `near_px`: points this near stand
/// for a line when it is chosen. `None` when too few points agree on any.
pub(super) fn fit_line(points: &[Point], ends: (Point, Point), near_px: f64) -> Option<LineFit> {
    let (from, to) = ends;
    let length = from.distance(to);
    if length < 1e-6 || points.len() < 8 {
        return None;
    }
    let (ux, uy) = ((to.x - from.x) / length, (to.y - from.y) / length);
    let offs: Vec<Off> = points
        .iter()
        .map(|p| {
            let (dx, dy) = (p.x - from.x, p.y - from.y);
            ((dx * ux + dy * uy) / length - 0.5, dy * ux - dx * uy)
        })
        .collect();
    let (a, b, spread) = reweigh(&offs, most_agreed(&offs, near_px), near_px)?;
    let limit = 3.0 * spread.max(0.7);
    let members = offs
        .iter()
        .filter(|(t, r)| (r - a - b * t).abs() < limit)
        .count();
    let slope = b / length;
    let norm = slope.hypot(1.0);
    let (cos, sin) = ((-uy - slope * ux) / norm, (ux - slope * uy) / norm);
    let through = Point::new(
        from.x + 0.5 * length * ux - a * uy,
        from.y + 0.5 * length * uy + a * ux,
    );
    Some(LineFit {
        cos,
        sin,
        rho: through.x * cos + through.y * sin,
        spread,
        members,
    })
}

/// Where two lines meet; `None` when they are nearly parallel.
pub(super) fn meet(a: &LineFit, b: &LineFit) -> Option<Point> {
    let det = a.cos * b.sin - a.sin * b.cos;
    (det.abs() > 0.1).then(|| {
        Point::new(
            (a.rho * b.sin - b.rho * a.sin) / det,
            (a.cos * b.rho - b.cos * a.rho) / det,
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_third_of_strays_does_not_move_it() {
        // True line y = 100 + 0.01 x; every third point up to 9 px to one side.
        let points: Vec<Point> = (0..120)
            .map(|k| {
                let x = f64::from(k) * 8.0;
                let stray = if k % 3 == 0 {
                    3.0 + f64::from(k % 7)
                } else {
                    0.0
                };
                let ripple = 0.3 * f64::from(k % 5 - 2);
                Point::new(x, 100.0 + 0.01 * x + stray + ripple)
            })
            .collect();
        let ends = (Point::new(0.0, 103.0), Point::new(952.0, 108.0));
        let line = fit_line(&points, ends, 1.8).unwrap();
        for x in [0.0, 952.0] {
            let y = (line.rho - x * line.cos) / line.sin;
            assert!((y - 100.0 - 0.01 * x).abs() < 0.3, "{y} at {x}");
        }
        assert!(line.members >= 80);
    }
}

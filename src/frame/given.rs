//! Corners, or points of a ring, set by hand.

use super::tilt::{Camera, pose};
use super::{Ellipse, FoundFrame, FrameError, FrameSettings, FrameSpec, HowFound, Outline, check};
use crate::geometry::{LensBend, Point};

/// How far a person is taken to be off with a corner, photo pixels (common practice: a click on a screen at half size).
const BY_HAND_ERROR_PX: f64 = 2.0;

/// Smallest corner angle's sine.
const LEAST_CORNER_SINE: f64 = 0.3;

/// Twice the signed area; positive when clockwise as seen (y down).
fn twice_area(c: &[Point; 4]) -> f64 {
    (0..4)
        .map(|i| c[i].x * c[(i + 1) % 4].y - c[(i + 1) % 4].x * c[i].y)
        .sum()
}

fn turn_at(c: &[Point; 4], i: usize) -> f64 {
    let (a, b, d) = (c[(i + 3) % 4], c[i], c[(i + 1) % 4]);
    let cross = (b.x - a.x) * (d.y - b.y) - (b.y - a.y) * (d.x - b.x);
    cross / (a.distance(b) * b.distance(d)).max(1e-9)
}

/// Corners as used: clockwise, the width side first.
fn in_order(
    given: &[Point; 4],
    width_over_height: f64,
    camera: &Camera,
) -> Result<[Point; 4], FrameError> {
    let bad = |why| FrameError::BadCorners { why };
    if given.iter().any(|p| !p.x.is_finite() || !p.y.is_finite()) {
        return Err(bad("a coordinate is not a number"));
    }
    let mut corners = *given;
    if twice_area(&corners) < 0.0 {
        corners.swap(1, 3);
    }
    let turns: [f64; 4] = std::array::from_fn(|i| turn_at(&corners, i));
    if turns.iter().any(|t| *t < 0.0) {
        return Err(bad("its sides cross or a corner points inwards"));
    }
    if turns.iter().any(|t| *t < LEAST_CORNER_SINE) {
        return Err(bad("two corners or a corner and a side fall together"));
    }
    let seen = pose(&corners, camera).ok_or_else(|| bad("no flat rectangle is seen like this"))?;
    let as_given = (seen.aspect / width_over_height).ln().abs();
    let turned = (1.0 / seen.aspect / width_over_height).ln().abs();
    // A square stays as it was given.
    if turned + 1e-3 < as_given {
        corners.rotate_left(1);
    }
    Ok(corners)
}

/// Least half-diameter that makes a ring, pixels.
const LEAST_RING_PX: f64 = 4.0;

/// The ellipse of which four points in order round it are the ends of two diameters that halve each other's chords.
///
/// With half-diameters u and v the ellipse is centre + u cos t + v sin t; its axes are the square roots of the
/// eigenvalues of u uᵀ + v vᵀ. Seen at right angles on the ring, two diameters stay such a pair in any photo taken from
/// afar, and any such pair gives the one ellipse through its ends.
///
/// # Source
/// Conjugate diameters: Apollonius, *Conics* I; the axes by the eigenvalues: by arithmetic.
fn ellipse_of(given: &[Point; 4]) -> Result<Ellipse, FrameError> {
    let bad = |why| FrameError::BadRing { why };
    if given.iter().any(|p| !p.x.is_finite() || !p.y.is_finite()) {
        return Err(bad("a coordinate is not a number"));
    }
    let half = |a: Point, b: Point| ((a.x - b.x) / 2.0, (a.y - b.y) / 2.0);
    let (u, v) = (half(given[0], given[2]), half(given[1], given[3]));
    let mean = |of: fn(&Point) -> f64| given.iter().map(of).sum::<f64>() / 4.0;
    let (xx, yy) = (u.0 * u.0 + v.0 * v.0, u.1 * u.1 + v.1 * v.1);
    let xy = u.0 * u.1 + v.0 * v.1;
    let spread = ((xx - yy) / 2.0).hypot(xy);
    let ellipse = Ellipse {
        centre_px: Point::new(mean(|p| p.x), mean(|p| p.y)),
        semi_major_px: ((xx + yy) / 2.0 + spread).sqrt(),
        semi_minor_px: ((xx + yy) / 2.0 - spread).max(0.0).sqrt(),
        angle_rad: 0.5 * (2.0 * xy).atan2(xx - yy),
    };
    if ellipse.semi_minor_px < LEAST_RING_PX {
        return Err(bad("they lie on one line or fall together"));
    }
    Ok(ellipse)
}

/// Checks points of a ring set by hand and uses them as they are.
fn use_given_ring(
    given: &[Point; 4],
    size: (u32, u32),
    settings: &FrameSettings,
) -> Result<FoundFrame, FrameError> {
    let ellipse = ellipse_of(given)?;
    let (tilt_deg, _) = check::ring(&ellipse, size, settings)?;
    Ok(FoundFrame {
        outline: Outline::Ring(ellipse),
        lens: LensBend::none(size.0, size.1),
        how: HowFound::Given,
        confidence: 1.0,
        corner_error_px: BY_HAND_ERROR_PX,
        edge_seen: 0.0,
        tilt_deg: Some(tilt_deg),
        bar_srgb: [0; 3],
        bar_width_mm: 0.0,
    })
}

/// Checks corners set by hand and uses them as they are, put in order.
pub(super) fn use_given(
    given: &[Point; 4],
    size: (u32, u32),
    settings: &FrameSettings,
    focal_length_35mm_mm: Option<f64>,
) -> Result<FoundFrame, FrameError> {
    if matches!(settings.spec, FrameSpec::Ring { .. }) {
        return use_given_ring(given, size, settings);
    }
    let (w, h) = settings.spec.size_mm();
    let camera = Camera::new(f64::from(size.0), f64::from(size.1), focal_length_35mm_mm);
    let corners = in_order(given, w / h, &camera)?;
    let lens = LensBend::none(size.0, size.1);
    let (seen, _) = check::rectangle(&corners, &lens, &camera, size, settings)?;
    Ok(FoundFrame {
        outline: Outline::Corners(corners),
        lens,
        how: HowFound::Given,
        confidence: 1.0,
        corner_error_px: BY_HAND_ERROR_PX,
        edge_seen: 0.0,
        tilt_deg: seen.map(|p| p.tilt_rad.to_degrees()),
        bar_srgb: [0; 3],
        bar_width_mm: 0.0,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn given(corners: [[f64; 2]; 4], frame: &str) -> Result<FoundFrame, FrameError> {
        let settings = FrameSettings::new(frame.parse().unwrap());
        use_given(&corners.map(Point::from), (2000, 1500), &settings, None)
    }

    #[test]
    fn width_side_comes_first_and_clockwise() {
        // Counter-clockwise, the long side first; the frame is told as 25 wide and 50 high.
        let frame = given(
            [
                [400.0, 1100.0],
                [1600.0, 1100.0],
                [1600.0, 500.0],
                [400.0, 500.0],
            ],
            "25x50cm",
        )
        .unwrap();
        let Outline::Corners(c) = frame.outline else {
            panic!("a rectangle")
        };
        assert!(c[0].distance(c[1]) < c[1].distance(c[2]));
        assert!(twice_area(&c) > 0.0);
        assert!(frame.tilt_deg.unwrap() < 1.0);
    }

    /// An ellipse with half axes 500 and 480 turned by 30°, told by two diameters that are not its axes: 500 cos t and
    /// 480 sin t at t = 20° and 110°.
    #[test]
    fn a_ring_is_told_by_two_diameters() {
        let (turn, centre) = (30_f64.to_radians(), (1000.0, 750.0));
        let at = |t: f64| {
            let (a, b) = (500.0 * t.to_radians().cos(), 480.0 * t.to_radians().sin());
            [
                centre.0 + a * turn.cos() - b * turn.sin(),
                centre.1 + a * turn.sin() + b * turn.cos(),
            ]
        };
        let frame = given([20.0, 110.0, 200.0, 290.0].map(at), "ring:24in").unwrap();
        let Outline::Ring(ring) = frame.outline else {
            panic!("a ring")
        };
        assert!((ring.semi_major_px - 500.0).abs() < 1e-6, "{ring:?}");
        assert!((ring.semi_minor_px - 480.0).abs() < 1e-6);
        assert!((ring.angle_rad - turn).abs() < 1e-6);
        assert!(ring.centre_px.distance(Point::from([1000.0, 750.0])) < 1e-6);
        let line = [
            [100.0, 100.0],
            [200.0, 200.0],
            [300.0, 300.0],
            [400.0, 400.0],
        ];
        assert!(matches!(
            given(line, "ring:24in"),
            Err(FrameError::BadRing { .. })
        ));
        let out = [
            [-20.0, 700.0],
            [600.0, 100.0],
            [1220.0, 700.0],
            [600.0, 1300.0],
        ];
        assert!(matches!(
            given(out, "ring:24in"),
            Err(FrameError::CornerOutside { .. })
        ));
    }

    #[test]
    fn what_is_no_frame_is_refused() {
        let crossed = [
            [400.0, 500.0],
            [1600.0, 1100.0],
            [1600.0, 500.0],
            [400.0, 1100.0],
        ];
        assert!(matches!(
            given(crossed, "50x25cm"),
            Err(FrameError::BadCorners { .. })
        ));
        let line = [
            [400.0, 500.0],
            [1000.0, 500.0],
            [1600.0, 505.0],
            [400.0, 1100.0],
        ];
        assert!(matches!(
            given(line, "50x25cm"),
            Err(FrameError::BadCorners { .. })
        ));
        let out = [
            [-30.0, 500.0],
            [1000.0, 500.0],
            [1000.0, 1400.0],
            [-10.0, 1400.0],
        ];
        assert_eq!(
            given(out, "1x1ft"),
            Err(FrameError::CornerOutside {
                outside: 2,
                by_px: 30.0
            })
        );
        let tiny = [
            [400.0, 500.0],
            [600.0, 500.0],
            [600.0, 700.0],
            [400.0, 700.0],
        ];
        let Err(coarse @ FrameError::TooCoarse { .. }) = given(tiny, "1x1ft") else {
            panic!("too few pixels");
        };
        assert!(coarse.to_string().contains("copy the original file"));
    }
}

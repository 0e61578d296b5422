//! What an outline must keep to be used, found or set by hand.

use super::tilt::{Camera, Pose, pose};
use super::{Ellipse, FrameError, FrameSettings};
use crate::geometry::{Homography, LensBend, Point};

/// Width of a bean, mm, on which the needed scale is told.
const BEAN_MM: f64 = 6.5;

/// Refuses corners out of the picture.
pub(super) fn in_view(corners: &[Point; 4], size: (u32, u32)) -> Result<(), FrameError> {
    let (w, h) = (f64::from(size.0), f64::from(size.1));
    let beyond = corners.map(|c| (-c.x).max(-c.y).max(c.x - w).max(c.y - h));
    let outside = beyond.iter().filter(|b| **b > 0.0).count();
    if outside == 0 {
        return Ok(());
    }
    Err(FrameError::CornerOutside {
        outside,
        by_px: beyond.into_iter().fold(0.0, f64::max),
    })
}

/// Smallest scale at the corners, photo pixels per mm.
fn least_scale(straight: &[Point; 4], (w, h): (f64, f64)) -> f64 {
    let flat = [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)].map(|(x, y)| Point::new(x, y));
    let Some(map) = Homography::from_four(flat, *straight) else {
        return 0.0;
    };
    flat.iter()
        .map(|&p| {
            let at = map.apply(p);
            let (x, y) = (
                map.apply(Point::new(p.x + 1.0, p.y)),
                map.apply(Point::new(p.x, p.y + 1.0)),
            );
            let det = (x.x - at.x) * (y.y - at.y) - (x.y - at.y) * (y.x - at.x);
            det.abs().sqrt()
        })
        .fold(f64::MAX, f64::min)
}

fn scale_is_enough(px_per_mm: f64, settings: &FrameSettings) -> Result<(), FrameError> {
    let bean_px = px_per_mm * BEAN_MM;
    if bean_px >= settings.min_bean_px {
        return Ok(());
    }
    Err(FrameError::TooCoarse {
        bean_px,
        needed_px: settings.min_bean_px,
    })
}

fn lean_is_fine(tilt_deg: f64, settings: &FrameSettings) -> Result<(), FrameError> {
    if tilt_deg <= settings.max_tilt_deg {
        return Ok(());
    }
    Err(FrameError::TooOblique {
        tilt_deg,
        most_deg: settings.max_tilt_deg,
    })
}

/// Checks a rectangle's corners (photo pixels, width side first); gives its pose and its
/// smallest scale, photo pixels per mm.
pub(super) fn rectangle(
    corners: &[Point; 4],
    lens: &LensBend,
    camera: &Camera,
    size: (u32, u32),
    settings: &FrameSettings,
) -> Result<(Option<Pose>, f64), FrameError> {
    in_view(corners, size)?;
    let straight = corners.map(|c| lens.straight_px_from_photo_px(c));
    let seen = pose(&straight, camera);
    if let Some(p) = &seen {
        lean_is_fine(p.tilt_rad.to_degrees(), settings)?;
    }
    let px_per_mm = least_scale(&straight, settings.spec.size_mm());
    scale_is_enough(px_per_mm, settings)?;
    Ok((seen, px_per_mm))
}

/// Checks a ring; gives the lean in degrees and the scale, photo pixels per mm.
///
/// The lean is that of a ring in the middle of the picture (short over long axis); off the
/// middle it is a few degrees off.
pub(super) fn ring(
    ellipse: &Ellipse,
    size: (u32, u32),
    settings: &FrameSettings,
) -> Result<(f64, f64), FrameError> {
    let reach = |from: f64| {
        let (sin, cos) = (ellipse.angle_rad - from).sin_cos();
        (ellipse.semi_major_px * cos).hypot(ellipse.semi_minor_px * sin)
    };
    let (dx, dy) = (reach(0.0), reach(std::f64::consts::FRAC_PI_2));
    let c = ellipse.centre_px;
    let sides = [
        Point::new(c.x - dx, c.y),
        Point::new(c.x, c.y - dy),
        Point::new(c.x + dx, c.y),
        Point::new(c.x, c.y + dy),
    ];
    in_view(&sides, size)?;
    let tilt_deg = (ellipse.semi_minor_px / ellipse.semi_major_px)
        .min(1.0)
        .acos()
        .to_degrees();
    lean_is_fine(tilt_deg, settings)?;
    let px_per_mm = 2.0 * ellipse.semi_minor_px / settings.spec.size_mm().0;
    scale_is_enough(px_per_mm, settings)?;
    Ok((tilt_deg, px_per_mm))
}

//! What a four-sided outline says of the camera that saw it.

use crate::geometry::Point;

/// The camera as far as it is known: where it points and its focal length, pixels.
#[derive(Debug, Clone, Copy)]
pub(super) struct Camera {
    /// Where the optical axis meets the picture.
    pub centre: Point,
    /// Focal length.
    pub focal_px: f64,
}

/// Focal length, in mm of a 36 × 24 mm picture, of an ordinary phone's main lens (common practice: 24 to 28).
pub(super) const ORDINARY_FOCAL_MM: f64 = 26.0;
/// Diagonal of a 36 × 24 mm picture, mm (CIPA DCG-001: equivalence is by the diagonal).
const DIAGONAL_35MM_MM: f64 = 43.266_615;

impl Camera {
    /// For a picture of this size and a 35 mm equivalent focal length where known.
    pub fn new(width: f64, height: f64, focal_length_35mm_mm: Option<f64>) -> Self {
        let focal_mm = focal_length_35mm_mm
            .filter(|f| (8.0..=400.0).contains(f))
            .unwrap_or(ORDINARY_FOCAL_MM);
        Self {
            centre: Point::new(width / 2.0, height / 2.0),
            focal_px: focal_mm * width.hypot(height) / DIAGONAL_35MM_MM,
        }
    }
}

/// What four corners of a flat rectangle tell.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pose {
    /// Length of the side from corner 0 to 1 over that from 1 to 2.
    pub aspect: f64,
    /// How far the corner angle is off 90°, as the cosine of it.
    pub skew: f64,
    /// Lean of the camera off the rectangle's normal, radians.
    pub tilt_rad: f64,
}

/// Reads the pose from the corners in order round. `None` when they are not convex.
///
/// The columns of the map from the unit square to the picture, taken back through the camera,
/// are the rectangle's two sides in space up to one common scale.
///
/// # Source
/// Unit square to quadrilateral: Heckbert, P. S. (1989), *Fundamentals of texture mapping and image warping*, section 2.2.3; plane pose from its columns: Zhang, Z. (2000), "A flexible new technique for camera calibration", section 3.1.
pub(super) fn pose(corners: &[Point; 4], camera: &Camera) -> Option<Pose> {
    let p = corners.map(|c| {
        (
            (c.x - camera.centre.x) / camera.focal_px,
            (c.y - camera.centre.y) / camera.focal_px,
        )
    });
    let (dx1, dy1) = (p[1].0 - p[2].0, p[1].1 - p[2].1);
    let (dx2, dy2) = (p[3].0 - p[2].0, p[3].1 - p[2].1);
    let (sx, sy) = (
        p[0].0 - p[1].0 + p[2].0 - p[3].0,
        p[0].1 - p[1].1 + p[2].1 - p[3].1,
    );
    let det = dx1 * dy2 - dx2 * dy1;
    if det.abs() < 1e-12 {
        return None;
    }
    let g = (sx * dy2 - dx2 * sy) / det;
    let h = (dx1 * sy - sx * dy1) / det;
    if 1.0 + g <= 0.0 || 1.0 + h <= 0.0 || 1.0 + g + h <= 0.0 {
        return None;
    }
    let u = [
        p[1].0 - p[0].0 + g * p[1].0,
        p[1].1 - p[0].1 + g * p[1].1,
        g,
    ];
    let v = [
        p[3].0 - p[0].0 + h * p[3].0,
        p[3].1 - p[0].1 + h * p[3].1,
        h,
    ];
    let dot = |a: &[f64; 3], b: &[f64; 3]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    let (uu, vv, uv) = (dot(&u, &u), dot(&v, &v), dot(&u, &v));
    let normal = [
        u[1] * v[2] - u[2] * v[1],
        u[2] * v[0] - u[0] * v[2],
        u[0] * v[1] - u[1] * v[0],
    ];
    let length = dot(&normal, &normal).sqrt();
    (length > 0.0).then(|| Pose {
        aspect: (uu / vv).sqrt(),
        skew: uv / (uu * vv).sqrt(),
        tilt_rad: (normal[2].abs() / length).min(1.0).acos(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Corners of a `w` × `h` rectangle 1000 away, leant by `tilt` about an axis in the picture.
    fn seen(w: f64, h: f64, tilt: f64, axis: f64, camera: &Camera) -> [Point; 4] {
        [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)].map(|(sx, sy)| {
            let (x, y) = (sx * w / 2.0 + 40.0, sy * h / 2.0 - 25.0);
            let (across, along) = (
                x * axis.cos() + y * axis.sin(),
                y * axis.cos() - x * axis.sin(),
            );
            let z = 1000.0 + along * tilt.sin();
            let along = along * tilt.cos();
            let (x, y) = (
                across * axis.cos() - along * axis.sin(),
                across * axis.sin() + along * axis.cos(),
            );
            Point::new(
                camera.centre.x + camera.focal_px * x / z,
                camera.centre.y + camera.focal_px * y / z,
            )
        })
    }

    #[test]
    fn pose_is_read_back() {
        let camera = Camera::new(4000.0, 3000.0, Some(26.0));
        for (w, h, tilt_deg, axis) in [
            (300.0, 300.0, 0.0, 0.0),
            (500.0, 250.0, 22.0_f64, 0.7),
            (250.0, 1000.0, 12.0, 2.0),
        ] {
            let corners = seen(w, h, tilt_deg.to_radians(), axis, &camera);
            let pose = pose(&corners, &camera).unwrap();
            assert!((pose.aspect - w / h).abs() < 1e-9, "{pose:?}");
            assert!(pose.skew.abs() < 1e-9);
            assert!((pose.tilt_rad.to_degrees() - tilt_deg).abs() < 1e-5);
        }
    }
}

//! Fifth stage: every bean-sized blob and every pod-shaped one, with its size and shape in mm.

use crate::geometry::Point;

/// Something that may be a bean, a split bean or a pod.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Centre, plot mm.
    pub centre_mm: Point,
    /// Longest extent, mm.
    pub length_mm: f64,
    /// Extent across that, mm.
    pub width_mm: f64,
    /// Angle of the long axis from +x towards +y, radians.
    pub angle_rad: f64,
    /// Area of the blob, mm².
    pub area_mm2: f64,
    /// Pod-shaped rather than bean-sized.
    pub pod_shaped: bool,
    /// Parted from a neighbour that it touches.
    pub was_touching: bool,
}

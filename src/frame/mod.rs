//! Second stage: where the frame lies in the photo.

use serde::{Deserialize, Serialize};

use crate::geometry::{LensBend, Point};

mod bar;
mod beside;
mod check;
mod edges;
mod ellipse;
mod find;
mod given;
mod ground_tone;
mod judge;
mod line;
mod line_fit;
mod lines;
mod log_colour;
mod quads;
mod reduce;
mod refine;
mod ring;
mod ring_refine;
mod settle;
mod spec;
mod tilt;
mod trace;
pub use find::find;
pub use spec::{FrameSpec, FrameSpecError};

/// What is known of the frame before looking.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameSettings {
    /// Shape and inside size.
    pub spec: FrameSpec,
    /// Height of the bar's inner top edge above the ground, mm, when known.
    pub bar_height_mm: Option<f64>,
    /// Set by hand, upright photo pixels, in order round the frame; then nothing is searched. A rectangle: its inner
    /// corners. A ring: points of its inner edge, the ends of two diameters at right angles.
    pub corners_px: Option<[Point; 4]>,
    /// Largest lean of the camera that is taken, degrees. Raised: far ground gets too coarse; lowered: good photos refused.
    pub max_tilt_deg: f64,
    /// Fewest pixels across a bean 6.5 mm wide. Lowered: beans and chaff look alike; raised: usable photos refused.
    pub min_bean_px: f64,
}

impl FrameSettings {
    /// Settings for a frame of this shape with the ordinary limits.
    pub fn new(spec: FrameSpec) -> Self {
        Self {
            spec,
            bar_height_mm: None,
            corners_px: None,
            max_tilt_deg: 30.0,
            min_bean_px: 8.0,
        }
    }
}

/// The frame as found, with the evidence for it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FoundFrame {
    /// The inner edge.
    pub outline: Outline,
    /// How the lens bends straight lines, from the straight bars where they show it.
    pub lens: LensBend,
    /// How it was found.
    pub how: HowFound,
    /// 0..1: share of the evidence (bar on all sides, straight, one colour, right shape) that speaks for it.
    pub confidence: f64,
    /// One standard error of an inner corner's place, photo pixels.
    pub corner_error_px: f64,
    /// Share of the inner edge's length along which the bar was seen, 0..1.
    pub edge_seen: f64,
    /// Lean of the camera off straight down, degrees, where it can be told.
    pub tilt_deg: Option<f64>,
    /// Mean colour of the bar, 8-bit sRGB.
    pub bar_srgb: [u8; 3],
    /// Width of the bar as seen, mm (0 when its outside is not in view).
    pub bar_width_mm: f64,
}

/// The inner edge of the frame in upright photo pixels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outline {
    /// Inner corners of a rectangle, clockwise as seen in the picture. The first to the
    /// second is the frame's width side as given in [`FrameSpec`].
    Corners([Point; 4]),
    /// The inner edge of a ring.
    Ring(Ellipse),
}

/// An ellipse in photo pixels.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Ellipse {
    /// Centre.
    pub centre_px: Point,
    /// Half of the long axis.
    pub semi_major_px: f64,
    /// Half of the short axis.
    pub semi_minor_px: f64,
    /// Angle of the long axis from +x towards +y, radians.
    pub angle_rad: f64,
}

impl Ellipse {
    /// The ends of its axes in order round it, the long axis first: by these four it can be set by hand.
    pub fn axis_ends(&self) -> [Point; 4] {
        let (sin, cos) = self.angle_rad.sin_cos();
        let at = |along: f64, across: f64| {
            Point::new(
                self.centre_px.x + along * cos - across * sin,
                self.centre_px.y + along * sin + across * cos,
            )
        };
        let (a, b) = (self.semi_major_px, self.semi_minor_px);
        [at(a, 0.0), at(0.0, b), at(-a, 0.0), at(0.0, -b)]
    }
}

/// How the frame came to be known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HowFound {
    /// Seen by its bars.
    Bars,
    /// Set by hand.
    Given,
}

/// What to do where beans are few pixels wide: most such photos are copies.
pub const FINER: &str = "if this is a copy that a messenger made smaller, copy the original file from the phone; else stand closer or \
                         use a smaller frame";

/// Why a photo has no usable frame. Every message says what was measured, what is needed, what to do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum FrameError {
    /// Nothing like the frame was seen.
    #[error(
        "no frame found: the best outline shows {best_edge_seen_pct:.0} % of what a bar all round it would show, needs {needed_pct:.0} %; lay the whole frame in the picture, clear straw off the bars, or set its edge by hand (podfall confirm, or --corners)"
    )]
    NotFound {
        /// Bar seen round the best outline, less what chance shows and what speaks against a frame, %.
        best_edge_seen_pct: f64,
        /// What is needed, %.
        needed_pct: f64,
    },
    /// An inner corner, or a side of a ring, is not in the picture.
    #[error(
        "{outside} of 4 inner corners lie outside the picture, by up to {by_px:.0} px; step back so that the whole frame is in view and take it again"
    )]
    CornerOutside {
        /// How many.
        outside: usize,
        /// The farthest, pixels.
        by_px: f64,
    },
    /// Too few pixels for a bean.
    #[error("a bean is {bean_px:.1} px wide in this photo, needs {needed_px:.1} px; {FINER}")]
    TooCoarse {
        /// Pixels across 6.5 mm at the frame's far side.
        bean_px: f64,
        /// What is needed.
        needed_px: f64,
    },
    /// The camera leaned too far.
    #[error(
        "the camera leaned {tilt_deg:.0}° off straight down, at most {most_deg:.0}° is taken; hold it level over the middle of the frame"
    )]
    TooOblique {
        /// Measured.
        tilt_deg: f64,
        /// The most that is taken.
        most_deg: f64,
    },
    /// Points given by hand that make no ring.
    #[error(
        "the four points given make no ring: {why}; give the ends of two diameters at right angles, in order round the ring"
    )]
    BadRing {
        /// What is wrong.
        why: &'static str,
    },
    /// Corners given by hand that make no four-sided frame.
    #[error(
        "the corners given do not make a four-sided frame: {why}; give the four inner corners in order round the frame"
    )]
    BadCorners {
        /// What is wrong.
        why: &'static str,
    },
}

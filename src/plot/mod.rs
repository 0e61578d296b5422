//! Third stage: the ground inside the frame seen from straight above at a known scale.

use image::RgbImage;

use crate::geometry::{Homography, LensBend, Point};

/// The ground inside the frame, from straight above.
///
/// Plot pixels are square, `px_per_mm` to the millimetre. Plot millimetres have their origin at the
/// frame's first inner corner (a ring: the corner of its bounding square), x along the width.
/// The picture reaches `margin_mm` beyond the inner edge on every side, so that an object at the edge is seen whole.
#[derive(Debug, Clone)]
pub struct Plot {
    /// 8-bit sRGB as photographed, only turned straight.
    pub raw: RgbImage,
    /// 8-bit sRGB, light evened out and white balanced.
    pub even: RgbImage,
    /// 255 where the ground inside the inner edge is seen, 0 elsewhere (margin, outside a ring).
    pub inside: image::GrayImage,
    /// Scale.
    pub px_per_mm: f64,
    /// Ground shown beyond the inner edge, mm.
    pub margin_mm: f64,
    /// Photo pixels per mm of ground where it is coarsest.
    pub photo_px_per_mm: f64,
    /// Ground seen through the frame, m²: best value.
    pub area_m2: f64,
    /// Lower limit of that area, m² (the bar's height not known).
    pub area_low_m2: f64,
    /// Upper limit, m².
    pub area_high_m2: f64,
    /// The way between plot and photo.
    pub map: PlotMap,
    /// What the light was like.
    pub light: Light,
}

/// The way between plot millimetres, plot pixels and photo pixels.
#[derive(Debug, Clone, Copy)]
pub struct PlotMap {
    /// Plot mm → photo px of a straight-line lens.
    pub straight_px_from_plot_mm: Homography,
    /// Its inverse.
    pub plot_mm_from_straight_px: Homography,
    /// Lens bending.
    pub lens: LensBend,
}

impl PlotMap {
    /// Where a point of the plot lies in the upright photo.
    pub fn photo_px_from_plot_mm(&self, p: Point) -> Point {
        self.lens
            .photo_px_from_straight_px(self.straight_px_from_plot_mm.apply(p))
    }

    /// Where a point of the upright photo lies on the plot.
    pub fn plot_mm_from_photo_px(&self, p: Point) -> Point {
        self.plot_mm_from_straight_px
            .apply(self.lens.straight_px_from_photo_px(p))
    }
}

/// Light and sharpness of a plot, measured.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Light {
    /// Median L* of the plot as photographed.
    pub median_l: f64,
    /// Share of the plot burnt out (all channels ≥ 250), 0..1.
    pub glare_share: f64,
    /// Share of the plot in hard shadow, 0..1.
    pub shadow_share: f64,
    /// Width of the sharpest edges, mm (σ of the blur as seen on the plot).
    pub blur_sigma_mm: f64,
    /// Gains put on R, G, B for white balance (1, 1, 1: none).
    pub white_gains: [f64; 3],
}

impl Plot {
    /// Plot mm of a plot pixel's continuous coordinates.
    pub fn mm_from_plot_px(&self, p: Point) -> Point {
        Point::new(
            p.x / self.px_per_mm - self.margin_mm,
            p.y / self.px_per_mm - self.margin_mm,
        )
    }

    /// Plot pixels of a point in plot mm.
    pub fn plot_px_from_mm(&self, p: Point) -> Point {
        Point::new(
            (p.x + self.margin_mm) * self.px_per_mm,
            (p.y + self.margin_mm) * self.px_per_mm,
        )
    }
}

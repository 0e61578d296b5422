//! Third stage: the ground inside the frame seen from straight above at a known scale.

use image::RgbImage;

use crate::{
    frame::{FoundFrame, FrameSpec},
    geometry::{Homography, LensBend, Point},
};

mod light;
mod outline;
mod shadow;
mod sharpness;
mod warp;

pub use outline::map;

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
    /// Fine detail beside coarse in the direction where that is least, at the scorer's scale: .37 and more in a sharp photo.
    pub sharpness: f64,
    /// The same over that of the direction where it is most, 0..1: a phone that moved smears one direction.
    pub evenness: f64,
    /// Gains put on R, G, B for white balance (1, 1, 1: none).
    pub white_gains: [f64; 3],
}

impl Plot {
    /// Ground inside the frame as the pixels have it, m²; no error of the frame's own size is in it.
    pub fn inside_m2(&self) -> f64 {
        let inside_px = self.inside.as_raw().iter().filter(|v| **v != 0).count() as f64;
        inside_px / (self.px_per_mm * self.px_per_mm) / 1e6
    }

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

/// How a plot is drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct PlotSettings {
    /// Plot pixels per mm, the same for every photo so that the scorers see one size.
    /// Raised: slower, and nothing new to see in most photos; lowered: beans and chaff look alike.
    pub px_per_mm: f64,
    /// Ground drawn beyond the inner edge, mm. Lowered: objects at the edge are cut; raised: slower.
    pub margin_mm: f64,
    /// Height of the bar's inner edge above the ground, mm, when known.
    pub bar_height_mm: Option<f64>,
    /// Focal length of the camera, mm, of a 36 mm wide picture with the same field, when known.
    pub focal_length_35mm_mm: Option<f64>,
    /// Even the light out. Off: `even` is a copy of `raw`.
    pub even_light: bool,
}

impl Default for PlotSettings {
    fn default() -> Self {
        Self {
            px_per_mm: 3.0,
            margin_mm: 12.0,
            bar_height_mm: None,
            focal_length_35mm_mm: None,
            even_light: true,
        }
    }
}

/// Why no plot could be drawn.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum PlotError {
    /// The outline encloses nothing.
    #[error(
        "the frame's outline encloses no ground (corners on a line or an ellipse without width); set its corners with --corners"
    )]
    FlatOutline,
    /// More plot than fits into memory.
    #[error(
        "a plot of {width_mm:.0} x {height_mm:.0} mm takes {plot_mpx:.0} million pixels, at most {most_mpx:.0} are drawn; check the frame's size, or use a smaller frame"
    )]
    TooLarge {
        /// Inside width, mm.
        width_mm: f64,
        /// Inside height, mm.
        height_mm: f64,
        /// What it would take, million pixels.
        plot_mpx: f64,
        /// The most that is drawn, million pixels.
        most_mpx: f64,
    },
}

/// Most pixels of a plot: at 3 px per mm this is 2.7 m², more than any one photo resolves.
const MOST_PLOT_PX: f64 = 24e6;

/// Draws the ground inside the frame from straight above.
///
/// - `photo_pixels`: upright, 8-bit sRGB.
/// - `frame`: inner edge in upright photo pixels; first corner at plot mm (0, 0).
/// - Returns a [`Plot`] of `size + 2 margin` mm at `settings.px_per_mm`. Its millimetres are measured in the plane
///   of the frame's inner edge: under a bar of height h seen from distance d the ground looks smaller by h / d.
///
/// # Errors
/// [`PlotError::FlatOutline`] for an outline without area, [`PlotError::TooLarge`] when the plot would not fit.
///
/// # Source
/// Hartley & Zisserman, *Multiple View Geometry*, 2nd ed. (2004), section 2.3 (the map), and as named at the parts.
pub fn flatten(
    photo_pixels: &RgbImage,
    frame: &FoundFrame,
    spec: FrameSpec,
    settings: &PlotSettings,
) -> Result<Plot, PlotError> {
    let (width_mm, height_mm) = spec.size_mm();
    let across_px =
        |side_mm: f64| ((side_mm + 2.0 * settings.margin_mm) * settings.px_per_mm).round();
    let (width_px, height_px) = (across_px(width_mm), across_px(height_mm));
    if width_px * height_px > MOST_PLOT_PX {
        return Err(PlotError::TooLarge {
            width_mm,
            height_mm,
            plot_mpx: width_px * height_px / 1e6,
            most_mpx: MOST_PLOT_PX / 1e6,
        });
    }
    let map = outline::map(frame, spec)?;
    let raster = warp::Raster {
        width_px: width_px as usize,
        height_px: height_px as usize,
        px_per_mm: settings.px_per_mm,
        corner_mm: Point::new(-settings.margin_mm, -settings.margin_mm),
    };
    let middle = outline::stretches(&map, Point::new(width_mm / 2.0, height_mm / 2.0));
    let photo_px_per_plot_px = (middle.0 * middle.1).sqrt() / settings.px_per_mm;
    let raw = warp::warp(photo_pixels, &map, &raster, photo_px_per_plot_px);
    let inside = warp::inside_mask(&raster, spec);
    let (even, light) = light::even_out(&raw, &inside, settings, frame.bar_srgb);
    let area = outline::seen_area(&map, frame, spec, settings);
    Ok(Plot {
        raw,
        even,
        inside,
        px_per_mm: settings.px_per_mm,
        margin_mm: settings.margin_mm,
        photo_px_per_mm: outline::coarsest_px_per_mm(&map, width_mm, height_mm),
        area_m2: area.best_m2,
        area_low_m2: area.low_m2,
        area_high_m2: area.high_m2,
        map,
        light,
    })
}

/// Draws one spot of the ground from straight above at a scale of its own, as photographed.
///
/// - `photo_pixels`: upright, 8-bit sRGB; `map` from the plot that was drawn of it.
/// - Returns `side_px` × `side_px` pixels about `middle_mm` (plot mm), `px_per_mm` to the millimetre.
pub fn close_up(
    photo_pixels: &RgbImage,
    map: &PlotMap,
    middle_mm: Point,
    (side_px, px_per_mm): (usize, f64),
) -> RgbImage {
    let half_mm = side_px as f64 / px_per_mm / 2.0;
    let raster = warp::Raster {
        width_px: side_px,
        height_px: side_px,
        px_per_mm,
        corner_mm: Point::new(middle_mm.x - half_mm, middle_mm.y - half_mm),
    };
    let stretches = outline::stretches(map, middle_mm);
    let photo_px_per_px = (stretches.0 * stretches.1).sqrt() / px_per_mm;
    warp::warp(photo_pixels, map, &raster, photo_px_per_px)
}

#[cfg(test)]
mod tests;

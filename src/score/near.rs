//! The look from near: where the photo has more pixels than the network looks at, each of its hilltops is looked at once more.

use image::RgbImage;

use super::{
    card::Card,
    learned::Hilltops,
    net::{Memory, NearLook, Net, NetError},
};
use crate::plot::{self, Plot};

/// Looks at the bean hilltops inside the frame from near, as the card says.
///
/// - `photo_pixels`: the upright photo that the plot was drawn of.
/// - Returns what was seen of each of `hilltops.beans`; `None` for those that were not looked at. `None` for all where the
///   network does not look from near, or the photo has too few pixels for it.
///
/// # Errors
/// [`NetError`] when the network does not run.
pub fn look_near(
    photo_pixels: &RgbImage,
    plot: &Plot,
    hilltops: &Hilltops,
    (net, card): (&Net, &Card),
    memory: &mut Memory,
) -> Result<Option<Vec<Option<NearLook>>>, NetError> {
    let fine_enough = |least: f64| plot.photo_px_per_mm >= least;
    let Some(near) = (card.near.as_ref())
        .filter(|near| net.looks_near() && fine_enough(near.least_photo_px_per_mm))
    else {
        return Ok(None);
    };
    let size = (near.side_px, near.px_per_mm);
    (hilltops.beans.iter().zip(&hilltops.inside))
        .map(|(peak, inside)| {
            if !inside || peak.heat < near.least_heat {
                return Ok(None);
            }
            let spot = plot::close_up(photo_pixels, &plot.map, peak.place_mm(plot), size);
            net.look_near(&spot, memory)
        })
        .collect::<Result<_, _>>()
        .map(Some)
}

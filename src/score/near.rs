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
        .filter(|near| net.near_looks() > 0 && fine_enough(near.least_photo_px_per_mm))
    else {
        return Ok(None);
    };
    let widest = near.sides_px.iter().copied().max().unwrap_or_default();
    let size = (widest, near.px_per_mm);
    (hilltops.beans.iter().zip(&hilltops.inside))
        .map(|(peak, inside)| {
            if !inside || peak.heat < near.least_heat {
                return Ok(None);
            }
            let spot = plot::close_up(photo_pixels, &plot.map, peak.place_mm(plot), size);
            net.look_near(&spot, &near.sides_px, memory)
        })
        .collect::<Result<_, _>>()
        .map(Some)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        frame::{self, FrameSettings, FrameSpec},
        model::Model,
        plot::PlotSettings,
        score::learned,
    };

    fn plot_of(photo: &RgbImage, spec: FrameSpec) -> Plot {
        let frame = frame::find(photo, &FrameSettings::new(spec), None).unwrap();
        let settings = PlotSettings {
            px_per_mm: 2.4,
            ..PlotSettings::default()
        };
        plot::flatten(photo, &frame, spec, &settings).unwrap()
    }

    #[test]
    fn only_warm_hilltops_inside_the_frame_of_a_fine_photo_are_looked_at() {
        let file = include_bytes!("../../fixtures/forty-beans-some-touching/photo.jpg");
        let photo = image::load_from_memory(file).unwrap().to_rgb8();
        let plot = plot_of(&photo, "12x12in".parse().unwrap());
        let Model { net, mut card } = Model::built_in();
        card.near.as_mut().unwrap().least_photo_px_per_mm = 1.0;
        let memory = &mut Memory::default();
        let maps = learned::look(&plot, (&net, &card), memory).unwrap();
        let tops = Hilltops::of(&maps, &plot, &card);
        assert!(tops.inside.contains(&false) && tops.inside.contains(&true));
        let seen = look_near(&photo, &plot, &tops, (&net, &card), memory).unwrap();
        let seen = seen.expect("it is fine enough");
        let least = card.near.as_ref().unwrap().least_heat;
        for ((peak, inside), seen) in tops.beans.iter().zip(&tops.inside).zip(&seen) {
            assert_eq!(seen.is_some(), *inside && peak.heat >= least, "{peak:?}");
        }
        let again = look_near(&photo, &plot, &tops, (&net, &card), &mut Memory::default());
        assert_eq!(again.unwrap().unwrap(), seen);

        let finer = plot.photo_px_per_mm + 0.1;
        card.near.as_mut().unwrap().least_photo_px_per_mm = finer;
        let none = look_near(&photo, &plot, &tops, (&net, &card), memory).unwrap();
        assert!(none.is_none(), "a coarse photo is not");
    }
}

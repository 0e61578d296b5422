//! Whether what looks like beans is as large as beans: a frame of another size than was said gives a number that looks sure.

use image::{RgbImage, imageops};

use super::{
    Scored,
    learned::BEAN_REACH,
    net::{Maps, Memory, Net, NetError},
    peaks::peaks,
};
use crate::{geometry::Point, plot::Plot, stats::median};

/// Probability from which a bean's size is taken.
const SURE: f64 = 0.8;
/// Beans of which the median is told.
const FEWEST: usize = 4;
/// Heat of a hilltop that is counted at another scale.
const HOT: f64 = 0.5;
/// Hilltops at another scale from which it is said that the scale is wrong. On 51 photos whose frame was right there were 3 at most
/// (a network that looked twice), 1 where fewer than [`FEWEST`] beans were sure.
const FEWEST_HILLTOPS: usize = 5;
/// Width of a soybean as it is measured here, mm: median of 44 photos' medians.
const USUAL_MM: f64 = 6.1;
/// Most pixels a side of a view at another scale: as many as a 12 in frame's plot has, so that it costs no more than a look at that.
const VIEW_PX: u32 = 736;
/// Least side of a picture that the network is shown, px.
const LEAST_SIDE_PX: u32 = 64;

/// How large across (root of length times width) the beans of a plot are, mm; `None` where too few are seen to say.
///
/// With four and more sure beans it is their median. With fewer, and only then, it is looked whether the network sees beans when the
/// plot is drawn half or twice as large: it knows beans of about the right size only.
///
/// # Errors
/// [`NetError`] when the network does not run.
pub fn bean_mm(
    plot: &Plot,
    scored: &[Scored],
    net: &Net,
    memory: &mut Memory,
) -> Result<Option<f64>, NetError> {
    let sure = |s: &&Scored| s.chances.bean + s.chances.split >= SURE;
    let across = |s: &Scored| (s.candidate.length_mm * s.candidate.width_mm).sqrt();
    let mut sizes: Vec<f64> = scored.iter().filter(sure).map(across).collect();
    if sizes.len() >= FEWEST {
        return Ok(median(&mut sizes));
    }
    for (times, view) in [(2.0, half(plot)), (0.5, twice(plot))] {
        let (w, h) = view.dimensions();
        if w.min(h) < LEAST_SIDE_PX {
            continue;
        }
        let heat = net.look(&view, memory)?.bean_heat;
        if peaks(&heat, BEAN_REACH, HOT as f32, Maps::HEAT_PX).len() >= FEWEST_HILLTOPS {
            return Ok(Some(times * USUAL_MM));
        }
    }
    Ok(None)
}

/// The inside of the frame, of a large one the middle: at most so many pixels a side.
fn middle(plot: &Plot, most_side_px: u32) -> RgbImage {
    let from = plot.plot_px_from_mm(Point::new(0.0, 0.0));
    let margin = (from.x.max(0.0) as u32, from.y.max(0.0) as u32);
    let (w, h) = plot.raw.dimensions();
    let (inside_w, inside_h) = (
        w.saturating_sub(2 * margin.0),
        h.saturating_sub(2 * margin.1),
    );
    let (w, h) = (inside_w.min(most_side_px), inside_h.min(most_side_px));
    let (left, top) = (margin.0 + (inside_w - w) / 2, margin.1 + (inside_h - h) / 2);
    imageops::crop_imm(&plot.raw, left, top, w, h).to_image()
}

/// What lies inside the frame at half its size.
fn half(plot: &Plot) -> RgbImage {
    let view = middle(plot, 2 * VIEW_PX);
    let (w, h) = view.dimensions();
    imageops::resize(&view, w / 2, h / 2, imageops::FilterType::Triangle)
}

/// What lies inside the frame at twice its size.
fn twice(plot: &Plot) -> RgbImage {
    let view = middle(plot, VIEW_PX / 2);
    let (w, h) = view.dimensions();
    imageops::resize(&view, 2 * w, 2 * h, imageops::FilterType::CatmullRom)
}

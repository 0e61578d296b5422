//! Whether what looks like beans is as large as beans: a frame of another size than was said gives a number that looks sure.

use image::{RgbImage, imageops};

use super::{
    Scored,
    learned::BEAN_REACH,
    net::{Maps, Memory, Net, NetError},
    peaks::peaks,
};
use crate::{geometry::Point, plot::Plot, stats::quantile_sorted};

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
        sizes.sort_by(f64::total_cmp);
        return Ok(Some(quantile_sorted(&sizes, 0.5)));
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

/// Left, top, width and height of the inside of the frame, plot px.
fn inside(plot: &Plot) -> (u32, u32, u32, u32) {
    let from = plot.plot_px_from_mm(Point::new(0.0, 0.0));
    let (left, top) = (from.x.max(0.0) as u32, from.y.max(0.0) as u32);
    let (w, h) = plot.raw.dimensions();
    (
        left,
        top,
        w.saturating_sub(2 * left),
        h.saturating_sub(2 * top),
    )
}

/// The inside of the frame at half its size.
fn half(plot: &Plot) -> RgbImage {
    let (left, top, w, h) = inside(plot);
    let view = imageops::crop_imm(&plot.raw, left, top, w, h).to_image();
    imageops::resize(&view, w / 2, h / 2, imageops::FilterType::Triangle)
}

/// The middle half of the inside of the frame, each way, at twice its size: as many pixels as the whole.
fn twice(plot: &Plot) -> RgbImage {
    let (left, top, w, h) = inside(plot);
    let view = imageops::crop_imm(&plot.raw, left + w / 4, top + h / 4, w / 2, h / 2).to_image();
    imageops::resize(
        &view,
        w / 2 * 2,
        h / 2 * 2,
        imageops::FilterType::CatmullRom,
    )
}

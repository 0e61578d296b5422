//! Makes photos with a known number of beans and pods, and the truth about them.
//!
//! A scene is strewn with solids, looked at by a ray tracer of our own and put through a camera's
//! faults. Same [`Scene`], same bytes, on any number of threads. The pictures let a person see how
//! far to trust a count; they feed the demo, the fixtures and the property tests.
//!
//! Order of work: [`Scene`] → layout of camera and frame → soil → things strewn → light → rays →
//! camera → [`Staged`]. World millimetres: x to the right and y up in the picture, z up from the ground.

mod bars;
mod body;
mod bvh;
mod chance;
pub mod demo;
mod develop;
mod drop;
mod exif_note;
mod layout;
mod light;
mod maths;
mod noise;
mod palette;
mod relief;
mod residue;
mod scatter;
mod scene;
mod seed;
mod soil;
mod spot_card;
mod stuff;
mod trace;
mod truth;

#[cfg(test)]
mod tests;

use image::{ImageBuffer, Luma, RgbImage, imageops};

pub use scene::{
    Amount, Bar, CameraDesign, FrameDesign, GroundDesign, LightKind, LossDesign, Note, Scene,
    SceneError, Shadow, Soil, Tilth,
};
pub use spot_card::CardDesign;
pub use truth::{Conditions, TrueBean, TrueFrame, TruePod, Truth};

use chance::Dice;
use stuff::Label;

/// Labels of [`Staged::labels`]: ground 0, residue and stones 1, frame 2, beans from here in the order of the truth, pods from [`FIRST_POD_LABEL`].
pub const FIRST_BEAN_LABEL: u16 = 1000;
/// See [`FIRST_BEAN_LABEL`].
pub const FIRST_POD_LABEL: u16 = 30_000;

/// A staged photo.
#[derive(Debug, Clone)]
pub struct Staged {
    /// Upright 8-bit sRGB.
    pub pixels: RgbImage,
    /// What is in the middle of each pixel, upright; see [`FIRST_BEAN_LABEL`].
    pub labels: ImageBuffer<Luma<u16>, Vec<u16>>,
    /// What is known of it.
    pub truth: Truth,
}

/// Makes the photo of a scene.
///
/// # Errors
/// [`SceneError`] when a number is out of its range or there is no room for all beans.
pub fn render(scene: &Scene) -> Result<Staged, SceneError> {
    scene.check()?;
    let (camera, mut seat) = layout::lay_out(scene, &mut Dice::new(scene.seed, 1));
    let (low, high) = camera.ground_in_view(45.0);
    // Nothing finer than a pixel is seen.
    let pixel_mm = camera.at.z / camera.focal_px;
    let mut dice = Dice::new(scene.seed, 2);
    let mut ground = soil::Ground::make(&scene.ground, low, high, pixel_mm, &mut dice);
    if scene.frame.bar != Bar::None {
        seat.settle_on(&ground.relief, &mut Dice::new(scene.seed, 3));
        press_under_bars(&mut ground.relief, &seat);
    }
    ground.settle();
    let mut strewn = scatter::strew(scene, &seat, &ground, Dice::new(scene.seed, 4))?;
    if let Some(card) = &scene.card {
        let mut dice = Dice::new(scene.seed, 7);
        spot_card::lay(card, &seat, &camera, &mut dice, &mut strewn.pile);
    }
    let light = light::Light::make(scene, &camera, &seat, &mut Dice::new(scene.seed, 5));
    let world = trace::World {
        ground: &ground,
        strewn: &strewn,
        tree: bvh::Tree::over(&strewn.pile.corners, &strewn.pile.facets),
        camera: &camera,
        light: &light,
        seed: scene.seed,
    };
    let traced = world.trace();
    let known = truth::Known {
        scene,
        camera: &camera,
        seat: &seat,
        light: &light,
        strewn: &strewn,
        label: &traced.label,
    };
    let (truth, numbers) = known.truth();
    let labels = label_image(scene, &traced.label, &numbers);
    let pixels = develop::develop(scene, &light, traced.light, &mut Dice::new(scene.seed, 6));
    Ok(Staged {
        pixels,
        labels,
        truth,
    })
}

/// Soil gives way where a bar lies on it.
fn press_under_bars(relief: &mut relief::Relief, seat: &layout::Seat) {
    let half = seat.bar_mm() / 2.0;
    for j in 0..relief.ny {
        for i in 0..relief.nx {
            let (x, y) = relief.place(i, j);
            if !seat.under_bar(x, y, 0.4) {
                continue;
            }
            let room = if seat.is_pipe() {
                let off = (seat.inside_mm(x, y) + half).min(half);
                0.9 * (half - (half * half - off * off).max(0.0).sqrt())
            } else {
                0.0
            };
            let limit = seat.underside(x, y) + room - 0.2;
            let h = &mut relief.height_mm[j * relief.nx + i];
            *h = h.min(limit);
        }
    }
}

fn label_image(
    scene: &Scene,
    label: &[Label],
    numbers: &truth::Numbers,
) -> ImageBuffer<Luma<u16>, Vec<u16>> {
    let from = |first: u16, n: Option<usize>| n.map_or(1, |n| first.saturating_add(n as u16));
    let number = |l: &Label| match l {
        Label::Ground => 0,
        Label::Residue => 1,
        Label::Frame => 2,
        Label::Bean(i) => from(FIRST_BEAN_LABEL, numbers.beans[*i as usize]),
        Label::Pod(i) => from(FIRST_POD_LABEL, numbers.pods[*i as usize]),
    };
    let raw = label.iter().map(number).collect();
    ImageBuffer::from_raw(scene.width_px, scene.height_px, raw).expect("a label for every pixel")
}

/// The photo as a JPEG file with EXIF, stored turned as `scene.note.orientation` says.
pub fn jpeg(scene: &Scene, staged: &Staged) -> Vec<u8> {
    let stored = as_stored(&staged.pixels, scene.note.orientation);
    let mut out = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut out, scene.camera.jpeg_quality);
    encoder.set_sampling_factor(jpeg_encoder::SamplingFactor::F_2_2);
    encoder.set_optimized_huffman_tables(true);
    encoder
        .add_exif_metadata(&exif_note::exif_bytes(scene))
        .expect("the block is far below 64 KiB");
    encoder
        .encode(
            stored.as_raw(),
            stored.width() as u16,
            stored.height() as u16,
            jpeg_encoder::ColorType::Rgb,
        )
        .expect("writing to memory does not fail and the sides are checked");
    out
}

/// Turns an upright picture so that a reader who applies the EXIF orientation gets it back.
///
/// # Source
/// CIPA DC-008, tag 0x0112: 6 is stored turned a quarter left, 8 a quarter right.
fn as_stored(upright: &RgbImage, orientation: u8) -> RgbImage {
    match orientation {
        2 => imageops::flip_horizontal(upright),
        3 => imageops::rotate180(upright),
        4 => imageops::flip_vertical(upright),
        5 => imageops::flip_horizontal(&imageops::rotate90(upright)),
        6 => imageops::rotate270(upright),
        7 => imageops::flip_horizontal(&imageops::rotate270(upright)),
        8 => imageops::rotate90(upright),
        _ => upright.clone(),
    }
}

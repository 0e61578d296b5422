//! Each stage and the whole of it, on one staged photo at 12, 24, 48 and 108 million pixels: `cargo bench`.
//!
//! The photo is the demo's first; the larger ones are the same ground drawn larger, so they are softer than a camera's.
//! Times only compare within one run: `benches/beside.py` sets them beside other libraries.

use std::{hint::black_box, path::Path, sync::LazyLock};

use divan::{Bencher, counter::ItemsCount};
use fast_image_resize::{PixelType, ResizeOptions, Resizer, images::Image};
use image::RgbImage;
use jpeg_encoder::{ColorType, Encoder};
use podfall::{
    annotate,
    candidate::Middles,
    frame::{self, FoundFrame, FrameSettings},
    ground::{self, Ground},
    model::Model,
    photo::{self, PhotoLimits},
    pipeline::{self, Counted, Settings},
    plot::{self, Plot, PlotSettings},
    present,
    score::{
        learned::{self, Hilltops},
        look_near,
        net::Memory,
    },
};

fn main() {
    divan::main();
}

/// Million pixels.
const SIZES: [u32; 4] = [12, 24, 48, 108];

struct Bench {
    jpeg: Vec<u8>,
    pixels: RgbImage,
    frame: FoundFrame,
    plot: Plot,
    ground: Ground,
    counted: Counted,
}

static MODEL: LazyLock<Model> = LazyLock::new(Model::built_in);

static SETTINGS: LazyLock<Settings> =
    LazyLock::new(|| Settings::new(FrameSettings::new("12x12in".parse().expect("a size"))));

fn plot_settings() -> PlotSettings {
    PlotSettings {
        px_per_mm: MODEL.card.px_per_mm,
        ..PlotSettings::default()
    }
}

fn demo_photo() -> RgbImage {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-images");
    let bytes = std::fs::read(folder.join("IMG_20261003_160412.jpg")).expect("the demo's photo");
    photo::read(&bytes, "demo", &PhotoLimits::default())
        .expect("a photo")
        .pixels
}

/// The demo's photo drawn so large.
fn enlarged(mpx: u32) -> RgbImage {
    let photo = demo_photo();
    let (w, h) = photo.dimensions();
    let by = (f64::from(mpx) * 1e6 / (f64::from(w) * f64::from(h))).sqrt();
    let (to_w, to_h) = ((f64::from(w) * by) as u32, (f64::from(h) * by) as u32);
    let from = Image::from_vec_u8(w, h, photo.into_raw(), PixelType::U8x3).expect("as large");
    let mut to = Image::new(to_w, to_h, PixelType::U8x3);
    Resizer::new()
        .resize(&from, &mut to, &ResizeOptions::new())
        .expect("same kind of pixels");
    RgbImage::from_raw(to_w, to_h, to.into_vec()).expect("as large")
}

fn bench(mpx: u32) -> Bench {
    let pixels = enlarged(mpx);
    let mut jpeg = Vec::new();
    let (w, h) = (pixels.width() as u16, pixels.height() as u16);
    let encoder = Encoder::new(&mut jpeg, 90);
    encoder
        .encode(&pixels, w, h, ColorType::Rgb)
        .expect("a photo");
    let frame = frame::find(&pixels, &SETTINGS.frame, None).expect("a frame");
    let plot = plot::flatten(&pixels, &frame, SETTINGS.frame.spec, &plot_settings()).expect("flat");
    let ground = ground::classify(&plot, &SETTINGS.ground);
    let counted = pipeline::count_photo(&jpeg, "bench", &SETTINGS, &MODEL);
    Bench {
        jpeg,
        pixels,
        frame,
        plot,
        ground,
        counted,
    }
}

/// Of one size at a time: all of them together are gigabytes.
fn with(bencher: Bencher, mpx: u32, stage: impl Fn(&Bench)) {
    let bench = bench(mpx);
    bencher
        .counter(ItemsCount::new(mpx))
        .bench_local(|| stage(&bench));
}

#[divan::bench(args = SIZES, sample_count = 5, sample_size = 1)]
fn s1_photo(bencher: Bencher, mpx: u32) {
    with(bencher, mpx, |b| {
        black_box(photo::read(&b.jpeg, "bench", &PhotoLimits::default())).ok();
    });
}

#[divan::bench(args = SIZES, sample_count = 5, sample_size = 1)]
fn s2_frame(bencher: Bencher, mpx: u32) {
    with(bencher, mpx, |b| {
        black_box(frame::find(&b.pixels, &SETTINGS.frame, None)).ok();
    });
}

#[divan::bench(args = SIZES, sample_count = 5, sample_size = 1)]
fn s3_plot(bencher: Bencher, mpx: u32) {
    with(bencher, mpx, |b| {
        black_box(plot::flatten(
            &b.pixels,
            &b.frame,
            SETTINGS.frame.spec,
            &plot_settings(),
        ))
        .ok();
    });
}

#[divan::bench(args = [12], sample_count = 5, sample_size = 1)]
fn s4_ground(bencher: Bencher, mpx: u32) {
    with(bencher, mpx, |b| {
        black_box(ground::classify(&b.plot, &SETTINGS.ground));
    });
}

#[divan::bench(args = [12], sample_count = 5, sample_size = 1)]
fn s5_middles(bencher: Bencher, mpx: u32) {
    with(bencher, mpx, |b| {
        black_box(Middles::find(&b.plot, &b.ground, &SETTINGS.blobs));
    });
}

/// The middles among it, and the outlines that are asked for.
#[divan::bench(args = [12], sample_count = 5, sample_size = 1)]
fn s6_score(bencher: Bencher, mpx: u32) {
    with(bencher, mpx, |b| {
        let maps = learned::look(&b.plot, (&MODEL.net, &MODEL.card), &mut Memory::default())
            .expect("it looks");
        let middles = Middles::find(&b.plot, &b.ground, &SETTINGS.blobs);
        let hilltops = Hilltops::of(&maps, &b.plot, &MODEL.card);
        let model = (&MODEL.net, &MODEL.card);
        let near = look_near(&b.pixels, &b.plot, &hilltops, model, &mut Memory::default())
            .expect("it looks");
        let seen = (&maps, &hilltops, near.as_deref());
        black_box(learned::judge(
            &b.plot,
            &b.ground,
            &middles,
            seen,
            &MODEL.card,
        ));
    });
}

#[divan::bench(args = [12, 108], sample_count = 5, sample_size = 1)]
fn s7_pictures(bencher: Bencher, mpx: u32) {
    with(bencher, mpx, |b| {
        let picture = b.counted.picture.as_ref().expect("a picture");
        black_box(present::draw(picture, &b.counted.count, &SETTINGS, 60));
    });
}

/// Of the pictures, the drawing alone.
#[divan::bench(args = [12], sample_count = 5, sample_size = 1)]
fn s7a_drawing(bencher: Bencher, mpx: u32) {
    with(bencher, mpx, |b| {
        let picture = b.counted.picture.as_ref().expect("a picture");
        let plot = picture.plot.as_ref().expect("a plot");
        black_box(annotate::picture(
            &picture.photo,
            plot,
            &b.counted.count,
            None,
        ));
    });
}

#[divan::bench(args = SIZES, sample_count = 5, sample_size = 1)]
fn whole_count(bencher: Bencher, mpx: u32) {
    with(bencher, mpx, |b| {
        black_box(pipeline::count_photo(&b.jpeg, "bench", &SETTINGS, &MODEL));
    });
}

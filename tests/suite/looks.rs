//! What the confirm page looks like, held against expected pictures. They are kept small, a quarter of the size each way: a
//! letter drawn a little otherwise on another machine is then a shade of grey, and a panel that is gone is gone.

use std::{fs, path::PathBuf};

use image::{RgbImage, imageops};
use podfall::{
    counts::{CountsFile, ModelName},
    model::built_in_card,
};

use crate::{
    field::Field,
    pictures::{fixture, fixture_bytes},
};

/// The photos, and the fixtures that they are.
const PHOTOS: [(&str, &str); 3] = [
    ("forty.jpg", "forty-beans-some-touching"),
    ("ring.jpg", "ring-on-pale-soil"),
    ("no-frame.jpg", "no-frame"),
];

const STATES: [&str; 5] = [
    "desktop",
    "desktop-said-grey",
    "desktop-ring",
    "phone",
    "phone-no-frame",
];

/// By how much a screenshot is made smaller each way: desktop, phone.
const SMALLER: (u32, u32) = (4, 2);

/// Most levels by which a channel may be off on average. A panel that is gone is off by 3 and more.
const MOST_MEAN: f64 = 1.5;
/// A pixel differs when a channel is off by more levels than this.
const DIFFERS: u8 = 32;
/// Largest share of pixels that may differ.
const MOST_SHARE: f64 = 0.01;

fn expected() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/browser/expected")
}

/// A season with counts that stand in the tree, so that another scorer changes nothing here.
pub fn season() -> Field {
    let field = Field::new();
    field.put("podfall.toml", b"frame = \"12x12in\"\n");
    fs::create_dir(field.path("out")).unwrap();
    let mut counts: CountsFile =
        serde_json::from_slice(&fs::read(expected().join("counts.json")).unwrap()).unwrap();
    // As if counted with the present model: with another one no edge could be set anew.
    let card = built_in_card();
    counts.model = ModelName {
        name: card.name,
        sha256: card.sha256,
    };
    field.put("out/counts.json", &serde_json::to_vec(&counts).unwrap());
    for (name, case) in PHOTOS {
        let bytes = fixture_bytes(&format!("{case}/photo.jpg"));
        field.put(&format!("photos/{name}"), &bytes);
    }
    field
}

fn small(path: &PathBuf, state: &str) -> RgbImage {
    let picture = image::open(path).unwrap().to_rgb8();
    let by = if state.starts_with("phone") {
        SMALLER.1
    } else {
        SMALLER.0
    };
    imageops::thumbnail(&picture, picture.width() / by, picture.height() / by)
}

/// Mean difference in levels, and share of pixels that differ.
fn apart(a: &RgbImage, b: &RgbImage) -> (f64, f64) {
    if a.dimensions() != b.dimensions() {
        return (255.0, 1.0);
    }
    let pairs = || a.pixels().zip(b.pixels());
    let most = |(p, q): (&image::Rgb<u8>, &image::Rgb<u8>)| {
        let off = p.0.iter().zip(q.0).map(|(x, y)| x.abs_diff(y));
        off.max().unwrap_or(0)
    };
    let sum: f64 = (a.as_raw().iter().zip(b.as_raw()))
        .map(|(x, y)| f64::from(x.abs_diff(*y)))
        .sum();
    let differ = pairs().filter(|&pair| most(pair) > DIFFERS).count();
    let pixels = f64::from(a.width() * a.height());
    (sum / (3.0 * pixels), differ as f64 / pixels)
}

/// Holds the pictures that the browser made against the expected ones. Expected, difference and what was got lie in
/// `target/browser-pictures` when they differ.
pub fn hold_against_expected() {
    let got_in = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/browser-pictures");
    let mut wrong = Vec::new();
    for state in STATES {
        let got = small(&got_in.join(format!("looks-{state}.png")), state);
        let path = expected().join(format!("{state}.webp"));
        if std::env::var("GOLDEN").as_deref() == Ok("update") {
            got.save(&path).unwrap();
            continue;
        }
        let wanted = image::open(&path).unwrap().to_rgb8();
        let (mean, share) = apart(&got, &wanted);
        println!(
            "{state}: mean difference {mean:.2} levels, {:.2} % of pixels differ",
            100.0 * share
        );
        if mean > MOST_MEAN || share > MOST_SHARE {
            let (w, h) = wanted.dimensions();
            let mut three = RgbImage::new(3 * w, h.max(got.height()));
            imageops::replace(&mut three, &wanted, 0, 0);
            imageops::replace(&mut three, &got, i64::from(2 * w), 0);
            for (x, y, p) in wanted.enumerate_pixels() {
                let q = got
                    .get_pixel_checked(x, y)
                    .copied()
                    .unwrap_or(image::Rgb([0; 3]));
                let off = |c: usize| p.0[c].abs_diff(q.0[c]);
                three.put_pixel(w + x, y, image::Rgb([off(0), off(1), off(2)]));
            }
            let kept = got_in.join(format!("differs-{state}.png"));
            three.save(&kept).unwrap();
            wrong.push(format!(
                "{state}: mean difference {mean:.2} levels (at most {MOST_MEAN}), {:.2} % of pixels differ (at most {}); \
                 expected, difference and got: {}",
                100.0 * share,
                100.0 * MOST_SHARE,
                kept.display()
            ));
        }
    }
    assert!(
        wrong.is_empty(),
        "{}\nLook at them; GOLDEN=update makes them anew",
        wrong.join("\n")
    );
}

/// The measure itself: white panels of a page, one of them gone, differ; a grain of a few levels does not.
#[test]
fn a_panel_that_is_gone_is_seen_and_grain_is_not() {
    let page = image::open(fixture("ten-beans-in-the-open/photo.jpg")).unwrap();
    let page = imageops::thumbnail(&page.to_rgb8(), 360, 225);
    let mut gone = page.clone();
    for y in 30..80 {
        for x in 290..350 {
            gone.put_pixel(x, y, image::Rgb([255; 3]));
        }
    }
    let (mean, share) = apart(&page, &gone);
    assert!(mean > MOST_MEAN && share > MOST_SHARE, "{mean} {share}");
    let mut grain = page.clone();
    for (x, y, p) in grain.enumerate_pixels_mut() {
        p.0[0] = p.0[0].saturating_add(((x * 7 + y * 13) % 4) as u8);
    }
    let (mean, share) = apart(&page, &grain);
    assert!(mean < MOST_MEAN && share < MOST_SHARE, "{mean} {share}");
}

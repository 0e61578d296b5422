//! Frames drawn with known corners, found again.

use image::{Rgb, RgbImage};

use super::*;
use crate::geometry::Homography;

/// A drawn scene: a frame of inside `w` × `h` mm and bars 30 mm wide on speckled ground.
struct Drawn {
    size: (u32, u32),
    inside_mm: (f64, f64),
    corners: [Point; 4],
    bar: [f64; 3],
    k1: f64,
}

impl Drawn {
    fn new(inside_mm: (f64, f64), corners: [[f64; 2]; 4]) -> Self {
        Self {
            size: (1600, 1200),
            inside_mm,
            corners: corners.map(Point::from),
            bar: [225.0, 225.0, 218.0],
            k1: 0.0,
        }
    }

    fn lens(&self) -> LensBend {
        LensBend {
            k1: self.k1,
            ..LensBend::none(self.size.0, self.size.1)
        }
    }

    /// Draws it, `shade` giving the light at a pixel.
    fn draw(&self, shade: impl Fn(u32, u32) -> f64) -> RgbImage {
        let (w, h) = self.inside_mm;
        let flat = [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)].map(|(x, y)| Point::new(x, y));
        let mm_from_straight = Homography::from_four(self.corners, flat).unwrap();
        let lens = self.lens();
        RgbImage::from_fn(self.size.0, self.size.1, |x, y| {
            let ground = ground(x, y);
            let (mut bar_share, light) = (0.0, shade(x, y));
            for (i, j) in [(0.25, 0.25), (0.75, 0.25), (0.25, 0.75), (0.75, 0.75)] {
                let p = Point::new(f64::from(x) + i, f64::from(y) + j);
                let p = mm_from_straight.apply(lens.straight_px_from_photo_px(p));
                let out = (-p.x).max(p.x - w).max(-p.y).max(p.y - h);
                bar_share += if (0.0..30.0).contains(&out) {
                    0.25
                } else {
                    0.0
                };
            }
            Rgb(std::array::from_fn(|c| {
                let value = self.bar[c] * bar_share + ground[c] * (1.0 - bar_share);
                (value * light).round() as u8
            }))
        })
    }

    /// Where the corners are in the photo.
    fn truth(&self) -> [Point; 4] {
        self.corners
            .map(|c| self.lens().photo_px_from_straight_px(c))
    }
}

/// Speckled brown ground: patches of 5 px, each its own lightness.
fn ground(x: u32, y: u32) -> [f64; 3] {
    let mut n = (x / 5).wrapping_mul(0x9E37_79B1) ^ (y / 5).wrapping_mul(0x85EB_CA77);
    n = (n ^ (n >> 15)).wrapping_mul(0x2C1B_3C6D);
    n = (n ^ (n >> 12)).wrapping_mul(0x297A_2D39);
    let light = 0.7 + 0.6 * f64::from((n ^ (n >> 15)) & 0xFF) / 255.0;
    [112.0 * light, 90.0 * light, 68.0 * light]
}

fn settings(frame: &str) -> FrameSettings {
    FrameSettings::new(frame.parse().unwrap())
}

fn corners_of(found: &FoundFrame) -> [Point; 4] {
    match found.outline {
        Outline::Corners(c) => c,
        Outline::Ring(_) => panic!("a rectangle was looked for"),
    }
}

fn square() -> Drawn {
    Drawn::new(
        (304.8, 304.8),
        [
            [455.0, 250.0],
            [1120.0, 285.0],
            [1100.0, 935.0],
            [420.0, 905.0],
        ],
    )
}

/// Farthest any true corner is from the nearest found one.
fn worst(found: &[Point; 4], truth: &[Point; 4]) -> f64 {
    truth
        .iter()
        .map(|t| {
            found
                .iter()
                .map(|f| f.distance(*t))
                .fold(f64::MAX, f64::min)
        })
        .fold(0.0, f64::max)
}

#[test]
fn white_pipe_on_soil_to_sub_pixel() {
    let drawn = square();
    let found = find(&drawn.draw(|_, _| 1.0), &settings("12x12in"), None).unwrap();
    assert!(
        worst(&corners_of(&found), &drawn.truth()) < 0.6,
        "{found:?}"
    );
    assert!(found.confidence > 0.9 && found.edge_seen > 0.95);
    assert!(
        (found.bar_width_mm - 30.0).abs() < 3.0,
        "{}",
        found.bar_width_mm
    );
    for (got, drawn) in found.bar_srgb.iter().zip(drawn.bar) {
        assert!((f64::from(*got) - drawn).abs() < 6.0);
    }
}

#[test]
fn wood_blue_and_black_need_not_be_named() {
    for bar in [
        [190.0, 150.0, 100.0],
        [30.0, 80.0, 170.0],
        [24.0, 24.0, 26.0],
    ] {
        let drawn = Drawn { bar, ..square() };
        let found = find(&drawn.draw(|_, _| 1.0), &settings("12x12in"), None).unwrap();
        assert!(worst(&corners_of(&found), &drawn.truth()) < 1.5, "{bar:?}");
    }
}

#[test]
fn width_side_comes_first_either_way_round() {
    let drawn = Drawn::new(
        (500.0, 250.0),
        [
            [250.0, 330.0],
            [1310.0, 390.0],
            [1290.0, 905.0],
            [215.0, 870.0],
        ],
    );
    let photo = drawn.draw(|_, _| 1.0);
    for (frame, wide) in [("50x25cm", true), ("25x50cm", false)] {
        let found = find(&photo, &settings(frame), None).unwrap();
        let c = corners_of(&found);
        assert_eq!(c[0].distance(c[1]) > c[1].distance(c[2]), wide);
        let twice: f64 = (0..4)
            .map(|i| c[i].x * c[(i + 1) % 4].y - c[(i + 1) % 4].x * c[i].y)
            .sum();
        assert!(twice > 0.0, "clockwise with y down");
    }
}

#[test]
fn turning_the_photo_turns_the_corners() {
    let drawn = square();
    let photo = drawn.draw(|_, _| 1.0);
    let turned = image::imageops::rotate90(&photo);
    let found = corners_of(&find(&turned, &settings("12x12in"), None).unwrap());
    let truth = drawn.truth().map(|p| Point::new(1200.0 - p.y, p.x));
    assert!(worst(&found, &truth) < 0.6);
}

#[test]
fn a_hard_shadow_across_does_not_move_it() {
    let drawn = square();
    let photo = drawn.draw(|x, y| {
        if (600..850).contains(&(x + y / 4)) {
            0.35
        } else {
            1.0
        }
    });
    let found = find(&photo, &settings("12x12in"), None).unwrap();
    assert!(
        worst(&corners_of(&found), &drawn.truth()) < 1.0,
        "{found:?}"
    );
}

#[test]
fn lens_bend_is_read_from_the_bars() {
    let drawn = Drawn {
        k1: -0.06,
        ..square()
    };
    let found = find(&drawn.draw(|_, _| 1.0), &settings("12x12in"), None).unwrap();
    assert!((found.lens.k1 + 0.06).abs() < 0.02, "{:?}", found.lens);
    assert!(worst(&corners_of(&found), &drawn.truth()) < 0.8);
    let straight = find(&square().draw(|_, _| 1.0), &settings("12x12in"), None).unwrap();
    assert!(straight.lens.k1.abs() < 0.01, "{:?}", straight.lens);
}

#[test]
fn outside_of_the_bar_may_be_cut_off() {
    let drawn = Drawn::new(
        (304.8, 304.8),
        [
            [330.0, 25.0],
            [1480.0, 20.0],
            [1490.0, 1178.0],
            [335.0, 1175.0],
        ],
    );
    let found = find(&drawn.draw(|_, _| 1.0), &settings("12x12in"), None).unwrap();
    assert!(
        worst(&corners_of(&found), &drawn.truth()) < 1.0,
        "{found:?}"
    );
}

#[test]
fn ground_without_a_frame_and_other_shapes_are_refused() {
    let bare = RgbImage::from_fn(1600, 1200, |x, y| Rgb(ground(x, y).map(|v| v as u8)));
    let none = |photo: &RgbImage, frame: &str| {
        matches!(
            find(photo, &settings(frame), None),
            Err(FrameError::NotFound { .. })
        )
    };
    assert!(none(&bare, "12x12in"));
    assert!(none(&bare, "ring:610mm"));
    let drawn = square().draw(|_, _| 1.0);
    assert!(none(&drawn, "50x25cm"));
    assert!(none(&drawn, "ring:12in"));
}

#[test]
fn coarse_and_oblique_photos_say_so() {
    let photo = square().draw(|_, _| 1.0);
    let mut fine = settings("12x12in");
    fine.min_bean_px = 16.0;
    assert!(matches!(
        find(&photo, &fine, None),
        Err(FrameError::TooCoarse { .. })
    ));
    let leant = Drawn::new(
        (304.8, 304.8),
        [
            [500.0, 350.0],
            [1100.0, 350.0],
            [1220.0, 900.0],
            [380.0, 900.0],
        ],
    );
    let mut level = settings("12x12in");
    level.max_tilt_deg = 5.0;
    assert!(matches!(
        find(&leant.draw(|_, _| 1.0), &level, None),
        Err(FrameError::TooOblique { .. })
    ));
}

#[test]
fn a_ring_is_found_by_its_inner_edge() {
    let (a, b, turn) = (420.0, 400.0, 0.5_f64);
    let photo = RgbImage::from_fn(1600, 1200, |x, y| {
        let (dx, dy) = (f64::from(x) + 0.5 - 800.0, f64::from(y) + 0.5 - 590.0);
        let (u, v) = (
            dx * turn.cos() + dy * turn.sin(),
            dy * turn.cos() - dx * turn.sin(),
        );
        let inside = (u / a).hypot(v / b) < 1.0;
        let outside = (u / (a + 22.0)).hypot(v / (b + 22.0)) > 1.0;
        let colour = if inside || outside {
            ground(x, y)
        } else {
            [235.0, 215.0, 60.0]
        };
        Rgb(colour.map(|v| v as u8))
    });
    let found = find(&photo, &settings("ring:610mm"), None).unwrap();
    let Outline::Ring(ellipse) = found.outline else {
        panic!("a ring")
    };
    assert!(
        ellipse.centre_px.distance(Point::new(800.0, 590.0)) < 0.6,
        "{ellipse:?}"
    );
    assert!((ellipse.semi_major_px - a).abs() < 1.0 && (ellipse.semi_minor_px - b).abs() < 1.0);
    assert!(found.confidence > 0.8);
}

#[test]
fn the_same_photo_gives_the_same_frame() {
    let photo = square().draw(|_, _| 1.0);
    let once = find(&photo, &settings("12x12in"), Some(26.0));
    assert_eq!(once, find(&photo, &settings("12x12in"), Some(26.0)));
}

#[test]
fn tiny_and_flat_pictures_do_no_harm() {
    for (w, h) in [(1, 1), (2, 3), (7, 900), (64, 64)] {
        let flat = RgbImage::from_pixel(w, h, Rgb([90, 80, 70]));
        assert!(find(&flat, &settings("12x12in"), None).is_err());
        assert!(find(&flat, &settings("ring:610mm"), None).is_err());
    }
}

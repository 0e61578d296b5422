use image::{Rgb, RgbImage};

use super::*;
use crate::{
    colour,
    frame::{Ellipse, HowFound, Outline},
    geometry::LensBend,
};

fn found(outline: Outline, width_px: u32, height_px: u32) -> FoundFrame {
    FoundFrame {
        outline,
        lens: LensBend::none(width_px, height_px),
        how: HowFound::Given,
        confidence: 1.0,
        corner_error_px: 0.0,
        edge_seen: 1.0,
        tilt_deg: None,
        bar_srgb: [0; 3],
        bar_width_mm: 0.0,
    }
}

fn square(side_mm: f64) -> FrameSpec {
    FrameSpec::Rectangle {
        width_mm: side_mm,
        height_mm: side_mm,
    }
}

fn corners(points: [[f64; 2]; 4]) -> Outline {
    Outline::Corners(points.map(Point::from))
}

fn plain() -> PlotSettings {
    PlotSettings {
        even_light: false,
        ..PlotSettings::default()
    }
}

/// A photo of a colour that depends on the place on the ground.
fn photo_of(map: &PlotMap, w: u32, h: u32, colour: impl Fn(Point) -> u8) -> RgbImage {
    RgbImage::from_fn(w, h, |x, y| {
        let mm = map.plot_mm_from_photo_px(Point::new(f64::from(x) + 0.5, f64::from(y) + 0.5));
        Rgb([colour(mm); 3])
    })
}

#[test]
fn a_disc_lies_where_it_lay_on_the_ground() {
    let mut frame = found(
        corners([[80.0, 60.0], [520.0, 95.0], [560.0, 500.0], [50.0, 450.0]]),
        640,
        560,
    );
    frame.lens.k1 = -0.04;
    let map = outline::map(&frame, square(100.0)).unwrap();
    let spots = [(20.0, 30.0), (80.0, 25.0), (50.0, 50.0), (75.0, 85.0)];
    let photo = photo_of(&map, 640, 560, |p| {
        let near = spots
            .iter()
            .any(|(x, y)| p.distance(Point::new(*x, *y)) < 4.0);
        if near { 230 } else { 40 }
    });
    let plot = flatten(&photo, &frame, square(100.0), &plain()).unwrap();
    for (x, y) in spots {
        let (mut sx, mut sy, mut sum) = (0.0, 0.0, 0.0);
        for (px, py, c) in plot.raw.enumerate_pixels() {
            let mm = plot.mm_from_plot_px(Point::new(f64::from(px) + 0.5, f64::from(py) + 0.5));
            if mm.distance(Point::new(x, y)) < 7.0 {
                let weight = f64::from(c.0[0]) - 40.0;
                (sx, sy, sum) = (sx + weight * mm.x, sy + weight * mm.y, sum + weight);
            }
        }
        let centre = Point::new(sx / sum, sy / sum);
        assert!(
            centre.distance(Point::new(x, y)) < 0.08,
            "{centre:?}, not {x}, {y}"
        );
    }
}

#[test]
fn a_close_up_shows_what_the_plot_shows_there() {
    let outline = corners([[80.0, 60.0], [940.0, 95.0], [900.0, 900.0], [110.0, 880.0]]);
    let mut frame = found(outline, 1000, 960);
    frame.lens.k1 = -0.03;
    let map = outline::map(&frame, square(100.0)).unwrap();
    let photo = photo_of(&map, 1000, 960, |p| {
        (128.0 + 60.0 * (p.x * 0.9).sin() + 50.0 * (p.y * 0.7).cos()) as u8
    });
    for px_per_mm in [3.0, 6.0, 12.0] {
        let settings = PlotSettings {
            px_per_mm,
            ..plain()
        };
        let plot = flatten(&photo, &frame, square(100.0), &settings).unwrap();
        for (x, y) in [(0.5, 0.5), (30.0, 71.0), (99.0, 50.0)] {
            let spot = close_up(&photo, &plot.map, Point::new(x, y), (32, px_per_mm));
            assert_eq!(spot.dimensions(), (32, 32));
            let corner = plot.plot_px_from_mm(Point::new(x, y));
            let (left, top) = (corner.x.round() as u32 - 16, corner.y.round() as u32 - 16);
            for (sx, sy, pixel) in spot.enumerate_pixels() {
                let whole = plot.raw.get_pixel(left + sx, top + sy).0[0];
                // Half a pixel apart at most, and 60 levels of wave over some millimetres.
                let off = pixel.0[0].abs_diff(whole);
                assert!(off < 16, "{px_per_mm} px per mm, {x}, {y}: {off} levels");
            }
        }
    }
}

/// The mean over a plot pixel's ground by 8 × 8 places, each the nearest photo pixel.
fn slow_mean(photo: &RgbImage, plot: &Plot, x: u32, y: u32) -> f64 {
    let mut sum = 0.0;
    for k in 0..64 {
        let (i, j) = (f64::from(k % 8) + 0.5, f64::from(k / 8) + 0.5);
        let p = Point::new(f64::from(x) + i / 8.0, f64::from(y) + j / 8.0);
        let q = plot.map.photo_px_from_plot_mm(plot.mm_from_plot_px(p));
        sum += f64::from(photo.get_pixel(q.x as u32, q.y as u32).0[0]);
    }
    sum / 64.0
}

#[test]
fn the_fast_way_equals_averaging_the_photo() {
    for size in [520.0, 900.0, 2300.0] {
        let n = size as u32;
        let outline = corners([
            [0.1 * size, 0.1 * size],
            [0.9 * size, 0.12 * size],
            [0.88 * size, 0.9 * size],
            [0.11 * size, 0.88 * size],
        ]);
        let photo = RgbImage::from_fn(n, n, |x, y| {
            let (u, v) = (f64::from(x) / size, f64::from(y) / size);
            let wave = (u * 70.0).sin() * (v * 55.0).cos();
            Rgb([(128.0 + 90.0 * wave) as u8; 3])
        });
        let plot = flatten(&photo, &found(outline, n, n), square(120.0), &plain()).unwrap();
        let mut worst = 0.0_f64;
        for (x, y) in [(50, 60), (200, 100), (333, 222), (120, 380), (300, 301)] {
            let got = f64::from(plot.raw.get_pixel(x, y).0[0]);
            worst = worst.max((got - slow_mean(&photo, &plot, x, y)).abs());
        }
        assert!(worst < 6.0, "photo of {n} px: off by {worst:.1} levels");
    }
}

#[test]
fn stripes_too_fine_to_be_seen_turn_grey() {
    // 15 photo px to the plot pixel; stripes of 3 px keep at most a third of their contrast
    // (taking the nearest photo pixel would leave bands of full contrast).
    let photo = RgbImage::from_fn(2600, 2600, |x, _| Rgb([if x % 6 < 3 { 255 } else { 0 }; 3]));
    let outline = corners([
        [100.0, 100.0],
        [2500.0, 100.0],
        [2500.0, 2500.0],
        [100.0, 2500.0],
    ]);
    let settings = PlotSettings {
        px_per_mm: 1.6,
        ..plain()
    };
    let plot = flatten(
        &photo,
        &found(outline, 2600, 2600),
        square(100.0),
        &settings,
    )
    .unwrap();
    for p in plot.raw.pixels() {
        assert!(
            p.0[0].abs_diff(128) < 40,
            "a stripe came through: {}",
            p.0[0]
        );
    }
}

#[test]
fn a_raised_bar_shows_more_ground() {
    // Straight down from 1000 mm, focal length 26 mm of a 36 mm wide picture of 3000 px: 2.1667 px per mm.
    let px_per_mm = 26.0 / 36.0 * 3000.0 / 1000.0;
    let half = 304.8 * px_per_mm / 2.0;
    let (l, r, t, b) = (1500.0 - half, 1500.0 + half, 1000.0 - half, 1000.0 + half);
    let frame = found(corners([[l, t], [r, t], [r, b], [l, b]]), 3000, 2000);
    let map = outline::map(&frame, square(304.8)).unwrap();
    let distance_mm = outline::camera_distance_mm(&map, square(304.8), Some(26.0));
    assert!((distance_mm - 1000.0).abs() < 0.5, "{distance_mm}");
    let settings = |height| PlotSettings {
        bar_height_mm: height,
        focal_length_35mm_mm: Some(26.0),
        ..PlotSettings::default()
    };
    let known = outline::seen_area(&map, &frame, square(304.8), &settings(Some(12.7)));
    let inside_m2 = 0.3048 * 0.3048;
    // Similar triangles: (1000 + 12.7)² / 1000² = 1.0256, the 2 to 3 % of a 1 in pipe.
    assert!((known.best_m2 / inside_m2 - 1.0256).abs() < 1e-3);
    let unknown = outline::seen_area(&map, &frame, square(304.8), &settings(None));
    assert!(unknown.low_m2 <= inside_m2 + 1e-9 && unknown.high_m2 > known.best_m2);
    assert!(unknown.low_m2 < unknown.best_m2 && unknown.best_m2 < unknown.high_m2);
}

#[test]
fn a_leaning_camera_keeps_its_distance() {
    // A camera 900 mm above the plane, leaning 20°: corners by projection with focal length 2000 px.
    let (sin, cos) = 20_f64.to_radians().sin_cos();
    let project = |x: f64, y: f64| {
        // The camera stands at (150, 150 - 900 tan) looking at (150, 150).
        let (dx, dy, dz) = (x - 150.0, y - 150.0 + 900.0 * sin / cos, 900.0);
        let depth = dy * sin + dz * cos;
        [
            1500.0 + 2000.0 * dx / depth,
            1000.0 + 2000.0 * (dy * cos - dz * sin) / depth,
        ]
    };
    let outline = corners([
        project(0.0, 0.0),
        project(300.0, 0.0),
        project(300.0, 300.0),
        project(0.0, 300.0),
    ]);
    let map = outline::map(&found(outline, 3000, 2000), square(300.0)).unwrap();
    let distance_mm =
        outline::camera_distance_mm(&map, square(300.0), Some(2000.0 * 36.0 / 3000.0));
    assert!((distance_mm - 900.0).abs() < 1.0, "{distance_mm}");
}

#[test]
fn a_ring_becomes_a_circle() {
    let ellipse = Ellipse {
        centre_px: Point::new(500.0, 400.0),
        semi_major_px: 300.0,
        semi_minor_px: 280.0,
        angle_rad: 0.6,
    };
    let spec = FrameSpec::Ring { diameter_mm: 200.0 };
    let frame = found(Outline::Ring(ellipse), 1000, 800);
    let plot = flatten(&RgbImage::new(1000, 800), &frame, spec, &plain()).unwrap();
    for k in 0..36 {
        let t = f64::from(k) * 10_f64.to_radians();
        let (a, b) = (300.0 * t.cos(), 280.0 * t.sin());
        let (sin, cos) = 0.6_f64.sin_cos();
        let rim = Point::new(500.0 + a * cos - b * sin, 400.0 + a * sin + b * cos);
        let mm = plot.map.plot_mm_from_photo_px(rim);
        assert!((mm.distance(Point::new(100.0, 100.0)) - 100.0).abs() < 1e-6);
    }
    let inside = plot.inside.pixels().filter(|p| p.0[0] != 0).count() as f64 / 9.0;
    assert!((inside / (std::f64::consts::PI * 1e4) - 1.0).abs() < 0.005);
}

/// Ground with some texture, its right part in shadow by this factor of linear light.
fn half_shaded(factor: f32) -> RgbImage {
    let mut state = 1_u32;
    RgbImage::from_fn(700, 700, |x, _| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let light = 0.15 + 0.1 * (state >> 24) as f32 / 255.0;
        let light = if x >= 350 { light * factor } else { light };
        Rgb([light * 1.1, light, light * 0.8].map(colour::srgb8_from_linear))
    })
}

fn in_shade(factor: f32) -> Plot {
    let outline = corners([[50.0, 50.0], [650.0, 50.0], [650.0, 650.0], [50.0, 650.0]]);
    flatten(
        &half_shaded(factor),
        &found(outline, 700, 700),
        square(200.0),
        &PlotSettings::default(),
    )
    .unwrap()
}

#[test]
fn a_hard_shadow_is_seen_and_evened_out() {
    let plot = in_shade(0.25);
    assert!(
        (plot.light.shadow_share - 0.5).abs() < 0.05,
        "{}",
        plot.light.shadow_share
    );
    let mean = |from_mm: f64, to_mm: f64| {
        let (mut sum, mut n) = (0.0, 0.0);
        for (x, y, p) in plot.even.enumerate_pixels() {
            let mm = plot.mm_from_plot_px(Point::new(f64::from(x), f64::from(y)));
            if (from_mm..to_mm).contains(&mm.x) && (10.0..190.0).contains(&mm.y) {
                sum += f64::from(colour::luminance_from_srgb8(p.0));
                n += 1.0;
            }
        }
        sum / n
    };
    let ratio = mean(110.0, 190.0) / mean(10.0, 90.0);
    assert!(
        (ratio - 1.0).abs() < 0.2,
        "shade over light is still {ratio:.2}"
    );
}

#[test]
fn even_ground_has_no_shadow() {
    assert_eq!(in_shade(1.0).light.shadow_share, 0.0);
}

#[test]
fn blur_is_measured() {
    // Edges of error-function shape every 20 mm; at 3 px per mm σ 1.5 px is 0.5 mm.
    let outline = || corners([[60.0, 60.0], [660.0, 60.0], [660.0, 660.0], [60.0, 660.0]]);
    for sigma_px in [1.0, 2.0] {
        let photo = RgbImage::from_fn(720, 720, |x, _| {
            let at = |v: u32| {
                let d = f64::from(v % 40) + 0.5 - 20.0;
                // The logistic curve that runs closest to the normal distribution's.
                1.0 / (1.0 + (-1.702 * d / sigma_px).exp())
            };
            let turn = |v: u32, s: f64| {
                if (v / 40).is_multiple_of(2) {
                    s
                } else {
                    1.0 - s
                }
            };
            Rgb([(40.0 + 160.0 * turn(x, at(x))) as u8; 3])
        });
        let plot = flatten(&photo, &found(outline(), 720, 720), square(200.0), &plain()).unwrap();
        let got = plot.light.blur_sigma_mm * 3.0;
        assert!(
            (got / sigma_px - 1.0).abs() < 0.3,
            "σ {sigma_px} px measured as {got:.2}"
        );
    }
}

#[test]
fn a_frame_without_area_is_refused() {
    let outline = corners([[10.0, 10.0], [50.0, 50.0], [90.0, 90.0], [20.0, 20.0]]);
    let error = flatten(
        &RgbImage::new(100, 100),
        &found(outline, 100, 100),
        square(100.0),
        &plain(),
    )
    .unwrap_err();
    assert_eq!(error, PlotError::FlatOutline);
    let outline = corners([[10.0, 10.0], [90.0, 10.0], [90.0, 90.0], [10.0, 90.0]]);
    let error = flatten(
        &RgbImage::new(100, 100),
        &found(outline, 100, 100),
        square(9000.0),
        &plain(),
    )
    .unwrap_err();
    assert!(
        matches!(error, PlotError::TooLarge { .. }) && error.to_string().contains("smaller frame")
    );
}

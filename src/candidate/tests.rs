use image::{GrayImage, Luma, Rgb, RgbImage};

use super::*;
use crate::{
    geometry::{Homography, LensBend},
    ground,
    plot::{Light, PlotMap},
};

/// A plot of 100 × 100 mm of dark soil with pale things on it.
pub(crate) fn plot_with(pale: impl Fn(f64, f64) -> bool) -> Plot {
    let (side_px, margin_mm) = (372, 12.0);
    let mut state = 3_u32;
    let raw = RgbImage::from_fn(side_px, side_px, |x, y| {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let noise = (state >> 28) as u8;
        let (mx, my) = (
            (f64::from(x) + 0.5) / 3.0 - margin_mm,
            (f64::from(y) + 0.5) / 3.0 - margin_mm,
        );
        let base = if pale(mx, my) {
            [200, 175, 125]
        } else {
            [75, 60, 48]
        };
        Rgb(base.map(|v: u8| v + noise))
    });
    let inside = GrayImage::from_fn(side_px, side_px, |x, y| {
        let within = |v: u32| (36..336).contains(&v);
        Luma([if within(x) && within(y) { 255 } else { 0 }])
    });
    Plot {
        even: raw.clone(),
        raw,
        inside,
        px_per_mm: 3.0,
        margin_mm,
        photo_px_per_mm: 3.0,
        area_m2: 0.01,
        area_low_m2: 0.01,
        area_high_m2: 0.01,
        map: PlotMap {
            straight_px_from_plot_mm: Homography::IDENTITY,
            plot_mm_from_straight_px: Homography::IDENTITY,
            lens: LensBend::none(300, 300),
        },
        light: Light::default(),
    }
}

fn found(plot: &Plot) -> Vec<Candidate> {
    let ground = ground::classify(plot, &Default::default());
    candidates(plot, &ground, &BlobSettings::default())
}

fn disc(x: f64, y: f64, cx: f64, cy: f64, r: f64) -> bool {
    (x - cx).hypot(y - cy) <= r
}

fn near(all: &[Candidate], x: f64, y: f64, within_mm: f64) -> Option<&Candidate> {
    let at = Point::new(x, y);
    all.iter()
        .find(|c| !c.pod_shaped && c.centre_mm.distance(at) < within_mm)
}

#[test]
fn a_bean_is_found_with_its_size() {
    let plot = plot_with(|x, y| disc(x, y, 40.0, 60.0, 3.4));
    let all = found(&plot);
    let c = near(&all, 40.0, 60.0, 0.6).expect("the only bean");
    assert!(
        (c.length_mm - 6.8).abs() < 0.9 && (c.width_mm - 6.8).abs() < 0.9,
        "{c:?}"
    );
    assert!((c.area_mm2 - 36.3).abs() < 8.0, "{c:?}");
}

#[test]
fn three_touching_beans_are_three() {
    let beans = [(40.0, 50.0), (46.8, 50.0), (43.4, 55.9)];
    let plot = plot_with(|x, y| beans.iter().any(|(cx, cy)| disc(x, y, *cx, *cy, 3.4)));
    let all = found(&plot);
    for (x, y) in beans {
        let c = near(&all, x, y, 1.8).unwrap_or_else(|| panic!("no bean at {x}, {y}"));
        assert!(c.was_touching);
    }
}

#[test]
fn a_curved_pod_is_found_as_a_pod() {
    // An arc of radius 60 mm, 40 mm long and 10 mm wide.
    let plot = plot_with(|x, y| {
        let (dx, dy) = (x - 50.0, y - 105.0);
        let (r, angle) = (dx.hypot(dy), dx.atan2(-dy));
        (r - 60.0).abs() < 5.0 && angle.abs() < 20.0 / 60.0
    });
    let all = found(&plot);
    let pod = all
        .iter()
        .find(|c| c.pod_shaped && c.centre_mm.distance(Point::new(50.0, 45.0)) < 4.0);
    let pod = pod.expect("the only pod");
    assert!(
        (28.0..52.0).contains(&pod.length_mm) && (7.5..12.5).contains(&pod.width_mm),
        "{pod:?}"
    );
    assert!(pod.angle_rad.sin().abs() < 0.2);
}

#[test]
fn order_is_from_the_top_and_the_same_every_time() {
    let plot = plot_with(|x, y| disc(x, y, 20.0, 70.0, 3.0) || disc(x, y, 70.0, 20.0, 3.5));
    let (first, second) = (found(&plot), found(&plot));
    assert_eq!(first, second);
    assert!(
        first
            .windows(2)
            .all(|w| w[0].centre_mm.y <= w[1].centre_mm.y)
    );
    assert!(first.iter().all(|c| (-4.0..104.0).contains(&c.centre_mm.x)));
}

//! The truth agrees with the picture, and the tracer with slow and plain references.

use image::metadata::Orientation;
use image::{DynamicImage, GenericImageView};

use super::bvh::Tree;
use super::chance::Dice;
use super::layout::lay_out;
use super::maths::{V3, v3};
use super::relief::{Ray, Relief};
use super::*;
use crate::frame::FrameSpec;
use crate::geometry::Point;

/// A small frame close by, so that a picture takes little time.
fn small(seed: u64) -> Scene {
    let mut scene = Scene::plain(seed);
    (scene.width_px, scene.height_px) = (360, 270);
    scene.frame.spec = FrameSpec::Rectangle {
        width_mm: 110.0,
        height_mm: 110.0,
    };
    scene.frame.bar_mm = 12.0;
    scene.frame.height_mm = 12.0;
    scene.camera.defocus_sigma_px = 0.4;
    scene
}

#[test]
fn same_seed_same_bytes_on_any_number_of_threads() {
    let bytes = |seed, threads| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        let scene = small(seed);
        pool.install(|| {
            let staged = render(&scene).unwrap();
            (jpeg(&scene, &staged), staged.truth)
        })
    };
    let one = bytes(3, 1);
    assert_eq!(one, bytes(3, 3));
    assert_ne!(one.0, bytes(4, 2).0);
}

#[test]
fn as_many_beans_and_pods_as_asked() {
    let mut scene = small(5);
    scene.loss.beans = Amount::Inside(23);
    scene.loss.pods = Amount::Inside(2);
    let truth = render(&scene).unwrap().truth;
    assert_eq!(truth.beans_inside(), 23);
    assert_eq!(truth.pods_inside(), 2);
    assert_eq!(truth.answer, "count");
}

#[test]
fn a_beans_place_is_where_it_is_seen() {
    let mut scene = small(6);
    scene.loss.beans = Amount::Inside(25);
    let staged = render(&scene).unwrap();
    let mut looked_at = 0;
    for (k, bean) in staged.truth.beans.iter().enumerate() {
        // A fleck may lie on the middle of one that is not all visible.
        if bean.visible < 0.99 || bean.half {
            continue;
        }
        let label = staged
            .labels
            .get_pixel(bean.x_px as u32, bean.y_px as u32)
            .0[0];
        assert_eq!(label, FIRST_BEAN_LABEL + k as u16, "bean {k}: {bean:?}");
        looked_at += 1;
    }
    assert!(looked_at > 5, "only {looked_at} beans in clear view");
}

#[test]
fn a_bean_alone_is_all_visible_and_of_its_size() {
    let mut scene = small(7);
    scene.ground.tilth = Tilth::Crust;
    scene.ground.residue_cover = 0.0;
    scene.ground.stones_per_ft2 = 0.0;
    scene.frame.litter_per_m = 0.0;
    scene.camera.tilt_deg = 2.0;
    scene.loss = LossDesign {
        beans: Amount::Inside(3),
        pods: Amount::Inside(0),
        split_share: 0.0,
        cluster_share: 0.0,
    };
    let truth = render(&scene).unwrap().truth;
    let corners = truth.frame.inner_corners_ground_px.clone().unwrap();
    let px_per_mm = corners[0].distance(corners[1]) / 110.0;
    let clear: Vec<_> = truth
        .beans
        .iter()
        .filter(|b| b.inside && b.visible > 0.97)
        .collect();
    assert!(!clear.is_empty(), "{:?}", truth.beans);
    for bean in clear {
        let radius_mm = bean.radius_px / px_per_mm;
        assert!((2.2..4.2).contains(&radius_mm), "{radius_mm} mm");
    }
}

#[test]
fn the_frames_corners_are_where_its_bars_meet() {
    let mut scene = small(8);
    scene.frame.litter_per_m = 0.0;
    scene.camera.bend_k1 = -0.05;
    let staged = render(&scene).unwrap();
    let corners = staged.truth.frame.inner_corners_px.unwrap();
    let middle = corners[0].towards(corners[2], 0.5);
    for c in corners {
        let at = |share: f64| -> u16 {
            let p = c.towards(middle, share);
            staged.labels.get_pixel(p.x as u32, p.y as u32).0[0]
        };
        assert_eq!(at(-0.06), 2, "outwards of {c:?} lies the bar");
        assert_ne!(at(0.14), 2, "inwards of {c:?} lies the ground");
    }
}

#[test]
fn a_frame_that_is_cut_or_missing_is_to_be_refused() {
    let mut scene = small(9);
    scene.frame.cut_by_edge = true;
    assert_eq!(render(&scene).unwrap().truth.answer, "refuse");
    let mut scene = small(9);
    scene.frame.bar = Bar::None;
    let truth = render(&scene).unwrap().truth;
    assert_eq!(truth.answer, "refuse");
    assert!(truth.frame.inner_corners_px.is_none());
}

#[test]
fn what_cannot_be_staged_is_refused_by_name() {
    let mut scene = small(1);
    scene.ground.residue_cover = 1.4;
    let error = render(&scene).unwrap_err().to_string();
    assert_eq!(
        error,
        "residue cover (a share of 1) of 1.4 is out of range; it must be 0 to 0.9"
    );
    let error = "blue-pipe".parse::<Bar>().unwrap_err().to_string();
    assert!(error.contains("white-pipe, grey-pipe"), "{error}");
}

#[test]
fn exif_reads_back() {
    let mut scene = small(10);
    scene.note = Note {
        taken: "2026-10-03T18:41:07-05:00".into(),
        position_deg: Some((41.904_21, -97.401_70)),
        orientation: 6,
    };
    let file = jpeg(&scene, &render(&scene).unwrap());
    let data = exif::Reader::new()
        .read_from_container(&mut std::io::Cursor::new(&file))
        .unwrap();
    let shown = |tag| {
        data.get_field(tag, exif::In::PRIMARY)
            .unwrap_or_else(|| panic!("no {tag}"))
            .display_value()
            .to_string()
    };
    assert_eq!(shown(exif::Tag::DateTimeOriginal), "2026-10-03 18:41:07");
    assert_eq!(shown(exif::Tag::OffsetTimeOriginal), "\"-05:00\"");
    assert_eq!(shown(exif::Tag::Model), "\"Example Phone\"");
    assert_eq!(shown(exif::Tag::FocalLengthIn35mmFilm), "26");
    assert_eq!(shown(exif::Tag::GPSLatitude), "41 deg 54 min 15.156 sec");
    assert_eq!(shown(exif::Tag::GPSLongitudeRef), "W");
    let orientation = data
        .get_field(exif::Tag::Orientation, exif::In::PRIMARY)
        .unwrap();
    assert_eq!(orientation.value.get_uint(0), Some(6));
    let stored = image::load_from_memory(&file).unwrap();
    assert_eq!(stored.dimensions(), (270, 360));
}

/// The image crate's own reading of EXIF orientation turns every stored picture back.
#[test]
fn stored_pictures_turn_back_upright() {
    let upright = RgbImage::from_fn(5, 3, |x, y| image::Rgb([x as u8, y as u8, 7]));
    for orientation in 1..=8 {
        let mut stored = DynamicImage::ImageRgb8(as_stored(&upright, orientation));
        stored.apply_orientation(Orientation::from_exif(orientation).unwrap());
        assert_eq!(stored.to_rgb8(), upright, "orientation {orientation}");
    }
}

#[test]
fn a_line_of_sight_leads_back_to_its_place() {
    let mut scene = small(11);
    scene.camera.bend_k1 = -0.06;
    scene.camera.tilt_deg = 15.0;
    let (camera, _) = lay_out(&scene, &mut Dice::new(11, 1));
    for (x, y) in [(3.5, 4.5), (180.0, 90.0), (355.0, 260.0)] {
        let ray = camera.ray(Point::new(x, y));
        let seen = camera.see(ray.at(200.0)).unwrap();
        assert!(seen.distance(Point::new(x, y)) < 0.02, "{seen:?}");
    }
}

fn ray(dice: &mut Dice, reach: f32) -> Ray {
    let from = v3(
        dice.between(0.0, reach),
        dice.between(0.0, reach),
        dice.between(6.0, 30.0),
    );
    let to = v3(
        dice.between(0.0, reach),
        dice.between(0.0, reach),
        dice.between(-6.0, 6.0),
    );
    Ray {
        from,
        dir: (to - from).unit(),
        near: 0.0,
        far: 500.0,
    }
}

/// How high a place stands above the surface, mm; `None` off the grid.
fn above(relief: &Relief, p: V3) -> Option<f32> {
    let inside = |v: f32, n: usize| v >= 0.0 && v < (n - 2) as f32;
    let (u, v) = (p.x / relief.step_mm, p.y / relief.step_mm);
    (inside(u, relief.nx) && inside(v, relief.ny)).then(|| {
        let (i, j) = (u as usize, v as usize);
        let (u, v) = (u - i as f32, v - j as f32);
        let h = |i: usize, j: usize| relief.height_mm[j * relief.nx + i];
        let (a, b, c, d) = (h(i, j), h(i + 1, j), h(i, j + 1), h(i + 1, j + 1));
        let z = if u + v <= 1.0 {
            a + u * (b - a) + v * (c - a)
        } else {
            d + (1.0 - u) * (c - d) + (1.0 - v) * (b - d)
        };
        p.z - z
    })
}

/// Small steps along the ray until it is below the surface.
fn slow_meet(relief: &Relief, ray: &Ray) -> Option<f32> {
    (0..60_000)
        .map(|k| k as f32 * 0.004)
        .find(|t| above(relief, ray.at(*t)).is_some_and(|h| h <= 0.0))
}

#[test]
fn rays_meet_the_soil_where_small_steps_do() {
    let mut dice = Dice::new(12, 0);
    let mut relief = Relief::flat((0.0, 0.0), (40.0, 40.0), 0.7);
    relief
        .height_mm
        .iter_mut()
        .for_each(|h| *h = dice.between(-3.0, 4.0));
    relief.settle();
    let mut met = 0;
    for _ in 0..300 {
        let ray = ray(&mut dice, 39.0);
        let (fast, slow) = (relief.meet(&ray), slow_meet(&relief, &ray));
        if let Some(a) = fast {
            // On the surface (small steps may jump over a crumb's tip that the ray just touches).
            let gap = above(&relief, ray.at(a)).unwrap_or(0.0);
            assert!(gap.abs() < 0.01, "{gap} mm off on {ray:?}");
        }
        if let Some(b) = slow {
            let a = fast.unwrap_or_else(|| panic!("missed at {b} on {ray:?}"));
            assert!(a < b + 0.02, "{a} after {b} on {ray:?}");
        }
        met += usize::from(fast.is_some());
    }
    assert!(met > 200, "{met} of 300");
}

#[test]
fn the_tree_finds_the_triangle_that_looking_at_all_finds() {
    let mut dice = Dice::new(13, 0);
    let spot = |d: &mut Dice| {
        v3(
            d.between(0.0, 40.0),
            d.between(0.0, 40.0),
            d.between(0.0, 8.0),
        )
    };
    let corners: Vec<V3> = (0..900)
        .flat_map(|_| {
            let p = spot(&mut dice);
            [p, p + dice.direction() * 3.0, p + dice.direction() * 3.0]
        })
        .collect();
    let triangles: Vec<[u32; 3]> = (0..900).map(|k| [3 * k, 3 * k + 1, 3 * k + 2]).collect();
    let tree = Tree::over(&corners, &triangles);
    let each: Vec<Tree> = triangles
        .iter()
        .map(|t| Tree::over(&corners, &[*t]))
        .collect();
    let mut hits = 0;
    for _ in 0..200 {
        let ray = ray(&mut dice, 40.0);
        let slow = each
            .iter()
            .enumerate()
            .filter_map(|(k, t)| Some((t.nearest(&ray)?.t, k as u32)))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        let fast = tree.nearest(&ray).map(|m| (m.t, m.facet));
        assert_eq!(fast, slow);
        assert_eq!(tree.any(&ray).is_some(), slow.is_some());
        hits += usize::from(fast.is_some());
    }
    assert!(hits > 80, "{hits} of 200");
}

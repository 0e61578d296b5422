use image::{Rgb, RgbImage};

use super::*;
use crate::{
    caution::CautionKind,
    counts::{Kind, Status},
    geometry::LensBend,
    text::Style,
};

pub(crate) mod scene;
use scene::{GROUND, Scene};

const KINDS: [Kind; 3] = [Kind::Bean, Kind::SplitBean, Kind::Pod];

fn shown(scene: &Scene) -> Shown<'_> {
    shown_beside(scene, None)
}

/// What [`picture`] shows of a scene, with the same room for the panel.
fn shown_beside<'a>(scene: &'a Scene, loss: Option<&str>) -> Shown<'a> {
    let panel = [
        words::answer(&scene.count, loss, None),
        words::cautions(&scene.count),
        words::legend(Some(1.0), None),
    ];
    let letters = Letters::new();
    let least_height_px = beside(&letters, 0).height(&one_column(&panel)) + 2.0 * BORDER;
    let size = Size::Full { least_height_px };
    Shown::new(&scene.photo, &scene.plot, (&scene.count, None), size).unwrap()
}

fn at(image: &RgbImage, (x, y): (f32, f32)) -> [u8; 3] {
    image.get_pixel(x as u32, y as u32).0
}

fn near(a: [u8; 3], b: [u8; 3], levels: u8) -> bool {
    a.iter().zip(b).all(|(a, b)| a.abs_diff(b) <= levels)
}

/// Left, top, right, bottom of the pixels in which two pictures differ.
fn changed(a: &RgbImage, b: &RgbImage) -> Option<[u32; 4]> {
    assert_eq!(a.dimensions(), b.dimensions());
    let places = a
        .enumerate_pixels()
        .zip(b.pixels())
        .filter(|((_, _, p), q)| p != q);
    places.map(|((x, y, _), _)| [x, y, x, y]).reduce(|a, b| {
        [
            a[0].min(b[0]),
            a[1].min(b[1]),
            a[2].max(b[2]),
            a[3].max(b[3]),
        ]
    })
}

#[test]
fn marks_lie_about_the_objects_and_leave_them_clear() {
    let mut scene = Scene::leaning();
    for (i, kind) in KINDS.into_iter().enumerate() {
        scene.add(kind, (60.0 + 80.0 * i as f64, 150.0), true, false);
    }
    let picture = picture(&scene.photo, &scene.plot, &scene.count, None);
    let shown = shown(&scene);
    for (mark, object) in &shown.marks {
        // The photo's own coordinates of the object lead to the same place.
        let there = shown
            .view
            .px_of_photo_px(Point::new(object.x_px, object.y_px));
        assert!((there.x as f32 - mark.centre.0).abs() < 0.01);
        assert!((there.y as f32 - mark.centre.1).abs() < 0.01);
        assert_eq!(
            at(&picture, mark.centre),
            [GROUND; 3],
            "the object is hidden"
        );
        let reach = mark.shape.reach();
        let top = (mark.centre.0, mark.centre.1 - reach.1);
        let found = (-2..=2).any(|dy| {
            near(
                at(&picture, (top.0, top.1 + dy as f32)),
                mark::colour(mark.kind),
                60,
            )
        });
        // The turned box of a pod has a corner there, not a side.
        assert!(
            found || mark.kind == Kind::Pod,
            "no line above {:?}",
            mark.kind
        );
        // Half of the object's length away nothing is drawn yet: the line keeps clear of it.
        let beside = object.width_mm as f32 / 2.0 * shown.px_per_mm;
        assert_eq!(
            at(&picture, (mark.centre.0, mark.centre.1 + beside)),
            [GROUND; 3]
        );
    }
}

#[test]
fn nothing_is_drawn_away_from_an_object() {
    for kind in KINDS {
        let empty = Scene::leaning();
        let mut one = Scene::leaning();
        one.add(kind, (150.0, 100.0), true, false);
        // Without the panel, whose words change too.
        let draw = |s: &Scene| {
            let whole = picture(&s.photo, &s.plot, &s.count, None);
            let (w, h) = (whole.width() - PANEL_PX, whole.height());
            image::imageops::crop_imm(&whole, 0, 0, w, h).to_image()
        };
        let [x0, y0, x1, y1] = changed(&draw(&empty), &draw(&one)).unwrap();
        let (mark, _) = shown(&one).marks[0];
        let reach = mark.shape.reach();
        let pen = mark::pen(kind, mark.standing, shown(&one).px_per_mm).reach();
        assert!(x0 as f32 >= mark.centre.0 - reach.0 - pen - 1.0);
        assert!(x1 as f32 <= mark.centre.0 + reach.0 + pen + 1.0);
        assert!(y0 as f32 >= mark.centre.1 - reach.1 - pen - 1.0);
        assert!(y1 as f32 <= mark.centre.1 + reach.1 + pen + 1.0);
    }
}

#[test]
fn what_is_neither_counted_nor_doubtful_gets_no_mark() {
    let empty = Scene::leaning();
    let mut one = Scene::leaning();
    one.add(Kind::Bean, (150.0, 100.0), false, false);
    let draw = |s: &Scene| picture(&s.photo, &s.plot, &s.count, None);
    assert_eq!(changed(&draw(&empty), &draw(&one)), None);
}

#[test]
fn kinds_and_standings_differ_in_grey() {
    // Rec. 601 luma, as a grey printer makes of it.
    let grey = |p: &Rgb<u8>| {
        0.299 * f32::from(p.0[0]) + 0.587 * f32::from(p.0[1]) + 0.114 * f32::from(p.0[2])
    };
    let mut tiles = Vec::new();
    for kind in KINDS {
        for (counted, doubtful) in [(true, false), (true, true), (false, true)] {
            let mut scene = Scene::leaning();
            scene.add(kind, (150.0, 150.0), counted, doubtful);
            let settings = CropSettings::default();
            let from = CropFrom::Plot(&scene.plot);
            let tile = crop(from, &scene.count.objects[0], &settings);
            tiles.push(tile.pixels().map(grey).collect::<Vec<f32>>());
        }
    }
    for (i, a) in tiles.iter().enumerate() {
        for b in &tiles[..i] {
            let differ = a
                .iter()
                .zip(b)
                .filter(|(a, b)| (*a - *b).abs() > 40.0)
                .count();
            assert!(differ > 120, "{differ} pixels tell two marks apart in grey");
        }
    }
}

#[test]
fn the_inner_edge_is_drawn_where_the_frame_was_found() {
    for scene in [Scene::leaning(), Scene::ring(), Scene::wide()] {
        let picture = picture(&scene.photo, &scene.plot, &scene.count, None);
        let found = &scene.count.frame.as_ref().unwrap().found;
        let view = shown(&scene).view;
        let edge = view::inner_edge(found);
        for p in edge.iter().step_by(5) {
            let p = view.px_of_photo_px(*p);
            let pixel = at(&picture, (p.x as f32, p.y as f32));
            assert!(near(pixel, [255; 3], 90), "{pixel:?} at {p:?}");
        }
        let middle = (
            view.image.width() as f32 / 2.0,
            view.image.height() as f32 / 2.0,
        );
        assert_eq!(at(&picture, middle), [GROUND; 3]);
        let corner = at(&picture, (2.0, 2.0))[0];
        assert!(corner < GROUND / 10 * 7, "outside is darker: {corner}");
    }
}

#[test]
fn the_edge_follows_the_lens() {
    let mut scene = Scene::leaning();
    let found = &mut scene.count.frame.as_mut().unwrap().found;
    found.lens = LensBend {
        k1: -0.1,
        ..LensBend::none(1600, 1200)
    };
    let edge = view::inner_edge(found);
    let straight = edge[0].towards(edge[32], 0.5);
    let bent = edge[16];
    // Barrel: the middle of a side bulges away from the picture's centre.
    let centre = Point::new(800.0, 600.0);
    assert!(bent.distance(centre) > straight.distance(centre) + 3.0);
    assert!(edge[0].distance(Point::new(420.0, 210.0)) < 1e-6);
}

#[test]
fn a_wide_frame_has_its_panel_below() {
    let wide = Scene::wide();
    let view = shown(&wide).view.image;
    let whole = picture(&wide.photo, &wide.plot, &wide.count, None);
    assert_eq!(whole.width(), view.width());
    assert!(whole.height() > view.height() + 200);
    let square = Scene::leaning();
    let view = shown(&square).view.image;
    let whole = picture(&square.photo, &square.plot, &square.count, None);
    assert_eq!(whole.width(), view.width() + PANEL_PX);
    assert!((1500..=2200).contains(&whole.width()));
    assert!(
        whole.height().abs_diff(view.height()) <= 1,
        "no empty paper below the view"
    );
}

#[test]
fn words_never_leave_their_panel() {
    for mut scene in [Scene::leaning(), Scene::wide()] {
        scene.count.photo = "a-name-without-any-space-".repeat(9) + ".jpg";
        for kind in [
            CautionKind::Blur,
            CautionKind::HeavyResidue,
            CautionKind::SamePlot,
        ] {
            scene.caution(
                kind,
                &"residue covers much; lift it and take another photo ".repeat(4),
            );
        }
        let loss = "a very long sentence on the loss found in this very frame ".repeat(3);
        let whole = picture(&scene.photo, &scene.plot, &scene.count, Some(&loss));
        let (w, h) = whole.dimensions();
        let view = shown_beside(&scene, Some(&loss)).view.image;
        let empty = BORDER as u32 - 2;
        let mut borders: Vec<(u32, u32)> = (0..empty)
            .flat_map(|d| (0..h).map(move |y| (w - 1 - d, y)))
            .chain((0..empty).flat_map(|d| (0..w).map(move |x| (x, h - 1 - d))))
            .collect();
        borders.retain(|&(x, y)| x >= view.width() || y >= view.height());
        assert!(
            borders
                .iter()
                .all(|&(x, y)| whole.get_pixel(x, y).0 == PAPER)
        );
        let inked = whole.enumerate_pixels().filter(|(x, y, p)| {
            (*x >= view.width() || *y >= view.height()) && near(p.0, panel::INK, 8)
        });
        assert!(inked.count() > 8_000, "the panel has its words");
    }
}

#[test]
fn scale_bars_are_as_long_as_they_say() {
    let letters = Letters::new();
    let mut sheet = RgbImage::from_pixel(500, 100, Rgb(PAPER));
    let setter = Setter {
        letters: &letters,
        left: 10.0,
        width: 400.0,
    };
    let px_per_mm = 3.0;
    setter.draw(&mut sheet, &[Item::Scale { px_per_mm }], 0.0);
    let run = |y| {
        (10..500)
            .take_while(|&x| sheet.get_pixel(x, y).0 == panel::INK)
            .count() as f32
    };
    // 330 px hold 110 mm at most: 10 cm and 4 in (25.4 mm each, exactly, 1959 agreement).
    assert!((run(17) - 300.0).abs() <= 1.0, "{}", run(17));
    assert!((run(49) - 4.0 * 25.4 * 3.0).abs() <= 1.0, "{}", run(49));
}

#[test]
fn labels_stand_beside_doubtful_objects_only_and_clear_of_all_objects() {
    let mut sure = Scene::leaning();
    let mut doubtful = Scene::leaning();
    for i in 0..6 {
        let place = (
            100.0 + 22.0 * f64::from(i % 3),
            120.0 + 30.0 * f64::from(i / 3),
        );
        sure.add(Kind::Bean, place, true, false);
        doubtful.add(Kind::Bean, place, true, true);
    }
    let dark = |s: &Scene| {
        let whole = picture(&s.photo, &s.plot, &s.count, None);
        let view = shown(s).view.image;
        let plates = whole.enumerate_pixels().filter(|(x, y, p)| {
            *x < view.width() && *y < view.height() && near(p.0, [45, 45, 48], 6)
        });
        plates.count()
    };
    // Six plates of about 70 × 17 pixels, less their letters.
    assert!(dark(&doubtful) > dark(&sure) + 3_000);
    let whole = picture(&doubtful.photo, &doubtful.plot, &doubtful.count, None);
    for (mark, _) in shown(&doubtful).marks {
        assert_eq!(
            at(&whole, mark.centre),
            [GROUND; 3],
            "a label lies on an object"
        );
    }
}

#[test]
fn crowded_labels_are_left_out_rather_than_piled_up() {
    let mut scene = Scene::leaning();
    for i in 0..900 {
        let place = (8.0 + 9.8 * f64::from(i % 30), 8.0 + 9.8 * f64::from(i / 30));
        scene.add(Kind::Bean, place, true, true);
    }
    let whole = picture(&scene.photo, &scene.plot, &scene.count, None);
    let centres = shown(&scene).marks;
    let hidden = centres
        .iter()
        .filter(|(m, _)| at(&whole, m.centre) != [GROUND; 3])
        .count();
    assert!(
        hidden * 20 < centres.len(),
        "{hidden} of 900 objects under labels"
    );
}

#[test]
fn a_refused_photo_is_shown_whole_with_its_reason() {
    let mut scene = Scene::leaning();
    scene.count.frame = None;
    scene.count.counts = None;
    scene.count.status = Status::Refused;
    scene.count.problem = Some("no frame found; lay the whole frame in the picture".to_owned());
    let refused = refused_picture(&scene.photo, &scene.count);
    let asked = picture(&scene.photo, &scene.plot, &scene.count, None);
    assert_eq!(changed(&refused, &asked), None);
    assert!((1500..=2200).contains(&refused.width()));
    let view = refused.pixels().filter(|p| p.0 == [GROUND; 3]).count();
    assert!(view as f64 > VIEW_AREA_PX * 0.98);
    scene.count.problem = None;
    let silent = refused_picture(&scene.photo, &scene.count);
    assert!(changed(&refused, &silent).is_some(), "the reason is drawn");
}

#[test]
fn a_crop_is_centred_and_moves_inwards_at_the_edge() {
    let mut scene = Scene::leaning();
    scene.add(Kind::Bean, (150.0, 150.0), true, true);
    scene.add(Kind::Bean, (-9.0, -9.0), true, true);
    let from = CropFrom::Plot(&scene.plot);
    let settings = CropSettings::default();
    let tile = |i: usize, outline| {
        crop(
            from,
            &scene.count.objects[i],
            &CropSettings {
                outline,
                ..settings
            },
        )
    };
    assert_eq!(tile(0, false).dimensions(), (160, 160));
    assert!(tile(0, false).pixels().all(|p| p.0 == [GROUND; 3]));
    let [x0, y0, x1, y1] = changed(&tile(0, false), &tile(0, true)).unwrap();
    assert!((x0 + x1).abs_diff(159) <= 2 && (y0 + y1).abs_diff(159) <= 2);
    let [x0, y0, ..] = changed(&tile(1, false), &tile(1, true)).unwrap();
    assert_eq!(
        (x0, y0),
        (0, 0),
        "the corner of the plot is the corner of the crop"
    );
}

#[test]
fn small_pictures_are_of_the_size_asked() {
    let mut scene = Scene::wide();
    scene.add(Kind::Bean, (500.0, 125.0), true, true);
    let small = |plot, numbered| {
        let settings = SmallSettings {
            long_side_px: 600,
            numbered,
            said: None,
        };
        small_picture(&scene.photo, plot, &scene.count, &settings)
    };
    let plain = small(Some(&scene.plot), vec![]);
    assert_eq!(plain.width(), 600);
    assert!(plain.height() < 600);
    assert!(changed(&plain, &small(Some(&scene.plot), vec![1])).is_some());
    assert_eq!(small(None, vec![]).dimensions(), (600, 450));
}

#[test]
fn the_plot_picture_shows_edge_and_marks() {
    for mut scene in [Scene::leaning(), Scene::ring()] {
        scene.add(Kind::Bean, (150.0, 150.0), true, false);
        let picture = plot_picture(&scene.plot, &scene.count);
        let (w, h) = (picture.width() as f32, picture.height() as f32);
        assert_eq!(picture.width(), 1300);
        let (side_mm, _) = scene.count.frame_spec.size_mm();
        let scale = f64::from(w) / (side_mm + 20.0);
        let place = |mm: f64| ((mm + 10.0) * scale) as f32;
        assert!(near(
            at(&picture, (place(side_mm / 2.0), place(0.0))),
            [255; 3],
            90
        ));
        assert_eq!(at(&picture, (place(150.0), place(150.0))), [GROUND; 3]);
        assert!(at(&picture, (w - 3.0, h - 3.0))[0] < GROUND);
    }
}

#[test]
fn pictures_are_the_same_every_time_and_survive_packing() {
    let mut scene = Scene::leaning();
    scene.add(Kind::Pod, (150.0, 150.0), true, true);
    let draw = || picture(&scene.photo, &scene.plot, &scene.count, Some("1.9 bu/ac"));
    let (a, b) = (draw(), draw());
    assert_eq!(a, b);
    let packed = jpeg(&a, 85);
    assert_eq!(packed, jpeg(&b, 85));
    let back = image::load_from_memory(&packed).unwrap().to_rgb8();
    assert_eq!(back.dimensions(), a.dimensions());
    let off: f64 = a
        .as_raw()
        .iter()
        .zip(back.as_raw())
        .map(|(a, b)| f64::from(a.abs_diff(*b)))
        .sum();
    assert!(off / (a.as_raw().len() as f64) < 2.0);
}

#[test]
fn darkening_follows_the_outline() {
    let mut image = RgbImage::from_pixel(40, 40, Rgb([200; 3]));
    let triangle = [(5.0, 5.0), (35.0, 5.0), (5.0, 35.0)];
    canvas::darken_outside(&mut image, &triangle, 0.5);
    for (x, y, p) in image.enumerate_pixels() {
        let (cx, cy) = (x as f32 + 0.5, y as f32 + 0.5);
        let depth = (cx - 5.0).min(cy - 5.0).min((40.0 - cx - cy) / 2f32.sqrt());
        if depth.abs() > 1.0 {
            let expected = if depth > 0.0 { 200 } else { 100 };
            assert_eq!(p.0[0], expected, "at {x}, {y}");
        }
    }
}

#[test]
fn words_count_properly() {
    let scene = Scene::leaning();
    let texts = |items: Vec<Item>| -> Vec<String> {
        items
            .into_iter()
            .filter_map(|item| match item {
                Item::Text(text, _) | Item::OneLine(text, _) => Some(text),
                _ => None,
            })
            .collect()
    };
    let said = texts(words::answer(&scene.count, Some("1.9 bu/ac"), None));
    for line in [
        "47",
        "95 % limits: 42 to 52",
        "6 of them split (5 to 7)",
        "3 pods (3 to 3)",
        "1.9 bu/ac",
        "1.00 ft² (0.093 m²) of ground,",
    ] {
        assert!(said.iter().any(|s| s == line), "{line} in {said:?}");
    }
    let mut none = scene.count.clone();
    none.counts = Some(crate::counts::Counts::default());
    let said = texts(words::answer(&none, None, None));
    assert!(said.contains(&"no pods".to_owned()));
    assert!(!said.iter().any(|s| s.contains("split")));
}

/// A person is asked for doubtful objects, or for a caution: which of the two is said.
#[test]
fn why_a_person_is_asked_is_said() {
    let mut scene = Scene::leaning();
    scene.count.status = Status::Confirm;
    scene.caution(CautionKind::DeepShadow, "half of it lies in shadow");
    let first = |scene: &Scene| match words::cautions(&scene.count).swap_remove(0) {
        Item::Caution(head, text) => (head, text),
        other => panic!("{other:?}"),
    };
    let (head, text) = first(&scene);
    assert_eq!(head, "A person should confirm this count");
    assert!(text.contains("the reason is said below"), "{text}");
    scene.add(Kind::Bean, (60.0, 150.0), true, true);
    let (head, text) = first(&scene);
    assert_eq!(head, "1 doubtful object");
    assert_eq!(text, "A person should confirm this count.");
}

#[test]
fn the_sizes_of_words_suit_a_glance() {
    // At a quarter of its size the number must still be as large as print: 11 px at 96 dpi is 8 pt.
    let scene = Scene::leaning();
    let number = words::answer(&scene.count, None, None)
        .into_iter()
        .find_map(|item| match item {
            Item::Text(text, style) if text == "47" => Some(style),
            _ => None,
        });
    let style: Style = number.unwrap();
    assert!(style.capital_px() / 4.0 > 11.0);
}

/// What a person said is told apart in grey: a white square with a dark rim beside the mark, a cross through what is none,
/// and squares where the frame's edge was set. The tool's own marks beside them have none.
#[test]
fn what_a_person_said_is_told_apart_without_colour() {
    let mut scene = Scene::leaning();
    for i in 0..3 {
        scene.add(Kind::Bean, (60.0 + 80.0 * f64::from(i), 150.0), true, false);
    }
    let ids: Vec<u32> = scene.count.objects.iter().map(|o| o.id).collect();
    let said = Said {
        verdicts: [
            (ids[0], crate::marks::Verdict::Bean),
            (ids[1], crate::marks::Verdict::None),
        ]
        .into(),
        edge: true,
        ..Said::default()
    };
    let size = Size::Long(900);
    let count = (&scene.count, Some(&said));
    let mut shown = Shown::new(&scene.photo, &scene.plot, count, size).unwrap();
    let bare = shown.view.image.clone();
    shown.draw(|_| None);
    let white = |image: &RgbImage, (x, y): (f32, f32), reach: f32| {
        let mut number = 0;
        for dy in -reach as i32..=reach as i32 {
            for dx in -reach as i32..=reach as i32 {
                let p = at(image, (x + dx as f32, y + dy as f32));
                number += usize::from(near(p, [255; 3], 20));
            }
        }
        number
    };
    let of = |id: u32| shown.marks.iter().find(|m| m.1.id == id).unwrap().0;
    let (is, none, tool) = (of(ids[0]), of(ids[1]), of(ids[2]));
    let reach = is.shape.reach().0 + 8.0;
    let image = &shown.view.image;
    assert!(white(image, is.centre, reach) >= 20, "a square");
    assert_eq!(white(image, tool.centre, reach), 0, "the tool's has none");
    // its arms are thin, and the upper one's rim crosses the lower one
    let light = |&(dx, dy): &(f32, f32)| {
        let (x, y) = none.centre;
        near(at(image, (x + dx, y + dy)), [255; 3], 90)
    };
    let arms = [
        (-2.0, 2.0),
        (-1.0, 1.0),
        (1.0, -1.0),
        (2.0, -2.0),
        (-3.0, 3.0),
        (3.0, -3.0),
    ];
    assert!(arms.iter().filter(|d| light(d)).count() >= 3, "a cross");
    assert_eq!(at(image, is.centre), [GROUND; 3], "the bean is seen");
    for &place in &shown.set_by_hand {
        assert!(white(image, place, 5.0) > white(&bare, place, 5.0) + 10);
    }
    assert_eq!(shown.set_by_hand.len(), 4);
    let rows = |said| words::legend(Some(1.0), said).len();
    assert_eq!(rows(Some(&said)), rows(None) + 2);
}

/// The grower counts the marks and compares: where they are not the number, it is said why.
#[test]
fn the_panel_says_why_the_marks_are_not_the_number() {
    let mut count = Scene::leaning().count;
    let marked = (count.objects.iter())
        .filter(|o| o.counted && o.kind != Kind::Pod)
        .count();
    let mut with = |estimate: usize| {
        count.counts.as_mut().unwrap().beans.estimate = estimate as f64;
        words::marked(&count, None).beans
    };
    assert_eq!(with(marked), None);
    let more = with(marked + 4).unwrap();
    assert!(more.contains(&format!("make it {}", marked + 4)), "{more}");
    assert!(more.starts_with(&format!("{marked} ")), "{more}");
}

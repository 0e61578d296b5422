//! Spot cards: what is printed, laid beside a frame, photographed and read again; and what they do to the sheet.

use podfall::{
    card::{Card, CardSeen, find},
    frame::{self, FrameSettings},
    geometry::{Homography, Point},
    photo::Position,
    place::Place,
    plot::{self, PlotSettings},
    sheet::{Column, GuessSettings, Place as SheetPlace, Sheet, Shot, merge},
    stage::{CardDesign, LightKind, Scene, Shadow, render},
};

/// A staged photo of 3 million pixels: a module of the code is 4 to 5 px wide, half of what a phone gives.
fn scene(seed: u64, card: Option<Card>) -> Scene {
    let mut scene = Scene::plain(seed);
    (scene.width_px, scene.height_px) = (2000, 1500);
    scene.ground.residue_cover = 0.15;
    scene.card = card.map(|card| CardDesign { card, covered: 0.0 });
    scene
}

/// Reads the card of a scene, with the frame's corners from the truth.
fn seen(scene: &Scene) -> Option<CardSeen> {
    let staged = render(scene).unwrap();
    let mut settings = FrameSettings::new(scene.frame.spec);
    settings.min_bean_px = 3.0;
    let corners: Vec<Point> = staged.truth.frame.inner_corners_px.clone().unwrap();
    settings.corners_px = Some(corners.try_into().unwrap());
    let found = frame::find(&staged.pixels, &settings, Some(26.0)).unwrap();
    let plot = plot::flatten(
        &staged.pixels,
        &found,
        scene.frame.spec,
        &PlotSettings::default(),
    )
    .unwrap();
    find(&staged.pixels, &plot.map, plot.photo_px_per_mm)
}

fn card(place: Place, check: usize) -> Card {
    Card::new(place, check).unwrap()
}

#[test]
fn a_card_beside_the_frame_is_read() {
    let clean = scene(11, Some(card(Place::Cut, 3)));
    let mut leaning = scene(12, Some(card(Place::Behind, 147)));
    leaning.camera.tilt_deg = 17.0;
    leaning.camera.yaw_deg = 33.0;
    let mut blurred = scene(13, Some(card(Place::Standing, 28)));
    blurred.camera.defocus_sigma_px = 1.8;
    let mut shaded = scene(14, Some(card(Place::Cut, 300)));
    shaded.light = LightKind::Sun;
    shaded.shadow = Shadow::Edge;
    let mut read = Vec::new();
    for scene in [&clean, &leaning, &blurred, &shaded] {
        read.push(seen(scene).map(|s| s.card) == scene.card.map(|c| c.card));
    }
    assert_eq!(read, [true; 4], "clean, leaning, blurred, in half shadow");
}

#[test]
fn a_card_that_is_covered_is_passed_over_and_none_is_made_up() {
    assert_eq!(seen(&scene(15, None)), None);
    for (seed, covered) in [(16, 0.12), (17, 0.4), (18, 0.8)] {
        let mut scene = scene(seed, None);
        let card = card(Place::Behind, 5);
        scene.card = Some(CardDesign { card, covered });
        let read = seen(&scene).map(|s| s.card);
        assert!(read.is_none() || read == Some(card), "{covered}: {read:?}");
    }
}

/// ISO/IEC 18004, table 7: version 1 at level H holds 10 characters of the alphanumeric set; section 6.3: finder
/// patterns of 7 modules in three corners.
#[test]
fn the_code_is_one_that_any_reader_takes() {
    let last = card(Place::Standing, 300);
    assert!(last.text().len() <= 10 && last.text().starts_with("PF1S300"));
    let modules = last.modules();
    assert_eq!(modules.len(), 21 * 21);
    for (x, y) in [(0, 0), (14, 0), (0, 14)] {
        assert!((0..7).all(|k| modules[y * 21 + x + k] && modules[(y + k) * 21 + x]));
        assert!((1..6).all(|k| !modules[(y + 1) * 21 + x + k]));
        assert!((2..5).all(|k| modules[(y + 3) * 21 + x + k]));
    }
    assert_eq!(Card::new(Place::Tray, 1), None);
    assert_eq!(
        (Card::new(Place::Cut, 0), Card::new(Place::Cut, 301)),
        (None, None)
    );
}

/// Another code of the same size, as on a bag's label, is no card.
#[test]
fn a_code_of_something_else_is_no_card() {
    let other =
        qrcode::QrCode::with_version("BAG 40-17", qrcode::Version::Normal(1), qrcode::EcLevel::H)
            .unwrap();
    let draw = |dark: &dyn Fn(usize, usize) -> bool| {
        image::RgbImage::from_fn(400, 400, |x, y| {
            let (x, y) = ((x / 10) as usize, (y / 10) as usize);
            let inside = (8..29).contains(&x) && (8..29).contains(&y);
            image::Rgb(
                [if inside && dark(x - 8, y - 8) {
                    30
                } else {
                    225
                }; 3],
            )
        })
    };
    let map = plot::PlotMap {
        straight_px_from_plot_mm: Homography([[5.0, 0.0, 0.0], [0.0, 5.0, 0.0], [0.0, 0.0, 1.0]]),
        plot_mm_from_straight_px: Homography([[0.2, 0.0, 0.0], [0.0, 0.2, 0.0], [0.0, 0.0, 1.0]]),
        lens: podfall::geometry::LensBend::none(400, 400),
    };
    let colours = other.to_colors();
    let bag = draw(&|x, y| colours[y * 21 + x] == qrcode::Color::Dark);
    assert_eq!(find(&bag, &map, 5.0), None);
    let own = card(Place::Cut, 12);
    let modules = own.modules();
    let printed = draw(&|x, y| modules[y * 21 + x]);
    let read = find(&printed, &map, 5.0).unwrap();
    assert_eq!((read.card, read.wrong_modules), (own, 0));
}

fn shot(photo: &str, minute: u32, card: Option<Card>) -> Shot {
    Shot {
        photo: photo.to_owned(),
        taken: Some(format!("2026-10-03T10:{minute:02}:00")),
        position: Some(Position {
            lat_deg: 44.0,
            lon_deg: -94.0,
            altitude_m: None,
            error_m: None,
        }),
        card,
    }
}

#[test]
fn cards_fill_the_sheet_and_never_go_over_what_is_typed() {
    let settings = GuessSettings::default();
    let shots = [
        shot("a", 0, Some(card(Place::Standing, 4))),
        shot("b", 1, Some(card(Place::Cut, 4))),
        shot("c", 2, None),
        shot("d", 50, None),
    ];
    let first = merge(None, &shots, &settings);
    let cells = |sheet: &Sheet| -> Vec<(String, String)> {
        let of = |r: &podfall::sheet::Row, c| r.cell(c).to_owned();
        (sheet.rows.iter())
            .map(|r| (of(r, Column::Check), of(r, Column::Place)))
            .collect()
    };
    let pair = |a: &str, b: &str| (a.to_owned(), b.to_owned());
    assert_eq!(
        cells(&first.sheet),
        [
            pair("4", "standing"),
            pair("4", "cut"),
            pair("4", ""),
            pair("5", "")
        ],
        "c is of the stop whose cards say 4; d is of another"
    );
    assert_eq!((first.by_card, first.differs.len()), (2, 0));

    // The person says otherwise of a, and empties b's place to leave it out: both stand, and are told.
    let text = String::from_utf8(first.sheet.write()).unwrap();
    let text = text
        .replace("a,4,standing", "a,4,behind")
        .replace("b,4,cut", "b,4,");
    let typed = Sheet::read(text.as_bytes()).unwrap();
    let more = [&shots[..], &[shot("e", 3, Some(card(Place::Behind, 4)))]].concat();
    let second = merge(Some(&typed), &more, &settings);
    assert_eq!(second.sheet.rows[0].typed.place, Some(SheetPlace::Behind));
    assert_eq!(second.sheet.rows[1].typed.place, None);
    assert_eq!(second.sheet.rows[4].typed.place, Some(SheetPlace::Behind));
    assert_eq!(second.by_card, 1);
    let told: Vec<String> = second.differs.iter().map(ToString::to_string).collect();
    assert_eq!(
        told[0],
        "a: its card says standing, check 4, the sheet says place behind, check 4; the sheet stands"
    );
    assert!(told[1].starts_with("b: its card says cut, check 4, the sheet says place none"));
    assert_eq!(told.len(), 2);

    // A name that the person gave the check goes to photos added later.
    let named = text.replace(",4,", ",north end,");
    let named = Sheet::read(named.as_bytes()).unwrap();
    let third = merge(Some(&named), &more, &settings);
    assert_eq!(third.sheet.rows[4].cell(Column::Check), "north end");
}

use super::*;
use crate::{
    annotate::tests::scene::Scene,
    caution::CautionKind,
    counts::{Kind, ModelName, SCHEMA},
    photo::Position,
};

fn file(photos: Vec<PhotoCount>) -> CountsFile {
    CountsFile {
        schema: SCHEMA,
        podfall: "0.1.0".to_owned(),
        model: ModelName::default(),
        photos,
    }
}

/// The table read back by a CSV reader: column → value, a row a photo.
fn read(text: &str) -> Vec<std::collections::HashMap<String, String>> {
    csv::Reader::from_reader(text.as_bytes())
        .deserialize()
        .map(|row| row.unwrap())
        .collect()
}

#[test]
fn a_row_a_photo_with_units_in_the_heads() {
    let mut scene = Scene::leaning();
    scene.add(Kind::Bean, (10.0, 10.0), true, false);
    scene.add(Kind::Bean, (30.0, 10.0), false, true);
    scene.caution(CautionKind::HeavyResidue, "lift it");
    scene.caution(CautionKind::Blur, "hold still");
    scene.count.meta.position = Some(Position {
        lat_deg: 41.5,
        lon_deg: -93.25,
        altitude_m: None,
        error_m: None,
    });
    let text = counts_csv(&file(vec![scene.count.clone(), scene.count]));
    assert!(text.starts_with("photo,status,") && text.ends_with("\r\n"));
    let rows = read(&text);
    assert_eq!(rows.len(), 2);
    let row = &rows[1];
    // 0.3048² m² is one square foot exactly (international yard and pound agreement, 1959).
    for (column, value) in [
        ("photo", "a.jpg"),
        ("status", "counted"),
        ("area_m2", "0.0929"),
        ("area_ft2", "1"),
        ("beans", "47"),
        ("beans_low_95", "42.3"),
        ("beans_high_95", "51.7"),
        ("beans_per_ft2", "47"),
        ("beans_per_m2", "505.9"),
        ("objects_counted", "1"),
        ("objects_doubtful", "1"),
        ("cautions", "heavy-residue; blur"),
        ("lon_deg", "-93.25"),
        ("residue_cover_pct", "31"),
    ] {
        assert_eq!(row[column], value, "{column}");
    }
}

#[test]
fn what_is_not_known_is_empty_and_not_zero() {
    let mut scene = Scene::leaning();
    scene.count.counts = None;
    scene.count.plot = None;
    scene.count.ground = None;
    scene.count.status = Status::Refused;
    scene.count.problem = Some("no frame, found \"nothing\"\nat all".to_owned());
    let rows = read(&counts_csv(&file(vec![scene.count])));
    for column in [
        "beans",
        "pods_low_95",
        "area_ft2",
        "beans_per_ft2",
        "objects_counted",
    ] {
        assert_eq!(rows[0][column], "", "{column}");
    }
    assert_eq!(rows[0]["problem"], "no frame, found \"nothing\" at all");
    assert_eq!(rows[0]["status"], "refused");
}

#[test]
fn names_cannot_become_formulas() {
    // The signs that the OWASP page on CSV injection lists: = + - @ tab and carriage return.
    for name in [
        "=1+1.jpg", "+1.jpg", "-1.jpg", "@a.jpg", "\t=1.jpg", "\r=1.jpg", " =1.jpg",
    ] {
        let mut scene = Scene::leaning();
        scene.count.photo = name.to_owned();
        let rows = read(&counts_csv(&file(vec![scene.count])));
        let cell = &rows[0]["photo"];
        assert!(cell.starts_with('\''), "{cell:?}");
    }
    assert_eq!(text("plot 7 = good.jpg"), "plot 7 = good.jpg");
}

#[test]
fn numbers_are_short_and_whole() {
    assert_eq!(number(Some(10.0), 2), "10");
    assert_eq!(number(Some(100.0), 0), "100");
    assert_eq!(number(Some(0.125), 2), "0.12");
    assert_eq!(number(Some(-0.0001), 2), "0");
    assert_eq!(number(Some(f64::NAN), 2), "");
    assert_eq!(number(None, 2), "");
}

#[test]
fn no_photos_give_the_heads_alone() {
    assert_eq!(counts_csv(&file(vec![])).lines().count(), 1);
    assert_eq!(COLUMNS.len(), 32);
}

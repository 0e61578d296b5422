//! An evening from photos to payback, through the real binary.

use std::fs;

use serde_json::Value;

use crate::{
    field::Field,
    pictures::{fixture_bytes, grainy, jpeg},
};

/// Two photos that can be counted.
fn two_photos() -> Field {
    let field = Field::new();
    for (name, case) in [
        ("a.jpg", "ten-beans-in-the-open"),
        ("b.jpg", "half-in-shadow"),
    ] {
        field.put(
            &format!("photos/{name}"),
            &fixture_bytes(&format!("{case}/photo.jpg")),
        );
    }
    field
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value}"))
}

/// What other programs rely on in one photo of `counts.json`.
fn has_the_fields(photo: &Value) {
    assert!(photo["photo"].is_string() && photo["status"].is_string());
    let corners = photo["frame"]["corners_px"].as_array().unwrap();
    assert_eq!(corners.len(), 4);
    for corner in corners {
        assert!(number(&corner[0]) > 0.0 && number(&corner[1]) > 0.0);
    }
    let objects = photo["objects"].as_array().unwrap();
    assert!(!objects.is_empty());
    for object in objects {
        let kind = object["kind"].as_str().unwrap();
        assert!(["bean", "split-bean", "pod"].contains(&kind), "{kind}");
        assert!((0.0..=1.0).contains(&number(&object["probability"])));
        assert!(number(&object["x_px"]) > 0.0 && number(&object["y_px"]) > 0.0);
        assert!(object["counted"].is_boolean());
    }
    let beans = &photo["counts"]["beans"];
    let [low, estimate, high] = ["low", "estimate", "high"].map(|k| number(&beans[k]));
    assert!(0.0 <= low && low <= estimate && estimate <= high);
}

/// The worst of all photos is the exit code, and any number of jobs gives the same bytes.
#[test]
fn photos_become_counts_pictures_and_a_report() {
    let field = two_photos();
    let count = |out: &str, jobs: &str| {
        let args = [
            "count", "photos", "--frame", "12x12in", "--out", out, "--jobs", jobs,
        ];
        field.run(&args).code
    };
    assert_eq!(count("one", "1"), Some(3), "a person must look at shadow");
    assert_eq!(count("two", "2"), Some(3));
    let files = [
        "counts.json",
        "counts.csv",
        "report.html",
        "annotated/a.jpg",
        "annotated/b.jpg",
    ];
    for file in files {
        let of = |out: &str| fs::read(field.path(out).join(file)).unwrap();
        let bytes = of("one");
        assert!(!bytes.is_empty() && bytes == of("two"), "{file}");
    }
    let counts = field.json("one/counts.json");
    assert_eq!(counts["schema"], 1);
    assert_eq!(counts["model"]["sha256"].as_str().unwrap().len(), 64);
    let photos = counts["photos"].as_array().unwrap();
    assert_eq!(photos.len(), 2);
    photos.iter().for_each(has_the_fields);
    let report = field.text("one/report.html");
    // A slash is written as HTML takes it everywhere.
    for text in ["a.jpg", "b.jpg", "bu&#x2f;ac", "data:image/jpeg;base64,"] {
        assert!(report.contains(text), "{text}");
    }
    let picture = image::open(field.path("one/annotated/a.jpg")).unwrap();
    assert!(picture.width() >= 1440);

    field.put("photos/c.jpg", &jpeg(&grainy(320, 240, 1), false));
    assert_eq!(count("one", "1"), Some(1), "one without a frame");
    assert!(
        field
            .text("one/counts.csv")
            .lines()
            .any(|l| l.starts_with("c.jpg"))
    );
}

/// Frames of a square foot counted by hand: before harvest and in the cut strip, at two settings.
const BY_HAND: [(&str, &str, [u32; 4]); 4] = [
    ("fast", "cut", [10, 9, 11, 11]),
    ("fast", "standing", [2, 1, 2, 2]),
    ("slow", "cut", [6, 5, 7, 6]),
    ("slow", "standing", [2, 1, 2, 2]),
];

/// A season in which nothing could be counted on the photos, and a person counted on the ground.
fn counted_by_hand() -> Field {
    let field = Field::new();
    let mut sheet = String::from("photo,check,place,setting,hand_beans,hand_pods\n");
    let photo = jpeg(&grainy(320, 240, 1), false);
    let mut made = 0;
    for (setting, place, beans) in BY_HAND {
        for (n, beans) in beans.iter().enumerate() {
            let name = format!("{setting}-{place}-{n}.jpg");
            let check = if setting == "fast" { 1 } else { 2 };
            sheet.push_str(&format!("{name},{check},{place},{setting},{beans},0\n"));
            let mut bytes = photo.clone();
            bytes.push(made);
            made += 1;
            field.put(&format!("photos/{name}"), &bytes);
        }
    }
    let count = [
        "count", "photos", "--frame", "12x12in", "--out", ".", "--jobs", "2",
    ];
    assert_eq!(field.run(&count).code, Some(1));
    let written = field.runs_well(&["sheet", "."]);
    assert!(written.contains("16 rows, 16 new"), "{written}");
    field.put("sheet.csv", sheet.as_bytes());
    // Run again it keeps what was typed.
    let written = field.runs_well(&["sheet", "."]);
    assert!(written.contains("16 rows, 0 new"), "{written}");
    assert!(
        field
            .text("sheet.csv")
            .contains("fast-cut-0.jpg,1,cut,fast")
    );
    field
}

/// 2904 seeds a pound are 4 beans a square foot for a bushel an acre.
const SEEDS: [&str; 2] = ["--seeds-per-lb", "2904"];

fn source<'a>(sources: &'a Value, name: &str) -> &'a Value {
    let mut all = sources.as_array().unwrap().iter();
    all.find(|s| s["source"] == name)
        .unwrap_or_else(|| panic!("no {name} in {sources}"))
}

/// The first setting is the worked example of Staton, Michigan State University Extension (2012): 10, 9, 11, 11 in the
/// cut strip, 2, 1, 2, 2 in the standing crop, 4 beans a square foot for a bushel: 2.125 bu/ac at the header.
#[test]
fn loss_contrast_and_payback_from_a_sheet_have_the_numbers_worked_by_hand() {
    let field = counted_by_hand();
    let table = field.runs_well(&[&["loss", "."][..], &SEEDS].concat());
    // Both settings together: (65/8 − 14/8) / 4.
    assert!(table.contains("1.59 ("), "{table}");
    for file in ["loss.html", "loss.json", "loss.csv", "checks.geojson"] {
        assert!(!field.text(file).is_empty(), "{file}");
    }
    let loss = field.json("loss.json");
    let by_setting = &loss["season"]["by_setting"];
    let header = |setting: &str| {
        let amount = &source(&by_setting[setting]["sources"], "header")["amount"];
        number(&amount["bu_per_ac"]["estimate"])
    };
    assert!((header("fast") - 2.125).abs() < 1e-9);
    assert!((header("slow") - 1.0625).abs() < 1e-9);
    let before = source(&loss["season"]["all"]["sources"], "pre-harvest");
    let bushels = number(&before["amount"]["bu_per_ac"]["estimate"]);
    assert!((bushels - 1.75 / 4.0).abs() < 1e-9);

    let two = ["--before", "fast", "--after", "slow", "--json"];
    let found = field.runs_well(&[&["contrast", "."][..], &SEEDS, &two].concat());
    let found: Value = serde_json::from_str(&found).unwrap();
    let change = &source(&found["sources"], "header")["change_bu_per_ac"];
    assert!((number(&change["estimate"]) + 1.0625).abs() < 1e-9);
    assert!(number(&change["low"]) < -1.0625 && number(&change["high"]) > -1.0625);

    let offer = ["--cost", "18000", "--price", "10", "--acres", "1200"];
    let args = [&["payback", "."][..], &SEEDS, &two, &offer].concat();
    let paid: Value = serde_json::from_str(&field.runs_well(&args)).unwrap();
    let yearly = number(&paid["payback"]["yearly_value"]["estimate"]);
    assert!((yearly - 1.0625 * 10.0 * 1200.0).abs() < 1e-6);
    let told: Vec<&str> = args
        .iter()
        .copied()
        .filter(|arg| *arg != "--json")
        .collect();
    let told = field.runs_well(&told);
    let apart = source(&found["sources"], "header")["verdict"] != "not-told-apart";
    assert_ne!(
        apart,
        told.contains("do not tell the two settings apart"),
        "{told}"
    );
    let metric = [&["loss", "."][..], &SEEDS, &["--unit", "kg/ha"]].concat();
    let metric = field.runs_well(&metric);
    let head = metric.lines().next().unwrap().trim();
    assert!(
        head.starts_with("kg/ha (95 % limits)") && head.ends_with("bu/ac"),
        "{metric}"
    );
    // 0.4375 bu/ac of 60 lb, at 1.120851 kg/ha a lb/ac (NIST SP 811): 29.42.
    let before = metric
        .lines()
        .find(|line| line.starts_with("Before harvest"))
        .unwrap();
    let figure = before.split_whitespace().nth(2).unwrap();
    assert!(figure.starts_with("29"), "{metric}");
    // 18 million in five years from 1200 acres at 10 a bushel: 300 bu/ac a year, where some 2 are lost.
    let dear = ["--cost", "18000000", "--price", "10", "--acres", "1200"];
    let told = field.runs_well(&[&["payback", "."][..], &SEEDS, &two[..4], &dear].concat());
    assert!(told.contains("would have to save 300.00 bu/ac"), "{told}");
    // The two settings that there are need no naming; frames in the cut strip alone give no total, and that is said.
    let unnamed = field.runs_well(&[&["payback", "."][..], &SEEDS, &dear].concat());
    assert_eq!(unnamed, told);
    let of = " of: Header, all of it; the two settings have no total in common";
    assert!(told.lines().next().unwrap().ends_with(of), "{told}");
    assert!(!told.contains("with interest"), "none was given: {told}");
    let same = field.run(&["contrast", ".", "--before", "fast", "--after", "fast"]);
    assert_eq!(same.code, Some(2));
    assert!(
        same.stderr.contains("'fast' was named twice"),
        "{}",
        same.stderr
    );
    let plan = field.runs_well(&["plan", "."]);
    assert!(plan.contains("from 1.8 beans a frame"), "{plan}");
    assert!(
        plan.contains("two settings told apart at 0.5 bu/ac") && plan.contains("Header: shattered"),
        "{plan}"
    );
    let wider = field.runs_well(&["plan", ".", "--difference", "5"]);
    let checks = |text: &str| -> usize {
        let row = text.lines().find(|l| l.starts_with("Header: shattered"));
        let words: Vec<&str> = row.unwrap().split_whitespace().collect();
        words[words.len() - 2].parse().unwrap()
    };
    assert!(checks(&wider) <= checks(&plan), "{wider}");
    let asked = field.runs_well(&["plan", ".", "--frames", "9"]);
    assert!(
        asked.contains("checks with 9 frames at each; now "),
        "{asked}"
    );
    assert!(
        asked.contains("By source, with 9 frames at each place of a check:")
            && plan.contains(
                "By source, with 4 frames (this season's mean) at each place of a check:"
            ),
        "{asked}{plan}"
    );
    // No photo was counted, so that photo and hand cannot be set against each other.
    let hand = field.run(&["contrast", ".", "--hand"]);
    assert_eq!(hand.code, Some(2));
    assert!(hand.stderr.contains("3 are needed"), "{}", hand.stderr);
}

/// The same numbers as above in the unit asked for: 60 lb to the bushel, 1.120851 kg/ha to a lb/ac (NIST SP 811). JSON stays as it is.
#[test]
fn contrast_plan_and_payback_follow_the_unit() {
    let field = counted_by_hand();
    let two = ["--before", "fast", "--after", "slow"];
    let offer = ["--cost", "18000000", "--price", "10", "--acres", "1200"];
    let contrast = [&["contrast", "."][..], &SEEDS, &two].concat();
    let payback = [&["payback", "."][..], &SEEDS, &two, &offer].concat();
    let plan = [&["plan", "."][..], &SEEDS].concat();
    let told = |args: &[&str], more: &[&str]| field.runs_well(&[args, more].concat());
    let words_of = |text: &str, row: &str| -> Vec<String> {
        let line = text.lines().find(|line| line.starts_with(row));
        let line = line.unwrap_or_else(|| panic!("no {row} in {text}"));
        line[row.len()..]
            .split_whitespace()
            .map(str::to_owned)
            .collect()
    };
    let metric = ["--unit", "kg/ha"];
    let text = told(&contrast, &metric);
    assert!(text.contains("change, kg/ha (95 % limits)"), "{text}");
    assert!(text.contains("a difference up to 172.9 kg/ha"), "{text}");
    assert!(!text.contains("bu/ac"), "{text}");
    // One of the two settings, however it is typed.
    let one = [&["contrast", "."][..], &SEEDS, &["--before", "FAST"]].concat();
    assert_eq!(told(&one, &metric), text);
    // 2.125, 1.0625 and their difference.
    let header = words_of(&text, "Header: shattered");
    assert_eq!(header[..3], ["142.9", "71.5", "-71.5"], "{text}");
    let text = told(&plan, &metric);
    // 1.59375, and the wish as its option is named.
    assert_eq!(words_of(&text, "Header: shattered")[0], "107.2", "{text}");
    assert!(text.contains("told apart at 0.5 bu/ac"), "{text}");
    let bushels = told(&plan, &[]);
    assert_eq!(
        words_of(&bushels, "Header: shattered")[0],
        "1.59",
        "{bushels}"
    );
    let text = told(&payback, &["--unit", "lb/ac"]);
    assert!(words_of(&text, "Gain")[0].starts_with("63."), "{text}");
    assert_eq!(words_of(&text, "Break-even gain"), ["18,000.0", "lb/ac"]);
    assert!(text.contains("would have to save 18,000.0 lb/ac"), "{text}");
    assert!(!text.contains("bu/ac"), "{text}");
    for args in [&contrast, &payback, &plan] {
        assert_eq!(
            told(args, &["--json"]),
            told(args, &["--json", "--unit", "kg/ha"])
        );
    }
    // As podfall.toml says it.
    field.put("podfall.toml", b"frame = \"12x12in\"\nunits = \"kg/ha\"\n");
    assert!(told(&contrast, &[]).contains("change, kg/ha"));
}

/// A copy of a photo is the same plot: the loss stays as it is, whichever of the two has its place in the sheet.
#[test]
fn a_copy_of_a_photo_counts_once() {
    let field = counted_by_hand();
    let args = [&["loss", "."][..], &SEEDS].concat();
    let amounts = |text: &str| -> Vec<String> {
        (text
            .lines()
            .filter(|l| l.contains(" to "))
            .map(str::to_owned))
        .collect()
    };
    let before = field.runs_well(&args);
    let photo = std::fs::read(field.path("photos/fast-cut-0.jpg")).unwrap();
    // Named as a phone names it.
    field.put("photos/fast-cut-0 (1).jpg", &photo);
    let count = [
        "count", "photos", "--frame", "12x12in", "--out", ".", "--jobs", "2",
    ];
    assert_eq!(field.run(&count).code, Some(1));
    let sheet = field.text("sheet.csv");
    let with_copy = field.runs_well(&args);
    assert_eq!(amounts(&with_copy), amounts(&before));
    assert!(
        with_copy.contains("1 photo is the same file as another, so that the plot counts once: fast-cut-0 (1).jpg left out"),
        "{with_copy}"
    );
    assert!(!with_copy.contains("put that right"), "{with_copy}");
    field.put(
        "sheet.csv",
        format!("{sheet}fast-cut-0 (1).jpg,2,standing,slow,10,0\n").as_bytes(),
    );
    let at_odds = field.runs_well(&args);
    assert!(
        at_odds.contains("of fast-cut-0 (1).jpg the sheet says another place, check or hand count than of its copy: put that right"),
        "{at_odds}"
    );
}

/// Photos copied in after the count are in no number, and every command that goes by the counts says so.
#[cfg(unix)]
#[test]
fn photos_that_are_not_counted_yet_are_told_with_the_command_that_counts_them() {
    let field = counted_by_hand();
    let loss = [&["loss", "."][..], &SEEDS].concat();
    assert!(!field.runs_well(&loss).contains("not counted yet"));
    for n in 0..6 {
        let photo = jpeg(&grainy(320, 240, 50 + n), false);
        field.put(&format!("photos/late {n}.jpg"), &photo);
    }
    let told = "6 photos in the folder are not counted yet (late 0.jpg, late 1.jpg, late 2.jpg, late 3.jpg, late 4.jpg and 1 \
                more): run podfall count . --frame 12x12in --out .";
    let table = field.runs_well(&loss);
    assert!(table.contains(&format!("caution: {told}\n")), "{table}");
    assert!(field.text("loss.html").contains("late 4.jpg and 1 more"));
    let cautions = field.json("loss.json")["season"]["all"]["cautions"].clone();
    let late = (cautions.as_array().unwrap().iter()).find(|c| c["kind"] == "not-counted-yet");
    assert_eq!(late.expect("told in JSON")["message"], told);
    for args in [&["sheet", "."][..], &["record", ".", "--hashes-only"]] {
        let ran = field.run(args);
        assert!([Some(0), Some(3)].contains(&ran.code), "{ran:?}");
        assert!(
            ran.stderr.contains(&format!("caution: {told}\n")),
            "{ran:?}"
        );
    }
    // What the hint says does what it is for.
    let (_, command) = told.split_once("run ").unwrap();
    assert_eq!(field.pasted(command).code, Some(1), "none has a frame");
    assert!(!field.runs_well(&loss).contains("not counted yet"));
}

/// In a season folder the count needs no more than the folder, whichever of its folders was given.
#[test]
fn photos_that_are_not_counted_yet_are_found_from_the_results_too() {
    let field = counted_by_hand();
    field.put("podfall.toml", b"frame = \"12x12in\"\n");
    fs::create_dir(field.path("out")).unwrap();
    fs::rename(field.path("counts.json"), field.path("out/counts.json")).unwrap();
    field.put("photos/late.jpg", &jpeg(&grainy(320, 240, 50), false));
    for folder in [".", "out", "photos"] {
        let ran = field.run(&["sheet", folder]);
        assert!(
            ran.stderr.contains(
                "1 photo in the folder is not counted yet (late.jpg): run podfall count .\n"
            ),
            "{folder}: {ran:?}"
        );
    }
}

/// The photos were counted with another frame than podfall.toml has now: the loss says so, and what to do.
#[test]
fn another_frame_in_the_seasons_file_is_noticed() {
    let field = counted_by_hand();
    let args = [&["loss", "."][..], &SEEDS].concat();
    field.put("podfall.toml", b"frame = \"12x12in\"\n");
    let same = field.runs_well(&args);
    assert!(!same.contains("podfall.toml has the frame"), "{same}");
    field.put("podfall.toml", b"frame = \"18x18in\"\n");
    let other = field.runs_well(&args);
    assert!(
        other.contains(
            "podfall.toml has the frame 18x18in, but 16 photos were counted with 12x12in"
        ),
        "{other}"
    );
}

/// n = (1.96 / 0.25)² (1/6 + 1/2) = 41.0 and (1.96 / 0.25)² / 6 = 10.2: Krebs, Ecological Methodology, chapter 7 (from
/// memory). Half a bushel of 10 on 1200 acres is 6000 a year: 18000 are back in three.
#[test]
fn plan_and_payback_from_typed_numbers() {
    let field = Field::new();
    let plan = field.runs_well(&["plan", "--mean", "6", "--k", "2", "--half-width", "25"]);
    assert!(
        plan.contains("from 6.0 beans a frame, k 2.0 (the smaller k, the more unevenly beans lie within a check)\n")
            && !plan.contains("Poisson"),
        "{plan}"
    );
    let json = field.runs_well(&["plan", "--mean", "6", "--k", "2", "--json"]);
    let json: Value = serde_json::from_str(&json).unwrap();
    let told = &json["places"][0]["plan"];
    assert!(
        (number(&told["frames_by_formula"]) - 41.0).abs() < 0.05,
        "{told}"
    );
    assert!(
        (number(&told["frames_poisson"]) - 10.2).abs() < 0.05,
        "{told}"
    );
    let args = "payback --gain 0.5 --cost 18000 --price 10 --acres 1200 --years 7";
    let paid = field.runs_well(&args.split(' ').collect::<Vec<_>>());
    for line in [
        "Worth a year           6,000 ",
        "Payback                3.0 years",
        "Net present value      24,000 ",
        // A gain without limits is no certainty.
        "says nothing of how sure it is",
    ] {
        assert!(paid.contains(line), "{paid}");
    }
    assert!(
        !paid.contains("in 100") && !paid.contains("longer than"),
        "{paid}"
    );
    for (cost, told) in [
        (
            "--cost 74400",
            "12.4 years, longer than the 7 years that it lasts\n",
        ),
        // −ln(1 − 0.06 × 36,000/6,000)/ln 1.06 = 7.66.
        (
            "--cost 36000 --discount 6",
            "6.0 years; with interest 7.7 years, longer than the 7 years that it lasts\n",
        ),
    ] {
        let args = format!("payback --gain 0.5 {cost} --price 10 --acres 1200 --years 7");
        let paid = field.runs_well(&args.split(' ').collect::<Vec<_>>());
        assert!(paid.contains(told), "{paid}");
    }
    let lacks = field.run(&["payback", "--gain", "0.5", "--cost", "18000"]);
    assert!(
        lacks.stderr.contains("area_ac") && lacks.stderr.contains("price_per_bu"),
        "{}",
        lacks.stderr
    );
}

/// How far weighings differ says nothing of seeds that nobody weighed: the crop table's stand, and that is said.
#[test]
fn a_spread_alone_makes_no_weighed_seeds() {
    let field = two_photos();
    field.put("podfall.toml", b"frame = \"12x12in\"\nseed_spread = 4\n");
    field.run(&["count", ".", "--no-pictures"]);
    let loss = |more: &[&str]| -> Value {
        let text = field.runs_well(&[&["loss", ".", "--json"], more].concat());
        serde_json::from_str(&text).unwrap()
    };
    for more in [&[][..], &["--seed-spread", "100"]] {
        let loss = loss(more);
        assert_eq!(loss["seeds"]["from"], "crop-table", "{more:?}");
        assert_eq!(loss["seeds"]["per_lb"]["value"], 3000.0);
        let cautions = loss["cautions"].to_string();
        assert!(cautions.contains("seeds were not weighed"), "{cautions}");
    }
    let weighed = loss(&["--seeds-per-lb", "2900", "--seed-spread", "100"]);
    assert_eq!(weighed["seeds"]["from"], "weighed");
    assert_eq!(weighed["seeds"]["per_lb"]["sd"], 100.0);
}

//! Pictures and report with what a person said, beside those of what the tool saw.

use std::fs;

use serde_json::{Value, json};

use crate::{
    field::Field,
    page::{Page, counted, with_what_cannot_be_read},
};

/// The page with what a person said, its strokes as they are read.
fn told(field: &Field) -> String {
    field.text("out/confirmed.html").replace("&#x2f;", "/")
}

#[test]
fn what_a_person_said_is_drawn_beside_what_the_tool_saw() {
    let field = counted();
    field.run(&["count", "."]);
    let page = Page::open(field.folder.path());
    let photo = page.photo(0);
    let objects = photo["objects"].as_array().unwrap();
    let name = |i: usize| objects[i]["name"].clone();
    let say = |object: Value, is: &str| {
        page.says(
            0,
            json!({"do": "verdict", "object": object, "verdict": {"is": is}}),
        );
    };
    say(name(0), "bean");
    say(name(1), "none");
    page.says(
        0,
        json!({"do": "add", "mm": [150.0, 150.0], "verdict": {"is": "bean"}}),
    );
    page.says(0, json!({"do": "confirm"}));
    page.says(1, json!({"do": "unusable", "why": "blurred"}));
    let before = fs::read(field.path("out/annotated/a.jpg")).unwrap();
    let report = fs::read(field.path("out/report.html")).unwrap();
    let said = field.runs_well(&["redraw", "."]);
    assert!(said.starts_with("2 photos drawn, 0 up to date"), "{said}");
    // What the tool saw stays as it was.
    assert_eq!(fs::read(field.path("out/annotated/a.jpg")).unwrap(), before);
    assert_eq!(fs::read(field.path("out/report.html")).unwrap(), report);
    assert!(
        field.path("out/confirmed/b.jpg").is_file(),
        "set aside, and why"
    );
    assert!(
        !field.path("out/confirmed/c.jpg").exists(),
        "nothing was said of it"
    );
    assert_ne!(
        fs::read(field.path("out/confirmed/a.jpg")).unwrap(),
        before,
        "squares and a cross"
    );
    let html = told(&field);
    assert!(html.contains("beans/ft²"), "the mean of all frames");
    for words in [
        "1 confirmed by a person",
        "the tool alone saw",
        "white square: a person said so",
        "set aside by hand: blurred",
    ] {
        assert!(
            html.to_lowercase().contains(&words.to_lowercase()),
            "{words}"
        );
    }
    let again = field.runs_well(&["redraw", "."]);
    assert!(again.starts_with("0 photos drawn, 2 up to date"), "{again}");
    // The record shows them too, and holds both.
    let ran = field.run(&["record", "."]);
    assert_eq!(ran.code, Some(3), "{}", ran.stderr);
    for path in ["annotated/a.jpg", "confirmed/a.jpg"] {
        assert!(
            field.path(&format!("record/evidence/{path}")).is_file(),
            "{path}"
        );
    }
    // Taken back: the picture goes.
    for _ in 0..5 {
        page.step("undo", page.seq());
    }
    let nothing = field.run(&["redraw", "."]);
    assert_eq!(nothing.code, Some(2));
    assert!(
        nothing.stderr.contains("nothing was said"),
        "{}",
        nothing.stderr
    );
    assert!(!field.path("out/confirmed/a.jpg").exists());
}

/// Counted without pictures: a photo of which nothing was said has none, and the page says why and how to get it.
#[test]
fn a_batch_counted_without_pictures_says_so() {
    let field = counted();
    let page = Page::open(field.folder.path());
    page.says(0, json!({"do": "confirm"}));
    page.kill();
    field.runs_well(&["redraw", "."]);
    let html = field.text("out/confirmed.html");
    assert!(!html.contains("could not be read"), "every file could");
    assert_eq!(html.matches("counted without pictures").count(), 3);
    assert!(html.contains("without --no-pictures"));
    // As it says: counted again for the pictures, all of them are there.
    field.run(&["count", "."]);
    field.runs_well(&["redraw", "."]);
    let html = field.text("out/confirmed.html");
    assert!(!html.contains("No picture"), "all are drawn");
}

/// What is not read has no picture to draw: it is passed over, and nothing is advised that would not help.
#[test]
fn a_file_that_is_no_photo_is_passed_over() {
    let field = with_what_cannot_be_read();
    let page = Page::open(field.folder.path());
    page.says(0, json!({"do": "unusable", "why": "not read"}));
    page.kill();
    let ran = field.run(&["redraw", "."]);
    assert_eq!(ran.code, Some(0), "{}", ran.stderr);
    assert!(
        ran.stderr
            .contains("passed over: late.avif: the file cannot be read as a photo"),
        "{}",
        ran.stderr
    );
    let html = field.text("out/confirmed.html");
    assert!(html.contains("No picture: the file could not be read."));
    assert_eq!(
        html.matches("without --no-pictures").count(),
        1,
        "of the other photo alone"
    );
}

/// Once places are told, the mean over all of them is no loss and is not told as one.
#[test]
fn with_places_the_mean_of_all_frames_is_told_as_beans() {
    let field = counted();
    let page = Page::open(field.folder.path());
    for (n, place) in ["standing", "cut", "behind"].iter().enumerate() {
        page.says(
            n,
            json!({"do": "place", "place": place, "check": null, "setting": null}),
        );
    }
    page.says(0, json!({"do": "confirm"}));
    page.kill();
    field.runs_well(&["redraw", "."]);
    let html = told(&field);
    let answer = html.split("class=\"answer\"").nth(1).unwrap();
    let answer = answer.split("</section>").next().unwrap();
    for words in [
        "<div class=\"headline\">",
        "mean of all frames, whatever their place",
        "beans/ft²",
        "This is no loss of the field",
        "loss.html",
    ] {
        assert!(answer.contains(words), "{words}: {answer}");
    }
    let figures = answer.split("<p>This is no loss").next().unwrap();
    for unit in ["bu/ac", "lb/ac", "kg/ha"] {
        assert!(!figures.contains(unit), "{unit}: {figures}");
    }
}

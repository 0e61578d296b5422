//! Photos counted apart, one process each, and gathered: byte for byte what one run gives.

use std::fs;

use crate::{
    field::Field,
    pictures::{fixture_bytes, grainy, jpeg},
};

/// Two photos of one plot, a copy of the first, one without a frame, and one that is cut off.
const NAMES: [&str; 5] = ["a.jpg", "b.jpg", "c.jpg", "d.jpg", "e.jpg"];

fn field() -> Field {
    let field = Field::new();
    let photo = fixture_bytes("ten-beans-in-the-open/photo.jpg");
    field.put("photos/a.jpg", &photo);
    field.put("photos/b.jpg", &photo);
    let again = image::load_from_memory(&photo).unwrap().into_rgb8();
    field.put("photos/c.jpg", &jpeg(&again, false));
    field.put("photos/d.jpg", &jpeg(&grainy(640, 480, 1), false));
    field.put("photos/e.jpg", &photo[..1000]);
    field
}

/// One process, one photo.
fn part(field: &Field, name: &str) -> String {
    let path = format!("photos/{name}");
    field.runs_well(&["count", &path, "--frame", "12x12in", "--part"])
}

#[test]
fn parts_in_any_order_gather_to_the_bytes_of_one_run() {
    let field = field();
    let one = field.run(&[
        "count",
        "photos",
        "--frame",
        "12x12in",
        "--no-pictures",
        "--out",
        "one",
    ]);
    assert_eq!(one.code, Some(1), "{}", one.stderr);
    let whole = field.text("one/counts.json");
    assert!(whole.contains("same-file") && whole.contains("same-plot"));
    let lines = NAMES.map(|name| part(&field, name));
    assert!(
        lines.iter().all(|line| line.lines().count() == 1),
        "one line a photo"
    );
    assert!(!field.path("photos/out").exists(), "parts write no file");
    fs::create_dir(field.path("lines")).unwrap();
    for order in [[0, 1, 2, 3, 4], [4, 2, 0, 3, 1], [3, 4, 1, 2, 0]] {
        let ordered: String = order.map(|k| lines[k].as_str()).concat();
        // One of them twice, as an engine does that tried it twice.
        let text = ordered + &lines[order[0]];
        field.put("lines/some.jsonl", text.as_bytes());
        field.runs_well(&["gather", "lines", "--photos", "photos", "--out", "two"]);
        assert_eq!(field.text("two/counts.json"), whole);
        assert_eq!(field.text("two/counts.csv"), field.text("one/counts.csv"));
        fs::remove_dir_all(field.path("two")).unwrap();
    }
}

#[test]
fn a_cut_line_and_a_missing_photo_are_told() {
    let field = field();
    let (a, d) = (part(&field, "a.jpg"), part(&field, "d.jpg"));
    field.put(
        "lines.jsonl",
        format!("{a}{}", &d[..d.len() / 2]).as_bytes(),
    );
    let ran = field.run(&["gather", "lines.jsonl", "--photos", "photos"]);
    assert_eq!(ran.code, Some(1));
    assert!(
        ran.stderr
            .contains("left out lines.jsonl, line 2: not a whole line"),
        "{}",
        ran.stderr
    );
    assert!(ran.stderr.contains("no line for b.jpg: count it again"));
    assert!(!ran.stderr.contains("no line for a.jpg"));
    assert_eq!(
        field.json("out/counts.json")["photos"]
            .as_array()
            .unwrap()
            .len(),
        1
    );
}

#[test]
fn parts_that_do_not_belong_together_are_refused_and_nothing_is_written() {
    let field = field();
    let d = part(&field, "d.jpg");
    let other = field.runs_well(&["count", "photos/e.jpg", "--frame", "10x10in", "--part"]);
    field.put("mixed.jsonl", format!("{d}{other}").as_bytes());
    let ran = field.run(&["gather", "mixed.jsonl"]);
    assert_eq!(ran.code, Some(2));
    assert!(ran.stderr.contains("different settings"), "{}", ran.stderr);
    // The same name, another photo.
    let twin = part(&field, "a.jpg").replace("\"a.jpg\"", "\"d.jpg\"");
    field.put("twins.jsonl", format!("{d}{twin}").as_bytes());
    let ran = field.run(&["gather", "twins.jsonl"]);
    assert_eq!(ran.code, Some(2));
    assert!(
        ran.stderr
            .contains("two different results under the name d.jpg"),
        "{}",
        ran.stderr
    );
    field.put("none.jsonl", b"\n");
    let ran = field.run(&["gather", "none.jsonl"]);
    assert_eq!(ran.code, Some(2));
    assert!(ran.stderr.contains("no counted photo"), "{}", ran.stderr);
    assert!(!field.path("out").exists());
}

#[cfg(unix)]
#[test]
fn a_file_that_cannot_be_read_has_no_line_and_another_failure_gives_way_to_a_count() {
    let field = field();
    std::os::unix::fs::symlink("nowhere", field.path("photos/f.jpg")).unwrap();
    let ran = field.run(&["count", "photos/f.jpg", "--frame", "12x12in", "--part"]);
    assert_eq!(ran.code, Some(2), "{}", ran.stderr);
    let failed = part(&field, "e.jpg").replace("\"e.jpg\"", "\"a.jpg\"");
    let a = part(&field, "a.jpg");
    for text in [format!("{failed}{a}"), format!("{a}{failed}")] {
        field.put("lines.jsonl", text.as_bytes());
        field.runs_well(&["gather", "lines.jsonl"]);
        assert_ne!(
            field.json("out/counts.json")["photos"][0]["status"],
            "failed"
        );
    }
}

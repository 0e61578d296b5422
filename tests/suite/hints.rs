//! What the tool says to do works when it is done: commands in hints, what to write for a number, where else to write to.

#![cfg(unix)]

use crate::{
    field::Field,
    page::{Page, counted},
    pictures::{grainy, jpeg},
};

/// What stands behind these words, to the line's end.
fn after(text: &str, words: &str) -> String {
    let (_, rest) = text
        .split_once(words)
        .unwrap_or_else(|| panic!("no '{words}' in {text}"));
    rest.lines().next().unwrap_or_default().to_owned()
}

#[test]
fn hints_run_when_pasted_whatever_the_folder_is_called() {
    let field = Field::new();
    let folder = "Bob's Nörd Feld 40";
    let quoted = r"'Bob'\''s Nörd Feld 40'";
    let begun = field.runs_well(&["season", folder, "--frame", "12x12in"]);
    let count = after(&begun, "then run: ");
    assert_eq!(count, format!("podfall count {quoted}"));
    let photo = jpeg(&grainy(320, 240, 1), false);
    field.put(&format!("{folder}/photos/a.jpg"), &photo);
    let before = field.run(&["loss", folder]).stderr;
    assert!(before.contains(&format!("run {count} first\n")), "{before}");
    assert_eq!(field.pasted(&count).code, Some(1), "it has no frame");
    assert!(field.path(folder).join("out/counts.json").is_file());
    let lacks = field.run(&["plan", folder]).stderr;
    let (sheet, _) = after(&lacks, "was laid; ")
        .split_once(" writes one")
        .map(|(sheet, rest)| (sheet.to_owned(), rest.to_owned()))
        .unwrap();
    assert_eq!(sheet, format!("podfall sheet {quoted}"));
    let written = field.pasted(&sheet);
    assert_eq!(written.code, Some(0), "{written:?}");
    let loss = after(&written.stdout, "then run: ");
    assert_eq!(loss, format!("podfall loss {quoted}"));
    // There is nothing to tell yet, but the season is found.
    let told = field.pasted(&loss).stderr;
    assert!(!told.contains("no counts.json"), "{told}");
}

/// `count` takes a season's photos folder for the season; what goes by its counts does too.
#[test]
fn the_photos_folder_of_a_season_stands_for_the_season() {
    let field = counted();
    let first = field.run(&["sheet", "photos"]);
    assert_eq!(first.code, Some(0), "{first:?}");
    assert!(field.path("sheet.csv").is_file());
    assert!(!field.path("photos/sheet.csv").exists());
    let page = Page::start(&mut field.command(&["confirm", "photos", "--no-open"]));
    assert_eq!(page.seq(), 0);
    page.kill();
    // Before the count the season is named, so that the hint leads on.
    std::fs::remove_dir_all(field.path("out")).unwrap();
    let ran = field.run(&["confirm", "photos", "--no-open"]);
    assert_eq!(
        ran.stderr,
        "error: no counts.json in . or ./out; run podfall count . first\n"
    );
}

#[test]
fn a_number_with_commas_or_signs_is_told_how_to_write_it() {
    let field = Field::new();
    for (option, value) in [
        ("--cost <MONEY>", "18,000"),
        ("--cost <MONEY>", "$18000"),
        ("--price <MONEY>", "10,40"),
        ("--acres <AC>", "1,200"),
        ("--seeds-per-lb <N>", "2,900"),
    ] {
        let (name, _) = option.split_once(' ').unwrap();
        let ran = field.run(&["payback", name, value]);
        assert_eq!(ran.code, Some(2));
        assert_eq!(
            ran.stderr,
            format!(
                "error: invalid value '{value}' for '{option}': write the number without commas or signs, as 18000 or 10.40\n"
            )
        );
    }
    // Others that cannot be followed are told as before.
    let ran = field.run(&["payback", "--years", "x", "--cost", "1"]);
    assert!(ran.stderr.contains("invalid digit"), "{}", ran.stderr);
}

#[test]
fn a_length_without_a_unit_is_told_to_have_none() {
    let field = Field::new();
    let ran = field.run(&["count", "photos", "--bar-height", "13"]);
    assert_eq!(ran.code, Some(2));
    assert!(
        ran.stderr.contains(
            "'13' lacks its unit; write one of in, ft, cm, mm, m behind the number, as in 13mm or 0.5in"
        ),
        "{}",
        ran.stderr
    );
}

//! The real binary in a folder of its own. Its pictures show no frame, so none is ever counted here.

use std::{
    fs,
    path::Path,
    process::Stdio,
    time::{Duration, Instant},
};

use serde_json::Value;

use crate::{
    field::{Field, Ran},
    pictures::{grainy, jpeg},
};

fn small() -> Vec<u8> {
    jpeg(&grainy(320, 240, 1), false)
}

fn cut() -> Vec<u8> {
    let mut bytes = small();
    bytes.truncate(1000);
    bytes
}

const CUT_OFF: &str = "failed: the JPEG is cut off: its 1000 bytes end before the picture does; copy the photo from the phone again";

#[test]
fn usage_errors_say_what_to_do_and_exit_2() {
    let field = Field::new();
    for (args, message) in [
        (
            &["count", "nowhere", "--frame", "1x1ft"][..],
            "error: nowhere: there is no such file or folder\n",
        ),
        (
            &["count", "photos", "--frame", "1x1ft"],
            "error: no photo in photos; give a photo, or a folder with photos in it or in its photos/ folder\n",
        ),
    ] {
        let ran = field.run(args);
        assert_eq!((ran.code, ran.stderr.as_str()), (Some(2), message));
    }
    field.put("photos/a.jpg", &small());
    field.put("photos/b.jpg", &small());
    let ran = field.run(&["count", "photos"]);
    assert_eq!(
        ran.stderr,
        "error: the frame's size is not known; give it, as --frame 12x12in, or write it once into photos/podfall.toml\n"
    );
    assert_eq!(ran.code, Some(2));
    let ran = field.run(&[
        "count",
        "photos",
        "--frame",
        "1x1ft",
        "--corners",
        "1,1,9,1,9,9,1,9",
    ]);
    assert_eq!(
        ran.stderr,
        "error: --corners are of one photo, but there are 2; give one photo\n"
    );
    let ran = field.run(&["count", "photos", "--frame", "1x1furlong"]);
    assert_eq!(ran.code, Some(2));
    assert!(ran.stderr.contains("furlong"), "{}", ran.stderr);
    assert!(!field.path("photos/out").exists(), "nothing may be written");
}

#[test]
fn help_tells_the_exit_codes() {
    let help = Field::new().run(&["count", "--help"]).stdout;
    for line in [
        "0  every photo",
        "3  counted, but",
        "1  a photo",
        "2  the command line",
    ] {
        assert!(help.contains(line), "{line}");
    }
}

#[test]
fn one_bad_photo_stops_nothing_and_others_are_left_out_with_a_word() {
    let field = Field::new();
    field.put("photos/b.jpg", &cut());
    field.put("photos/a.jpg", &small());
    field.put("photos/c.jpg", b"");
    field.put("photos/notes.txt", b"windy");
    field.put("photos/.hidden.jpg", &small());
    // Told by its bytes, whatever its name says.
    field.put("photos/d.dat", &small());
    let ran = field.run(&["count", "photos", "--frame", "12x12in", "--jobs", "1"]);
    assert_eq!(ran.code, Some(1));
    let expected = format!(
        "left out photos/.hidden.jpg: hidden (its name begins with a point)\n\
         left out photos/notes.txt: not a photo\n\
         1 of 4  a.jpg not counted: *\n\
         2 of 4  d.dat not counted: *\n\
         3 of 4  b.jpg {CUT_OFF}\n\
         4 of 4  c.jpg failed: the file is empty (0 bytes); copy the photo from the phone again\n"
    );
    // With one thread the photos come in order, a file under its second name right after the first; why a photo without a frame is not counted is
    // told elsewhere.
    for (got, expected) in ran.stderr.lines().zip(expected.lines()) {
        match expected.strip_suffix('*') {
            Some(start) => assert!(got.starts_with(start), "{got}"),
            None => assert_eq!(got, expected),
        }
    }
    assert_eq!(ran.stderr.lines().count(), expected.lines().count());
    let counts = field.json("photos/out/counts.json");
    let names: Vec<&str> = counts["photos"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| p["photo"].as_str().unwrap())
        .collect();
    assert_eq!(names, ["a.jpg", "b.jpg", "c.jpg", "d.dat"]);
    assert_eq!(counts["photos"][1]["status"], "failed");
    assert!(counts["photos"][1]["counts"].is_null());
    assert_eq!(counts["photos"][1]["meta"]["file_bytes"], 1000);
    let table = fs::read_to_string(field.path("photos/out/counts.csv")).unwrap();
    assert_eq!(table.lines().count(), 5);
    assert!(
        ran.stdout
            .contains("4 photos: 0 counted, 0 to confirm, 2 not counted, 2 failed")
    );
}

#[test]
fn any_number_of_jobs_and_any_run_gives_the_same_bytes() {
    let field = Field::new();
    for n in 0..6 {
        let bytes = jpeg(&grainy(300 + 20 * n, 260, n), n % 2 == 0);
        field.put(&format!("photos/p{n}.jpg"), &bytes);
    }
    field.put("photos/copy.jpg", &jpeg(&grainy(300, 260, 0), true));
    let mut seen = Vec::new();
    for (out, jobs, extra) in [
        ("one", "1", ""),
        ("two", "2", ""),
        ("five", "5", ""),
        ("two", "2", "--again"),
        ("two", "1", ""),
    ] {
        let mut args = vec![
            "count", "photos", "--frame", "12x12in", "--json", "--out", out, "--jobs", jobs,
        ];
        args.extend((!extra.is_empty()).then_some(extra));
        let ran = field.run(&args);
        let files =
            ["counts.json", "counts.csv"].map(|f| fs::read(field.path(out).join(f)).unwrap());
        seen.push((ran.stdout, files));
    }
    assert!(seen.windows(2).all(|pair| pair[0] == pair[1]));
    let lines: Vec<Value> = seen[0]
        .0
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert_eq!(lines.len(), 7);
    // p0.jpg is the second of two equal files by name.
    assert_eq!(lines[1]["photo"], "p0.jpg");
    assert_eq!(lines[1]["cautions"][0]["kind"], "same-file");
    assert_eq!(lines[0]["cautions"].as_array().unwrap().len(), 0);
}

#[test]
fn names_in_any_script_and_with_line_breaks_are_taken() {
    let field = Field::new();
    let names = [
        "大豆 1.jpg",
        "поле.jpg",
        "a\nb.jpg",
        "-frame.jpg",
        "q\"uote'.jpg",
        "\u{1b}[31mred.jpg",
    ];
    for name in names {
        field.put(&format!("photos/{name}"), &cut());
    }
    let ran = field.run(&["count", "photos", "--frame", "12x12in"]);
    assert_eq!(ran.code, Some(1));
    let counts = field.json("photos/out/counts.json");
    let mut got: Vec<&str> = counts["photos"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| p["photo"].as_str().unwrap())
        .collect();
    let mut expected = names.to_vec();
    got.sort_unstable();
    expected.sort_unstable();
    assert_eq!(got, expected);
    // A terminal is shown neither the line break nor the control sequence.
    assert!(ran.stderr.contains("a\\nb.jpg failed"), "{}", ran.stderr);
    assert!(!ran.stderr.contains('\u{1b}') && !ran.stdout.contains('\u{1b}'));
    let bare = fs::read_to_string(field.path("photos/out/counts.json")).unwrap();
    assert_eq!(bare.lines().count(), 2 + names.len());
}

#[cfg(unix)]
#[test]
fn a_name_that_is_no_text_is_taken() {
    use std::os::unix::ffi::OsStrExt;
    let field = Field::new();
    let name = std::ffi::OsStr::from_bytes(b"photos/\xE9t\xE9.jpg");
    fs::write(field.folder.path().join(name), cut()).unwrap();
    assert_eq!(
        field.run(&["count", "photos", "--frame", "12x12in"]).code,
        Some(1)
    );
    let counts = field.json("photos/out/counts.json");
    assert_eq!(counts["photos"][0]["photo"], "\u{FFFD}t\u{FFFD}.jpg");
}

#[cfg(unix)]
#[test]
fn links_and_closed_files_are_told_and_stop_nothing() {
    use std::os::unix::fs::{PermissionsExt, symlink};
    let field = Field::new();
    field.put("elsewhere.jpg", &small());
    symlink(field.path("elsewhere.jpg"), field.path("photos/link.jpg")).unwrap();
    symlink(field.path("nowhere.jpg"), field.path("photos/lost.jpg")).unwrap();
    symlink(field.path("photos"), field.path("photos/round")).unwrap();
    field.put("photos/closed.jpg", &small());
    fs::set_permissions(
        field.path("photos/closed.jpg"),
        fs::Permissions::from_mode(0o000),
    )
    .unwrap();
    // The system's own user may read everything: then there is no closed file to be had.
    let closed = fs::read(field.path("photos/closed.jpg")).is_err();
    let ran = field.run(&["count", "photos", "--frame", "12x12in"]);
    assert_eq!(ran.code, Some(1));
    let counts = field.json("photos/out/counts.json");
    let problem = |n: usize| counts["photos"][n]["problem"].as_str().unwrap().to_owned();
    assert_eq!(counts["photos"].as_array().unwrap().len(), 3);
    if closed {
        assert!(problem(0).starts_with("the file cannot be read: Permission denied"));
    }
    assert_eq!(counts["photos"][1]["status"], "refused");
    assert!(problem(2).starts_with("the file cannot be read: No such file"));
}

#[test]
fn results_that_cannot_be_written_fail_the_run_and_say_so() {
    let field = Field::new();
    field.put("photos/a.jpg", &small());
    field.put("taken", b"a file where the folder should be");
    let ran = field.run(&["count", "photos", "--frame", "12x12in", "--out", "taken"]);
    assert_eq!(ran.code, Some(1));
    assert!(
        ran.stderr
            .starts_with("error: taken: cannot be written; see that the disk has room"),
        "{}",
        ran.stderr
    );
}

#[test]
fn two_photos_of_one_name_are_told_apart_by_the_person() {
    let field = Field::new();
    fs::create_dir(field.path("more")).unwrap();
    field.put("photos/a.jpg", &small());
    field.put("more/a.jpg", &cut());
    let ran = field.run(&["count", "photos", "more", "--frame", "12x12in"]);
    assert_eq!(ran.code, Some(2));
    assert_eq!(
        ran.stderr,
        "error: more/a.jpg and photos/a.jpg would have the same name in the results; rename one or count the folders apart\n"
    );
    // The same photo given twice is one photo.
    let ran = field.run(&[
        "count",
        "photos",
        "photos/a.jpg",
        "--frame",
        "12x12in",
        "--out",
        "out",
    ]);
    assert_eq!(
        field.json("out/counts.json")["photos"]
            .as_array()
            .unwrap()
            .len(),
        1,
        "{ran:?}"
    );
}

#[test]
fn a_season_folder_says_what_the_frame_is() {
    let field = Field::new();
    let ran = field.run(&["season", "north", "--frame", "ring:24in"]);
    assert_eq!(ran.code, Some(0), "{}", ran.stderr);
    assert_eq!(
        field.run(&["season", "north", "--frame", "1x1ft"]).code,
        Some(2)
    );
    field.put("north/photos/a.jpg", &small());
    assert_eq!(field.run(&["count", "north"]).code, Some(1));
    let counts = field.json("north/out/counts.json");
    assert_eq!(counts["photos"][0]["frame_spec"], "ring:609.6mm");
    // Its photos folder is known as part of it; the command line goes before the file.
    field.run(&["count", "north/photos", "--frame", "1x1ft"]);
    let counts = field.json("north/out/counts.json");
    assert_eq!(counts["photos"][0]["frame_spec"], "304.8x304.8mm");
    let in_photos: Vec<_> = fs::read_dir(field.path("north/photos")).unwrap().collect();
    assert_eq!(in_photos.len(), 1, "photos/ is never written to");
    field.run(&["season", "south", "--frame", "12x12in"]);
    let ran = field.run(&["count", "north", "south", "--frame", "1x1ft"]);
    assert_eq!(ran.code, Some(2));
    assert_eq!(
        ran.stderr,
        "error: south is a season folder of its own; count it apart from north\n"
    );
    field.put("north/podfall.toml", b"frame = \"1x1ft\"\nbushels = 3\n");
    let ran = field.run(&["count", "north"]);
    assert_eq!(ran.code, Some(2));
    assert!(
        ran.stderr.starts_with(
            "error: north/podfall.toml: line 2: unknown field `bushels`, expected one of `frame`"
        ),
        "{}",
        ran.stderr
    );
}

#[test]
fn counting_one_photo_does_not_lose_the_counts_of_the_folder() {
    let field = Field::new();
    field.put("photos/a.jpg", &small());
    field.put("photos/b.jpg", &cut());
    field.run(&["count", "photos", "--frame", "12x12in"]);
    let before = fs::read(field.path("photos/out/counts.json")).unwrap();
    let ran = field.run(&["count", "photos/a.jpg", "--frame", "12x12in"]);
    assert_eq!(ran.code, Some(2));
    assert_eq!(
        ran.stderr,
        "error: photos/out/counts.json holds 1 photos that are not counted now and would be lost; choose another folder with --out\n"
    );
    assert_eq!(
        fs::read(field.path("photos/out/counts.json")).unwrap(),
        before
    );
    let ran = field.run(&[
        "count",
        "photos/a.jpg",
        "--frame",
        "12x12in",
        "--out",
        "look",
    ]);
    assert!(field.path("look/counts.json").exists(), "{}", ran.stderr);
}

/// Photos that differ in a byte behind the picture, which is cheap to make.
fn many(field: &Field, number: usize) {
    let bytes = jpeg(&grainy(1200, 900, 9), false);
    for n in 0..number {
        let mut bytes = bytes.clone();
        bytes.push(n as u8);
        field.put(&format!("photos/p{n:03}.jpg"), &bytes);
    }
}

fn finished(folder: &Path) -> usize {
    let entries = fs::read_dir(folder.join("work"))
        .into_iter()
        .flatten()
        .flatten();
    entries
        .filter(|e| e.path().extension().is_some_and(|e| e == "json"))
        .count()
}

#[test]
fn a_killed_run_goes_on_where_it_was() {
    const PHOTOS: usize = 40;
    let field = Field::new();
    many(&field, PHOTOS);
    let args = [
        "count", "photos", "--frame", "12x12in", "--jobs", "1", "--out",
    ];
    let command = |out: &str| field.command(&[&args[..], &[out]].concat());
    let mut child = command("killed").stderr(Stdio::null()).spawn().unwrap();
    let start = Instant::now();
    while finished(&field.path("killed")) < 2 && start.elapsed() < Duration::from_secs(30) {
        std::thread::sleep(Duration::from_millis(1));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let kept = finished(&field.path("killed"));
    assert!((2..PHOTOS).contains(&kept), "{kept} were finished");
    assert!(!field.path("killed/counts.json").exists());

    let again = Ran::from(command("killed").output().unwrap());
    let reused = again
        .stderr
        .lines()
        .filter(|l| l.ends_with("(finished earlier)"))
        .count();
    assert_eq!(reused, kept);
    let whole = Ran::from(command("whole").output().unwrap());
    assert!(!whole.stderr.contains("finished earlier"));
    for file in ["counts.json", "counts.csv"] {
        let of = |out: &str| fs::read(field.path(out).join(file)).unwrap();
        assert!(of("killed") == of("whole"), "{file} differs");
    }
    // Another frame is another question: nothing finished answers it.
    let other = field.run(&["count", "photos", "--frame", "2x2ft", "--out", "killed"]);
    assert!(!other.stderr.contains("finished earlier"));
}

#[test]
fn damaged_finished_work_is_counted_again() {
    let field = Field::new();
    field.put("photos/a.jpg", &small());
    let args = ["count", "photos", "--frame", "12x12in", "--out", "out"];
    field.run(&args);
    let before = fs::read(field.path("out/counts.json")).unwrap();
    for entry in fs::read_dir(field.path("out/work")).unwrap().flatten() {
        fs::write(entry.path(), b"{\"key\":").unwrap();
    }
    let ran = field.run(&args);
    assert!(!ran.stderr.contains("finished earlier"));
    assert_eq!(fs::read(field.path("out/counts.json")).unwrap(), before);
}

#[test]
fn the_demo_says_where_its_photos_are_looked_for() {
    let field = Field::new();
    let ran = field.run(&["demo", "--from", "nothing-here"]);
    assert_eq!(ran.code, Some(2));
    assert!(ran.stderr.contains("nothing-here"), "{}", ran.stderr);
}

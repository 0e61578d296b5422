//! Folders that may not be read or written, links, pipes, full disks, odd names and impossible dates, at every command that
//! touches them: each says what is wrong and loses nothing.

#![cfg(unix)]

use std::{
    collections::BTreeMap,
    fs,
    os::unix::{
        fs::{MetadataExt, PermissionsExt, chown, symlink},
        process::CommandExt,
    },
    path::{Path, PathBuf},
    process::Command,
    sync::OnceLock,
    time::{Duration, Instant},
};

use podfall::{
    files::UNFINISHED,
    photo::{PhotoLimits, read},
};
use tempfile::TempDir;

use crate::{
    field::{Field, Ran},
    page::counted,
    pictures::{fixture_bytes, grainy, jpeg},
};

/// Somebody without rights: on most systems "nobody".
const NOBODY: u32 = 65_534;

/// The program where anybody may run it: the system's own user, as whom tests may run, may write everywhere, so he is no
/// judge of a closed folder.
fn program() -> &'static Path {
    static COPY: OnceLock<(TempDir, PathBuf)> = OnceLock::new();
    let (_, path) = COPY.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
        let path = folder.path().join("podfall");
        fs::copy(env!("CARGO_BIN_EXE_podfall"), &path).unwrap();
        (folder, path)
    });
    path
}

/// Where the tests run as the system's own user; another one has no need of it.
fn give_to_nobody(path: &Path) {
    if chown(path, Some(NOBODY), Some(NOBODY)).is_err() {
        return;
    }
    if path.is_dir() && !path.is_symlink() {
        for entry in fs::read_dir(path).unwrap() {
            give_to_nobody(&entry.unwrap().path());
        }
    }
}

/// A season that was counted, with sheet, marks and loss, of a user without rights.
fn season() -> Field {
    let field = counted();
    sheet(&field);
    field.runs_well(&["loss", "."]);
    give_to_nobody(field.folder.path());
    field
}

fn sheet(field: &Field) {
    field.put(
        "sheet.csv",
        b"photo,check,place\na.jpg,1,standing\nb.jpg,1,cut\nc.jpg,1,behind\n",
    );
}

/// Runs it as somebody who owns the season and nothing else.
fn run(field: &Field, args: &[&str]) -> Ran {
    let mut command = Command::new(program());
    command.current_dir(field.folder.path()).args(args);
    if fs::metadata(field.folder.path()).unwrap().uid() == NOBODY {
        command.uid(NOBODY).gid(NOBODY);
    }
    Ran::from(command.output().unwrap())
}

fn mode(field: &Field, name: &str, mode: u32) {
    fs::set_permissions(field.path(name), fs::Permissions::from_mode(mode)).unwrap();
}

/// Every file of the season with its bytes, unfinished ones too.
fn all(folder: &Path, found: &mut BTreeMap<PathBuf, Vec<u8>>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            all(&path, found);
        } else if let Ok(bytes) = fs::read(&path) {
            found.insert(path, bytes);
        }
    }
}

fn everything(field: &Field) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    all(field.folder.path(), &mut found);
    found
}

/// Commands on a season, all of which write something.
const WRITE: [&[&str]; 6] = [
    &["count", "."],
    &["loss", "."],
    &["sheet", "."],
    &["record", "."],
    &["confirm", ".", "--no-open"],
    &["gather", "part.jsonl", "--out", "gathered"],
];

fn part(field: &Field) {
    let line = field.runs_well(&["count", "photos/a.jpg", "--frame", "12x12in", "--part"]);
    field.put("part.jsonl", line.as_bytes());
}

#[test]
fn where_nothing_may_be_written_each_command_says_so_and_changes_nothing() {
    let field = season();
    part(&field);
    let before = everything(&field);
    for name in ["out", "."] {
        mode(&field, name, 0o555);
    }
    // confirm opens what is there; there is nothing there yet that it might open.
    for args in WRITE {
        let ran = run(&field, args);
        assert!([Some(1), Some(2)].contains(&ran.code), "{args:?}: {ran:?}");
        assert!(
            ran.stderr.starts_with("error: ") && ran.stderr.contains("Permission denied"),
            "{args:?}: {ran:?}"
        );
        let what_to_do = match args[0] {
            "loss" | "record" | "count" => "or choose another with --out",
            "sheet" => "see that the disk has room and that the folder may be written to",
            _ => "",
        };
        assert!(ran.stderr.contains(what_to_do), "{args:?}: {ran:?}");
    }
    for name in ["out", "."] {
        mode(&field, name, 0o755);
    }
    assert!(everything(&field) == before);
}

#[test]
fn a_file_of_the_season_that_may_not_be_read_is_named_and_never_passed_over() {
    let field = season();
    part(&field);
    field.put("out/marks.journal", b"");
    give_to_nobody(field.folder.path());
    for (name, commands) in [
        ("podfall.toml", &["loss", "count", "record", "confirm"][..]),
        ("sheet.csv", &["loss", "sheet", "record", "confirm"]),
        ("out/counts.json", &["loss", "sheet", "record", "confirm"]),
        ("out/marks.journal", &["loss", "record", "confirm"]),
        ("part.jsonl", &["gather"]),
    ] {
        mode(&field, name, 0);
        for args in WRITE.iter().filter(|args| commands.contains(&args[0])) {
            let ran = run(&field, args);
            assert!(
                [Some(1), Some(2)].contains(&ran.code),
                "{name} {args:?}: {ran:?}"
            );
            let file = name.rsplit('/').next().unwrap();
            assert!(
                ran.stderr.contains(file) && ran.stderr.contains("Permission denied"),
                "{name} {args:?}: {ran:?}"
            );
        }
        mode(&field, name, 0o644);
    }
    mode(&field, "photos", 0);
    let ran = run(&field, &["count", "."]);
    assert_eq!(ran.code, Some(2), "{ran:?}");
    assert!(
        ran.stderr.contains("photos: the folder cannot be read"),
        "{ran:?}"
    );
    mode(&field, "photos", 0o755);
}

/// A disk that is not plugged in: what leads there is no missing file.
#[test]
fn a_link_that_leads_nowhere_is_named_and_never_passed_over() {
    let field = season();
    for (name, commands) in [
        (
            "podfall.toml",
            &["loss", "count", "record", "confirm", "season"][..],
        ),
        ("sheet.csv", &["loss", "sheet", "record", "confirm"]),
        ("out/marks.journal", &["loss", "record"]),
        ("out/recounted.json", &["loss", "record", "confirm"]),
    ] {
        let (path, aside) = (field.path(name), field.path("aside"));
        let there = path.exists();
        if there {
            fs::rename(&path, &aside).unwrap();
        }
        symlink("/nowhere/at/all", &path).unwrap();
        let season = [&["season", ".", "--frame", "2x2ft"][..]];
        for args in WRITE
            .iter()
            .chain(&season)
            .filter(|args| commands.contains(&args[0]))
        {
            let ran = run(&field, args);
            assert_eq!(ran.code, Some(2), "{name} {args:?}: {ran:?}");
            let file = name.rsplit('/').next().unwrap();
            assert!(ran.stderr.contains(file), "{name} {args:?}: {ran:?}");
        }
        assert!(path.is_symlink(), "{name} was written over");
        fs::remove_file(&path).unwrap();
        if there {
            fs::rename(&aside, &path).unwrap();
        }
    }
}

/// A season whose files lie elsewhere, behind links, is one like any other.
#[test]
fn links_that_lead_somewhere_are_followed() {
    let field = season();
    // One with a frame and one without are enough to count again.
    for name in ["photos/b.jpg", "photos/c.jpg"] {
        fs::remove_file(field.path(name)).unwrap();
    }
    let plain = run(&field, &["loss", ".", "--json"]);
    fs::create_dir(field.path("elsewhere")).unwrap();
    for name in ["podfall.toml", "sheet.csv", "photos", "out"] {
        let there = field.path("elsewhere").join(name);
        fs::rename(field.path(name), &there).unwrap();
        symlink(&there, field.path(name)).unwrap();
    }
    give_to_nobody(field.folder.path());
    let linked = run(&field, &["loss", ".", "--json"]);
    assert_eq!((linked.code, linked.stdout), (Some(0), plain.stdout));
    assert_eq!(
        run(&field, &["count", "."]).code,
        Some(1),
        "a photo has no frame"
    );
    field.put("sheet.csv", b"photo,check,place\na.jpg,1,standing\n");
    assert_eq!(run(&field, &["record", "."]).code, Some(3));
    assert_eq!(run(&field, &["verify", "record"]).code, Some(0));
}

/// Nobody writes into these pipes: to open one would wait for ever.
#[test]
fn a_pipe_in_the_place_of_a_file_is_told_at_once() {
    let field = season();
    let pipe = |name: &str| {
        let made = Command::new("mkfifo")
            .arg(field.path(name))
            .status()
            .unwrap();
        assert!(made.success());
    };
    fs::rename(field.path("sheet.csv"), field.path("aside")).unwrap();
    pipe("sheet.csv");
    pipe("photos/pipe.jpg");
    let begun = Instant::now();
    let ran = run(&field, &["loss", "."]);
    assert_eq!(ran.code, Some(2), "{ran:?}");
    assert!(
        ran.stderr.contains("sheet.csv: not a plain file"),
        "{ran:?}"
    );
    let ran = run(
        &field,
        &[
            "count",
            "photos/pipe.jpg",
            "--frame",
            "12x12in",
            "--out",
            "two",
        ],
    );
    assert_eq!(ran.code, Some(1), "{ran:?}");
    assert!(ran.stderr.contains("not a plain file"), "{ran:?}");
    for name in ["photos/a.jpg", "photos/b.jpg", "photos/c.jpg"] {
        fs::remove_file(field.path(name)).unwrap();
    }
    let ran = run(&field, &["count", "."]);
    assert!(
        ran.stderr
            .contains("left out ./photos/pipe.jpg: not a plain file"),
        "{ran:?}"
    );
    assert!(begun.elapsed() < Duration::from_secs(60));
}

/// No file may grow beyond so many blocks of 512 bytes, which a program sees as a full disk (see `hostile.rs`).
#[test]
fn on_a_full_disk_each_command_says_so_and_leaves_what_was_there() {
    let field = season();
    part(&field);
    give_to_nobody(field.folder.path());
    for args in WRITE
        .iter()
        .filter(|args| !["count", "confirm"].contains(&args[0]))
    {
        let before = everything(&field);
        // A small sheet fits into a block.
        let most = if args[0] == "sheet" { 1 } else { 3 };
        for blocks in [0, 1, 4].into_iter().take(most) {
            let mut command = Command::new("sh");
            let script = format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$0\" \"$@\"");
            command.args(["-c", &script]).arg(program()).args(*args);
            let ran = Ran::from(command.current_dir(field.folder.path()).output().unwrap());
            assert_eq!(ran.code, Some(1), "{args:?}, {blocks} blocks: {ran:?}");
            assert!(ran.stderr.contains("File too large"), "{args:?}: {ran:?}");
            if args[0] == "record" {
                let (said, to_do) = ("MB are free on that disk", "or leave the photos at home");
                assert!(
                    ran.stderr.contains(said) && ran.stderr.contains(to_do),
                    "{ran:?}"
                );
            }
        }
        let after = everything(&field);
        for (path, bytes) in &before {
            assert!(after[path] == *bytes, "{args:?}: {}", path.display());
        }
        let left = after
            .keys()
            .filter(|path| path.to_string_lossy().contains(UNFINISHED));
        assert_eq!(left.count(), 0, "{args:?}");
        assert!(!field.path("record").exists() && !field.path("record.zip").exists());
    }
}

/// A photo of 8 TB, all of it a hole, so that it takes no room itself; a bundle of it would.
#[test]
fn a_bundle_that_finds_no_room_is_not_begun() {
    let field = season();
    let photo = fs::File::create(field.path("photos/a.jpg")).unwrap();
    let free = fs4::available_space(field.folder.path()).unwrap();
    if photo.set_len(8 << 40).is_err() || free > 16 << 40 {
        println!("not tested: this disk has no files with holes, or room for everything");
        return;
    }
    let ran = field.run(&["record", "."]);
    assert_eq!(ran.code, Some(1), "{ran:?}");
    // 2 × 2⁴³ bytes, and some for all else.
    for said in [
        "takes about 175922",
        " MB are free there; make room",
        "--hashes-only",
    ] {
        assert!(ran.stderr.contains(said), "{ran:?}");
    }
    assert!(!field.path("record").exists());
    let left = everything_named(field.folder.path());
    assert!(
        !left.iter().any(|name| name.contains(UNFINISHED)),
        "{left:?}"
    );
    // Without the photos it has room.
    let ran = field.run(&["record", ".", "--hashes-only"]);
    assert!(!ran.stderr.contains("takes about"), "{ran:?}");
}

fn everything_named(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap();
    (entries.map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())).collect()
}

/// Names as phones, people and mistakes give them.
const NAMES: [&str; 6] = [
    "大豆 1.jpg",
    "поле, \"два\".jpg",
    "a\nb.jpg",
    "-frame.jpg",
    "=1+1.jpg",
    "\u{202e}gpj.\u{1b}[31mred.jpg",
];

/// As a page shows it.
fn turned_by_number(name: &str) -> String {
    name.replace('\u{202e}', "⟨U+202E⟩")
}

fn html_below(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            html_below(&path, found);
        } else if path.extension().is_some_and(|end| end == "html") {
            found.push(path);
        }
    }
}

#[test]
fn odd_names_go_the_whole_way() {
    let field = Field::new();
    // Two with a frame; the others are refused, and keep their names.
    let photo = fixture_bytes("ten-beans-in-the-open/photo.jpg");
    let bare = jpeg(&grainy(400, 300, 9), false);
    field.put("podfall.toml", b"frame = \"12x12in\"\n");
    for (at, name) in NAMES.iter().enumerate() {
        let picture = if at % 3 == 2 { &photo } else { &bare };
        field.put(
            &format!("photos/{name}"),
            &[&picture[..], &[at as u8]].concat(),
        );
    }
    let ran = field.run(&["count", "."]);
    assert_eq!(ran.code, Some(1), "photos have no frame: {}", ran.stderr);
    assert!(ran.stderr.contains("\\u{202e}gpj") && !ran.stderr.contains('\u{202e}'));
    field.runs_well(&["sheet", "."]);
    let filled = field.text("sheet.csv");
    // Every photo has its row, and podfall itself reads what it wrote.
    field.runs_well(&["sheet", "."]);
    assert_eq!(field.text("sheet.csv"), filled);
    let mut reader = csv::Reader::from_path(field.path("sheet.csv")).unwrap();
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), NAMES.len());
    field.run(&["loss", "."]);
    assert_eq!(field.run(&["record", "."]).code, Some(3));
    field.runs_well(&["verify", "record"]);
    field.runs_well(&["verify", "record.zip"]);
    // On no page does a name turn the letters about it.
    let mut pages = Vec::new();
    html_below(field.folder.path(), &mut pages);
    let told = |page: &PathBuf| {
        let html = fs::read_to_string(page).unwrap();
        assert!(!html.contains('\u{202e}'), "{}", page.display());
        html.contains(&turned_by_number(NAMES[5]))
    };
    assert!(
        pages.iter().filter(|page| told(page)).count() >= 2,
        "{pages:?}"
    );
    // Another program, which has its own way with line breaks in names, finds the same sums.
    let sums = Command::new("sha256sum")
        .args([
            "--check",
            "--strict",
            "--quiet",
            "manifest.sha256",
            "seal.sha256",
        ])
        .current_dir(field.path("record"))
        .output();
    match sums {
        Ok(sums) => assert!(sums.status.success(), "{sums:?}"),
        Err(error) => println!("not held against sha256sum: {error}"),
    }
    // Apart, and gathered again.
    let mut lines = String::new();
    for name in NAMES {
        let path = format!("photos/{name}");
        lines += &field.runs_well(&["count", "--frame", "12x12in", "--part", &path]);
    }
    assert_eq!(lines.lines().count(), NAMES.len());
    field.put("lines.jsonl", lines.as_bytes());
    field.runs_well(&[
        "gather",
        "lines.jsonl",
        "--photos",
        "photos",
        "--out",
        "apart",
    ]);
    assert_eq!(
        field.text("apart/counts.json"),
        field.text("out/counts.json")
    );
    assert_eq!(field.text("apart/counts.csv"), field.text("out/counts.csv"));
    // And on the page.
    let page = crate::page::Page::open(field.folder.path());
    let season = page.get("/api/season").json();
    let mut shown: Vec<String> = (0..NAMES.len())
        .map(|n| page.photo(n)["name"].as_str().unwrap().to_owned())
        .collect();
    let mut names = NAMES.map(turned_by_number).to_vec();
    shown.sort();
    names.sort();
    assert_eq!(shown, names);
    assert_eq!(season["photos"].as_array().unwrap().len(), NAMES.len());
    let framed = (0..NAMES.len()).find(|&n| page.photo(n)["name"] == NAMES[2]);
    page.says(framed.unwrap(), serde_json::json!({"do": "confirm"}));
}

/// A camera whose clock was never set, or whose card was written by something broken: EXIF dates (CIPA DC-008, tag 9003) at
/// the ends of 32-bit time, at zero and beyond every calendar.
#[test]
fn impossible_dates_stop_nothing() {
    const DATES: [(&str, Option<&str>); 8] = [
        ("1904:01:01 00:00:00", Some("1904-01-01T00:00:00")),
        ("1970:01:01 00:00:00", Some("1970-01-01T00:00:00")),
        ("2038:01:19 03:14:08", Some("2038-01-19T03:14:08")),
        ("2106:02:07 06:28:16", Some("2106-02-07T06:28:16")),
        ("0000:00:00 00:00:00", None),
        ("9999:99:99 99:99:99", None),
        ("2026:02:30 25:61:61", None),
        ("    :  :     :  :  ", None),
    ];
    let plain = fixture_bytes("ten-beans-in-the-open/photo.jpg");
    let is_date = |w: &[u8]| w[4] == b':' && w[7] == b':' && w[10] == b' ' && w[13] == b':';
    let places: Vec<usize> = (0..2_000)
        .filter(|&at| is_date(&plain[at..at + 19]))
        .collect();
    assert!(!places.is_empty(), "the fixture has no date");
    let dated = |date: &str| {
        let mut photo = plain.clone();
        for at in &places {
            photo[*at..at + 19].copy_from_slice(date.as_bytes());
        }
        photo
    };
    for (date, taken) in DATES {
        let photo = read(&dated(date), "photo", &PhotoLimits::default()).unwrap();
        let read = photo.meta.taken.as_deref().map(|at| &at[..19]);
        assert_eq!(read, taken, "{date}");
    }
    // The whole way, with the earliest and the latest.
    let field = Field::new();
    field.put("podfall.toml", b"frame = \"12x12in\"\n");
    field.put("photos/a.jpg", &dated(DATES[0].0));
    field.put("photos/b.jpg", &dated(DATES[3].0));
    assert_eq!(field.run(&["count", "."]).code, Some(3), "one plot twice");
    field.runs_well(&["sheet", "."]);
    assert!([Some(0), Some(2)].contains(&field.run(&["loss", "."]).code));
    assert_eq!(field.run(&["record", "."]).code, Some(3));
    field.runs_well(&["verify", "record.zip"]);
}

/// Whoever read has gone away, on either channel: no panic (exit code 101), and the work is done.
#[test]
fn a_reader_that_goes_away_stops_nothing() {
    let field = season();
    // Without a frame it is soon counted.
    fs::create_dir(field.path("one")).unwrap();
    fs::rename(field.path("photos/d.jpg"), field.path("one/d.jpg")).unwrap();
    for command in [
        "count one --again --frame 12x12in --out two",
        "season new --frame 12x12in",
        "ready .",
        "loss .",
        "--help",
    ] {
        for channels in ["2>&1", ">&- 2>&-", "2>/dev/full"] {
            if channels.contains("full") && !Path::new("/dev/full").exists() {
                continue;
            }
            let script =
                format!("( sleep 0.1; \"$0\" {command} {channels}; echo $? >code ) | true");
            let mut shell = Command::new("sh");
            shell.args(["-c", &script]).arg(program());
            let _ = fs::remove_dir_all(field.path("new"));
            let _ = fs::remove_file(field.path("two/report.html"));
            assert!(
                shell
                    .current_dir(field.folder.path())
                    .status()
                    .unwrap()
                    .success()
            );
            // The shell of a pipe's first part may end after its last.
            let begun = Instant::now();
            while fs::read(field.path("code")).map_or(0, |b| b.len()) < 2 {
                assert!(begun.elapsed() < Duration::from_secs(60), "{script}");
                std::thread::sleep(Duration::from_millis(10));
            }
            let code = field.text("code");
            assert!(["0", "1", "3"].contains(&code.trim()), "{script}: {code}");
            fs::remove_file(field.path("code")).unwrap();
            if command.starts_with("count") {
                assert!(field.path("two/report.html").exists(), "{script}: not done");
            }
        }
    }
}

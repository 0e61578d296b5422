//! What a person meets besides counting: the check before the evening, completions, the manual, plain output.

use crate::{
    field::Field,
    pictures::{fixture_bytes, grainy, jpeg},
};

fn photo(seed: u32) -> Vec<u8> {
    jpeg(&grainy(320, 240, seed), false)
}

#[test]
fn ready_tells_what_would_stop_a_run_and_writes_nothing() {
    let field = Field::new();
    field.put("photos/a.jpg", &photo(1));
    field.put("photos/b.jpg", &photo(1));
    field.put("photos/c.jpg", &photo(2)[..1000]);
    field.put("photos/d.heic", b"\0\0\0\x18ftypavif\0\0\0\0mif1avif");
    let ran = field.run(&["ready", "photos"]);
    assert_eq!(ran.code, Some(1));
    for line in [
        "stops  the frame's size is not known; give it, as --frame 12x12in, or write it once into photos/podfall.toml",
        "stops  c.jpg: the JPEG is cut off: its 1000 bytes end before the picture does; copy the photo from the phone again",
        "stops  d.heic: AVIF is not read here",
        "mind   b.jpg is the same file as a.jpg: in the loss it counts once",
        "good   2 can be read to the end",
        "Not ready: 3 to put right first.",
    ] {
        assert!(ran.stdout.contains(line), "{line}\n{}", ran.stdout);
    }
    assert!(!field.path("photos/out").exists());
    assert_eq!(std::fs::read_dir(field.path("photos")).unwrap().count(), 4);
    let good = Field::new();
    good.put("photos/a.jpg", &photo(1));
    let said = good.runs_well(&["ready", "photos", "--frame", "12x12in"]);
    assert!(said.contains("Ready: nothing stands in the way."), "{said}");
}

#[test]
fn ready_says_where_nothing_can_be_written() {
    let field = Field::new();
    field.put("photos/a.jpg", &photo(1));
    field.put("taken", b"a file, not a folder");
    let ran = field.run(&[
        "ready",
        "photos",
        "--frame",
        "12x12in",
        "--model",
        "none.onnx",
    ]);
    assert_eq!(ran.code, Some(1));
    assert!(ran.stdout.contains("stops  none.onnx: "), "{}", ran.stdout);
    // A folder that the system lets nobody write to, not even its master.
    if std::path::Path::new("/proc/self").is_dir() {
        let args = [
            "ready",
            "photos",
            "--frame",
            "12x12in",
            "--out",
            "/proc/self/out",
        ];
        let ran = field.run(&args);
        assert_eq!(ran.code, Some(1));
        assert!(
            ran.stdout
                .contains("stops  the results cannot be written into /proc/self"),
            "{}",
            ran.stdout
        );
    }
}

/// Centimetres written for millimetres: a third of the loss would go without a word.
#[test]
fn a_bar_much_higher_than_it_is_wide_is_told_before_and_after_the_count() {
    let field = Field::new();
    field.put(
        "photos/a.jpg",
        &fixture_bytes("ten-beans-in-the-open/photo.jpg"),
    );
    let count = |height: &str| {
        let toml = format!("frame = \"12x12in\"\nbar_height = \"{height}\"\n");
        field.put("podfall.toml", toml.as_bytes());
        let ready = field.runs_well(&["ready", "."]);
        let counted = field.run(&["count", "."]).stdout;
        let cautions = field.json("out/counts.json")["photos"][0]["cautions"].to_string();
        (ready, counted, cautions)
    };
    let (ready, counted, cautions) = count("13.4mm");
    assert!(!ready.contains("mind"), "{ready}");
    assert!(
        !counted.contains("bar's height") && !cautions.contains("high-bar"),
        "{counted}{cautions}"
    );
    let (ready, counted, cautions) = count("13.4cm");
    assert!(
        ready.contains("mind   bar_height is read as 134 mm, and no frame's bar is higher than 60 mm: check its unit in podfall.toml"),
        "{ready}"
    );
    assert!(
        counted.contains(
            "caution: the bar's height was given as 134 mm, but seen from above the bar is "
        ),
        "{counted}"
    );
    assert!(counted.contains("check the number and its unit in podfall.toml"));
    assert!(cautions.contains("\"kind\":\"high-bar\""), "{cautions}");
}

#[test]
fn completions_and_the_manual_know_every_command() {
    let field = Field::new();
    let help = field.runs_well(&["--help"]);
    let commands = help.lines().skip_while(|line| *line != "Commands:").skip(1);
    let commands: Vec<&str> = (commands.take_while(|line| line.starts_with("  ")))
        // Not the second line of a long description.
        .filter(|line| !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|name| name.chars().all(char::is_alphabetic) && *name != "help")
        .collect();
    assert!(commands.len() > 9, "{help}");
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let text = field.runs_well(&["completions", shell]);
        for command in &commands {
            assert!(text.contains(command), "{shell}: {command}");
        }
    }
    let page = field.runs_well(&["man"]);
    assert!(page.contains(".TH podfall 1"), "{page}");
    assert!(
        !page.contains("podfall\\-help"),
        "there is no such page: {page}"
    );
    // Lines stay lines, else the last example and the next sentence run together.
    let (_, last) = page.split_once(".SH EXTRA\n").unwrap();
    let (kept, rest) = last.split_once("\n.fi\n").unwrap();
    assert!(
        kept.starts_with(".nf\n") && kept.contains("your own photos\n"),
        "{kept}"
    );
    assert!(rest.starts_with(".SH VERSION"), "{rest}");
    field.runs_well(&["man", "--out", "man1"]);
    for command in &commands {
        let page = field.text(&format!("man1/podfall-{command}.1"));
        assert!(page.contains(".SH"), "{command}");
    }
}

/// No colour and no moving bar where nobody looks at a terminal, whatever the environment says.
#[test]
fn in_a_pipe_there_is_no_control_sequence() {
    let field = Field::new();
    field.put("photos/a.jpg", &photo(1));
    for (name, value) in [
        ("NO_COLOR", "1"),
        ("TERM", "xterm-256color"),
        ("CLICOLOR", "1"),
    ] {
        for args in [
            &["count", "photos", "--frame", "12x12in"][..],
            &["count", "--help"],
            &["count", "--no-such-flag"],
        ] {
            let output = field.command(args).env(name, value).output().unwrap();
            let all = [output.stdout, output.stderr].concat();
            assert!(!all.is_empty());
            assert!(
                !all.contains(&0x1B) && !all.contains(&b'\r'),
                "{name} {args:?}"
            );
        }
    }
}

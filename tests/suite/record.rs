//! The record and its check, through the real binary. What the bundle holds is read back by others: PDF by lopdf, JSON by
//! jsonschema, GeoJSON by the geojson crate, hashes by the sha2 crate, signatures by ssh-keygen where there is one.

use std::{
    collections::BTreeSet,
    fs,
    path::{Path, PathBuf},
    process::{Command, Stdio},
    sync::OnceLock,
};

use podfall::{
    batch::MarkStore,
    caution::{Caution, CautionKind},
    counts::CountsFile,
    marks::{Act, Recount, RecountFile, Said},
    photo::{Position, sha256_hex},
    record::seal::{Expect, HashLine, Seen, SeenFile, Verdict, list, verify},
};
use serde_json::Value;

use crate::{browser::after_script, field::Field, pictures::fixture_bytes};

/// Names in scripts that the built-in fonts have, and one that they have not.
const NAMES: [(&str, &str); 3] = [
    ("p1 поле Łódź.jpg", "ten-beans-in-the-open"),
    ("p2 北.jpg", "bare-ground-no-beans"),
    ("p3.jpg", "no-frame"),
];

const SEASON: &str = "\
frame = \"12x12in\"
yield_bu_per_ac = 50
price_per_bu = 10
field = \"North field, section 12\"
machine = \"Combine, 35 ft header\"
\"by\" = \"A. Grower\"
";

/// One season, counted once for all tests; one frame was counted by hand.
fn season() -> &'static Field {
    static SEASON_FIELD: OnceLock<Field> = OnceLock::new();
    SEASON_FIELD.get_or_init(|| {
        let field = Field::new();
        for (name, case) in NAMES {
            field.put(&format!("photos/{name}"), &fixture_bytes(&format!("{case}/photo.jpg")));
        }
        field.put("podfall.toml", SEASON.as_bytes());
        let sheet = format!(
            "photo,check,place,setting,hand_beans,note\n{},1,cut,reel 北 slower,,\n{},1,standing,,0,a note\n",
            NAMES[0].0, NAMES[1].0
        );
        field.put("sheet.csv", sheet.as_bytes());
        assert_eq!(field.run(&["count", "."]).code, Some(1), "one photo has no frame");
        placed(&field);
        field
    })
}

/// The fixtures' photos have no position and no camera: here the counts say that they had.
fn placed(field: &Field) {
    let mut counts = field.json("out/counts.json");
    for (at, photo) in counts["photos"]
        .as_array_mut()
        .unwrap()
        .iter_mut()
        .enumerate()
    {
        let lat = 41.902_131 + 1e-4 * at as f64;
        photo["meta"]["position"] = serde_json::json!({ "lat_deg": lat, "lon_deg": -97.404_617, "altitude_m": null, "error_m": 4.5 });
        photo["meta"]["camera"] = Value::from("A Camera of Our Own");
    }
    field.put("out/counts.json", counts.to_string().as_bytes());
}

/// A bundle of the season, made with these arguments.
fn bundle(name: &str, more: &[&str]) -> PathBuf {
    let field = season();
    let mut args = vec!["record", ".", "--out", name];
    args.extend(more);
    let ran = field.run(&args);
    assert_eq!(
        ran.code,
        Some(3),
        "not all is confirmed: {}{}",
        ran.stdout,
        ran.stderr
    );
    field.path(name)
}

fn files_below(folder: &Path, below: &str, found: &mut Vec<String>) {
    for entry in fs::read_dir(folder).unwrap() {
        let entry = entry.unwrap();
        let name = format!("{below}{}", entry.file_name().to_str().unwrap());
        if entry.path().is_dir() {
            files_below(&entry.path(), &format!("{name}/"), found);
        } else {
            found.push(name);
        }
    }
}

fn files(folder: &Path) -> Vec<String> {
    let mut found = Vec::new();
    files_below(folder, "", &mut found);
    found.sort();
    found
}

/// Text and page count of a PDF, read by another library.
fn pdf_pages(path: &Path) -> Vec<String> {
    let document = lopdf::Document::load(path).unwrap();
    let numbers: Vec<u32> = document.get_pages().keys().copied().collect();
    numbers
        .iter()
        .map(|n| document.extract_text(&[*n]).unwrap().replace('\n', " "))
        .collect()
}

fn squeezed(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().concat()
}

#[test]
fn a_bundle_holds_everything_and_agrees_with_itself() {
    let folder = bundle("whole", &[]);
    let names = files(&folder);
    for name in [
        "record.pdf",
        "record.html",
        "manifest.sha256",
        "seal.sha256",
        "evidence/record.json",
        "evidence/counts.json",
        "evidence/counts.csv",
        "evidence/loss.json",
        "evidence/sheet.csv",
        "evidence/podfall.toml",
        "evidence/photos.geojson",
        "evidence/checks.geojson",
        "evidence/READ-ME.txt",
        "evidence/schema/record.schema.json",
    ] {
        assert!(names.iter().any(|n| n == name), "{name} in {names:?}");
    }
    for (name, case) in NAMES {
        let copy = fs::read(folder.join("evidence/photos").join(name)).unwrap();
        assert_eq!(copy, fixture_bytes(&format!("{case}/photo.jpg")), "{name}");
    }
    assert_eq!(
        fs::read_to_string(folder.join("evidence/podfall.toml")).unwrap(),
        SEASON
    );
    // The manifest, line by line, in the form of common tools: 64 digits, two blanks, the path.
    let manifest = fs::read_to_string(folder.join("manifest.sha256")).unwrap();
    let mut listed = BTreeSet::new();
    for line in manifest.lines() {
        let (hash, path) = line.split_at(64);
        let path = path.strip_prefix("  ").unwrap();
        assert_eq!(
            hash,
            sha256_hex(&fs::read(folder.join(path)).unwrap()),
            "{path}"
        );
        listed.insert(path.to_owned());
    }
    let evidence: BTreeSet<String> = names
        .into_iter()
        .filter(|n| n.starts_with("evidence/"))
        .collect();
    assert_eq!(listed, evidence);
    for path in ["whole", "whole.zip"] {
        let said = season().runs_well(&["verify", path]);
        assert!(said.starts_with("As sealed: all "), "{said}");
        assert!(
            !said.contains("unchanged") && said.contains("--manifest"),
            "{said}"
        );
        let hash = sha256_hex(manifest.as_bytes());
        let said = season().runs_well(&["verify", path, "--manifest", &hash]);
        assert!(said.contains("the one whose number you gave"), "{said}");
        let other = season().run(&["verify", path, "--manifest", &"0".repeat(64)]);
        assert_eq!(other.code, Some(1), "{}", other.stdout);
    }
}

#[test]
fn the_pdf_says_what_it_must_and_another_library_reads_it() {
    let folder = bundle("pages", &[]);
    let pages = pdf_pages(&folder.join("record.pdf"));
    let first = squeezed(&pages[0]);
    let hash = sha256_hex(&fs::read(folder.join("manifest.sha256")).unwrap());
    for text in [
        hash.as_str(),
        // Of two frames: no limits that nobody can use.
        "There are too few frames to say how sure this is: count at least",
        "bu/ac",
        "It is not an appraisal",
        "only the insurer's adjuster decides",
        "North field, section 12",
        "Combine, 35 ft header",
        "Not confirmed by a person: 1 of 2 photos in the loss (number",
    ] {
        assert!(first.contains(&squeezed(text)), "{text} in {}", pages[0]);
    }
    for page in &pages {
        let page = squeezed(page);
        assert!(
            page.contains(&squeezed(
                "NOT CONFIRMED BY A PERSON: 1 of 2 photos in the loss"
            )),
            "{page}"
        );
        let covered = page.matches("covered").count();
        let whether = page.matches("whetheralossiscovered").count()
            + page.matches("Whetheralossiscovered").count();
        assert_eq!(
            covered, whether,
            "it never says that one is covered: {page}"
        );
    }
    let all = squeezed(&pages.concat());
    // Letters that the fonts have stand as they are; the one that they have not, by its number; none is dropped.
    for text in [
        "p1 поле Łódź.jpg",
        "p2 ⟨U+5317⟩.jpg",
        "reel ⟨U+5317⟩ slower",
        "What this does not show",
        "Sources",
    ] {
        assert!(all.contains(&squeezed(text)), "{text} in {all}");
    }
    let bytes = fs::read(folder.join("record.pdf")).unwrap();
    let text = String::from_utf8_lossy(&bytes);
    for mark in [
        "<pdfaid:part>2</pdfaid:part>",
        "<pdfaid:conformance>A</pdfaid:conformance>",
        "<pdfuaid:part>1</pdfuaid:part>",
    ] {
        assert!(text.contains(mark), "{mark}");
    }
    let document = lopdf::Document::load(folder.join("record.pdf")).unwrap();
    let catalog = document.catalog().unwrap();
    for key in [
        "Outlines",
        "StructTreeRoot",
        "MarkInfo",
        "Lang",
        "OutputIntents",
    ] {
        assert!(catalog.has(key.as_bytes()), "{key}");
    }
    let html = fs::read_to_string(folder.join("record.html")).unwrap();
    for text in [
        &hash,
        "p2 北.jpg",
        "reel 北 slower",
        "p1 поле Łódź.jpg",
        "12 × 12 in",
        "data:image&#x2f;jpeg",
    ] {
        assert!(html.contains(text), "{text}");
    }
    assert!(
        !html.contains("<script") && !html.contains("http"),
        "it holds all of itself"
    );
}

fn json(path: &Path) -> Value {
    serde_json::from_slice(&fs::read(path).unwrap()).unwrap()
}

#[test]
fn json_has_the_published_form() {
    let folder = bundle("forms", &[]).join("evidence");
    for name in ["record", "counts", "loss"] {
        let schema = json(&folder.join(format!("schema/{name}.schema.json")));
        let validator = jsonschema::validator_for(&schema).unwrap();
        let value = json(&folder.join(format!("{name}.json")));
        let wrong: Vec<String> = validator
            .iter_errors(&value)
            .map(|e| format!("{e} at {}", e.instance_path()))
            .collect();
        assert!(wrong.is_empty(), "{name}: {wrong:?}");
        let mut spoilt = value.clone();
        spoilt["something_else"] = Value::from(1);
        assert!(!validator.is_valid(&spoilt), "{name}: an unknown key");
        let mut spoilt = value;
        spoilt.as_object_mut().unwrap().remove("podfall");
        assert!(
            !validator.is_valid(&spoilt),
            "{name}: a key that is missing"
        );
    }
}

/// RFC 7946: a feature collection of points, longitude first.
#[test]
fn geojson_is_read_by_another_library() {
    let folder = bundle("maps", &[]).join("evidence");
    let counts = json(&folder.join("counts.json"));
    for name in ["photos.geojson", "checks.geojson"] {
        let text = fs::read_to_string(folder.join(name)).unwrap();
        let collection: geojson::FeatureCollection = text
            .parse::<geojson::GeoJson>()
            .unwrap()
            .try_into()
            .unwrap();
        assert!(!collection.features.is_empty(), "{name}");
        for feature in &collection.features {
            let geometry = feature.geometry.as_ref().unwrap();
            let point = serde_json::to_value(geometry).unwrap();
            assert_eq!(point["type"], "Point");
            let (lon, lat) = (
                point["coordinates"][0].as_f64().unwrap(),
                point["coordinates"][1].as_f64().unwrap(),
            );
            let photo = feature
                .property("photo")
                .and_then(|p| p.as_str())
                .map(str::to_owned);
            let Some(photo) = photo else {
                continue;
            };
            let photos = counts["photos"].as_array().unwrap();
            let position = &photos
                .iter()
                .find(|p| p["photo"] == photo.as_str())
                .unwrap()["meta"]["position"];
            assert!((position["lon_deg"].as_f64().unwrap() - lon).abs() < 1e-7);
            assert!((position["lat_deg"].as_f64().unwrap() - lat).abs() < 1e-7);
        }
    }
}

fn seen(folder: &Path) -> Seen {
    let read = |name: String| {
        let bytes = fs::read(folder.join(&name)).unwrap();
        let file = SeenFile {
            sha256: sha256_hex(&bytes),
            bytes: Some(bytes),
        };
        (name, file)
    };
    Seen {
        files: files(folder).into_iter().map(read).collect(),
        ..Seen::default()
    }
}

/// Every byte of the lists and the signature, and bytes all over every other file.
#[test]
fn a_byte_changed_anywhere_is_found_and_named() {
    let key = season().path("flip-key");
    fs::write(&key, private_key(1)).unwrap();
    let folder = bundle("flips", &["--sign", key.to_str().unwrap()]);
    let whole = seen(&folder);
    assert_eq!(
        verify(&whole, &Expect::default()).verdict,
        Verdict::AsSealed
    );
    for (name, file) in &whole.files {
        let bytes = file.bytes.as_ref().unwrap();
        let short = name.contains("sha256");
        let step = if short { 1 } else { (bytes.len() / 25).max(1) };
        let last = bytes.len() - 1;
        for (turn, at) in (0..bytes.len()).step_by(step).chain([last]).enumerate() {
            let mut changed = bytes.clone();
            changed[at] ^= 1 << (turn % 8);
            let mut seen = whole.clone();
            seen.files.insert(
                name.clone(),
                SeenFile {
                    sha256: sha256_hex(&changed),
                    bytes: Some(changed),
                },
            );
            let report = verify(&seen, &Expect::default());
            assert_eq!(report.verdict, Verdict::Broken, "{name}, byte {at}");
            let named = report.findings.iter().any(|f| f.what == *name);
            assert!(named || short, "{name}, byte {at}: {:?}", report.findings);
        }
    }
    for name in whole.files.keys() {
        let mut seen = whole.clone();
        seen.files.remove(name);
        let report = verify(&seen, &Expect::default());
        assert!(report.verdict <= Verdict::NotChecked, "{name} taken out");
        assert!(report.findings.iter().any(|f| f.what == *name), "{name}");
    }
}

#[test]
fn a_byte_changed_in_the_zip_is_found() {
    bundle("packed", &[]);
    let zip = fs::read(season().path("packed.zip")).unwrap();
    let changed = season().path("changed.zip");
    let tail = zip.len() - 700;
    for at in (0..80)
        .chain((80..tail).step_by(tail / 30))
        .chain((tail..zip.len()).step_by(23))
    {
        let mut bytes = zip.clone();
        bytes[at] ^= 1;
        fs::write(&changed, bytes).unwrap();
        let ran = season().run(&["verify", "changed.zip"]);
        assert_ne!(ran.code, Some(0), "byte {at}: {}", ran.stdout);
        assert!(
            !ran.stdout.contains("As sealed"),
            "byte {at}: {}",
            ran.stdout
        );
    }
    fs::write(&changed, &zip[..zip.len() / 2]).unwrap();
    assert_ne!(
        season().run(&["verify", "changed.zip"]).code,
        Some(0),
        "cut off"
    );
}

#[test]
fn what_is_broken_missing_or_too_many_is_said() {
    let folder = bundle("broken", &[]);
    let says = |code: i32, words: &[&str]| {
        let ran = season().run(&["verify", "broken"]);
        assert_eq!(ran.code, Some(code), "{}{}", ran.stdout, ran.stderr);
        for word in words {
            assert!(ran.stdout.contains(word), "{word} in {}", ran.stdout);
        }
    };
    fs::write(folder.join("evidence/added.txt"), b"x").unwrap();
    says(
        3,
        &[
            "too many: evidence/added.txt",
            "put in beside them: 1 file.",
        ],
    );
    fs::remove_file(folder.join("evidence/added.txt")).unwrap();
    let photo = folder.join("evidence/photos/p3.jpg");
    let bytes = fs::read(&photo).unwrap();
    fs::write(&photo, b"another").unwrap();
    says(
        1,
        &[
            "BROKEN: evidence/photos/p3.jpg its bytes are not those",
            "is not the photo that was counted",
        ],
    );
    fs::remove_file(&photo).unwrap();
    says(
        1,
        &["BROKEN: evidence/photos/p3.jpg is missing", "NOT AS SEALED"],
    );
    fs::write(&photo, bytes).unwrap();
    says(0, &["As sealed"]);
    fs::remove_file(folder.join("seal.sha256")).unwrap();
    says(
        3,
        &["not checked: seal.sha256 is missing", "NOT ALL CHECKED"],
    );
    fs::remove_file(folder.join("manifest.sha256")).unwrap();
    says(3, &["not checked: manifest.sha256 is missing"]);
}

/// An OpenSSH private key made from a seed; of no worth to anybody.
fn private_key(seed: u8) -> String {
    let pair = ssh_key::private::Ed25519Keypair::from_seed(&[seed; 32]);
    let key = ssh_key::PrivateKey::from(pair);
    key.to_openssh(ssh_key::LineEnding::LF).unwrap().to_string()
}

fn public_key(seed: u8) -> String {
    let pair = ssh_key::private::Ed25519Keypair::from_seed(&[seed; 32]);
    ssh_key::PublicKey::from(pair.public).to_openssh().unwrap()
}

#[test]
fn a_signature_is_checked_here_and_by_openssh() {
    let field = season();
    field.put("own.key", private_key(7).as_bytes());
    field.put("own.pub", public_key(7).as_bytes());
    field.put("other.pub", public_key(8).as_bytes());
    let folder = bundle("signed", &["--sign", "own.key"]);
    let said = field.runs_well(&["verify", "signed.zip", "--key", "own.pub"]);
    assert!(said.contains("Signed with the key that you gave"), "{said}");
    let said = field.runs_well(&["verify", "signed"]);
    assert!(
        said.contains("Whose key that is, only its owner can tell you"),
        "{said}"
    );
    let other = field.run(&["verify", "signed", "--key", "other.pub"]);
    assert_eq!(other.code, Some(1), "{}", other.stdout);
    bundle("unsigned", &[]);
    let unsigned = field.run(&["verify", "unsigned", "--key", "own.pub"]);
    assert_eq!(unsigned.code, Some(3), "{}", unsigned.stdout);
    let no_key = field.run(&["record", ".", "--out", "no", "--sign", "own.pub"]);
    assert_eq!(no_key.code, Some(2), "{}", no_key.stderr);
    assert!(!field.path("no").exists());

    let seal = fs::File::open(folder.join("seal.sha256")).unwrap();
    let checked = Command::new("ssh-keygen")
        .args(["-Y", "check-novalidate", "-n", "podfall-record", "-s"])
        .arg(folder.join("seal.sha256.sig"))
        .stdin(seal)
        .stdout(Stdio::null())
        .status();
    match checked {
        Ok(status) => assert!(status.success(), "ssh-keygen does not take the signature"),
        Err(error) => println!(
            "ssh-keygen is not here ({error}); its own signature is checked in src/record/seal/sign.rs"
        ),
    }
}

#[test]
fn what_is_taken_out_is_nowhere_in_the_bundle() {
    let folder = bundle(
        "apart",
        &[
            "--positions",
            "none",
            "--redact",
            "names,notes,money,camera",
        ],
    );
    let counts = json(&season().path("out/counts.json"));
    let camera = counts["photos"][0]["meta"]["camera"]
        .as_str()
        .unwrap()
        .to_owned();
    assert!(
        counts["photos"][0]["meta"]["position"].is_object(),
        "else this test shows nothing"
    );
    assert!(!folder.join("evidence/photos").exists());
    for name in files(&folder) {
        let bytes = fs::read(folder.join(&name)).unwrap();
        let text = String::from_utf8_lossy(&bytes);
        for out in ["A. Grower", "a note", camera.as_str(), "price_per_bu = 10"] {
            assert!(!text.contains(out), "{out} in {name}");
        }
        assert!(
            !text.contains("\"lat_deg\": 4") && !text.contains("\"lat_deg\":4"),
            "{name}"
        );
    }
    let pages = squeezed(&pdf_pages(&folder.join("record.pdf")).concat());
    for words in [
        "Positions are left out.",
        "The original photos are left out, because their files carry",
        "Notes in the sheet",
    ] {
        assert!(pages.contains(&squeezed(words)), "{words}");
    }
    let said = season().runs_well(&["verify", "apart"]);
    assert!(
        said.contains("photos are not in the bundle, only their hashes"),
        "{said}"
    );
    let coarse = bundle("coarse", &["--positions", "coarse"]);
    let record = json(&coarse.join("evidence/record.json"));
    let lat = record["frames"][0]["position"]["lat_deg"].as_f64().unwrap();
    assert!((lat * 100.0 - (lat * 100.0).round()).abs() < 1e-9, "{lat}");
    assert!(!coarse.join("evidence/photos").exists());
}

#[test]
fn never_half_a_bundle() {
    let field = Field::new();
    let name = "photos/a.jpg";
    field.put(name, &fixture_bytes("ten-beans-in-the-open/photo.jpg"));
    field.put("podfall.toml", b"frame = \"12x12in\"\n");
    assert_eq!(
        field.run(&["record", "."]).code,
        Some(2),
        "nothing was counted yet"
    );
    field.run(&["count", "."]);
    let bytes = fs::read(field.path(name)).unwrap();

    field.put(name, &[&bytes[..], b"x"].concat());
    let changed = field.run(&["record", "."]);
    assert_eq!(changed.code, Some(2), "{}", changed.stderr);
    assert!(
        changed
            .stderr
            .contains("not the files that were counted: a.jpg"),
        "{}",
        changed.stderr
    );

    fs::remove_file(field.path(name)).unwrap();
    let missing = field.run(&["record", "."]);
    assert_eq!(missing.code, Some(3), "{}", missing.stderr);
    assert!(
        missing.stdout.contains("Not found: 1 original photo;"),
        "{}",
        missing.stdout
    );
    let first = squeezed(&pdf_pages(&field.path("record/record.pdf"))[0]);
    assert!(
        first.contains(&squeezed(
            "Not to be found when this record was made: 1 original photo;"
        )),
        "{first}"
    );

    field.put(name, &bytes);
    let before = fs::read(field.path("record/seal.sha256")).unwrap();
    let again = field.run(&["record", "."]);
    assert_eq!(again.code, Some(2));
    assert!(
        again.stderr.contains("may have been handed over"),
        "{}",
        again.stderr
    );
    assert_eq!(fs::read(field.path("record/seal.sha256")).unwrap(), before);
    assert_eq!(field.run(&["record", ".", "--replace"]).code, Some(3));
    field.runs_well(&["verify", "record"]);
    field.runs_well(&["verify", "record.zip"]);
    fs::create_dir(field.path("mine")).unwrap();
    let not_ours = field.run(&["record", ".", "--out", "mine", "--replace"]);
    assert_eq!(not_ours.code, Some(2), "{}", not_ours.stdout);

    let counts = field.json("out/counts.json");
    let mut empty = counts.clone();
    empty["photos"] = Value::Array(Vec::new());
    field.put("out/counts.json", empty.to_string().as_bytes());
    let nothing = field.run(&["record", ".", "--out", "empty"]);
    assert_eq!(nothing.code, Some(2));
    assert!(
        nothing.stderr.contains("holds no photo"),
        "{}",
        nothing.stderr
    );
    let left: Vec<String> = fs::read_dir(field.folder.path())
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .filter(|n| n.starts_with(".podfall") || n == "empty")
        .collect();
    assert!(left.is_empty(), "{left:?}");
}

/// Marks go in with who and when; a line that was changed is named even by somebody who sealed everything anew.
#[test]
fn marks_go_in_and_a_broken_link_is_named() {
    let field = Field::new();
    field.put(
        "photos/a.jpg",
        &fixture_bytes("ten-beans-in-the-open/photo.jpg"),
    );
    field.put("podfall.toml", b"frame = \"12x12in\"\n");
    field.run(&["count", "."]);
    let counts: CountsFile = serde_json::from_value(field.json("out/counts.json")).unwrap();
    let photo = &counts.photos[0];
    let said = Said {
        who: "A. Person",
        at: "2026-10-03T20:00:00-05:00",
        photo: (&photo.photo, &photo.meta.sha256),
    };
    {
        let mut store = MarkStore::open(&field.path("out")).unwrap();
        let note = Act::Note {
            text: "seen by daylight".to_owned(),
        };
        store.say(said, note).unwrap();
        let confirm = Act::Confirm {
            counts: photo.counts.unwrap(),
            frame_spec: photo.frame_spec,
            corners_px: None,
        };
        store.say(said, confirm).unwrap();
    }
    field.runs_well(&["record", "."]);
    field.runs_well(&["verify", "record.zip"]);
    let record = field.json("record/evidence/record.json");
    let frame = &record["frames"][0];
    assert_eq!(frame["standing"], "confirmed");
    assert_eq!(frame["person"]["confirmed"]["who"], "A. Person");
    assert_eq!(frame["person"]["note"], "seen by daylight");
    let pages = squeezed(&pdf_pages(&field.path("record/record.pdf")).concat());
    assert!(
        !pages.contains("NOTCONFIRMED") && pages.contains("byA.Person"),
        "{pages}"
    );

    let mut seen = seen(&field.path("record"));
    let journal = field
        .text("record/evidence/marks.journal")
        .replace("daylight", "moonlight");
    change(&mut seen, "evidence/marks.journal", journal.into_bytes());
    seal_anew(&mut seen);
    let report = verify(&seen, &Expect::default());
    let said: Vec<&str> = report.findings.iter().map(|f| f.says.as_str()).collect();
    assert!(
        said.iter()
            .any(|s| s.starts_with("line 2 does not follow on line 1")),
        "{said:?}"
    );
}

/// Three photos: one counted by hand and confirmed otherwise, one without a place, far away, and one whose frame's edge a
/// person set.
fn told_of() -> Field {
    let field = Field::new();
    let cases = ["ten-beans-in-the-open", "bare-ground-no-beans", "no-frame"];
    for (name, case) in ["a.jpg", "b.jpg", "c.jpg"].into_iter().zip(cases) {
        let photo = fixture_bytes(&format!("{case}/photo.jpg"));
        field.put(&format!("photos/{name}"), &photo);
    }
    field.put(
        "podfall.toml",
        b"frame = \"12x12in\"\nseeds_per_lb = 2900\nmoisture_pct = 12\nheader_width = \"35ft\"\nbar_height = \"13mm\"\n",
    );
    field.put(
        "sheet.csv",
        b"photo,check,place,speed_mph,moisture_percent,hand_beans,stubble_pods,note\n\
        a.jpg,1,behind,3.4,12.1,12,1,wet straw\nb.jpg,1,,,,,,\nc.jpg,2,behind,,,,,\n",
    );
    field.run(&["count", "."]);
    let mut counts: CountsFile = serde_json::from_value(field.json("out/counts.json")).unwrap();
    for (at, lat_deg) in [(0, 41.9), (1, 44.0)] {
        counts.photos[at].meta.position = Some(Position {
            lat_deg,
            lon_deg: -97.4,
            altitude_m: None,
            error_m: None,
        });
    }
    field.put("out/counts.json", &serde_json::to_vec(&counts).unwrap());
    let [a, _, c] = counts.photos.as_slice() else {
        panic!("{}", counts.photos.len());
    };
    let at = |at, photo: &str, sha256: &str, act| {
        let said = Said {
            who: "A. Person",
            at,
            photo: (photo, sha256),
        };
        let mut store = MarkStore::open(&field.path("out")).unwrap();
        store.say(said, act).unwrap();
    };
    let confirm = Act::Confirm {
        counts: a.counts.unwrap(),
        frame_spec: a.frame_spec,
        corners_px: None,
    };
    at(
        "2026-10-03T20:00:00-05:00",
        "a.jpg",
        &a.meta.sha256,
        confirm,
    );
    let corners_px = [(10.0, 10.0), (90.0, 10.0), (90.0, 90.0), (10.0, 90.0)]
        .map(|(x, y)| podfall::geometry::Point { x, y });
    let corners = Act::Corners {
        corners_px: Some(corners_px),
        before: None,
    };
    at(
        "2026-10-03T21:00:00-05:00",
        "c.jpg",
        &c.meta.sha256,
        corners,
    );
    let mut count = a.clone();
    count.meta = c.meta.clone();
    count.cautions = vec![Caution {
        kind: CautionKind::Dark,
        measured: 9.0,
        bound: 14.0,
        message: "the ground is dark: lightness 9, should be above 14; take it again".to_owned(),
    }];
    let file = RecountFile {
        schema: 1,
        photos: vec![Recount {
            corners_px,
            model_sha256: counts.model.sha256.clone(),
            count,
        }],
    };
    field.put("out/recounted.json", &serde_json::to_vec(&file).unwrap());
    assert_eq!(
        field.run(&["record", "."]).code,
        Some(3),
        "c is not confirmed"
    );
    field
}

/// Which photos are in the loss and why not, which count of a person is used, and that a person set a frame's edge.
#[test]
fn of_each_photo_it_is_said_what_the_loss_takes() {
    let field = told_of();
    let record = field.json("record/evidence/record.json");
    let frame = |name: &str| {
        let mut all = record["frames"].as_array().unwrap().iter();
        all.find(|f| f["photo"] == name).unwrap().clone()
    };
    let (a, b, c) = (frame("a.jpg"), frame("b.jpg"), frame("c.jpg"));
    assert_eq!(a["rests_on"], "hand");
    assert_eq!(a["sheet"]["hand"]["beans"], 12.0);
    assert_eq!(a["person"]["confirmed"]["at"], "2026-10-03T20:00:00-05:00");
    assert_ne!(
        a["person"]["confirmed"]["beans"], 12.0,
        "else nothing is told apart"
    );
    assert_eq!(a["person"]["hand"], Value::Null);
    assert_eq!(
        (&b["rests_on"], &b["loss_beans"]),
        (&Value::Null, &Value::Null)
    );
    assert_eq!(b["left_out"], "nobody said where the frame lay (no place)");
    assert_eq!(c["rests_on"], "photo");
    assert_eq!(c["problem"], Value::Null);
    assert_eq!(
        c["tool_beans"], a["tool_beans"],
        "those of the count made anew"
    );
    assert_eq!(
        c["cautions"][0],
        "the ground is dark: lightness 9, should be above 14"
    );

    let html = field.text("record/record.html");
    for text in [
        "3; in the loss 2",
        "12 beans, 1 pod on stubble; no time is kept there",
        "the sheet&#x27;s hand count; pods as counted by photo",
        "NO: nobody said where the frame lay",
        "set by A. Person, 2026-10-03T21:00:00-05:00; the count was made anew with it; by itself the tool had not \
         counted: no frame found",
        "wet straw",
        "5.5 km&#x2f;h (3.4 mph)",
        "12.1 %",
        "<td>35ft</td>",
        "2,900, standard deviation 87; as the person gave it",
        "13 mm",
        "Map of 1 photo by",
        "Not on the map: check 2, which has no position.",
    ] {
        assert!(html.contains(text), "{text}");
    }
    assert!(
        !html.contains("lies 2"),
        "what is not in the loss is not on its map"
    );
}

/// An adjuster comes to the same answer with a calculator.
#[test]
fn the_answer_can_be_reckoned_again() {
    let record = told_of().json("record/evidence/record.json");
    let worked = record["worked"].as_str().unwrap();
    let (beans, rest) = worked.split_once(" beans/ft² × 43,560 ").unwrap();
    let (way, bu) = rest.rsplit_once(" = ").unwrap();
    assert_eq!(
        way,
        "ft² in an acre / 2,900 beans in a pound / 60 lb in a bushel × (100 − 12) / (100 − 13)"
    );
    let beans: f64 = beans.parse().unwrap();
    let bu: f64 = bu.strip_suffix(" bu/ac").unwrap().parse().unwrap();
    let again = beans * 43_560.0 / 2_900.0 / 60.0 * (100.0 - 12.0) / (100.0 - 13.0);
    assert!((again - bu).abs() < 0.005 + 1e-9, "{worked}: {again}");
    let answer = record["answer"]["amount"]["bu_per_ac"]["estimate"]
        .as_f64()
        .unwrap();
    assert_eq!(format!("{answer:.2}"), format!("{bu:.2}"));
}

/// An earlier version's record said less; the links hold all the same.
#[test]
fn a_record_of_another_version_is_checked_too() {
    let mut seen = seen(&bundle("earlier", &[]));
    let record = seen.files["evidence/record.json"].bytes.clone().unwrap();
    let mut record: Value = serde_json::from_slice(&record).unwrap();
    record.as_object_mut().unwrap().remove("reckoned");
    change(
        &mut seen,
        "evidence/record.json",
        record.to_string().into_bytes(),
    );
    seal_anew(&mut seen);
    let findings = verify(&seen, &Expect::default()).findings;
    // The pages print the number of the manifest that was.
    let named: Vec<&str> = findings.iter().map(|f| f.what.as_str()).collect();
    assert_eq!(named, ["record.html", "record.pdf"], "{findings:?}");
}

#[test]
fn a_folder_that_is_no_bundle_is_said_to_be_none() {
    let field = season();
    bundle("record", &[]);
    let ran = field.run(&["verify", "."]);
    assert_eq!((ran.code, ran.stdout.as_str()), (Some(2), ""));
    let record = Path::new(".").join("record").display().to_string();
    let says = format!(
        "error: .: there is no bundle of podfall record in this folder; try {record} or {record}.zip\n"
    );
    assert_eq!(ran.stderr, says);
    let none = field.run(&["verify", "photos"]);
    assert_eq!(none.code, Some(2));
    assert!(
        none.stderr.contains("podfall record makes one"),
        "{}",
        none.stderr
    );
}

fn change(seen: &mut Seen, name: &str, bytes: Vec<u8>) {
    let file = SeenFile {
        sha256: sha256_hex(&bytes),
        bytes: Some(bytes),
    };
    seen.files.insert(name.to_owned(), file);
}

/// What somebody can do who changes a bundle and knows how it is sealed.
fn seal_anew(seen: &mut Seen) {
    let lines = |seen: &Seen, is: &dyn Fn(&str) -> bool| {
        let of = seen.files.iter().filter(|(name, _)| is(name));
        list(
            of.map(|(path, file)| HashLine {
                path: path.clone(),
                sha256: file.sha256.clone(),
            })
            .collect(),
        )
    };
    let manifest = lines(seen, &|name| name.starts_with("evidence/"));
    change(seen, "manifest.sha256", manifest.into_bytes());
    let seal = lines(seen, &|name| {
        ["manifest.sha256", "record.html", "record.pdf"].contains(&name)
    });
    change(seen, "seal.sha256", seal.into_bytes());
}

/// On a phone the tables move sideways in their boxes: no word in them is broken, and the page itself stays as wide as the screen.
#[test]
fn no_word_of_a_table_is_broken_on_a_narrow_screen() {
    let page = bundle("narrow", &[]).join("record.html");
    let script = "document.body.style.maxWidth = '390px';
        const broken = [];
        for (const cell of document.querySelectorAll('.wide th, .wide td')) {
            const text = cell.firstChild;
            if (!text || text.nodeType !== Node.TEXT_NODE) continue;
            for (const word of text.data.matchAll(/(?<![^\\s(])[a-z]+(?![^\\s),.:;])/gi)) {
                const range = document.createRange();
                range.setStart(text, word.index);
                range.setEnd(text, word.index + word[0].length);
                if (range.getClientRects().length > 1) broken.push(word[0]);
            }
        }
        const boxes = [...document.querySelectorAll('.wide')];
        document.body.dataset.boxes = boxes.length;
        document.body.dataset.broken = broken.join(' ');
        document.body.dataset.over = boxes.filter(box => box.offsetWidth > 390).length;";
    let Some(dom) = after_script(&page, script) else {
        return;
    };
    let said = |name: &str| {
        let (_, rest) = dom.split_once(&format!("data-{name}=\"")).unwrap();
        rest.split_once('"').unwrap().0.to_owned()
    };
    assert_ne!(said("boxes"), "0");
    assert_eq!(said("broken"), "");
    assert_eq!(said("over"), "0");
}

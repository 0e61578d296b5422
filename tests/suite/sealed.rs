//! What a stranger may have put into a bundle that somebody is asked to check, and what ends on the record's pages, as
//! readers for `readers.rs`.

use std::collections::BTreeMap;

use podfall::{
    counts::CountsFile,
    loss::{Assumptions, SeasonFrames, SeasonLoss, loss_over, season_frames, season_loss, settle},
    marks::{Journal, SeasonMarks},
    photo::sha256_hex,
    record::{
        self, Facts, HTML, Kept, MANIFEST, Material, PDF, PdfSettings, Redactions, SEAL, SIGNATURE,
        facts, page,
        seal::{Expect, HashLine, Packer, Seen, SeenFile, Verdict, is_kept, list, unpack, verify},
    },
    season::{LossUnit, Season},
};

use crate::readers::{journal_seeds, plain_sheet, really_counted, three_counted};

/// When the record is made.
const MADE: &str = "2026-10-04T22:00:00+02:00";

/// The facts of a record of these counts.
pub fn facts_of(counts: &CountsFile, frames: &SeasonFrames, loss: Option<&SeasonLoss>) -> Facts {
    let assumptions = Assumptions::default();
    let over = match loss {
        None => loss_over(&frames.frames, &assumptions).ok(),
        Some(_) => None,
    };
    facts(&Material {
        counts,
        frames: &settle(&frames.frames, &assumptions).frames,
        loss,
        over: over.as_ref(),
        assumptions: &assumptions,
        sheet: None,
        season: &Season::default(),
        unit: (LossUnit::BuPerAc, 1.0),
        persons: &BTreeMap::new(),
        recounts: &BTreeMap::new(),
        originals: &(counts.photos.iter())
            .map(|photo| (photo.photo.clone(), Kept::Copied))
            .collect(),
        title: "season",
        now: "2026-10-04T20:00:00Z".parse().unwrap(),
        made: MADE,
        redactions: &Redactions::default(),
        signed: true,
    })
}

/// The facts of a record of these counts with the plain sheet.
fn facts_with_sheet(counts: &CountsFile) -> Facts {
    let frames = season_frames(counts, Some(plain_sheet())).unwrap();
    let loss = season_loss(&frames, &Assumptions::default()).unwrap();
    facts_of(counts, &frames, Some(&loss))
}

/// The page in a browser.
pub fn html_of(facts: &Facts) {
    let page = page(facts, &"0".repeat(64), false);
    record::html(&page, &|_| None).unwrap();
}

pub fn record_seeds() -> Vec<Vec<u8>> {
    [three_counted(), really_counted()]
        .map(|counts| serde_json::to_vec(&facts_with_sheet(counts)).unwrap())
        .into()
}

/// Both pages of a record, of whatever is written in it.
pub fn record(bytes: &[u8]) {
    let Ok(mut facts) = serde_json::from_slice::<Facts>(bytes) else {
        return;
    };
    // That is the command's own clock, and a PDF/A needs it.
    facts.made = MADE.to_owned();
    html_of(&facts);
    let settings = PdfSettings {
        font: None,
        a4: true,
    };
    let lacks = record::lacks_letters(&facts, None).unwrap();
    let page = page(&facts, &"0".repeat(64), lacks);
    record::pdf(&page, &|_| None, &settings).unwrap();
    let _ = record::photos_geojson(&facts);
    let _ = record::readme(&facts);
}

/// Begins a file of a bundle that is written as one text; its path follows.
const FILE: &str = "\n%% ";

/// By another one's hand: an Ed25519 signature by OpenSSH 9.2 over something else.
const SIGNED: &str = "-----BEGIN SSH SIGNATURE-----
U1NIU0lHAAAAAQAAADMAAAALc3NoLWVkMjU1MTkAAAAgIO70QNIXslxvmC10FjA9nvhxOg
Tk9/hRD5T35XZxVLsAAAAOcG9kZmFsbC1yZWNvcmQAAAAAAAAABnNoYTUxMgAAAFMAAAAL
c3NoLWVkMjU1MTkAAABAOxnNIwgHZ3wlS5FTfXEA6mJ07nZfhvvfcbd+zl18AMerX+M44k
x0Ey5kIBDDN9oTFWBJv8pyUx1rg8sFKT/CAQ==
-----END SSH SIGNATURE-----
";

/// A bundle's files as one text, without the two lists.
pub fn bundle_seeds() -> Vec<Vec<u8>> {
    let counts = really_counted();
    let mut facts = facts_with_sheet(counts);
    let journal = journal_seeds().swap_remove(0);
    let marks = SeasonMarks::replay(&Journal::read(&journal).unwrap()).file();
    let with_marks = |facts: &Facts| {
        let files = [
            (record::COUNTS, serde_json::to_vec(counts).unwrap()),
            (record::RECORD, serde_json::to_vec(facts).unwrap()),
            (record::MARKS_JOURNAL, journal.clone()),
            (record::MARKS, serde_json::to_vec(&marks).unwrap()),
            ("evidence/photos/a.jpg", b"a photo".to_vec()),
            (SIGNATURE, SIGNED.into()),
            (HTML, b"{manifest}".to_vec()),
            (PDF, b"{manifest}".to_vec()),
        ];
        let one = |(path, bytes): &(&str, Vec<u8>)| {
            [FILE.as_bytes(), path.as_bytes(), b"\n", bytes].concat()
        };
        files.iter().flat_map(one).collect::<Vec<u8>>()
    };
    let signed = with_marks(&facts);
    facts.signed = false;
    facts.frames.truncate(1);
    vec![signed, with_marks(&facts)]
}

/// The files of a bundle, with lists that fit: what one who can reckon a hash may write. Files that have the same path count
/// once.
fn forged(bytes: &[u8]) -> BTreeMap<String, Vec<u8>> {
    let mut files = BTreeMap::new();
    let (mark, mut rest) = (FILE.as_bytes(), bytes);
    while let Some(at) = rest.windows(mark.len()).position(|window| window == mark) {
        rest = &rest[at + mark.len()..];
        let end = rest.windows(mark.len()).position(|window| window == mark);
        let file = &rest[..end.unwrap_or(rest.len())];
        let line = file.iter().position(|&b| b == b'\n').unwrap_or(file.len());
        let path = String::from_utf8_lossy(&file[..line]).into_owned();
        files.insert(path, file[(line + 1).min(file.len())..].to_vec());
    }
    let listed = |files: &BTreeMap<String, Vec<u8>>, of: &dyn Fn(&str) -> bool| {
        let lines = (files.iter().filter(|(path, _)| of(path))).map(|(path, bytes)| HashLine {
            path: path.clone(),
            sha256: sha256_hex(bytes),
        });
        list(lines.collect()).into_bytes()
    };
    let manifest = listed(&files, &|path| path.starts_with("evidence/"));
    let hash = sha256_hex(&manifest);
    for page in [HTML, PDF] {
        if let Some(bytes) = files.get_mut(page) {
            let text = String::from_utf8_lossy(bytes).replace("{manifest}", &hash);
            *bytes = text.into_bytes();
        }
    }
    files
        .entry(MANIFEST.to_owned())
        .or_insert_with(|| manifest.clone());
    let seal = listed(&files, &|path| [MANIFEST, HTML, PDF].contains(&path));
    files.entry(SEAL.to_owned()).or_insert(seal);
    files
}

/// As `verify` takes it in.
fn seen(files: BTreeMap<String, Vec<u8>>) -> Seen {
    let file = |(path, bytes): (String, Vec<u8>)| {
        let seen = SeenFile {
            sha256: sha256_hex(&bytes),
            bytes: is_kept(&path).then_some(bytes),
        };
        (path, seen)
    };
    Seen {
        files: files.into_iter().map(file).collect(),
        ..Seen::default()
    }
}

/// A check comes to an end, and one who wrote only the lists anew is found out where a link within does not hold.
pub fn bundle(bytes: &[u8]) {
    let report = verify(&seen(forged(bytes)), &Expect::default());
    assert_eq!(
        report.verdict == Verdict::AsSealed,
        report.findings.is_empty()
    );
}

/// Packed as podfall packs: the first bundle, and one file alone.
pub fn zip_seeds() -> Vec<Vec<u8>> {
    let pack = |files: BTreeMap<String, Vec<u8>>| {
        let mut packer = Packer::new(Vec::new());
        for (path, bytes) in &files {
            let few = &bytes[..bytes.len().min(200)];
            packer.add(&format!("record/{path}"), few).unwrap();
        }
        packer.finish().unwrap()
    };
    vec![
        pack(forged(&bundle_seeds()[0])),
        pack(BTreeMap::from([("a".to_owned(), b"b".to_vec())])),
    ]
}

/// A zip that is taken is, byte for byte, what podfall would pack.
pub fn zip(bytes: &[u8]) {
    let mut files = Vec::new();
    if unpack(&mut &bytes[..], 1 << 20, &mut |file| files.push(file)).is_err() {
        return;
    }
    let mut packer = Packer::new(Vec::new());
    for file in &files {
        packer.add(&file.name, &file.bytes).unwrap();
    }
    let right = files.iter().all(|file| file.crc_is_right);
    assert_eq!(packer.finish().unwrap() == bytes, right);
}

/// Or nothing behind the lists would be reached.
#[test]
fn the_bundle_to_begin_from_is_whole_but_for_photo_and_signature() {
    let report = verify(&seen(forged(&bundle_seeds()[0])), &Expect::default());
    let wrong: Vec<&str> = report.findings.iter().map(|f| f.what.as_str()).collect();
    assert_eq!(wrong, ["evidence/photos/a.jpg", SIGNATURE]);
}

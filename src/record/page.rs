//! What the record says to a person, block by block. Both pages, PDF and HTML, are drawn from these blocks, so that they
//! cannot say different things.

use super::{
    Answer, Facts, FrameFact, Kept,
    draw::{Drawing, map},
};
use crate::{
    annotate::words::capital,
    counts::Limits,
    plan::TooFew,
    report::loss::places_for,
    sheet::Place,
    units::{M2_PER_FT2, grouped, listed, plural},
};

mod frames;
mod words;

/// A record as it is read.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    /// What it is called.
    pub title: String,
    /// What stands at the foot of every page, and at the head of the HTML page.
    pub running: String,
    /// The manifest's SHA-256, as it is printed on the first page.
    pub manifest_sha256: String,
    /// When it was made, RFC 3339 with offset.
    pub made: String,
    pub(super) blocks: Vec<Block>,
}

/// One thing after another.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Block {
    /// A heading; level 2 or 3, the title itself is level 1.
    Heading(u8, String),
    /// A paragraph.
    Text(String),
    /// What must not be passed over.
    Notice(String),
    /// The one number.
    Figure { figure: String, under: Vec<String> },
    /// Points of a list.
    List(Vec<String>),
    /// A table.
    Table(Table),
    /// A hash, to be compared letter by letter.
    Hash { name: String, hash: String },
    /// A drawing.
    Drawing(Drawing),
    /// One photo.
    Frame(FrameBlock),
    /// What follows begins on a new page where there are pages.
    NewPage,
}

/// A table of words.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Table {
    /// What it tells, for those who do not see it.
    pub says: String,
    /// Heads, and whether the column is of numbers.
    pub heads: Vec<(String, bool)>,
    /// Rows.
    pub rows: Vec<Vec<String>>,
    /// Numbers of the rows that are sums.
    pub sums: Vec<usize>,
}

/// One photo with what is told of it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct FrameBlock {
    /// Its number and name.
    pub title: String,
    /// How far a person stands behind it.
    pub badge: String,
    /// File name of the photo, by which its picture is found.
    pub photo: String,
    /// What the picture shows.
    pub alt: String,
    /// What the camera, the tool and the person said.
    pub facts: Vec<(String, String)>,
    /// Doubts and oddities.
    pub notes: Vec<String>,
}

/// The page of these facts, sealed under this manifest.
pub fn page(facts: &Facts, manifest_sha256: &str, letters_shown: bool) -> Page {
    let mut blocks = Vec::new();
    first(facts, manifest_sha256, &mut blocks);
    said(facts, &mut blocks);
    tables(facts, &mut blocks);
    reckoned(facts, &mut blocks);
    if let Some((map, not_on_it)) = map(facts) {
        blocks.push(Block::Heading(2, "Where the frames lay".to_owned()));
        blocks.push(Block::Drawing(map));
        let text = format!("{} {not_on_it}", words::MAP);
        blocks.push(Block::Text(text.trim_end().to_owned()));
    }
    blocks.push(Block::Heading(2, "How it was measured".to_owned()));
    blocks.extend(
        words::METHOD
            .iter()
            .map(|text| Block::Text((*text).to_owned())),
    );
    blocks.push(Block::Heading(3, "Sources".to_owned()));
    blocks.push(list(words::SOURCES));
    blocks.push(Block::Heading(2, "What this does not show".to_owned()));
    blocks.push(list(words::NOT_SHOWN));
    frames::oddities(facts, &mut blocks);
    if letters_shown {
        blocks.push(Block::Text(words::LETTERS.to_owned()));
    }
    seal(facts, manifest_sha256, &mut blocks);
    frames::frames(facts, &mut blocks);
    Page {
        title: format!("Harvest loss on record: {}", facts.title),
        running: words::running(facts),
        manifest_sha256: manifest_sha256.to_owned(),
        made: facts.made.clone(),
        blocks,
    }
}

fn list(lines: &[&str]) -> Block {
    Block::List(lines.iter().map(|l| (*l).to_owned()).collect())
}

/// The answer with limits, then what it is and is not.
fn first(facts: &Facts, manifest_sha256: &str, blocks: &mut Vec<Block>) {
    blocks.push(match &facts.answer {
        Some(answer) => figure(answer, &facts.too_few),
        None => Block::Notice(
            "No loss is told: no photo could be counted, and no frame was counted by hand."
                .to_owned(),
        ),
    });
    let unconfirmed = facts.unconfirmed();
    if !unconfirmed.is_empty() {
        blocks.push(Block::Notice(words::unconfirmed(facts, &unconfirmed)));
    }
    let missing: Vec<&str> = (facts.frames.iter())
        .filter(|f| f.original == Kept::Missing)
        .map(|f| f.photo.as_str())
        .collect();
    if !missing.is_empty() {
        blocks.push(Block::Notice(format!(
            "Not to be found when this record was made: {}; of these only the hashes at the time of the count stand here: {}.",
            plural(missing.len(), "original photo"),
            listed(&missing, 12)
        )));
    }
    if !facts.taken_out.is_empty() {
        blocks.push(Block::Notice(format!(
            "Taken out: {}",
            facts.taken_out.join(" ")
        )));
    }
    blocks.push(Block::Text(words::STATEMENT.to_owned()));
    blocks.push(Block::Hash {
        name: "SHA-256 of manifest.sha256, the list of all files of the evidence".to_owned(),
        hash: manifest_sha256.to_owned(),
    });
}

fn figure(answer: &Answer, too_few: &TooFew) -> Block {
    let amount = &answer.amount;
    let instead = too_few.short(amount);
    let also = |limits: Limits, unit: &str| match instead {
        Some(_) => minus(format!(
            "{} {unit}",
            grouped(limits.estimate, places_for(limits, instead))
        )),
        None => format!("{} {unit}", range(limits, None)),
    };
    let mut rest = vec![also(amount.beans_per_ft2, "beans/ft²")];
    for (unit, limits) in [
        ("bu/ac", amount.bu_per_ac),
        ("lb/ac", amount.lb_per_ac),
        ("kg/ha", amount.kg_per_ha),
    ] {
        if unit != answer.unit {
            rest.push(also(limits, unit));
        }
    }
    rest.extend(
        amount
            .percent_of_yield
            .map(|l| also(l, "% of yield and loss together")),
    );
    let places = places_for(answer.figure, instead);
    let (told, brackets) = match too_few.words(amount) {
        Some(words) => (format!("{}. There are {words}.", answer.says), ""),
        None => (
            format!(
                "{}. 95 % limits: {} to {} {}.",
                answer.says,
                grouped(answer.figure.low, places),
                grouped(answer.figure.high, places),
                answer.unit
            ),
            " (limits in brackets)",
        ),
    };
    Block::Figure {
        figure: minus(format!(
            "{} {}",
            grouped(answer.figure.estimate, places),
            answer.unit
        )),
        under: vec![
            minus(told),
            format!("The same in other units{brackets}: {}.", rest.join("; ")),
        ],
    }
}

/// "2.31 (1.80 to 2.90)", with a true minus; `instead`: words in the place of the limits.
fn range(limits: Limits, instead: Option<&str>) -> String {
    let places = places_for(limits, instead);
    if let Some(words) = instead {
        return minus(format!("{} ({words})", grouped(limits.estimate, places)));
    }
    let [estimate, low, high] =
        [limits.estimate, limits.low, limits.high].map(|value| grouped(value, places));
    minus(format!("{estimate} ({low} to {high})"))
}

/// A true minus before a number, not a hyphen.
fn minus(text: String) -> String {
    let mut out = String::with_capacity(text.len());
    let mut letters = text.chars().peekable();
    while let Some(c) = letters.next() {
        let number = letters.peek().is_some_and(char::is_ascii_digit);
        out.push(if c == '-' && number { '−' } else { c });
    }
    out
}

/// What the person wrote, and what the cameras and the tool add.
fn said(facts: &Facts, blocks: &mut Vec<Block>) {
    let mut rows: Vec<Vec<String>> = vec![vec!["Season folder".to_owned(), facts.title.clone()]];
    rows.extend(
        facts
            .said
            .iter()
            .map(|s| vec![s.name.clone(), s.value.clone()]),
    );
    let photos = facts.frames.len();
    let in_loss = facts.in_loss().count();
    let mut row = |name: &str, value: String| rows.push(vec![name.to_owned(), value]);
    if let Some([first, last]) = &facts.taken {
        row(
            "Photos taken, by the cameras' clocks",
            format!("{first} to {last}"),
        );
    }
    row("Photos", format!("{photos}; in the loss {in_loss}"));
    let mut sizes: Vec<String> = facts.frames.iter().map(|f| f.frame.in_words()).collect();
    sizes.sort();
    sizes.dedup();
    row("Frame, inside", sizes.join(", "));
    row("This record made", facts.made.clone());
    row("Made with", format!("podfall {}", facts.podfall));
    row(
        "Scorer",
        format!("{}, SHA-256 {}", facts.model.name, facts.model.sha256),
    );
    blocks.push(Block::Heading(2, "Field, machine and dates".to_owned()));
    blocks.push(Block::Text(words::AS_WRITTEN.to_owned()));
    blocks.push(two_columns(
        "What the person wrote of field, machine and setting, and how the record was made",
        ["About", "As written"],
        rows,
    ));
}

fn two_columns(says: &str, heads: [&str; 2], rows: Vec<Vec<String>>) -> Block {
    Block::Table(Table {
        says: says.to_owned(),
        heads: heads.map(|head| (head.to_owned(), false)).to_vec(),
        rows,
        sums: Vec::new(),
    })
}

/// What the loss is reckoned with, and the way to the answer in figures.
fn reckoned(facts: &Facts, blocks: &mut Vec<Block>) {
    if facts.reckoned.is_empty() {
        return;
    }
    let rows = (facts.reckoned.iter()).map(|s| vec![s.name.clone(), s.value.clone()]);
    blocks.push(Block::Heading(
        2,
        "What the loss is reckoned with".to_owned(),
    ));
    blocks.push(two_columns(
        "What the loss is reckoned with besides the counts",
        ["What", "Reckoned with"],
        rows.collect(),
    ));
    if let Some(worked) = &facts.worked {
        blocks.push(Block::Text(format!(
            "The answer, to be reckoned again: {worked}."
        )));
    }
}

fn tables(facts: &Facts, blocks: &mut Vec<Block>) {
    if !facts.sources.is_empty() {
        blocks.push(Block::Heading(2, "Loss by source".to_owned()));
        blocks.push(Block::Table(by_source(facts)));
    }
    if !facts.checks.is_empty() {
        blocks.push(Block::Heading(
            2,
            "What was found, by check and place".to_owned(),
        ));
        blocks.push(Block::Table(by_check(facts)));
        blocks.push(Block::Text(words::BY_CHECK.to_owned()));
    }
    if !facts.cautions.is_empty() {
        blocks.push(Block::Heading(3, "Cautions".to_owned()));
        let told = facts.cautions.iter().map(|c| capital(c));
        blocks.push(Block::List(told.collect()));
    }
}

fn by_source(facts: &Facts) -> Table {
    let has_yield = facts
        .sources
        .iter()
        .any(|s| s.amount.percent_of_yield.is_some());
    let mut heads = vec![("Source (95 % limits in brackets)".to_owned(), false)];
    for unit in ["bu/ac", "lb/ac", "kg/ha"] {
        heads.push((unit.to_owned(), true));
    }
    if has_yield {
        heads.push(("% of yield and loss".to_owned(), true));
    }
    let row = |source: &super::SourceFact| {
        let a = &source.amount;
        let mut row = vec![source.title.clone()];
        let range = |limits| range(limits, facts.too_few.short(a));
        row.extend([a.bu_per_ac, a.lb_per_ac, a.kg_per_ha].map(range));
        if has_yield {
            row.push(a.percent_of_yield.map(range).unwrap_or_default());
        }
        row
    };
    Table {
        says: "Loss by source in three units with 95 % limits".to_owned(),
        heads,
        rows: facts.sources.iter().map(row).collect(),
        sums: (0..facts.sources.len())
            .filter(|&i| facts.sources[i].sum)
            .collect(),
    }
}

fn by_check(facts: &Facts) -> Table {
    let not_said = if facts.sources.is_empty() {
        "not said"
    } else {
        "not said; not in the loss"
    };
    let rows = facts.checks.iter().map(|check| {
        vec![
            if check.check.is_empty() {
                "–".to_owned()
            } else {
                check.check.clone()
            },
            check.place.map_or(not_said, Place::word).to_owned(),
            check.settings.join(", "),
            check.frames.to_string(),
            check.confirmed.to_string(),
            format!("{:.1}", check.area_m2 / M2_PER_FT2),
            format!("{:.1}", check.beans),
            format!("{:.2}", check.beans_per_ft2),
        ]
    });
    let heads = [
        ("Check", false),
        ("Place", false),
        ("Setting", false),
        ("Frames", true),
        ("Confirmed", true),
        ("Ground, ft²", true),
        ("Beans", true),
        ("Beans/ft²", true),
    ];
    Table {
        says: "Frames, ground and beans by check and place".to_owned(),
        heads: heads
            .map(|(head, number)| (head.to_owned(), number))
            .to_vec(),
        rows: rows.collect(),
        sums: Vec::new(),
    }
}

/// How it is sealed and how it is checked.
fn seal(facts: &Facts, manifest_sha256: &str, blocks: &mut Vec<Block>) {
    blocks.push(Block::Heading(
        2,
        "How to see whether anything was changed".to_owned(),
    ));
    blocks.extend(
        words::SEAL
            .iter()
            .map(|text| Block::Text((*text).to_owned())),
    );
    blocks.push(Block::List(vec![
        "podfall verify FOLDER, or podfall verify FILE.zip".to_owned(),
        format!("podfall verify FOLDER --manifest {manifest_sha256}"),
        "without podfall, in the folder: sha256sum -c seal.sha256 && sha256sum -c manifest.sha256 (on macOS: \
         shasum -a 256 -c)"
            .to_owned(),
    ]));
    let copied = facts
        .frames
        .iter()
        .filter(|f| f.original == Kept::Copied)
        .count();
    let signed = if facts.signed {
        "The maker signed the seal."
    } else {
        "The maker did not sign the seal."
    };
    blocks.push(Block::Text(format!(
        "In evidence/photos, byte for byte: {copied} of {}. {signed}",
        plural(facts.frames.len(), "original photo")
    )));
}

/// Positions as they are written for people.
fn position_words(frame: &FrameFact) -> Option<String> {
    let p = frame.position?;
    let half = |deg: f64, ways: [&str; 2]| {
        format!(
            "{:.5}° {}",
            deg.abs(),
            if deg < 0.0 { ways[1] } else { ways[0] }
        )
    };
    let error = p
        .error_m
        .map(|m| format!(", ± {m:.0} m as the camera said"))
        .unwrap_or_default();
    Some(format!(
        "{}, {}{error}",
        half(p.lat_deg, ["N", "S"]),
        half(p.lon_deg, ["E", "W"])
    ))
}

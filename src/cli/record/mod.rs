//! `podfall record`: the bundle to hand over.

use std::{
    collections::BTreeMap,
    path::{Path, PathBuf},
};

use anyhow::Context;
use clap::ValueEnum;
use podfall::{
    files,
    loss::{loss_over, settle},
    next::next,
    record::{
        self, Facts, Kept, Material, PagePicture, PdfSettings, Positions, Redact, Redactions,
        facts, page, seal,
    },
    report::loss::{checks_geojson, loss_csv, loss_json},
    season,
    units::plural,
};

use super::{
    Outcome, Usage,
    assumptions::AssumptionArgs,
    season_files::{FolderArgs, SeasonRead},
    uncounted::tell_uncounted,
    usage,
};

mod bundle;
mod evidence;
mod person;

use bundle::Bundle;
use evidence::Photos;
use person::Persons;

/// Make the bundle to hand over: one folder and one zip, sealed.
///
/// The folder holds the record to read (record.pdf, record.html), the evidence (photos, counts, marks, sheet, settings),
/// and the lists of SHA-256 by which podfall verify, or any other program, finds out whether a byte was changed. Your
/// photos are only read. Faces and number plates are yours to look for before you hand anything over: podfall does not
/// change photos; with --hashes-only they stay at home.
#[derive(clap::Args, Debug)]
#[command(after_help = "\
Examples:
  podfall record north-field
  podfall record north-field --sign ~/.ssh/id_ed25519
  podfall record north-field --positions none --redact names,money --out for-the-landlord
A record documents a loss. It is a measurement by the grower, not an appraisal; only the insurer's adjuster decides.

Exit codes: 0 made; 3 made, but photos are not confirmed or originals are missing; 1 could not be made; 2 cannot be followed")]
pub struct Args {
    #[command(flatten)]
    folder: FolderArgs,
    #[command(flatten)]
    assumptions: AssumptionArgs,
    /// Where the bundle goes; the zip goes beside it [default: record in FOLDER]
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Put a new bundle in the place of one that is there already
    #[arg(long)]
    replace: bool,
    /// Leave the original photos out; only their hashes go in
    #[arg(long)]
    hashes_only: bool,
    /// How exactly positions are told; coarse is about a kilometre. Without exact ones the originals stay out
    #[arg(long, value_name = "HOW", value_enum, default_value_t = PositionsArg::Exact)]
    positions: PositionsArg,
    /// Take out what is named: camera, notes, names, money. The record says what was taken out
    #[arg(long, value_name = "WHAT", value_enum, value_delimiter = ',')]
    redact: Vec<RedactArg>,
    /// Sign the seal with your own Ed25519 key, as OpenSSH keeps it
    #[arg(long, value_name = "KEY")]
    sign: Option<PathBuf>,
    /// A font for letters that the built-in ones lack, .ttf or .otf
    #[arg(long, value_name = "FILE")]
    font: Option<PathBuf>,
    /// Paper of the PDF
    #[arg(long, value_name = "SIZE", value_enum, default_value_t = Paper::Letter)]
    paper: Paper,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum PositionsArg {
    Exact,
    Coarse,
    None,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum RedactArg {
    Camera,
    Notes,
    Names,
    Money,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Paper {
    Letter,
    A4,
}

impl Args {
    fn redactions(&self) -> Redactions {
        let what = |w: &RedactArg| match w {
            RedactArg::Camera => Redact::Camera,
            RedactArg::Notes => Redact::Notes,
            RedactArg::Names => Redact::Names,
            RedactArg::Money => Redact::Money,
        };
        Redactions {
            positions: match self.positions {
                PositionsArg::Exact => Positions::Exact,
                PositionsArg::Coarse => Positions::Coarse,
                PositionsArg::None => Positions::None,
            },
            what: self.redact.iter().map(what).collect(),
            hashes_only: self.hashes_only,
        }
    }
}

/// Largest font file that is read, bytes.
const MOST_FONT_BYTES: u64 = 60_000_000;
/// Largest key file that is read, bytes.
const MOST_KEY_BYTES: u64 = 100_000;

/// Makes the bundle.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let bundle = Bundle::begin(args)?;
    let font = read_given(args.font.as_deref(), MOST_FONT_BYTES)?;
    let key = read_given(args.sign.as_deref(), MOST_KEY_BYTES)?;
    if let Some(key) = &key {
        // Before a minute's work, not after it.
        seal::sign(key, b"").context("--sign").map_err(usage)?;
    }
    let redactions = args.redactions();
    let mut read = args.folder.read(&args.assumptions)?;
    let (mut counts, _) = args.folder.read_counts()?;
    if counts.photos.is_empty() {
        return Err(Usage(
            "counts.json holds no photo, so there is nothing to put on record".to_owned(),
        )
        .into());
    }
    if redactions.has(Redact::Money) {
        read.assumptions.price_per_bu = None;
    }
    if redactions.has(Redact::Names) {
        read.season.by = None;
    }
    let photos = Photos::gather(&args.folder, &counts, &read.out)?;
    bundle.has_room_for(photos.bytes(&counts, &redactions))?;
    photos.redraw(&read)?;
    let originals = photos.put_in(&bundle, &counts, &redactions)?;
    // Before anything is taken out: marks find their objects by the photos as they are.
    let persons = person::persons(&counts, &read.out, &redactions)?;
    person::put_marks(&bundle, &read.out, &redactions)?;
    redactions.counts(&mut counts);
    let said = Said {
        originals: &originals,
        persons: &persons,
        redactions: &redactions,
    };
    let facts = put_evidence(&bundle, args, &read, &counts, &said)?;
    let manifest = bundle.manifest()?;
    let pdf_settings = PdfSettings {
        font: font.as_deref(),
        a4: args.paper == Paper::A4,
    };
    let pictures = photos.pictures(&counts, &read.confirmed);
    put_pages(&bundle, &facts, &pictures, &manifest, &pdf_settings)?;
    bundle.seal(key.as_deref())?;
    let put = bundle.finish()?;
    tell_uncounted(&args.folder, &read.confirmed.counts, &read.out);
    tell(&facts, &put, &manifest)
}

fn read_given(path: Option<&Path>, most_bytes: u64) -> anyhow::Result<Option<Vec<u8>>> {
    path.map(|path| {
        files::read_whole(path, most_bytes)
            .with_context(|| path.display().to_string())
            .map_err(usage)
    })
    .transpose()
}

/// What is known of the photos besides the counts.
struct Said<'a> {
    originals: &'a BTreeMap<String, Kept>,
    persons: &'a Persons,
    redactions: &'a Redactions,
}

/// Everything but the photos.
fn put_evidence(
    bundle: &Bundle,
    args: &Args,
    read: &SeasonRead,
    counts: &podfall::counts::CountsFile,
    said: &Said<'_>,
) -> anyhow::Result<Facts> {
    let redactions = said.redactions;
    let mut frames = settle(&read.frames.frames, &read.assumptions).frames;
    for frame in &mut frames {
        let of = counts.photos.iter().find(|p| p.photo == frame.photo);
        frame.position = of.and_then(|p| p.meta.position);
    }
    let mut loss = read.has_sheet.then(|| read.loss().ok()).flatten();
    let over = loss_over(&read.frames.frames, &read.assumptions).ok();
    if let Some(loss) = &mut loss {
        redactions.loss(loss);
        let manual = BTreeMap::new();
        let next = next(loss, &manual);
        bundle.put(
            "evidence/loss.json",
            loss_json(loss, next.as_ref()).as_bytes(),
        )?;
        bundle.put("evidence/loss.csv", loss_csv(loss).as_bytes())?;
        bundle.put("evidence/checks.geojson", checks_geojson(loss).as_bytes())?;
    }
    evidence::put_files(bundle, args, counts, redactions)?;
    let now = jiff::ZonedDateTime::now();
    let made = now.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string();
    let facts = facts(&Material {
        counts,
        frames: &frames,
        loss: loss.as_ref(),
        over: over.as_ref(),
        season: &read.season,
        unit: (read.unit, read.unit.in_one_bushel(&read.assumptions)),
        persons: &said.persons.said,
        recounts: &said.persons.recounts,
        assumptions: &read.assumptions,
        sheet: read.sheet.as_ref(),
        originals: said.originals,
        title: &read.title,
        now: now.timestamp(),
        made: &made,
        redactions,
        signed: args.sign.is_some(),
    });
    let mut json = serde_json::to_string_pretty(&facts)?;
    json.push('\n');
    bundle.put(record::RECORD, json.as_bytes())?;
    bundle.put(
        "evidence/photos.geojson",
        record::photos_geojson(&facts).as_bytes(),
    )?;
    bundle.put("evidence/READ-ME.txt", record::readme(&facts).as_bytes())?;
    for (name, text) in record::schema::ALL {
        bundle.put(&format!("evidence/schema/{name}"), text.as_bytes())?;
    }
    Ok(facts)
}

fn put_pages(
    bundle: &Bundle,
    facts: &Facts,
    pictures: &BTreeMap<String, PagePicture>,
    manifest: &str,
    settings: &PdfSettings<'_>,
) -> anyhow::Result<()> {
    let picture = |photo: &str| pictures.get(photo).cloned();
    let page = page(
        facts,
        manifest,
        record::lacks_letters(facts, settings.font).map_err(usage)?,
    );
    let pdf = record::pdf(&page, &picture, settings)?;
    let html = record::html(&page, &picture)?;
    bundle.put(record::PDF, &pdf)?;
    bundle.put(record::HTML, html.as_bytes())
}

fn tell(facts: &Facts, put: &bundle::Put, manifest: &str) -> anyhow::Result<Outcome> {
    let say = |text: &str| super::print_line(&super::shown(text));
    say(&format!(
        "Written: {} and {}",
        put.folder.display(),
        put.zip.display()
    ))?;
    say(&format!(
        "  to read: {}",
        put.folder.join(record::PDF).display()
    ))?;
    say(&format!("  manifest.sha256: {manifest}"))?;
    if put.signed {
        say("  signed: seal.sha256.sig")?;
    }
    for line in &facts.taken_out {
        say(&format!("  {line}"))?;
    }
    let unconfirmed = facts.unconfirmed().len();
    let missing = facts
        .frames
        .iter()
        .filter(|f| f.original == Kept::Missing)
        .count();
    if unconfirmed > 0 {
        say(&format!(
            "Not confirmed by a person: {unconfirmed} of {} in the loss; every page says so.",
            plural(facts.in_loss().count(), "photo")
        ))?;
    }
    if missing > 0 {
        say(&format!(
            "Not found: {}; the record names them.",
            plural(missing, "original photo")
        ))?;
    }
    if facts.answer.is_none() {
        say("No loss is told: no photo could be counted.")?;
    }
    say(
        "Before you hand it over, look for faces and number plates in the photos; podfall does not.",
    )?;
    let good = unconfirmed == 0 && missing == 0 && facts.answer.is_some();
    Ok(if good {
        Outcome::Good
    } else {
        Outcome::Confirm
    })
}

/// `podfall.toml` of a season folder.
fn season_file(folder: &Path) -> PathBuf {
    folder.join(season::FILE)
}

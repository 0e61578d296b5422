//! `podfall sheet`: writes sheet.csv, and spot cards to print.

use std::path::PathBuf;

use anyhow::Context;
use podfall::{
    batch::BatchError,
    card::MOST_CHECK,
    files,
    sheet::{CardPage, GuessSettings, MOST_CHECKS, Shot, cards_html, merge},
};

use super::{
    Outcome, Usage,
    season_files::{FolderArgs, folder_of},
    uncounted::tell_uncounted,
};

/// Write sheet.csv: one row a photo, with a guess of which photos are of one check.
///
/// Place and check come from the spot card on a photo, where there is one; else the check is guessed by gaps in
/// time and distance. Run again, it adds the photos that are new and keeps
/// everything that was typed. Fill in place (standing, cut, behind, tray), setting, and what was
/// counted by hand, in any spreadsheet; leave empty what was not counted, and write 0 for none.
#[derive(clap::Args, Debug)]
#[command(after_help = "\
Examples:
  podfall sheet north-field
  podfall sheet --cards 8 --out cards.html     cards for checks 1 to 8, to lay beside the frame")]
pub struct Args {
    #[command(flatten)]
    pub folder: FolderArgs,
    /// Write a page of spot cards for this many checks instead
    #[arg(long, value_name = "CHECKS")]
    pub cards: Option<usize>,
    /// Number of the first check on the cards
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub first: usize,
    /// Where the cards go
    #[arg(long, value_name = "FILE", default_value = "cards.html")]
    pub out: PathBuf,
    /// A pause longer than this parts two checks, minutes
    #[arg(long, value_name = "MIN", default_value_t = 20.0)]
    pub pause: f64,
    /// A way further than this parts two checks, m
    #[arg(long, value_name = "M", default_value_t = 80.0)]
    pub way: f64,
}

/// Writes the sheet or the cards.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    if let Some(checks) = args.cards {
        return cards(args, checks);
    }
    let (counts, counts_path) = args.folder.read_counts()?;
    let old = args.folder.read_sheet()?;
    let shots: Vec<Shot> = (counts.photos.iter())
        .map(|photo| Shot {
            photo: photo.photo.clone(),
            taken: photo.meta.taken.clone(),
            position: photo.meta.position,
            card: photo.card.map(|seen| seen.card),
        })
        .collect();
    let settings = GuessSettings {
        pause_s: args.pause * 60.0,
        way_m: args.way,
        ..GuessSettings::default()
    };
    let merged = merge(old.as_ref(), &shots, &settings);
    let path = args.folder.sheet_path();
    files::write_whole(&path, &merged.sheet.write()).with_context(|| {
        format!(
            "{}: cannot be written; see that the disk has room and that the folder may be written to",
            path.display()
        )
    })?;
    super::print_line(&format!(
        "Written: {} ({} rows, {} new)",
        path.display(),
        merged.sheet.rows.len(),
        merged.added.len()
    ))?;
    if merged.by_card > 0 {
        super::print_line(&format!(
            "Place and check of {} photos stand there from their spot cards.",
            merged.by_card
        ))?;
    }
    tell_uncounted(&args.folder, &counts, &folder_of(&counts_path));
    for differs in &merged.differs {
        tell!("caution: {}", super::shown(&differs.to_string()));
    }
    for photo in &merged.gone {
        tell!(
            "caution: {} is in the sheet but not among the counts",
            super::shown(photo)
        );
    }
    let open = merged
        .sheet
        .rows
        .iter()
        .filter(|row| row.typed.place.is_none())
        .count();
    let loss = args.folder.command("loss");
    super::print_line(&super::shown(&match open {
        0 => format!(
            "Every photo has its place. Look it over, add settings and hand counts, then run: {loss}"
        ),
        open => format!(
            "{open} photos have no place yet: fill it in (standing, cut, behind, tray), then run: {loss}"
        ),
    }))?;
    Ok(Outcome::Good)
}

/// Writes a page of spot cards.
fn cards(args: &Args, checks: usize) -> anyhow::Result<Outcome> {
    let last = args.first + checks.max(1) - 1;
    if args.first < 1 || !(1..=MOST_CHECKS).contains(&checks) || last > usize::from(MOST_CHECK) {
        return Err(Usage(format!(
            "--cards {checks} beginning with check {}: print 1 to {MOST_CHECKS} at a time, numbered 1 to {MOST_CHECK}",
            args.first
        ))
        .into());
    }
    let page = cards_html(&CardPage {
        first: args.first,
        checks,
    });
    files::write_whole(&args.out, page.as_bytes()).map_err(BatchError::writing(&args.out))?;
    super::print_line(&format!("Written: {}", args.out.display()))?;
    Ok(Outcome::Good)
}

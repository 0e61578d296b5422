//! `podfall redraw`: pictures and report with what a person said.

use std::path::PathBuf;

use anyhow::Context;
use podfall::{
    batch::{self, Layout, Redrawn, Source},
    counts::PhotoCount,
    frame::FrameSettings,
    loss::Assumptions,
    marks::ConfirmedCounts,
    pipeline::Settings,
    present,
    units::plural,
};

use super::{
    Outcome, Usage,
    assumptions::AssumptionArgs,
    season_files::{FolderArgs, SeasonRead},
    setup::memory,
};

/// Draw pictures and report anew, with what you said on the page.
///
/// What a person said is told apart from what the tool saw: a white square beside a mark, a cross where it is none. Goes
/// into confirmed.html and confirmed/ beside counts.json; report.html and annotated/ stay as the tool made them. Only what
/// changed since the last time is drawn.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  podfall redraw north-field
  podfall redraw north-field --photos /media/card/DCIM

Exit codes: 0 drawn, files that are no photos passed over; 1 a photo could not be drawn; 2 cannot be followed")]
pub struct Args {
    #[command(flatten)]
    folder: FolderArgs,
    #[command(flatten)]
    assumptions: AssumptionArgs,
    /// Folder with the photos [default: where podfall count found them]
    #[arg(long, value_name = "DIR")]
    photos: Option<PathBuf>,
}

/// Draws.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let read = args.folder.read(&args.assumptions)?;
    let sources: Vec<Source> = (args.folder.photo_paths(args.photos.as_deref())?.into_iter())
        .map(|(name, path)| Source { path, name })
        .collect();
    let (layout, redrawn) = redraw(&read, &sources)?;
    if redrawn == Redrawn::default() {
        return Err(Usage(format!(
            "nothing was said of these photos yet, so there is nothing to draw anew; {} opens the page for it",
            read.folder.command("confirm")
        ))
        .into());
    }
    let pictures = |name: &str| {
        let photo = read.confirmed.photos.get(name)?;
        batch::said_pictures(&layout, name, photo)
            .or_else(|| batch::report_pictures(&layout, &photo.applied.count))
    };
    let settings = settings(&read.confirmed, &read.assumptions);
    let html = present::report_as_said(&read.confirmed, &read.frames, &settings, &pictures)?;
    batch::write_confirmed_report(&layout, &html)?;
    for name in &redrawn.passed_over {
        tell!(
            "passed over: {}: the file cannot be read as a photo, so there is nothing to draw",
            super::shown(name)
        );
    }
    for line in &redrawn.left {
        tell!("caution: not drawn: {}", super::shown(line));
    }
    super::print_line(&super::shown(&format!(
        "{} drawn, {} up to date. Written: {}",
        plural(redrawn.drawn, "photo"),
        redrawn.kept,
        layout.confirmed_report().display()
    )))?;
    Ok(if redrawn.left.is_empty() {
        Outcome::Good
    } else {
        Outcome::Failed
    })
}

/// Draws what is not up to date.
pub fn redraw(read: &SeasonRead, sources: &[Source]) -> anyhow::Result<(Layout, Redrawn)> {
    let layout = Layout {
        out: read.out.clone(),
    };
    let how = (&read.assumptions, memory(None));
    let redrawn = batch::redraw(&layout, sources, &read.confirmed, how).context("pictures")?;
    Ok((layout, redrawn))
}

/// As the photos were counted.
fn settings(confirmed: &ConfirmedCounts, assumptions: &Assumptions) -> Settings {
    let first: Option<&PhotoCount> = confirmed.counts.photos.first();
    let spec = first.map(|p| p.frame_spec);
    let mut frame = FrameSettings::new(spec.unwrap_or(podfall::frame::FrameSpec::Rectangle {
        width_mm: 304.8,
        height_mm: 304.8,
    }));
    frame.bar_height_mm = first.and_then(|p| p.bar_height_mm);
    Settings {
        assumptions: assumptions.clone(),
        ..Settings::new(frame)
    }
}

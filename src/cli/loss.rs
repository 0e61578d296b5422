//! `podfall loss`: counts and sheet → loss by source.

use std::{collections::BTreeMap, path::PathBuf};

use podfall::{
    batch::BatchError,
    contrast::{Contrast, contrast, settings_of},
    files,
    loss::{LossCaution, LossCautionKind, SeasonLoss, loss_over, settle},
    next::{ManualRange, Next, next},
    report::loss::{
        LossPage, checks_geojson, loss_csv, loss_html, loss_json, loss_over_text, loss_text,
        next_text,
    },
};

use super::{
    Outcome,
    assumptions::AssumptionArgs,
    season_files::{FolderArgs, SeasonRead},
    uncounted::uncounted,
    usage,
};

/// Tell the loss by source: before harvest, at the header, through the machine.
///
/// Reads counts.json and sheet.csv; writes loss.html, loss.json, loss.csv and checks.geojson beside
/// counts.json. Without a sheet, tells the loss over all frames together.
#[derive(clap::Args, Debug)]
#[command(after_help = "\
Examples:
  podfall loss north-field
  podfall loss north-field --seeds-per-lb 2850 --yield 52 --price 10.40 --acres 640
  podfall loss north-field --header-width 35ft --discharge-width 20ft --unit kg/ha")]
pub struct Args {
    #[command(flatten)]
    pub folder: FolderArgs,
    #[command(flatten)]
    pub assumptions: AssumptionArgs,
    /// Folder for the results [default: where counts.json is]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Print loss.json instead of the table, and write nothing
    #[arg(long)]
    pub json: bool,
}

/// Tells the loss.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let mut read = args.folder.read(&args.assumptions)?;
    let uncounted = uncounted(&args.folder, &read.confirmed.counts, &read.out);
    (read.frames.cautions).extend(uncounted.map(|message| LossCaution {
        kind: LossCautionKind::NotCountedYet,
        message,
    }));
    if !read.has_sheet {
        return over_all(args, &read);
    }
    let loss = read.loss()?;
    let manual: BTreeMap<String, ManualRange> = (read.season.manual.iter())
        .map(|(name, &(least, most))| (name.clone(), ManualRange { least, most }))
        .collect();
    let next = next(&loss, &manual);
    if args.json {
        super::print_line(loss_json(&loss, next.as_ref()).trim_end())?;
        return Ok(Outcome::Good);
    }
    let out = write(args, &read, &loss, next.as_ref())?;
    super::print_line(loss_text(&loss.all, read.unit).trim_end())?;
    if let Some(next) = &next {
        super::print_line(next_text(next, &loss.all, read.unit).trim_end())?;
    }
    super::print_line(&format!("Written: {}", out.join("loss.html").display()))?;
    Ok(Outcome::Good)
}

/// Tells the loss over all frames, where no sheet says which is which.
fn over_all(args: &Args, read: &SeasonRead) -> anyhow::Result<Outcome> {
    let mut loss = loss_over(&read.frames.frames, &read.assumptions).map_err(usage)?;
    (loss.cautions).splice(0..0, read.frames.cautions.iter().cloned());
    if args.json {
        super::print_line(&serde_json::to_string_pretty(&loss)?)?;
    } else {
        super::print_line(loss_over_text(&loss).trim_end())?;
        super::print_line(&super::shown(&format!(
            "No sheet.csv: loss by source needs to know where each frame was laid. {} writes one.",
            args.folder.command("sheet")
        )))?;
    }
    Ok(Outcome::Good)
}

/// Writes the page and the files for scripts; gives their folder.
fn write(
    args: &Args,
    read: &SeasonRead,
    loss: &SeasonLoss,
    next: Option<&Next>,
) -> anyhow::Result<PathBuf> {
    let settled = settle(&read.frames.frames, &read.assumptions);
    let page = loss_html(&LossPage {
        season: loss,
        frames: &settled.frames,
        next,
        contrasts: &contrasts(read, loss),
        unit: read.unit,
        title: &read.title,
    })?;
    let out = args.out.clone().unwrap_or_else(|| read.out.clone());
    std::fs::create_dir_all(&out).map_err(BatchError::writing(&out))?;
    let files = [
        ("loss.html", page),
        ("loss.json", loss_json(loss, next)),
        ("loss.csv", loss_csv(loss)),
        ("checks.geojson", checks_geojson(loss)),
    ];
    for (name, text) in files {
        let path = out.join(name);
        files::write_whole(&path, text.as_bytes()).map_err(BatchError::writing(&path))?;
    }
    Ok(out)
}

/// Every setting against the one before it, in the order in which they were first in force.
fn contrasts(read: &SeasonRead, loss: &SeasonLoss) -> Vec<Contrast> {
    let settings = settings_of(&read.frames.frames);
    (settings.windows(2))
        .filter_map(|two| contrast(&read.frames.frames, loss, &two[0], &two[1]).ok())
        .collect()
}

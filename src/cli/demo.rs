//! `podfall demo`: the whole way on the photos that come with it.

use std::path::{Path, PathBuf};

use podfall::{batch, season};

use super::{
    EXIT_CODES, Outcome, Usage, assumptions::AssumptionArgs, count, loss, print_line,
    season_files::FolderArgs, summary,
};

/// Name of the folder of photos that come with podfall.
const FOLDER: &str = "demo-images";

/// Go the whole way on the photos that come with podfall, and say where to look.
///
/// The photos are drawn by `podfall stage`, so their true numbers are known. Nothing is written into
/// their folder.
#[derive(Debug, clap::Args)]
#[command(after_help = format!("\
Examples:
  podfall demo
  podfall demo --out look-here

{EXIT_CODES}"))]
pub struct Args {
    /// Season folder to show instead of the one that comes with podfall
    #[arg(long, value_name = "DIR")]
    from: Option<PathBuf>,
    /// Folder for the results
    #[arg(long, value_name = "DIR", default_value = "demo-out")]
    out: PathBuf,
    /// Photos counted at the same time [default: one a core]
    #[arg(long, value_name = "N")]
    jobs: Option<std::num::NonZeroUsize>,
}

/// Counts the demo's photos and tells what came out.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let from = folder(args.from.as_deref())?;
    print_line(&format!("Counting the photos in {} ...\n", from.display()))?;
    let counted = count::count(&count::Args {
        paths: vec![from.clone()],
        out: Some(args.out.clone()),
        jobs: args.jobs,
        ..count::Args::default()
    })?;
    let photos = &counted.counts.photos;
    print_line(summary::text(photos, &counted.layout).trim_end())?;
    print_line("\nLoss by source, from these counts and the season's sheet.csv:\n")?;
    loss::run(&loss::Args {
        folder: FolderArgs {
            folder: from.clone(),
            counts: Some(counted.layout.counts_json()),
            sheet: None,
        },
        assumptions: AssumptionArgs::default(),
        out: Some(args.out.clone()),
        json: false,
    })?;
    print_line(where_to_look(&args.out, &from).trim_end())?;
    Ok(summary::outcome(photos))
}

/// What to open, in the order in which it is worth it.
fn where_to_look(out: &Path, from: &Path) -> String {
    let place = |name: &str| out.join(name).display().to_string();
    format!(
        "\nLook here, in this order:\n  {:<28} the answer, by source, and what to do next\n  {:<28} how sure each photo is, and what to check by hand\n  {:<28} every photo with its marks\nTrue numbers, to compare with: {}\n",
        place("loss.html"),
        place("report.html"),
        place("annotated"),
        from.join("truth").display(),
    )
}

/// The folder given, or the one beside the current folder, or the one of the source tree.
fn folder(given: Option<&Path>) -> anyhow::Result<PathBuf> {
    if let Some(given) = given {
        return Ok(given.to_owned());
    }
    let here = PathBuf::from(FOLDER);
    let of_the_source = Path::new(env!("CARGO_MANIFEST_DIR")).join(FOLDER);
    [here, of_the_source]
        .into_iter()
        .find(|folder| batch::season_root(folder).is_some())
        .ok_or_else(|| {
            Usage(format!(
                "no {FOLDER}/ with a {} in it here or where podfall was built; give a season folder with --from",
                season::FILE
            ))
            .into()
        })
}

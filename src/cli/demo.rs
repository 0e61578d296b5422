//! `podfall demo`: the whole way on the photos that come with it.

use std::path::{Path, PathBuf};

use podfall::{batch, season};

use super::{EXIT_CODES, Outcome, Usage, count, summary};

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
    println!("Counting the photos in {} ...\n", from.display());
    let counted = count::count(&count::Args {
        paths: vec![from],
        frame: None,
        bar_height: None,
        corners: None,
        out: Some(args.out.clone()),
        jobs: args.jobs,
        json: false,
        model: None,
        again: false,
        no_pictures: false,
    })?;
    let photos = &counted.counts.photos;
    print!("{}", summary::text(photos, &counted.layout));
    Ok(summary::outcome(photos))
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

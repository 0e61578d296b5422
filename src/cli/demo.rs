//! `podfall demo`: the whole way on the photos that come with it.

use std::{
    fmt::Write as _,
    path::{Path, PathBuf},
};

use podfall::{
    batch,
    counts::{Limits, PhotoCount},
    season,
    stage::Truth,
};

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
    print_line(beside_truth(photos, &from.join("truth")).trim_end())?;
    print_line(where_to_look(&args.out).trim_end())?;
    Ok(summary::outcome(photos))
}

/// Share of a bean or pod that must be seen for a photo to be able to tell it.
const LEAST_SEEN: f64 = 0.3;

/// Each photo's counts beside its true numbers; nothing where these are not known.
fn beside_truth(photos: &[PhotoCount], folder: &Path) -> String {
    let mut text = String::new();
    for photo in photos {
        let file = folder.join(Path::new(&photo.photo).with_extension("json"));
        let truth = std::fs::read(file).ok();
        let truth = truth.and_then(|bytes| serde_json::from_slice::<Truth>(&bytes).ok());
        let (Some(truth), Some(counts)) = (truth, &photo.counts) else {
            continue;
        };
        let seen = |inside: bool, visible: f64| inside && visible >= LEAST_SEEN;
        let beans = truth.beans.iter().filter(|b| seen(b.inside, b.visible));
        let pods = truth.pods.iter().filter(|p| seen(p.inside, p.visible));
        let Limits {
            estimate,
            low,
            high,
        } = counts.beans;
        let _ = writeln!(
            text,
            "  {:<26} {:>5} {:>8} {:<14} {:>5} {:>8}",
            photo.photo,
            beans.count(),
            format!("{estimate:.0}"),
            format!("({low:.0} to {high:.0})"),
            pods.count(),
            format!("{:.0}", counts.pods.estimate),
        );
    }
    if text.is_empty() {
        return text;
    }
    format!(
        "\nThese photos are drawn, so their true numbers are known (three tenths and more of each visible):\n\n  {:<26} {:>5} {:>8} {:<14} {:>5} {:>8}\n{text}",
        "", "beans", "counted", "(limits)", "pods", "counted"
    )
}

/// What to open, in the order in which it is worth it.
fn where_to_look(out: &Path) -> String {
    let place = |name: &str| out.join(name).display().to_string();
    format!(
        "\nLook here, in this order:\n  {:<28} the answer, by source, and what to do next\n  {:<28} how sure each photo is, and what to check by hand\n  {:<28} every photo with its marks\n",
        place("loss.html"),
        place("report.html"),
        place("annotated"),
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

#[cfg(test)]
mod tests {
    use podfall::{
        counts::Counts,
        frame::FrameSettings,
        pipeline::{Settings, failed},
    };

    use super::*;

    #[test]
    fn each_photo_stands_beside_its_true_numbers() {
        let folder =
            Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/forty-beans-some-touching");
        let settings = Settings::new(FrameSettings::new("12x12in".parse().unwrap()));
        let mut photo = failed("truth.jpg", &settings, String::new());
        assert_eq!(
            beside_truth(&[photo.clone()], &folder),
            "",
            "it has no count"
        );
        let amount = |estimate| Limits {
            estimate,
            low: estimate - 2.0,
            high: estimate + 3.0,
        };
        photo.counts = Some(Counts {
            beans: amount(38.4),
            split_beans: amount(2.0),
            pods: amount(2.0),
            beans_in_pods: amount(5.0),
        });
        let told = beside_truth(&[photo.clone()], &folder);
        let row = told.lines().last().unwrap();
        let words: Vec<&str> = row.split_whitespace().collect();
        // Forty beans lie in that frame, and no pod.
        assert_eq!(
            words,
            ["truth.jpg", "40", "38", "(36", "to", "41)", "0", "2"],
            "{told}"
        );
        photo.photo = "nothing-known.jpg".to_owned();
        assert_eq!(beside_truth(&[photo], &folder), "");
    }
}

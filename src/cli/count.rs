//! `podfall count`: photos to counts, annotated pictures and the confidence report.

use std::{io, num::NonZeroUsize, path::PathBuf};

use podfall::{
    batch::{self, Gathered, Layout, Orders, Stages},
    counts::{CountsFile, PhotoCount, SCHEMA},
    frame::FrameSpec,
    geometry::Point,
    model::Model,
    pipeline::Settings,
    present,
    units::length_mm,
};

use super::{
    EXIT_CODES, Outcome, part,
    progress::Progress,
    setup::{Setup, jobs, key, memory},
    shown, summary,
};

/// Count the beans and pods inside the frame on each photo.
///
/// Give photos, folders of photos, or a season folder (one with a podfall.toml, which then says
/// what the frame is; its photos lie in photos/). Photos are only read. What was found, with
/// its limits and doubts, goes to counts.json, counts.csv, report.html and annotated/.
///
/// A run that was stopped goes on where it was when the same command is given again.
#[derive(Debug, Default, clap::Args)]
#[command(after_help = format!("\
Examples:
  podfall count photos --frame 12x12in
  podfall count photos --frame ring:24in --out results
  podfall count season --jobs 2                       frame from season/podfall.toml
  podfall count plot7.jpg --frame 50x25cm --corners 812,640,2210,655,2198,2050,801,2031
  podfall count photos --frame 12x12in --json > counts.jsonl

With --part the exit code is 0 when every photo has its line, whatever came of it: the line says that.

Results, in OUT: counts.json, counts.csv, report.html, annotated/; work/ keeps finished photos.

{EXIT_CODES}"))]
pub struct Args {
    /// Photos, folders of photos, or a season folder
    #[arg(required = true, value_name = "PATH")]
    pub paths: Vec<PathBuf>,
    /// Inside size of the frame: 12x12in, 50x25cm, 1x0.25m, or ring:24in for a ring's inside diameter
    #[arg(long, value_name = "SIZE")]
    pub frame: Option<FrameSpec>,
    /// Height of the bar's inner edge, as seen from above, over the ground, as 13mm or 0.5in: a lath's top, half a round pipe's thickness
    #[arg(long, value_name = "LENGTH", value_parser = length_mm)]
    pub bar_height: Option<f64>,
    /// The four inner corners by hand, in order round the frame, pixels of the upright photo (one photo only); of a ring the ends of two diameters of its inner edge, at right angles
    #[arg(long, value_name = "X,Y,X,Y,X,Y,X,Y", value_parser = corners, allow_hyphen_values = true)]
    pub corners: Option<Corners>,
    /// Folder for the results [default: out/ in the season folder or beside the photos]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Photos counted at the same time; memory grows with it [default: one a core]
    #[arg(long, value_name = "N")]
    pub jobs: Option<NonZeroUsize>,
    /// Memory for all photos being counted, as 700MB or 2GB: fewer large ones at once [default: half of what is free]
    #[arg(long, value_name = "SIZE", value_parser = memory_size)]
    pub memory: Option<u64>,
    /// Print one line of JSON a photo instead of the table
    #[arg(long)]
    pub json: bool,
    /// Print one line of JSON a photo for podfall gather and write no file: for many machines, see DEVELOPERS.md
    #[arg(long, conflicts_with_all = ["out", "json", "again", "no_pictures"])]
    pub part: bool,
    /// A model file to score with instead of the one built in; its card lies beside it as .toml
    #[arg(long, value_name = "FILE")]
    pub model: Option<PathBuf>,
    /// Count everything again, also what is finished
    #[arg(long)]
    pub again: bool,
    /// Draw no annotated pictures
    #[arg(long)]
    pub no_pictures: bool,
}

/// Four corners as given with `--corners`.
pub type Corners = [Point; 4];

/// Reads `x,y,x,y,x,y,x,y`.
fn corners(text: &str) -> Result<Corners, String> {
    let numbers: Vec<f64> = text
        .split(',')
        .map(|part| part.trim().parse::<f64>().ok().filter(|n| n.is_finite()))
        .collect::<Option<_>>()
        .ok_or("write eight numbers with commas between, as 10,10,90,10,90,90,10,90")?;
    match *numbers {
        [a, b, c, d, e, f, g, h] => {
            Ok([(a, b), (c, d), (e, f), (g, h)].map(|(x, y)| Point::new(x, y)))
        }
        _ => Err(format!(
            "{} numbers, needs eight: x and y of four corners",
            numbers.len()
        )),
    }
}

/// Reads `700MB` or `2GB`.
fn memory_size(text: &str) -> Result<u64, String> {
    let upper = text.trim().to_ascii_uppercase();
    let (number, unit) = match (upper.strip_suffix("MB"), upper.strip_suffix("GB")) {
        (Some(number), _) => (number, 1e6),
        (_, Some(number)) => (number, 1e9),
        _ => return Err("write a number and MB or GB, as 700MB or 2GB".to_owned()),
    };
    match number.trim().parse::<f64>() {
        Ok(n) if n > 0.0 && n * unit < 1e15 => Ok((n * unit) as u64),
        _ => Err("write a number above 0 and MB or GB, as 700MB or 2GB".to_owned()),
    }
}

/// A finished count.
pub struct Finished {
    /// What stands in `counts.json`.
    pub counts: CountsFile,
    /// Where the results are.
    pub layout: Layout,
}

/// Counts, then prints the table or the JSON lines.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    if args.part {
        let setup = Setup::new(args)?;
        return part::print_parts(
            &setup.found,
            &setup.settings,
            &setup.model,
            (args.jobs, args.memory),
        );
    }
    let done = count(args)?;
    let photos = &done.counts.photos;
    if args.json {
        for photo in photos {
            print_line(&serde_json::to_string(photo)?)?;
        }
    } else {
        print_line(summary::text(photos, &done.layout).trim_end())?;
    }
    Ok(summary::outcome(photos))
}

/// Prints; a reader that went away early (`| head`) is no fault.
fn print_line(text: &str) -> io::Result<()> {
    use std::io::Write;
    match writeln!(io::stdout(), "{text}") {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}

/// Counts everything and writes the results.
pub fn count(args: &Args) -> anyhow::Result<Finished> {
    let Setup {
        found,
        settings,
        model,
        layout,
    } = Setup::new(args)?;
    for left in &found.left_out {
        tell!(
            "left out {}: {}",
            shown(&left.path.display().to_string()),
            left.why
        );
    }
    let orders = Orders {
        layout: layout.clone(),
        jobs: jobs(args.jobs),
        memory_bytes: memory(args.memory),
        again: args.again,
        pictures: !args.no_pictures,
        key: key(&settings, &model),
        drawing_key: settings.drawing_key(found.photos.len()),
    };
    let photos = counted(&found, &orders, &settings, &model)?;
    let counts = CountsFile {
        schema: SCHEMA,
        podfall: env!("CARGO_PKG_VERSION").to_owned(),
        model: model.name(),
        photos,
    };
    batch::keep_model_path(&layout, args.model.as_deref())?;
    batch::write_counts(&layout, &counts)?;
    let pictures = |name: &str| {
        let count = counts.photos.iter().find(|count| count.photo == name)?;
        batch::report_pictures(&layout, count)
    };
    let html = present::report(&counts, &settings, &pictures)?;
    batch::write_report(&layout, &html)?;
    Ok(Finished { counts, layout })
}

fn counted(
    found: &Gathered,
    orders: &Orders,
    settings: &Settings,
    model: &Model,
) -> anyhow::Result<Vec<PhotoCount>> {
    let progress = Progress::new(found.photos.len());
    let result = batch::run(
        &found.photos,
        orders,
        &Stages::new(settings, model),
        &|step| progress.step(step),
    );
    progress.finish();
    Ok(result?)
}

//! `podfall confirm`: the local page on which a person puts the counts right.

use std::{
    path::{Path, PathBuf},
    process::{Command, Stdio},
};

use jiff::{Timestamp, tz::TimeZone};
use podfall::{
    batch::{self, Layout},
    confirm::{self, Inputs, Session},
};

use super::{
    Outcome, Usage,
    assumptions::AssumptionArgs,
    season_files::{FolderArgs, folder_of, title_of},
    usage,
};

/// Put the counts right by hand, on a page in your browser: the photos that move the answer most come first.
///
/// The page is served by this program to this machine alone; nothing goes over the network. Whatever you say is
/// written at once to marks.journal beside counts.json, and `loss` goes by it. counts.json, the sheet and the photos are
/// not changed. End it with Ctrl-C; the next run goes on where you were.
#[derive(clap::Args, Debug)]
#[command(after_help = "\
Examples:
  podfall confirm north-field
  podfall confirm north-field --who \"A. Miller\" --within 15
  podfall confirm north-field --no-open --port 7400      print the address only")]
pub struct Args {
    #[command(flatten)]
    pub folder: FolderArgs,
    #[command(flatten)]
    pub assumptions: AssumptionArgs,
    /// Folder with the photos [default: where podfall count found them]
    #[arg(long, value_name = "DIR")]
    pub photos: Option<PathBuf>,
    /// The model file that the photos were counted with, where podfall does not know of it any more
    #[arg(long, value_name = "FILE")]
    pub model: Option<PathBuf>,
    /// Name that stands with every mark [default: the name you are logged in by]
    #[arg(long, value_name = "NAME")]
    pub who: Option<String>,
    /// Half-width of the limits at which the page says that it is enough, percent of the answer
    #[arg(long, value_name = "PERCENT", default_value_t = 20.0, value_parser = percent)]
    pub within: f64,
    /// Port to listen at; another one where it is taken
    #[arg(long, value_name = "PORT", default_value_t = 7383, value_parser = clap::value_parser!(u16).range(1024..))]
    pub port: u16,
    /// Do not open the browser
    #[arg(long)]
    pub no_open: bool,
}

fn percent(text: &str) -> Result<f64, String> {
    let value = text.trim().trim_end_matches('%').trim().parse::<f64>();
    value
        .ok()
        .filter(|v| (0.1..=1_000.0).contains(v))
        .ok_or_else(|| "a percentage from 0.1 to 1000, as 15".to_owned())
}

/// Serves the page until it is ended.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let session = Session::open(inputs(args)?).map_err(usage)?;
    for line in session.opening_words() {
        tell!("{}", super::shown(&line));
    }
    let served = confirm::bind(args.port)?;
    let address = served.address();
    super::print_line(&format!("Open in a browser on this machine: {address}"))?;
    super::print_line("What you say is kept at once. Ctrl-C ends it.")?;
    let begun = || {
        if !args.no_open {
            open(&address);
        }
    };
    confirm::serve(served, session, now, begun)?;
    Ok(Outcome::Good)
}

/// The time with the offset from UTC that is in force here, RFC 3339.
fn now() -> String {
    let now = Timestamp::now();
    let offset = TimeZone::system().to_offset(now);
    now.display_with_offset(offset).to_string()
}

fn inputs(args: &Args) -> anyhow::Result<Inputs> {
    let counts = args.folder.counts_path()?;
    if let Some(model) = &args.model {
        keep_model(model, &args.folder)?;
    }
    let season = args.folder.read_season()?;
    let photos = args.folder.photo_paths(args.photos.as_deref())?;
    Ok(Inputs {
        sheet: args.folder.sheet_path(),
        photos,
        assumptions: args.assumptions.over(&season)?,
        model: args.model.clone(),
        bar_height_mm: season.bar_height_mm,
        title: title_of(&args.folder.home()),
        who: who(args.who.as_deref()),
        wished_pct: args.within,
        counts,
    })
}

/// Keeps in mind a model file that is named here, if it is the one that the photos were counted with.
fn keep_model(model: &Path, folder: &FolderArgs) -> anyhow::Result<()> {
    let (counts, path) = folder.read_counts()?;
    let found = batch::read_model(model).map_err(usage)?.name().sha256;
    if found != counts.model.sha256 {
        return Err(Usage(format!(
            "{}: its SHA-256 is {found}, but the photos were counted with {} ({}); name that file, or count again with this one",
            model.display(),
            counts.model.sha256,
            counts.model.name,
        ))
        .into());
    }
    let layout = Layout {
        out: folder_of(&path),
    };
    Ok(batch::keep_model_path(&layout, Some(model))?)
}

fn who(given: Option<&str>) -> String {
    let logged_in = || {
        ["USER", "USERNAME", "LOGNAME"]
            .iter()
            .find_map(|name| std::env::var(name).ok())
    };
    let name = given
        .map(str::to_owned)
        .or_else(logged_in)
        .unwrap_or_default();
    let name = name.trim();
    if name.is_empty() {
        "somebody".to_owned()
    } else {
        name.chars().take(200).collect()
    }
}

/// Opens the address with what the system has for that. Where it has nothing, the address was printed.
fn open(address: &str) {
    let (program, before): (&str, &[&str]) = if cfg!(target_os = "macos") {
        ("open", &[])
    } else if cfg!(windows) {
        ("rundll32", &["url.dll,FileProtocolHandler"])
    } else {
        ("xdg-open", &[])
    };
    let _ = Command::new(program)
        .args(before)
        .arg(address)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
}

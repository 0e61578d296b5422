//! `podfall season`: begins a season folder.

use std::{fs, path::PathBuf};

use anyhow::Context;
use podfall::{
    files,
    frame::FrameSpec,
    season::{self, PHOTOS},
};

use super::{Outcome, Usage, hint, print_line, shown};

/// Begin a season folder: a podfall.toml that says once what the frame, the crop and the machine are.
///
/// Makes the folder where there is none, with photos/ in it and a podfall.toml in which every key
/// is explained. What is there already is left as it is.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Example:
  podfall season north-field --frame 12x12in
Then copy the photos into north-field/photos and run: podfall count north-field")]
pub struct Args {
    /// The folder
    #[arg(value_name = "DIR")]
    folder: PathBuf,
    /// Inside size of the frame: 12x12in, 50x25cm, or ring:24in for a ring's inside diameter
    #[arg(long, value_name = "SIZE")]
    frame: FrameSpec,
}

/// Writes the folder.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let path = args.folder.join(season::FILE);
    if !files::is_absent(&path) {
        let text = format!("{} is there already; change it by hand", path.display());
        return Err(Usage(text).into());
    }
    let photos = args.folder.join(PHOTOS);
    fs::create_dir_all(&photos).with_context(|| photos.display().to_string())?;
    files::write_whole(&path, season::commented(args.frame).as_bytes())
        .with_context(|| path.display().to_string())?;
    print_line(&shown(&format!("Written: {}", path.display())))?;
    print_line(&shown(&format!(
        "Copy the photos into {}, then run: {}",
        photos.display(),
        hint::podfall("count", &args.folder)
    )))?;
    Ok(Outcome::Good)
}

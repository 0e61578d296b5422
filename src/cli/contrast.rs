//! `podfall contrast`: setting against setting, and photo against hand.

use anyhow::Context;
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};
use podfall::{
    batch::{Layout, annotated_name, report_pictures},
    contrast::{Contrast, PhotoAgainstHand, contrast, photo_against_hand, settings_of},
    files,
    loss::same_name,
    plan::TOO_FEW,
    report::hand::{HandPage, PhotoPicture, hand_html},
    season::Told,
};

use super::{
    Outcome, Usage,
    assumptions::AssumptionArgs,
    season_files::{FolderArgs, SeasonRead},
    usage,
};

/// Set two settings against each other by source: how different, how sure, what may be said.
///
/// Also before and after, two machines, two headers: whatever stands in the setting column. Checks
/// with the same word in the pair column are used as pairs. With --hand: photo against hand counts, and a page, hand.html,
/// with the pictures of the frames that disagree.
#[derive(clap::Args, Debug)]
#[command(after_help = "\
Examples:
  podfall contrast north-field
  podfall contrast north-field --before \"reel fast\" --after \"reel slow\"
  podfall contrast north-field --hand")]
pub struct Args {
    #[command(flatten)]
    pub folder: FolderArgs,
    #[command(flatten)]
    pub assumptions: AssumptionArgs,
    /// First setting [default: the only other one]
    #[arg(long, value_name = "SETTING")]
    pub before: Option<String>,
    /// Second setting
    #[arg(long, value_name = "SETTING")]
    pub after: Option<String>,
    /// Set photo counts against hand counts instead
    #[arg(long)]
    pub hand: bool,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Sets them against each other.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let read = args.folder.read(&args.assumptions)?;
    if args.hand {
        let found = photo_against_hand(&read.frames.frames).map_err(usage)?;
        if args.json {
            super::print_line(&serde_json::to_string_pretty(&found)?)?;
            return Ok(Outcome::Good);
        }
        super::print_line(hand_text(&found).trim_end())?;
        write_hand_page(args, &read, &found)?;
        return Ok(Outcome::Good);
    }
    let loss = read.loss()?;
    let settings = settings_of(&read.frames.frames);
    let (first, second) = two_settings(&args.before, &args.after, &settings)?;
    let found = contrast(&read.frames.frames, &loss, &first, &second).map_err(usage)?;
    let text = if args.json {
        serde_json::to_string_pretty(&found)?
    } else {
        text_of(&found, Told::new(read.unit, &read.assumptions))
    };
    super::print_line(text.trim_end())?;
    Ok(Outcome::Good)
}

/// The settings to compare: those named, or the two that there are.
pub(super) fn two_settings(
    before: &Option<String>,
    after: &Option<String>,
    settings: &[String],
) -> Result<(String, String), Usage> {
    match (before, after, settings) {
        (Some(first), Some(second), _) => Ok((first.clone(), second.clone())),
        (None, None, [first, second]) => Ok((first.clone(), second.clone())),
        (Some(one), None, [a, b]) if same_name(one, a) => Ok((a.clone(), b.clone())),
        (Some(one), None, [a, b]) if same_name(one, b) => Ok((b.clone(), a.clone())),
        _ => Err(Usage(format!(
            "name two settings with --before and --after; the sheet has: {}",
            settings.join(", ")
        ))),
    }
}

/// A file's name as a part of an address: `#`, `%` and the like would end or change it.
fn address(name: &str) -> String {
    const PLAIN: &AsciiSet = &NON_ALPHANUMERIC.remove(b'.').remove(b'-').remove(b'_');
    utf8_percent_encode(name, PLAIN).to_string()
}

/// Writes the page beside the counts, with the pictures that `count` drew.
fn write_hand_page(args: &Args, read: &SeasonRead, found: &PhotoAgainstHand) -> anyhow::Result<()> {
    let (counts, _) = args.folder.read_counts()?;
    let layout = Layout {
        out: read.out.clone(),
    };
    let picture = |photo: &str| {
        let count = counts.photos.iter().find(|count| count.photo == photo)?;
        let link = layout.annotated(photo).is_file();
        Some(PhotoPicture {
            small_jpeg: report_pictures(&layout, count).map_or_else(Vec::new, |p| p.small_jpeg),
            link: link.then(|| format!("annotated/{}", address(&annotated_name(photo)))),
        })
    };
    let page = HandPage {
        found,
        title: &read.title,
        picture: &picture,
    };
    let path = read.out.join("hand.html");
    files::write_whole(&path, hand_html(&page)?.as_bytes())
        .with_context(|| path.display().to_string())?;
    super::print_line(&format!("Written: {}", path.display())).map_err(Into::into)
}

fn text_of(found: &Contrast, told: Told) -> String {
    let mut text = format!("{} → {}", found.first, found.second);
    if found.pairs > 0 {
        text.push_str(&format!(" ({} pairs of checks)", found.pairs));
    }
    text.push_str(&format!(
        "\n{:<24}{:>8}{:>8}{:>32}{:>7}\n",
        "",
        "from",
        "to",
        format!("change, {} (95 % limits)", told.name()),
        "p"
    ));
    for source in &found.sources {
        let change = source.change_bu_per_ac;
        let limits = if found.too_wide(&change) {
            TOO_FEW.to_owned()
        } else {
            format!(
                "{} to {}",
                told.signed(change.low),
                told.signed(change.high)
            )
        };
        text.push_str(&format!(
            "{:<24}{:>8}{:>8}{:>32}{:>7.3}  {}\n",
            source.source.title(),
            told.number(source.first_bu_per_ac.estimate),
            told.number(source.second_bu_per_ac.estimate),
            format!("{} ({limits})", told.signed(change.estimate)),
            source.p,
            source.verdict.words()
        ));
    }
    // The whole, or as much of it as both know: the last that is no part.
    if let Some(whole) = found.sources.iter().rfind(|s| !s.source.is_part()) {
        text.push_str(&format!("{}\n", found.says(whole, told)));
    }
    for warning in &found.warnings {
        text.push_str(&format!("caution: {warning}\n"));
    }
    text
}

fn hand_text(found: &PhotoAgainstHand) -> String {
    let mut text = format!("{}\n", found.says);
    if let Some(c) = found.concordance {
        text.push_str(&format!(
            "Concordance {:.3} (95 % limits {:.3} to {:.3})\n",
            c.estimate, c.low, c.high
        ));
    }
    for frame in found.frames.iter().filter(|f| f.disagrees) {
        text.push_str(&format!(
            "  disagrees: {}: photo {:.1} ({:.1} to {:.1}), hand {:.0}\n",
            super::shown(&frame.photo),
            frame.by_photo.estimate,
            frame.by_photo.low,
            frame.by_photo.high,
            frame.by_hand
        ));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::address;

    #[test]
    fn a_name_with_a_fence_or_a_turn_is_found_again() {
        assert_eq!(address("IMG_1-a.jpg"), "IMG_1-a.jpg");
        assert_eq!(address("a #1%?.jpg"), "a%20%231%25%3F.jpg");
        assert_eq!(address("\u{202e}é.jpg"), "%E2%80%AE%C3%A9.jpg");
    }
}

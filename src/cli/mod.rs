//! Arguments and glue, one file a subcommand.

use std::{error::Error, fmt, num::ParseFloatError, process::ExitCode};

use clap::{
    Parser, Subcommand,
    error::{ContextKind, ContextValue, ErrorKind},
};
use podfall::text::turns_letters;

/// A line to stderr. Where nobody reads any more (`2>&1 | head`, a terminal that was closed) the work goes on without.
macro_rules! tell {
    ($($text:tt)*) => {{
        use std::io::Write;
        let _ = writeln!(std::io::stderr(), $($text)*);
    }};
}

mod assumptions;
mod confirm;
mod contrast;
mod count;
mod demo;
mod fit;
mod hint;
mod loss;
mod part;
mod payback;
mod plan;
mod progress;
mod ready;
mod record;
mod redraw;
mod season;
mod season_files;
mod setup;
mod sheet;
mod shell;
mod stage;
mod summary;
mod uncounted;
mod verify;

/// Exit code for a command line that cannot be followed; also what clap gives.
pub const USAGE: u8 = 2;

const EXIT_CODES: &str = "\
Exit codes, the worst of all photos:
  0  every photo was counted
  3  counted, but a person must confirm some of it
  1  a photo could not be counted, or the run failed
  2  the command line, podfall.toml or a path could not be followed; nothing was counted";

/// Counts the soybeans and pods that harvest leaves on the ground, from phone photos of a frame
/// laid on it, and tells the loss per acre with honest limits.
#[derive(Debug, Parser)]
#[command(
    version,
    propagate_version = true,
    arg_required_else_help = true,
    after_help = "\
First time here?
  podfall demo                               the whole way, on photos that come with it
  podfall count FOLDER --frame 12x12in       your own photos
Podfall documents a loss. It never says whether a loss is covered, and it is no appraisal.
Lay frames only with the engine off and the key in your pocket; local rules and the machine's
manual go first."
)]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Count(count::Args),
    Ready(ready::Args),
    Gather(part::Args),
    Confirm(confirm::Args),
    Redraw(redraw::Args),
    Season(season::Args),
    Stage(stage::Args),
    Sheet(sheet::Args),
    Loss(loss::Args),
    Contrast(contrast::Args),
    Plan(plan::Args),
    Payback(payback::Args),
    Record(record::Args),
    Verify(verify::Args),
    Demo(demo::Args),
    Completions(shell::CompletionsArgs),
    Man(shell::ManArgs),
    Fit(fit::Args),
}

/// How a run came out, by rising weight.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// All well.
    Good,
    /// Counted, but a person must confirm.
    Confirm,
    /// A photo was not counted.
    Failed,
}

impl From<Outcome> for ExitCode {
    fn from(outcome: Outcome) -> Self {
        Self::from(match outcome {
            Outcome::Good => 0,
            Outcome::Failed => 1,
            Outcome::Confirm => 3,
        })
    }
}

/// The command line, or what is wrong with it.
pub fn parse() -> Cli {
    Cli::try_parse().unwrap_or_else(|error| number_told(error).exit())
}

/// Where a number could not be read, how one is written.
fn number_told(error: clap::Error) -> clap::Error {
    let is_number = (error.source()).is_some_and(|cause| cause.is::<ParseFloatError>());
    let said = |kind| match error.get(kind) {
        Some(ContextValue::String(text)) => Some(text),
        _ => None,
    };
    match (
        said(ContextKind::InvalidValue),
        said(ContextKind::InvalidArg),
    ) {
        (Some(value), Some(option)) if is_number => clap::Error::raw(
            ErrorKind::ValueValidation,
            format!(
                "invalid value '{}' for '{option}': write the number without commas or signs, as 18000 or 10.40\n",
                shown(value)
            ),
        ),
        _ => error,
    }
}

/// Runs the command that was given.
pub fn run(cli: &Cli) -> anyhow::Result<Outcome> {
    match &cli.command {
        Command::Count(args) => count::run(args),
        Command::Ready(args) => ready::run(args),
        Command::Gather(args) => part::run(args),
        Command::Confirm(args) => confirm::run(args),
        Command::Redraw(args) => redraw::run(args),
        Command::Season(args) => season::run(args),
        Command::Stage(args) => stage::run(args).map(|()| Outcome::Good),
        Command::Sheet(args) => sheet::run(args),
        Command::Loss(args) => loss::run(args),
        Command::Contrast(args) => contrast::run(args),
        Command::Plan(args) => plan::run(args),
        Command::Payback(args) => payback::run(args),
        Command::Record(args) => record::run(args),
        Command::Verify(args) => verify::run(args),
        Command::Demo(args) => demo::run(args),
        Command::Completions(args) => shell::completions(args),
        Command::Man(args) => shell::man(args),
        Command::Fit(args) => fit::run(args).map(|()| Outcome::Good),
    }
}

/// What was asked for cannot be followed: told before anything is done, with exit code 2.
#[derive(Debug)]
pub struct Usage(pub String);

impl fmt::Display for Usage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl Error for Usage {}

/// A usage error out of any error, with its causes.
pub fn usage(error: impl Into<anyhow::Error>) -> anyhow::Error {
    Usage(format!("{:#}", error.into())).into()
}

/// Text as it can be shown on a terminal: a name may hold a line break, a control sequence, or a character that turns the
/// order of the letters about it.
pub fn shown(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() || turns_letters(c) {
            out.extend(c.escape_default());
        } else {
            out.push(c);
        }
    }
    out
}

/// Prints; a reader that went away early (`| head`) is no fault.
pub fn print_line(text: &str) -> std::io::Result<()> {
    use std::io::Write;
    match writeln!(std::io::stdout(), "{text}") {
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::shown;

    #[test]
    fn what_would_turn_a_terminal_is_shown_by_number() {
        for c in [
            "61c", "200e", "200f", "202a", "202b", "202c", "202d", "202e", "2066", "2067", "2068",
            "2069",
        ] {
            let turns = char::from_u32(u32::from_str_radix(c, 16).unwrap()).unwrap();
            assert_eq!(shown(&format!("a{turns}b")), format!("a\\u{{{c}}}b"));
        }
        assert_eq!(shown("a\nb\u{1b}[31m"), "a\\nb\\u{1b}[31m");
        // Right-to-left script by itself is left as it is.
        assert_eq!(shown("سویا שדה 大豆 é.jpg"), "سویا שדה 大豆 é.jpg");
    }
}

//! `podfall completions` and `podfall man`: for the shell and the manual, made from the commands themselves.

use std::{
    fs,
    io::{self, Write},
    path::{Path, PathBuf},
};

use anyhow::Context;
use clap::CommandFactory;
use clap_complete::Shell;
use podfall::files;

use super::{Cli, Outcome, print_line};

/// Print completions for a shell: then the Tab key knows the commands and options.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  podfall completions bash > ~/.local/share/bash-completion/completions/podfall
  podfall completions zsh  > ~/.zfunc/_podfall            with fpath+=~/.zfunc in ~/.zshrc
  podfall completions fish > ~/.config/fish/completions/podfall.fish")]
pub struct CompletionsArgs {
    /// The shell
    #[arg(value_name = "SHELL")]
    shell: Shell,
}

/// Print the manual page, or write one page a command into a folder.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  podfall man | man -l -
  podfall man --out ~/.local/share/man/man1")]
pub struct ManArgs {
    /// Folder for podfall.1 and a page for each command
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

/// Prints completions.
pub fn completions(args: &CompletionsArgs) -> anyhow::Result<Outcome> {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "podfall", &mut text);
    print_all(&text)?;
    Ok(Outcome::Good)
}

/// Prints or writes the manual.
pub fn man(args: &ManArgs) -> anyhow::Result<Outcome> {
    // There is no page for help.
    let mut command = Cli::command().disable_help_subcommand(true);
    command.build();
    let Some(folder) = &args.out else {
        print_all(&page(&command, "podfall")?)?;
        return Ok(Outcome::Good);
    };
    fs::create_dir_all(folder).with_context(|| folder.display().to_string())?;
    write_page(&command, "podfall", folder)?;
    for sub in command.get_subcommands().filter(|sub| !sub.is_hide_set()) {
        write_page(sub, &format!("podfall-{}", sub.get_name()), folder)?;
    }
    Ok(Outcome::Good)
}

fn write_page(command: &clap::Command, name: &str, folder: &Path) -> anyhow::Result<()> {
    let path = folder.join(format!("{name}.1"));
    files::write_whole(&path, &page(command, name)?).with_context(|| path.display().to_string())?;
    print_line(&format!("Written: {}", path.display()))?;
    Ok(())
}

fn page(command: &clap::Command, name: &str) -> io::Result<Vec<u8>> {
    let mut text = Vec::new();
    clap_mangen::Man::new(command.clone())
        .title(name)
        .render(&mut text)?;
    Ok(line_by_line(&String::from_utf8_lossy(&text)).into_bytes())
}

/// The last words of a command, its examples among them, as they are broken into lines: else the manual fills the lines up.
fn line_by_line(page: &str) -> String {
    let Some((before, after)) = page.split_once(".SH EXTRA\n") else {
        return page.to_owned();
    };
    let end = after.find(".SH ").unwrap_or(after.len());
    let (words, rest) = after.split_at(end);
    format!("{before}.SH EXTRA\n.nf\n{words}.fi\n{rest}")
}

/// Prints; a reader that went away early is no fault.
fn print_all(bytes: &[u8]) -> io::Result<()> {
    match io::stdout().write_all(bytes) {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}

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
    let mut command = Cli::command();
    command.build();
    let Some(folder) = &args.out else {
        print_all(&page(&command, "podfall")?)?;
        return Ok(Outcome::Good);
    };
    fs::create_dir_all(folder).with_context(|| folder.display().to_string())?;
    write_page(&command, "podfall", folder)?;
    for sub in command.get_subcommands().filter(|sub| !sub.is_hide_set()) {
        if sub.get_name() != "help" {
            write_page(sub, &format!("podfall-{}", sub.get_name()), folder)?;
        }
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
    Ok(text)
}

/// Prints; a reader that went away early is no fault.
fn print_all(bytes: &[u8]) -> io::Result<()> {
    match io::stdout().write_all(bytes) {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}

//! The command line of podfall: parse, run, exit code.

#[macro_use]
mod cli;

use std::process::ExitCode;

fn main() -> ExitCode {
    match cli::run(&cli::parse()) {
        Ok(outcome) => outcome.into(),
        Err(error) => {
            tell!("error: {}", cli::shown(&format!("{error:#}")));
            if error.is::<cli::Usage>() {
                ExitCode::from(cli::USAGE)
            } else {
                cli::Outcome::Failed.into()
            }
        }
    }
}

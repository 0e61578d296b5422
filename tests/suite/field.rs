//! The real binary in a folder of its own.

use std::{
    fs,
    path::PathBuf,
    process::{Command, Output},
};

use serde_json::Value;
use tempfile::TempDir;

/// A folder for one test.
pub struct Field {
    /// Its folder, with an empty `photos/` in it.
    pub folder: TempDir,
}

impl Field {
    /// A new one.
    pub fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir(folder.path().join("photos")).unwrap();
        Self { folder }
    }

    /// A path in it.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes a file into it.
    pub fn put(&self, name: &str, bytes: &[u8]) {
        fs::write(self.path(name), bytes).unwrap();
    }

    /// A file's text.
    pub fn text(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
    }

    /// The command, ready to run there.
    pub fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_podfall"));
        command.current_dir(self.folder.path()).args(args);
        command
    }

    /// Runs it.
    pub fn run(&self, args: &[&str]) -> Ran {
        Ran::from(self.command(args).output().unwrap())
    }

    /// Runs a line as a person pastes it into a shell.
    #[cfg(unix)]
    pub fn pasted(&self, line: &str) -> Ran {
        let script = format!("podfall() {{ \"$PODFALL\" \"$@\"; }}\n{line}");
        let mut shell = Command::new("sh");
        shell.current_dir(self.folder.path()).args(["-c", &script]);
        shell.env("PODFALL", env!("CARGO_BIN_EXE_podfall"));
        Ran::from(shell.output().unwrap())
    }

    /// Runs it and wants exit code 0; what it printed.
    pub fn runs_well(&self, args: &[&str]) -> String {
        let ran = self.run(args);
        assert_eq!(ran.code, Some(0), "{args:?}: {}{}", ran.stdout, ran.stderr);
        ran.stdout
    }

    /// A JSON file.
    pub fn json(&self, path: &str) -> Value {
        serde_json::from_str(&self.text(path)).unwrap()
    }
}

/// What a run left on the terminal.
#[derive(Debug)]
pub struct Ran {
    /// Exit code.
    pub code: Option<i32>,
    /// Standard output.
    pub stdout: String,
    /// Standard error.
    pub stderr: String,
}

impl From<Output> for Ran {
    fn from(output: Output) -> Self {
        Self {
            code: output.status.code(),
            stdout: String::from_utf8(output.stdout).unwrap(),
            stderr: String::from_utf8(output.stderr).unwrap(),
        }
    }
}

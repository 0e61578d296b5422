//! What the package says of itself, held against what cargo knows.

use std::process::Command;

use serde_json::Value;

/// `1.94` and `1.94.0` as numbers.
fn version(text: &str) -> Vec<u32> {
    let parts = text.split('.').chain(["0", "0"]);
    parts.take(3).map(|part| part.parse().unwrap()).collect()
}

fn cargo(args: &[&str]) -> String {
    let mut command = Command::new(env!("CARGO"));
    let output = (command.args(args).current_dir(env!("CARGO_MANIFEST_DIR")))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{args:?}: {said}");
    String::from_utf8(output.stdout).unwrap()
}

/// The oldest Rust that Cargo.toml states is no older than any crate's own.
#[test]
fn no_crate_asks_for_a_newer_rust_than_is_stated() {
    // Those of this system alone: no others need have been fetched.
    let about = cargo(&["-vV"]);
    let host = about.lines().find_map(|line| line.strip_prefix("host: "));
    let args = ["metadata", "--offline", "--locked", "--format-version", "1"];
    let filter = ["--filter-platform", host.unwrap()];
    let metadata: Value = serde_json::from_str(&cargo(&[&args[..], &filter].concat())).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    assert!(packages.len() > 100);
    let stated = version(env!("CARGO_PKG_RUST_VERSION"));
    for package in packages {
        let Some(asks) = package["rust_version"].as_str() else {
            continue;
        };
        assert!(
            version(asks) <= stated,
            "{} asks for {asks}",
            package["name"]
        );
    }
}

/// The program prints through `tell!` and `print_line`: where nobody reads any more, `println!` panics.
#[test]
fn nothing_prints_so_that_a_closed_pipe_stops_it() {
    for (path, text) in crate::layers::sources() {
        // Figures for developers.
        if path.starts_with("cli/fit/") {
            continue;
        }
        for word in ["println!(", "eprintln!(", " print!(", "eprint!("] {
            assert!(!text.contains(word), "{path} prints with {word}");
        }
    }
}

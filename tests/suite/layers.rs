//! The order of the modules, the size of the files, and what no text in the tree may say.

use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::{Path, PathBuf},
};

/// The library's modules from the ground up: a module uses only those in layers above its own line.
///
/// One layer holds two: a row of `sheet` carries the hand counts that `loss` reckons with, and
/// `loss` reads place and check off that row, so each knows a type of the other.
const LAYERS: &[&[&str]] = &[
    &["units"],
    &["range"],
    &["wide"],
    &["place"],
    &["geometry"],
    &["caution"],
    &["colour"],
    &["stats"],
    &["crop"],
    &["files"],
    &["text"],
    &["photo"],
    &["frame"],
    &["plot"],
    &["card"],
    &["ground"],
    &["candidate"],
    &["score"],
    &["counts"],
    &["count"],
    &["likeness"],
    &["model"],
    &["marks"],
    &["sheet", "loss"],
    &["season"],
    &["contrast"],
    &["plan"],
    &["payback"],
    &["next"],
    &["annotate"],
    &["report"],
    &["record"],
    &["pipeline"],
    &["present"],
    &["batch"],
    &["confirm"],
    &["stage"],
];

/// Most code lines in a file, tests apart.
const MOST_CODE_LINES: usize = 500;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// Every file below a folder, sorted; what a build or a run leaves behind is passed over.
fn files_below(folder: &Path, found: &mut Vec<PathBuf>) {
    let mut entries: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    entries.sort();
    for path in entries {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.is_dir() {
            let left_behind = [
                "target",
                ".git",
                "demo-out",
                "__pycache__",
                "corpus",
                "artifacts",
            ];
            if !left_behind.contains(&name.as_str()) {
                files_below(&path, found);
            }
        } else {
            found.push(path);
        }
    }
}

fn tree(folder: &str) -> Vec<PathBuf> {
    let mut found = Vec::new();
    files_below(&root().join(folder), &mut found);
    found
}

/// Rust files of `src/` by their path below it, such as `score/net.rs`; those that hold only tests left out.
pub fn sources() -> Vec<(String, String)> {
    tree("src")
        .into_iter()
        .filter_map(|path| {
            let below = path.strip_prefix(root().join("src")).unwrap();
            let below = below.to_string_lossy().replace('\\', "/");
            let of_tests = below.ends_with("/tests.rs") || below.contains("/tests/");
            (below.ends_with(".rs") && !of_tests)
                .then(|| (below, fs::read_to_string(&path).unwrap()))
        })
        .collect()
}

/// The code before the tests at a file's end, without comments and empty lines.
fn code(text: &str) -> String {
    let mut lines = Vec::new();
    let mut all = text.lines().peekable();
    while let Some(line) = all.next() {
        let opens_tests = line == "#[cfg(test)]"
            && all
                .peek()
                .is_some_and(|next| next.starts_with("mod ") && next.ends_with('{'));
        if opens_tests {
            break;
        }
        let bare = line.split("//").next().unwrap_or_default().trim_end();
        if !bare.is_empty() {
            lines.push(bare);
        }
    }
    lines.join("\n")
}

/// The first names of what follows `crate::`: one, or all in a group.
fn first_names(after: &str) -> Vec<&str> {
    let word = |text: &str| text.find(|c: char| !c.is_alphanumeric() && c != '_');
    let Some(group) = after.strip_prefix('{') else {
        return vec![&after[..word(after).unwrap_or(after.len())]];
    };
    let mut names = Vec::new();
    let (mut depth, mut fresh) = (1, true);
    for (at, c) in group.char_indices() {
        match c {
            '{' => depth += 1,
            '}' => depth -= 1,
            ',' if depth == 1 => fresh = true,
            _ if c.is_alphabetic() && depth == 1 && fresh => {
                let rest = &group[at..];
                names.push(&rest[..word(rest).unwrap_or(rest.len())]);
                fresh = false;
            }
            _ => {}
        }
        if depth == 0 {
            break;
        }
    }
    names
}

/// How many `super` lead from a file to the top of the library.
fn depth(below: &str) -> usize {
    let parts = below.split('/').count();
    if below.ends_with("/mod.rs") {
        parts - 1
    } else {
        parts
    }
}

/// Modules of the library that a file uses, by `crate::` or by enough `super::`.
fn uses(below: &str, code: &str) -> BTreeSet<String> {
    let to_top = "super::".repeat(depth(below));
    let mut used = BTreeSet::new();
    for start in ["crate::", to_top.as_str()] {
        for (at, _) in code.match_indices(start) {
            let before = &code[..at];
            let inside_a_path = before.ends_with("::") || before.ends_with('_');
            let after = &code[at + start.len()..];
            if !inside_a_path && !after.starts_with("super::") {
                used.extend(first_names(after).into_iter().map(str::to_owned));
            }
        }
    }
    used
}

fn module(below: &str) -> &str {
    let top = below.split('/').next().unwrap_or_default();
    top.strip_suffix(".rs").unwrap_or(top)
}

/// Module → modules it uses → the files that do.
fn graph() -> BTreeMap<String, BTreeMap<String, Vec<String>>> {
    let mut graph: BTreeMap<String, BTreeMap<String, Vec<String>>> = BTreeMap::new();
    for (below, text) in sources() {
        let from = module(&below).to_owned();
        if ["lib", "main", "cli"].contains(&from.as_str()) {
            continue;
        }
        let of_module = graph.entry(from.clone()).or_default();
        for to in uses(&below, &code(&text)) {
            if to != from {
                of_module.entry(to).or_default().push(below.clone());
            }
        }
    }
    graph
}

#[test]
fn a_module_uses_only_modules_before_it() {
    let layer = |name: &str| LAYERS.iter().position(|l| l.contains(&name));
    let mut wrong = Vec::new();
    let graph = graph();
    for (from, used) in &graph {
        let Some(at) = layer(from) else {
            wrong.push(format!("{from} has no layer; put it into LAYERS"));
            continue;
        };
        for (to, files) in used {
            if layer(to).is_none_or(|to_at| to_at > at) {
                wrong.push(format!("{from} uses {to}, in {}", files.join(", ")));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    for name in LAYERS.iter().flat_map(|l| l.iter()) {
        assert!(
            graph.contains_key(*name),
            "{name} stands in LAYERS but not in src"
        );
    }
    // The reading itself: known edges are seen, so that an empty graph cannot pass.
    for (from, to) in [("score", "plot"), ("batch", "model"), ("counts", "frame")] {
        assert!(graph[from].contains_key(to), "{from} → {to} was not seen");
    }
}

#[test]
fn uses_are_read_in_every_form() {
    let text = "use crate::{\n  a::{self, b::C},\n  d,\n  present,\n};\nlet x = crate::e::f();\n// crate::comment\nuse super::super::g::H;\nuse super::sibling;\n#[cfg(test)]\nmod tests {\n    use crate::tests_only;\n}\n";
    let found: Vec<String> = uses("foo/bar.rs", &code(text)).into_iter().collect();
    assert_eq!(found, ["a", "d", "e", "g", "present"]);
}

#[test]
fn two_modules_of_one_layer_do_use_each_other() {
    let graph = graph();
    for layer in LAYERS.iter().filter(|l| l.len() > 1) {
        for from in *layer {
            for to in layer.iter().filter(|to| *to != from) {
                assert!(
                    graph[*from].contains_key(*to),
                    "{from} does not use {to}: give each a layer of its own"
                );
            }
        }
    }
}

#[test]
fn no_file_is_too_long() {
    let long: Vec<String> = sources()
        .iter()
        .map(|(below, text)| (below, code(text).lines().count()))
        .filter(|&(_, lines)| lines > MOST_CODE_LINES)
        .map(|(below, lines)| format!("src/{below}: {lines} code lines"))
        .collect();
    assert!(long.is_empty(), "{}", long.join("\n"));
}

/// Paths of one machine and hosts of registries; put together here so that this file does not hold them.
fn foreign() -> Vec<String> {
    let folders = ["work", "tmp", "root", "home"].map(|name| format!("/{name}/"));
    let hosts = [
        ["crates", "io"],
        ["pypi", "org"],
        ["pythonhosted", "org"],
        ["npmjs", "org"],
    ];
    let hosts = hosts.map(|parts| parts.join("."));
    folders.into_iter().chain(hosts).collect()
}

/// `Cargo.lock` is cargo's: it names the index of each crate, and nothing else of a registry.
#[test]
fn no_text_names_a_path_of_a_machine_or_a_registry() {
    let mut wrong = Vec::new();
    for path in tree("") {
        let Ok(text) = fs::read_to_string(&path) else {
            continue;
        };
        let name = path.strip_prefix(root()).unwrap().display().to_string();
        if name.ends_with("Cargo.lock") || name == ".git" {
            continue;
        }
        for (number, line) in text.lines().enumerate() {
            for found in foreign().iter().filter(|f| line.contains(f.as_str())) {
                wrong.push(format!("{name}:{}: {found}", number + 1));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

//! The confirm page in a real browser. Needs node, Chromium and two packages, which `.ci/run` installs; where one is missing the
//! tests say so loudly and pass, unless PODFALL_BROWSER_TESTS=required.

use std::{
    path::{Path, PathBuf},
    process::Command,
};

use crate::{
    field::Field,
    looks,
    page::{Page, counted, with_what_cannot_be_read},
};

/// The folder with `node_modules`, and the browser; why not, where one is missing.
fn tools() -> Result<(PathBuf, PathBuf), String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let tools = std::env::var_os("PODFALL_BROWSER_TOOLS")
        .map_or_else(|| root.join("target/browser"), PathBuf::from);
    for package in ["puppeteer-core", "axe-core"] {
        if !tools.join("node_modules").join(package).is_dir() {
            return Err(format!(
                "{package} is not in {}/node_modules",
                tools.display()
            ));
        }
    }
    if Command::new("node").arg("--version").output().is_err() {
        return Err("node is not there".to_owned());
    }
    Ok((tools, chromium()?))
}

fn chromium() -> Result<PathBuf, String> {
    let chromium = std::env::var_os("PODFALL_CHROMIUM")
        .map_or_else(|| PathBuf::from("/usr/bin/chromium"), PathBuf::from);
    if chromium.exists() {
        Ok(chromium)
    } else {
        Err(format!("{} is not there", chromium.display()))
    }
}

/// Says so where a page was not tried, past the test harness, which would swallow it.
fn skipped(page: &str, why: &str) {
    assert!(
        std::env::var("PODFALL_BROWSER_TESTS").as_deref() != Ok("required"),
        "the browser tests are required, but {why}"
    );
    use std::io::Write;
    let line =
        format!("\n*** SKIPPED: {page} was NOT tried in a browser: {why}. See DEVELOPERS.md.\n");
    let _ = std::io::stderr().write_all(line.as_bytes());
}

/// A page without scripts of its own as the browser has it after this script; `None` where there is no browser.
pub fn after_script(page: &Path, script: &str) -> Option<String> {
    let chromium = match chromium() {
        Ok(chromium) => chromium,
        Err(why) => {
            skipped(&page.display().to_string(), &why);
            return None;
        }
    };
    let html = std::fs::read_to_string(page).unwrap();
    let copy = page.with_extension("tried.html");
    std::fs::write(&copy, format!("{html}<script>{script}</script>")).unwrap();
    let ran = Command::new(chromium)
        .args(["--headless", "--no-sandbox", "--disable-gpu", "--dump-dom"])
        .arg(&copy)
        .output()
        .unwrap();
    std::fs::remove_file(&copy).unwrap();
    Some(String::from_utf8_lossy(&ran.stdout).into_owned())
}

/// Whether it was driven: not where the tools are missing.
fn drive(scenario: &str) -> bool {
    drive_on(scenario, &counted())
}

fn drive_on(scenario: &str, field: &Field) -> bool {
    let (tools, chromium) = match tools() {
        Ok(found) => found,
        Err(why) => {
            skipped(&format!("the confirm page ({scenario})"), &why);
            return false;
        }
    };
    let page = Page::open(field.folder.path());
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let pictures = root.join("target/browser-pictures");
    std::fs::create_dir_all(&pictures).unwrap();
    let ran = Command::new("node")
        .arg(root.join("tests/browser/confirm.mjs"))
        .args([scenario, &page.address()])
        .arg(&pictures)
        .env("PODFALL_COUNTS", field.path("out/counts.json"))
        .env("PODFALL_BROWSER_TOOLS", tools)
        .env("PODFALL_CHROMIUM", chromium)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&ran.stdout);
    let wrong = String::from_utf8_lossy(&ran.stderr);
    assert!(ran.status.success(), "{scenario}:\n{said}\n{wrong}");
    println!("{said}");
    true
}

#[test]
fn every_action_by_mouse() {
    drive("mouse");
}

#[test]
fn every_action_by_keyboard_alone() {
    drive("keyboard");
}

#[test]
fn a_hand_count_is_kept_as_typed_or_refused() {
    drive("hand");
}

#[test]
fn of_a_file_that_is_not_read_only_what_can_be_done_is_offered() {
    drive_on("unreadable", &with_what_cannot_be_read());
}

#[test]
fn on_a_laptop_the_picture_takes_the_room_there_is() {
    drive("laptop");
}

#[test]
fn by_touch_on_a_phone() {
    drive("phone");
}

#[test]
fn no_serious_fault_of_accessibility() {
    drive("faultless");
}

#[test]
fn two_tabs_in_a_browser() {
    drive("tabs");
}

#[test]
fn counted_anew_under_the_page_it_stays_on_its_photo() {
    drive("anew");
}

/// Five states look as they did: `GOLDEN=update` makes the expected pictures anew.
#[test]
fn the_page_looks_as_expected() {
    let field = looks::season();
    if drive_on("looks", &field) {
        looks::hold_against_expected();
    }
}

#[test]
fn a_rings_edge_is_moved() {
    drive_on("ring", &looks::season());
}

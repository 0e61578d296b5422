//! A batch killed again and again, wherever it may be: no half file, no work lost, and at the end the bytes of a run that
//! nobody disturbed.
//!
//! Ten kills under `cargo test`. More: `PODFALL_KILLS=200 cargo test --release --test suite killed:: -- --nocapture`.

use std::{
    collections::{BTreeMap, BTreeSet},
    env, fs,
    path::Path,
    process::Stdio,
    time::{Duration, Instant, SystemTime, UNIX_EPOCH},
};

use podfall::files::UNFINISHED;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::{
    field::Field,
    pictures::{fixture_bytes, grainy, jpeg},
};

/// Photos of plots, photos of the same plots again, photos without a frame, and one that is cut off.
fn season() -> Field {
    let field = Field::new();
    let put = |number: usize, bytes: &[u8]| {
        // A byte behind the picture makes another file of it.
        let bytes = [bytes, &[number as u8]].concat();
        field.put(&format!("photos/p{number:03}.jpg"), &bytes);
    };
    let photo = fixture_bytes("ten-beans-in-the-open/photo.jpg");
    put(0, &photo);
    put(1, &photo);
    let bare = jpeg(&grainy(400, 300, 9), false);
    (20..24).for_each(|number| put(number, &bare));
    put(40, &bare[..2000]);
    field
}

/// Every file below, by its path; those that are not finished apart.
fn files(folder: &Path, whole: &mut BTreeMap<String, Vec<u8>>, unfinished: &mut BTreeSet<String>) {
    for entry in fs::read_dir(folder).into_iter().flatten() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.is_dir() {
            files(&path, whole, unfinished);
        } else if name.starts_with(UNFINISHED) {
            unfinished.insert(name);
        } else {
            let below = path.to_string_lossy().into_owned();
            let bytes = fs::read(&path).unwrap();
            whole.insert(below, bytes);
        }
    }
}

/// Whether a file is whole, by what it is.
fn is_whole(name: &str, bytes: &[u8]) -> bool {
    match name.rsplit('.').next() {
        Some("json") => serde_json::from_slice::<serde_json::Value>(bytes).is_ok(),
        Some("jpg") => bytes.ends_with(&[0xFF, 0xD9]) && image::load_from_memory(bytes).is_ok(),
        Some("html") => bytes.trim_ascii_end().ends_with(b"</html>"),
        Some("csv") => bytes.ends_with(b"\n"),
        _ => !bytes.is_empty(),
    }
}

fn count(out: &str) -> [&str; 8] {
    [
        "count", "photos", "--frame", "12x12in", "--jobs", "2", "--out", out,
    ]
}

#[test]
fn a_batch_killed_at_any_moment_loses_nothing() {
    let kills: Option<u32> = env::var("PODFALL_KILLS").ok().and_then(|n| n.parse().ok());
    let seed = match kills {
        None => 3,
        Some(_) => {
            (SystemTime::now().duration_since(UNIX_EPOCH)).map_or(0, |d| d.as_nanos() as u64)
        }
    };
    let kills = kills.unwrap_or(10);
    let field = season();
    let begun = Instant::now();
    field.run(&count("undisturbed"));
    let one_run = begun.elapsed();
    let mut dice = Pcg64Mcg::seed_from_u64(seed);
    let (mut ended, mut rounds, mut left_over) = (0, 1, 0);
    let mut before = BTreeMap::new();
    for kill in 0..kills {
        let mut command = field.command(&count("killed"));
        let mut child = (command.stdout(Stdio::null()).stderr(Stdio::null()))
            .spawn()
            .unwrap();
        let most = one_run.as_millis() as u64 / 2;
        std::thread::sleep(Duration::from_millis(dice.random_range(0..most.max(50))));
        child.kill().unwrap();
        let done = child.wait().unwrap().code().is_some();
        let (mut now, mut unfinished) = (BTreeMap::new(), BTreeSet::new());
        files(&field.path("killed"), &mut now, &mut unfinished);
        for (name, bytes) in &now {
            assert!(
                is_whole(name, bytes),
                "kill {kill}, seed {seed}: {name} is half a file"
            );
        }
        for name in before.keys() {
            assert!(
                now.contains_key(name),
                "kill {kill}, seed {seed}: {name} is gone"
            );
        }
        left_over += unfinished.len();
        before = now;
        if done {
            // All was finished: begin again.
            ended += 1;
            rounds += 1;
            alike(&field, "killed");
            fs::remove_dir_all(field.path("killed")).unwrap();
            before.clear();
        }
    }
    let last = field.run(&count("killed"));
    assert_eq!(
        last.code,
        Some(1),
        "the photo that is cut off: {}",
        last.stderr
    );
    alike(&field, "killed");
    println!(
        "{kills} kills, {ended} of them after the end, {rounds} batches of {:.1} s each, {left_over} unfinished files left beside, seed {seed}, {:.0} s",
        one_run.as_secs_f64(),
        begun.elapsed().as_secs_f64()
    );
}

/// Everything in `out` has the bytes of the undisturbed run.
fn alike(field: &Field, out: &str) {
    let of = |out: &str| {
        let (mut whole, mut unfinished) = (BTreeMap::new(), BTreeSet::new());
        files(&field.path(out), &mut whole, &mut unfinished);
        let root = field.path(out).to_string_lossy().into_owned();
        (whole.into_iter())
            .map(|(name, bytes)| (name.replacen(&root, "", 1), bytes))
            .collect::<BTreeMap<_, _>>()
    };
    let (ours, theirs) = (of(out), of("undisturbed"));
    assert_eq!(
        ours.keys().collect::<Vec<_>>(),
        theirs.keys().collect::<Vec<_>>()
    );
    for (name, bytes) in &theirs {
        assert!(ours[name] == *bytes, "{name} differs");
    }
}

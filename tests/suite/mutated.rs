//! Whatever a person, a disk or a stranger may have written, changed at random: an error, never a panic, never long.
//!
//! A few seconds a run with a fixed seed. Longer, and with a seed of the moment's:
//! `PODFALL_MUTATE_SECONDS=1800 cargo test --release --test suite mutated -- --nocapture`.
//! What made it panic is written to `target/mutated/`; it becomes a test.

use std::{
    env, fs,
    panic::{AssertUnwindSafe, catch_unwind},
    time::{Duration, Instant, SystemTime, UNIX_EPOCH},
};

use podfall::photo::sha256_hex;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::readers::{READERS, Reader};

/// No input may take more of the processor: a debug build decodes a small photo in a tenth of it.
const LONGEST: Duration = Duration::from_secs(20);

/// Time that this thread had the processor, so that a busy machine fails no input; on systems that do not tell, the clock's.
fn of_processor(since: Instant) -> Duration {
    let told = fs::read_to_string("/proc/thread-self/schedstat").ok();
    let nanos = told.and_then(|told| told.split(' ').next()?.parse().ok());
    nanos.map_or_else(|| since.elapsed(), Duration::from_nanos)
}

/// What numbers become.
const NUMBERS: [&str; 16] = [
    "0",
    "-0",
    "-1",
    "1e308",
    "1e999",
    "-1e999",
    "NaN",
    "nan",
    "inf",
    "-inf",
    "1e-320",
    "18446744073709551616",
    "9223372036854775807",
    "0x7f",
    "1,5",
    "",
];

/// What words become.
const WORDS: [&str; 8] = ["\0", "\r\n", "\n", "\"", "\u{202e}", "雨", "../../x", "'"];

fn chance(most: usize, dice: &mut Pcg64Mcg) -> usize {
    dice.random_range(0..most.max(1))
}

/// Changes one thing.
fn mutate(bytes: &mut Vec<u8>, reader: &Reader, seeds: &[Vec<u8>], dice: &mut Pcg64Mcg) {
    let reach = bytes.len().min(reader.head);
    if reach == 0 {
        return;
    }
    let at = chance(reach, dice);
    let until = |dice: &mut Pcg64Mcg| (at + 1 + chance(64, dice)).min(bytes.len());
    match chance(if reader.text { 10 } else { 7 }, dice) {
        0 => bytes[at] ^= 1 << chance(8, dice),
        1 => bytes[at] = [0, 1, 0x7F, 0x80, 0xFF][chance(5, dice)],
        2 => bytes[at] = dice.random(),
        3 => {
            let end = until(dice);
            bytes.drain(at..end);
        }
        4 => {
            let end = until(dice);
            let again = bytes[at..end].to_vec();
            bytes.splice(at..at, again);
        }
        5 => bytes.truncate(at),
        6 => {
            let from = &seeds[chance(seeds.len(), dice)];
            let start = chance(from.len(), dice);
            let end = (start + chance(200, dice)).min(from.len());
            let until = (at + end - start).min(bytes.len());
            bytes.splice(at..until, from[start..end].iter().copied());
        }
        _ => put_a_word(bytes, at, dice),
    }
}

/// Puts a number in the place of the next number, or a word in the place of a byte.
fn put_a_word(bytes: &mut Vec<u8>, at: usize, dice: &mut Pcg64Mcg) {
    let is_number = |b: &u8| b.is_ascii_digit() || b".-+eE".contains(b);
    let start = (bytes[at..].iter().position(|b| b.is_ascii_digit())).map(|k| at + k);
    match start.filter(|_| chance(3, dice) > 0) {
        Some(start) => {
            let length = bytes[start..].iter().take_while(|b| is_number(b)).count();
            let number = NUMBERS[chance(NUMBERS.len(), dice)];
            bytes.splice(start..start + length, number.bytes());
        }
        None => {
            bytes.splice(at..at, WORDS[chance(WORDS.len(), dice)].bytes());
        }
    }
}

/// Reads one input; what made it panic, or took too long, is kept.
fn hold(reader: &Reader, bytes: &[u8], seed: u64) -> Duration {
    let clock = Instant::now();
    let begun = of_processor(clock);
    let held = catch_unwind(AssertUnwindSafe(|| (reader.run)(bytes)));
    let took = of_processor(clock) - begun;
    if held.is_err() || took > LONGEST {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/target/mutated");
        let path = format!("{folder}/{}-{}", reader.name, &sha256_hex(bytes)[..12]);
        fs::create_dir_all(folder).unwrap();
        fs::write(&path, bytes).unwrap();
        panic!("{}: {took:?}, seed {seed}: {path}", reader.name);
    }
    took
}

/// Tries one reader for its time; tells with how many inputs.
fn run(name: &str) {
    let reader = READERS.iter().find(|reader| reader.name == name).unwrap();
    let seconds = env::var("PODFALL_MUTATE_SECONDS")
        .ok()
        .and_then(|s| s.parse().ok());
    let seed = match seconds {
        None => 7,
        Some(_) => SystemTime::now()
            .duration_since(UNIX_EPOCH)
            .map_or(0, |now| now.as_nanos() as u64),
    };
    let seeds = (reader.seeds)();
    for bytes in &seeds {
        hold(reader, bytes, seed);
    }
    let most = Duration::from_secs(seconds.unwrap_or(2));
    let mut dice = Pcg64Mcg::seed_from_u64(seed);
    let start = Instant::now();
    let (mut tried, mut slowest) = (0_u64, Duration::ZERO);
    while start.elapsed() < most {
        let mut bytes = seeds[chance(seeds.len(), &mut dice)].clone();
        for _ in 0..=chance(4, &mut dice) {
            mutate(&mut bytes, reader, &seeds, &mut dice);
        }
        slowest = slowest.max(hold(reader, &bytes, seed));
        tried += 1;
    }
    println!(
        "{name}: {tried} inputs in {:.0} s, seed {seed}, slowest {:.2} s",
        start.elapsed().as_secs_f64(),
        slowest.as_secs_f64()
    );
}

macro_rules! tests {
    ($($(#[$when:meta])* $name:ident)*) => {
        $($(#[$when])* #[test]
        fn $name() {
            run(stringify!($name));
        })*

        #[test]
        fn every_reader_has_its_test() {
            let tested = [$(stringify!($name)),*];
            assert!(READERS.iter().all(|reader| tested.contains(&reader.name)));
        }
    };
}

tests! {
    photo
    #[cfg(feature = "heic")] heic
    exif season sheet counts part card network journal acts marks recounted record bundle zip requests
}

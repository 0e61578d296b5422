//! Changes the bytes that one reader reads, going by the code that they reach. `PODFALL_READER` names the reader.
#![no_main]
#![allow(dead_code)]

use std::{cell::RefCell, env, fs, panic, path::Path, process, sync::OnceLock};

use libfuzzer_sys::fuzz_target;

#[path = "../suite/pictures.rs"]
mod pictures;
#[path = "../suite/readers.rs"]
mod readers;
#[path = "../suite/routes.rs"]
mod routes;
#[path = "../suite/sealed.rs"]
mod sealed;

use readers::{READERS, Reader};

/// The one that is named.
fn reader() -> &'static Reader {
    static NAMED: OnceLock<&Reader> = OnceLock::new();
    NAMED.get_or_init(|| {
        let name = env::var("PODFALL_READER").unwrap_or_default();
        let found = READERS.iter().find(|reader| reader.name == name);
        found.unwrap_or_else(|| {
            let names: Vec<&str> = READERS.iter().map(|reader| reader.name).collect();
            eprintln!("PODFALL_READER is one of {}", names.join(" "));
            process::exit(2);
        })
    })
}

thread_local! {
    /// The last panic in other people's code.
    static OF_OTHERS: RefCell<String> = const { RefCell::new(String::new()) };
}

/// Where podfall itself panics, this ends at once, also where the program would have caught it.
fn stop_at_a_panic_of_our_own() {
    let tell_and_stop = panic::take_hook();
    panic::set_hook(Box::new(move |panic| {
        let of_others = panic
            .location()
            .is_some_and(|at| at.file().contains("/registry/") || at.file().starts_with("/rustc/"));
        match of_others {
            true => OF_OTHERS.set(panic.to_string()),
            false => tell_and_stop(panic),
        }
    }));
}

/// A panic of others that podfall catches, as it does around decoders, is no finding; one that comes through is.
fn read(bytes: &[u8]) {
    if panic::catch_unwind(|| (reader().run)(bytes)).is_err() {
        OF_OTHERS.with_borrow(|panic| eprintln!("{panic}"));
        process::abort();
    }
}

/// The largest bytes to begin from: in a network of two megabytes nearly every change would be to a weight.
const MOST_BYTES: usize = 200_000;

/// Reads what the reader begins from, so that what is made once is made before an input's time is taken, and writes it where
/// `PODFALL_SEEDS` names a folder.
fn begin() {
    let seeds = (reader().seeds)();
    for bytes in &seeds {
        read(bytes);
    }
    if let Some(folder) = env::var_os("PODFALL_SEEDS") {
        let small = seeds.iter().filter(|bytes| bytes.len() <= MOST_BYTES);
        for (number, bytes) in small.enumerate() {
            fs::write(Path::new(&folder).join(format!("seed-{number}")), bytes).unwrap();
        }
    }
}

fuzz_target!(
    init: {
        stop_at_a_panic_of_our_own();
        begin();
    },
    |bytes: &[u8]| read(bytes)
);

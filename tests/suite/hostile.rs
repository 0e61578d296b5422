//! Disks, clocks and files that mean no good, at the real binary.

use std::{
    fs,
    io::Write,
    net::TcpStream,
    process::Command,
    time::{Duration, SystemTime},
};

use podfall::{
    files::UNFINISHED,
    photo::{PhotoLimits, decode_bytes, read},
};

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::{
    field::{Field, Ran},
    page::{Page, counted},
    pictures::{fixture_bytes, grainy, jpeg},
};

fn photo(seed: u32) -> Vec<u8> {
    jpeg(&grainy(320, 240, seed), false)
}

/// Runs podfall where no file may grow beyond so many blocks of 512 bytes: to a program this is a full disk, which it
/// learns of in the middle of a write (POSIX.1-2017, `ulimit -f` and SIGXFSZ).
#[cfg(unix)]
fn run_on_a_full_disk(field: &Field, blocks: u32, args: &str) -> Ran {
    let podfall = env!("CARGO_BIN_EXE_podfall");
    let script = format!("trap '' XFSZ; ulimit -f {blocks}; exec '{podfall}' {args}");
    let output = Command::new("sh")
        .arg("-c")
        .arg(script)
        .current_dir(field.folder.path())
        .output()
        .unwrap();
    Ran::from(output)
}

fn unfinished(folder: &std::path::Path) -> usize {
    let entries = fs::read_dir(folder).unwrap();
    entries
        .filter(|entry| {
            let name = entry.as_ref().unwrap().file_name();
            name.to_string_lossy().starts_with(UNFINISHED)
        })
        .count()
}

#[cfg(unix)]
#[test]
fn a_full_disk_fails_the_run_says_so_and_loses_nothing() {
    let field = Field::new();
    field.put("photos/a.jpg", &photo(1));
    let args = "count photos --frame 12x12in";
    let first = field.run(&args.split(' ').collect::<Vec<_>>());
    let before = field.text("photos/out/counts.json");
    assert!(before.contains("a.jpg"), "{}", first.stderr);
    for name in ["b.jpg", "c.jpg", "d.jpg"] {
        field.put(&format!("photos/{name}"), &photo(2));
    }
    for blocks in [0, 1, 2, 4] {
        let ran = run_on_a_full_disk(&field, blocks, args);
        assert_eq!(ran.code, Some(1), "{blocks}: {}{}", ran.stdout, ran.stderr);
        assert!(
            ran.stderr
                .contains("cannot be written; see that the disk has room"),
            "{blocks}: {}",
            ran.stderr
        );
        assert_eq!(field.text("photos/out/counts.json"), before);
        for folder in ["photos/out", "photos/out/work", "photos/out/annotated"] {
            assert_eq!(unfinished(&field.path(folder)), 0, "{folder}");
        }
    }
    // With room again it goes on.
    field.run(&args.split(' ').collect::<Vec<_>>());
    assert!(field.text("photos/out/counts.json").contains("d.jpg"));
}

/// The clock was put back: files and finished work come from the future.
#[test]
fn a_clock_that_was_put_back_loses_nothing() {
    let field = Field::new();
    field.put("photos/a.jpg", &photo(1));
    let args = ["count", "photos", "--frame", "12x12in", "--no-pictures"];
    field.run(&args);
    let before = field.text("photos/out/counts.json");
    let future = SystemTime::now() + Duration::from_secs(400 * 86_400);
    let left = field.path(&format!("photos/out/{UNFINISHED}1-2"));
    fs::write(&left, b"half").unwrap();
    let work = fs::read_dir(field.path("photos/out/work")).unwrap();
    let files = work.map(|entry| entry.unwrap().path());
    for path in files.chain([left.clone(), field.path("photos/a.jpg")]) {
        let file = fs::File::options().write(true).open(path).unwrap();
        file.set_modified(future).unwrap();
    }
    let ran = field.run(&args);
    assert_eq!(
        field.text("photos/out/counts.json"),
        before,
        "{}",
        ran.stderr
    );
    assert!(ran.stderr.contains("finished earlier"), "{}", ran.stderr);
    // It may belong to a run that still goes on.
    assert!(left.exists());
}

/// A chunk of a PNG with its CRC-32.
fn chunk(kind: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let with_kind = [kind, body].concat();
    let crc = !with_kind.iter().fold(u32::MAX, |crc, &byte| {
        (0..8).fold(crc ^ u32::from(byte), |c, _| {
            (c >> 1) ^ (0xEDB8_8320 & (c & 1).wrapping_neg())
        })
    });
    let length = (body.len() as u32).to_be_bytes();
    [&length[..], &with_kind, &crc.to_be_bytes()].concat()
}

/// Zeros as a zlib stream of the shortest kind that needs no compressor: one fixed-Huffman block in which a zero is followed
/// by copies of it, 258 bytes each (RFC 1951, 3.2.5 and 3.2.6).
fn packed_zeros(copies: usize) -> Vec<u8> {
    let (mut bytes, mut bits, mut held) = (vec![0x78, 0x01], 0_u64, 0_u32);
    let mut put = |value: u64, count: u32, bytes: &mut Vec<u8>| {
        bits |= value << held;
        held += count;
        while held >= 8 {
            bytes.push(bits as u8);
            bits >>= 8;
            held -= 8;
        }
    };
    put(0b011, 3, &mut bytes);
    // Literal 0 is code 00110000, most significant bit first.
    put(0b0000_1100, 8, &mut bytes);
    for _ in 0..copies {
        // Length 258 is code 11000101, distance 1 is code 00000.
        put(0b1010_0011, 8, &mut bytes);
        put(0, 5, &mut bytes);
    }
    // End of block, and the last byte filled up.
    put(0, 7, &mut bytes);
    put(0, 7, &mut bytes);
    let length = 1 + 258 * copies as u64;
    // Adler-32 of zeros: 1, and the length modulo 65 521 (RFC 1950).
    bytes.extend(((((length % 65_521) << 16) | 1) as u32).to_be_bytes());
    bytes
}

/// A colour profile of 0.6 MB that unfolds to 100 MB, in a picture of 8 x 8 px.
#[test]
fn a_profile_that_unfolds_without_end_is_not_unfolded() {
    let mut png = b"\x89PNG\r\n\x1a\n".to_vec();
    png.extend(chunk(b"IHDR", b"\0\0\0\x08\0\0\0\x08\x08\x02\0\0\0"));
    png.extend(chunk(
        b"iCCP",
        &[b"x\0\0", &packed_zeros(400_000)[..]].concat(),
    ));
    png.extend(chunk(b"IDAT", &packed_zeros(0)));
    png.extend(chunk(b"IEND", b""));
    let begun = std::time::Instant::now();
    let told = read(&png, "bomb", &PhotoLimits::default());
    let why = told
        .map(|photo| photo.meta.colour_profile)
        .map_err(|e| e.to_string());
    let told = why
        .as_ref()
        .is_ok_and(|p| p.as_ref().is_some_and(|p| !p.applied));
    assert!(why.is_err() || told, "{why:?}");
    assert!(begun.elapsed() < Duration::from_secs(5));
}

#[test]
fn the_cost_of_decoding_is_told_from_the_header() {
    // 72 x 48 px: three bytes a pixel; two more for each channel where the picture is progressive.
    for (name, bytes_a_pixel) in [
        ("photo-decoded/plain.jpg", 3),
        ("photo-decoded/progressive.jpg", 9),
        ("photo-formats/small-16.png", 9),
        ("photo-formats/small-msb.tif", 3),
    ] {
        let told = decode_bytes(&fixture_bytes(name));
        assert_eq!(told, Some(72 * 48 * bytes_a_pixel), "{name}");
    }
    assert_eq!(decode_bytes(b"no photo"), None);
    assert_eq!(
        decode_bytes(&fixture_bytes("photo-formats/refused.avif")),
        None
    );
}

/// However little memory is given, each photo is counted, one at a time, and the bytes are the same.
#[test]
fn little_memory_makes_it_slow_and_changes_nothing() {
    let field = Field::new();
    for seed in 0..5 {
        field.put(&format!("photos/p{seed}.jpg"), &photo(seed));
    }
    let mut seen = Vec::new();
    for (out, memory) in [("little", "1MB"), ("much", "4GB")] {
        field.run(&[
            "count", "photos", "--frame", "12x12in", "--jobs", "4", "--out", out, "--memory",
            memory,
        ]);
        seen.push(field.text(&format!("{out}/counts.json")));
    }
    assert_eq!(seen[0], seen[1]);
    assert_eq!(seen[0].matches("\"photo\":").count(), 5);
    for bad in ["0MB", "lots", "-1GB", "NaNGB", "1e99GB", "12"] {
        let flag = format!("--memory={bad}");
        let ran = field.run(&["count", "photos", "--frame", "12x12in", &flag]);
        assert_eq!(ran.code, Some(2), "{bad}");
        assert!(ran.stderr.contains("700MB or 2GB"), "{}", ran.stderr);
    }
}

/// A pipe whose reader goes away early stops nothing and is no fault.
#[test]
fn a_reader_that_goes_away_is_no_fault() {
    let field = Field::new();
    field.put("photos/a.jpg", &photo(1));
    let mut command = field.command(&["count", "photos", "--frame", "12x12in", "--part"]);
    let mut child = command
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

/// Bytes that are no request, half requests, and many connections on which nothing is ever said: the page goes on.
#[test]
fn connections_that_mean_no_good_do_not_stop_the_page() {
    let field = counted();
    let page = Page::open(field.folder.path());
    let connect = || TcpStream::connect(("127.0.0.1", page.port)).unwrap();
    let mut dice = Pcg64Mcg::seed_from_u64(11);
    let whole = format!(
        "POST /api/say HTTP/1.1\r\nHost: {}\r\nCookie: {}\r\nContent-Type: application/json\r\nContent-Length: 40\r\nTransfer-Encoding: chunked\r\n\r\n{{\"seq\":0}}",
        page.host(),
        page.cookie
    );
    let silent: Vec<TcpStream> = (0..200).map(|_| connect()).collect();
    for _ in 0..200 {
        let mut bytes = whole.clone().into_bytes();
        for _ in 0..dice.random_range(0..6) {
            let at = dice.random_range(0..bytes.len());
            match dice.random_range(0..3) {
                0 => bytes[at] = dice.random(),
                1 => bytes.truncate(at.max(1)),
                _ => {
                    let again = bytes[at..].to_vec();
                    bytes.extend(again);
                }
            }
        }
        // The server may close on it before it has read it all.
        let _ = connect().write_all(&bytes);
    }
    let many = format!("GET / HTTP/1.1\r\n{}", "a: b\r\n".repeat(20_000));
    let _ = connect().write_all(many.as_bytes());
    assert_eq!(page.get("/api/season").status, 200);
    assert_eq!(page.seq(), 0, "nothing was said");
    drop(silent);
}

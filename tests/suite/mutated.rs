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

use podfall::{
    batch::{self, Part},
    counts::CountsFile,
    frame::FrameSettings,
    loss::{Assumptions, season_frames, season_loss},
    model::{Model, ModelError},
    photo::{PhotoLimits, read, sha256_hex},
    pipeline::Settings,
    present,
    report::csv::counts_csv,
    score::net::Net,
    season::Season,
    sheet::Sheet,
};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::pictures::{fixture_bytes, grainy, jpeg};

/// No input may take longer: a debug build decodes a small photo in a tenth of it.
const LONGEST: Duration = Duration::from_secs(20);

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

/// One kind of input.
struct Target<'a> {
    name: &'a str,
    seeds: Vec<Vec<u8>>,
    /// Whether numbers and words are worth putting in.
    text: bool,
    /// Bytes from the start that are changed.
    head: usize,
    run: &'a dyn Fn(&[u8]),
}

fn chance(most: usize, dice: &mut Pcg64Mcg) -> usize {
    dice.random_range(0..most.max(1))
}

/// Changes one thing.
fn mutate(bytes: &mut Vec<u8>, target: &Target, dice: &mut Pcg64Mcg) {
    let reach = bytes.len().min(target.head);
    if reach == 0 {
        return;
    }
    let at = chance(reach, dice);
    let until = |dice: &mut Pcg64Mcg| (at + 1 + chance(64, dice)).min(bytes.len());
    match chance(if target.text { 10 } else { 7 }, dice) {
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
            let from = &target.seeds[chance(target.seeds.len(), dice)];
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

/// Runs one target for its time; tells how many inputs that were.
fn run(target: &Target) {
    let seconds = env::var("PODFALL_MUTATE_SECONDS")
        .ok()
        .and_then(|s| s.parse().ok());
    let seed = match seconds {
        None => 7,
        Some(_) => SystemTime::now()
            .duration_since(UNIX_EPOCH)
            .map_or(0, |now| now.as_nanos() as u64),
    };
    let most = Duration::from_secs(seconds.unwrap_or(2));
    let mut dice = Pcg64Mcg::seed_from_u64(seed);
    let start = Instant::now();
    let (mut tried, mut slowest) = (0_u64, Duration::ZERO);
    while start.elapsed() < most {
        let mut bytes = target.seeds[chance(target.seeds.len(), &mut dice)].clone();
        for _ in 0..=chance(4, &mut dice) {
            mutate(&mut bytes, target, &mut dice);
        }
        let begun = Instant::now();
        let held = catch_unwind(AssertUnwindSafe(|| (target.run)(&bytes)));
        let took = begun.elapsed();
        slowest = slowest.max(took);
        if held.is_err() || took > LONGEST {
            let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/target/mutated");
            let path = format!("{folder}/{}-{}", target.name, &sha256_hex(&bytes)[..12]);
            fs::create_dir_all(folder).unwrap();
            fs::write(&path, &bytes).unwrap();
            panic!("{}: {took:?}, seed {seed}: {path}", target.name);
        }
        tried += 1;
    }
    println!(
        "{}: {tried} inputs in {:.0} s, seed {seed}, slowest {:.2} s",
        target.name,
        start.elapsed().as_secs_f64(),
        slowest.as_secs_f64()
    );
}

fn read_small(bytes: &[u8]) {
    let limits = PhotoLimits {
        most_pixels: 4_000_000,
        most_decode_bytes: 40_000_000,
    };
    if let Ok(photo) = read(bytes, "photo", &limits) {
        assert!(photo.pixels.len() <= 12_000_000);
        assert!((1..=8).contains(&photo.meta.exif_orientation));
    }
}

fn files(names: &[&str]) -> Vec<Vec<u8>> {
    names.iter().map(|name| fixture_bytes(name)).collect()
}

#[test]
fn photos() {
    let mut seeds = files(&[
        "photo-decoded/plain.jpg",
        "photo-decoded/progressive.jpg",
        "photo-decoded/restart.jpg",
        "photo-decoded/grey.jpg",
        "photo-decoded/cmyk.jpg",
        "photo-exif/phone.png",
        "photo-exif/phone.webp",
        "photo-formats/small-p3.webp",
        "photo-formats/small-msb-lzw-16.tif",
        "photo-formats/small-16.png",
        "photo-formats/small-interlaced.png",
        "photo-formats/small-p3.png",
        "photo-formats/small-p3.tif",
        "photo-formats/refused.avif",
    ]);
    seeds.push(jpeg(&grainy(33, 21, 6), true));
    run(&Target {
        name: "photo",
        seeds,
        text: false,
        head: usize::MAX,
        run: &read_small,
    });
}

#[cfg(feature = "heic")]
#[test]
fn heics() {
    run(&Target {
        name: "heic",
        seeds: files(&[
            "photo-formats/small.heic",
            "photo-formats/small-ten-bits.heic",
            "photo-formats/small-grid.heic",
        ]),
        text: false,
        head: usize::MAX,
        run: &read_small,
    });
}

/// The head of the files, where EXIF and colour profiles stand.
#[test]
fn what_stands_before_the_pixels() {
    run(&Target {
        name: "exif",
        seeds: files(&[
            "photo-exif/phone.jpg",
            "photo-exif/phone.png",
            "photo-exif/phone.tif",
            "photo-orientations/6.jpg",
            "photo-formats/small-p3.png",
        ]),
        text: false,
        head: 700,
        run: &read_small,
    });
}

#[test]
fn seasons() {
    let commented = podfall::season::commented("12x12in".parse().unwrap());
    let every_key: String = (commented.lines())
        .map(|line| {
            line.strip_prefix("# ")
                .filter(|l| l.contains(" = "))
                .unwrap_or(line)
        })
        .fold(String::new(), |all, line| all + line + "\n");
    run(&Target {
        name: "season",
        seeds: vec![
            commented.into_bytes(),
            every_key.into_bytes(),
            SEASON.into(),
        ],
        text: true,
        head: usize::MAX,
        run: &|bytes| {
            if let Ok(text) = std::str::from_utf8(bytes) {
                let _ = Season::parse(text);
            }
        },
    });
}

const SEASON: &str = "frame = \"12x12in\"\nbar_height = \"13.4mm\"\ncrop = \"soybean\"\nseeds_per_lb = 2900\nheader_width = \"35ft\"\ndischarge_width = \"20ft\"\nyield_bu_per_ac = 52\narea_ac = 160\nprice_per_bu = 10.40\ncurrency = \"USD\"\nunits = \"bu/ac\"\n";

const SHEET: &str = "photo,check,place,setting,pair,speed_mph,speed_kmh,moisture_percent,hand_beans,hand_pods,stubble_pods,lodged_pods,stalk_pods,tray_of,note\na.jpg,1,standing,as found,,3.4,,12.1,,,,,,,\nb.jpg,1,cut,as found,,3.4,,12.1,7,2,1,0,0,,\"a, b\"\nc.jpg,2,behind,slower,,,5.1,12.1,0,0,2,0,1,,own shadow\n";

/// What a count of three photos looks like.
fn counts() -> CountsFile {
    let spec = FrameSettings::new("12x12in".parse().unwrap());
    let settings = Settings::new(spec);
    let counted = |name: &str, beans: f64| {
        let text = format!(
            r#"{{"photo":"{name}","status":"confirm","meta":{{"sha256":"00","file_bytes":9,"format":"jpeg","width_px":4000,"height_px":3000,"exif_orientation":1,"taken":"2026-10-03T18:41:07-05:00","position":{{"lat_deg":41.5,"lon_deg":-93.2,"altitude_m":null,"error_m":4.7}},"camera":null,"software":null,"focal_length_mm":4.3,"focal_length_35mm_mm":26.0,"exposure_s":0.002}},"frame_spec":{spec},"frame":null,"plot":{{"photo_px_per_mm":3.1,"plot_px_per_mm":2.4,"area_m2":0.0929,"area_low_m2":0.0929,"area_high_m2":0.095}},"ground":{{"soil_pct":60.0,"residue_cover_pct":38.0,"bean_coloured_pct":2.0,"soil_below_l":41.0}},"objects":[{{"id":1,"kind":"bean","x_px":900.0,"y_px":800.0,"x_mm":20.0,"y_mm":30.0,"length_mm":7.1,"width_mm":6.6,"angle_deg":12.0,"probability":0.71,"counted":true,"doubtful":true,"chances":{chances}}}],"counts":{{"beans":{{"estimate":{beans},"low":3.0,"high":{high}}},"split_beans":{{"estimate":0.5,"low":0.0,"high":2.0}},"pods":{{"estimate":1.0,"low":0.0,"high":3.0}},"beans_in_pods":{{"estimate":2.5,"low":0.0,"high":7.5}}}},"cautions":[{{"kind":"blur","measured":1.2,"bound":0.9,"message":"blurred"}}]}}"#,
            spec = serde_json::to_string(&settings.frame.spec).unwrap(),
            chances = serde_json::to_string(&podfall::score::Chances::default()).unwrap(),
            high = beans + 4.0,
        );
        serde_json::from_str(&text).unwrap_or_else(|e| panic!("{e}: {text}"))
    };
    CountsFile {
        schema: 1,
        podfall: "0.1.0".to_owned(),
        model: Model::built_in().name(),
        photos: vec![
            counted("a.jpg", 5.0),
            counted("b.jpg", 9.0),
            counted("c.jpg", 14.2),
        ],
    }
}

/// Everything that follows from counts and sheet.
fn season_of(counts: &CountsFile, sheet: Option<&Sheet>) {
    let settings = Settings::new(FrameSettings::new("12x12in".parse().unwrap()));
    let _ = counts_csv(counts);
    let _ = present::report(counts, &settings, &|_| None);
    if let Ok(frames) = season_frames(counts, sheet) {
        let _ = season_loss(&frames, &Assumptions::default());
    }
}

#[test]
fn sheets() {
    let counts = counts();
    let sheet = Sheet::read(SHEET.as_bytes()).unwrap();
    run(&Target {
        name: "sheet",
        seeds: vec![
            SHEET.into(),
            SHEET.replace(',', ";").into_bytes(),
            [b"\xEF\xBB\xBF", SHEET.replace('\n', "\r\n").as_bytes()].concat(),
            sheet.write(),
        ],
        text: true,
        head: usize::MAX,
        run: &|bytes| {
            if let Ok(sheet) = Sheet::read(bytes) {
                // What was read is written so that it reads the same again.
                let again = Sheet::read(&sheet.write()).unwrap();
                let cells = |sheet: &Sheet| {
                    sheet
                        .rows
                        .iter()
                        .map(|row| row.cells.clone())
                        .collect::<Vec<_>>()
                };
                assert_eq!(cells(&again), cells(&sheet));
                season_of(&counts, Some(&sheet));
            }
        },
    });
}

#[test]
fn counts_files() {
    let seed = serde_json::to_vec(&counts()).unwrap();
    let sheet = Sheet::read(SHEET.as_bytes()).unwrap();
    run(&Target {
        name: "counts",
        seeds: vec![seed],
        text: true,
        head: usize::MAX,
        run: &|bytes| {
            if let Ok(counts) = serde_json::from_slice::<CountsFile>(bytes) {
                season_of(&counts, Some(&sheet));
            }
        },
    });
}

#[test]
fn parts() {
    let counts = counts();
    let line = |k: usize| {
        let part = serde_json::json!({
            "job": { "schema": 1, "podfall": "0.1.0", "model": counts.model, "settings": "00" },
            "count": counts.photos[k],
            "thumbnail": vec![(k * 7 % 100) as u8; 1024],
        });
        part.to_string().into_bytes()
    };
    let seeds: Vec<Vec<u8>> = (0..3).map(line).collect();
    let other: Part = serde_json::from_slice(&seeds[0]).unwrap();
    run(&Target {
        name: "part",
        seeds,
        text: true,
        head: usize::MAX,
        run: &|bytes| {
            if let Ok(part) = serde_json::from_slice::<Part>(bytes) {
                let _ = batch::gathered(vec![other.clone(), part]);
            }
        },
    });
}

#[test]
fn cards_and_networks() {
    let network = include_bytes!("../../models/beans-v3.onnx");
    let card = include_str!("../../models/beans-v3.toml");
    run(&Target {
        name: "card",
        seeds: vec![card.into()],
        text: true,
        head: usize::MAX,
        run: &|bytes| {
            if let Ok(text) = std::str::from_utf8(bytes) {
                let _ = toml::from_str::<podfall::score::card::Card>(text);
            }
        },
    });
    let plot = image::RgbImage::new(64, 48);
    run(&Target {
        name: "network",
        seeds: vec![network.to_vec()],
        text: false,
        head: usize::MAX,
        // Past the card's SHA-256, as a forged card would let it.
        run: &|bytes| {
            if let Ok(net) = Net::from_bytes(bytes) {
                let _ = net.look(&plot);
            }
        },
    });
    let mut damaged = network.to_vec();
    damaged[1000] ^= 1;
    assert!(matches!(
        Model::from_bytes(&damaged, card),
        Err(ModelError::Checksum { .. })
    ));
}

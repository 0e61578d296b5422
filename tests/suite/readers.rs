//! Everything that reads bytes which a person, a disk or a stranger may have written, each as one function of those bytes,
//! with bytes to begin from. `mutated.rs` changes them at random.

use std::{path::PathBuf, sync::OnceLock};

use podfall::{
    batch::{self, Part},
    candidate::Middles,
    count::tally,
    counts::{CountsFile, SCHEMA},
    frame::FrameSettings,
    geometry::Point,
    ground::Ground,
    loss::{Assumptions, season_frames, season_frames_confirmed, season_loss},
    marks::{
        Act, FIRST_PREV, Journal, MarkSettings, MarksFile, Recount, RecountFile, Said, SeasonMarks,
        confirmed, line_of,
    },
    model::{Model, built_in_card},
    photo::{PhotoLimits, read, sha256_hex},
    pipeline::{Settings, count_photo},
    plot::{Plot, PlotSettings},
    present,
    report::csv::counts_csv,
    score::{
        card::Card,
        learned::{self, Hilltops},
        likeness_measures,
        net::{Memory, NearLook, Net},
    },
    season::Season,
    sheet::Sheet,
};

use crate::{
    pictures::{fixture, fixture_bytes, grainy, jpeg},
    routes, sealed,
};

/// One of them.
pub struct Reader {
    /// Its name.
    pub name: &'static str,
    /// Whether numbers and words are worth putting in.
    pub text: bool,
    /// Bytes from the start that are worth changing.
    pub head: usize,
    /// What to begin from.
    pub seeds: fn() -> Vec<Vec<u8>>,
    /// Reads, and goes on with what was read as the program does.
    pub run: fn(&[u8]),
}

const fn of_text(name: &'static str, seeds: fn() -> Vec<Vec<u8>>, run: fn(&[u8])) -> Reader {
    Reader {
        name,
        text: true,
        head: usize::MAX,
        seeds,
        run,
    }
}

const fn of_bytes(name: &'static str, seeds: fn() -> Vec<Vec<u8>>, run: fn(&[u8])) -> Reader {
    Reader {
        text: false,
        ..of_text(name, seeds, run)
    }
}

/// All of them.
pub const READERS: &[Reader] = &[
    of_bytes("photo", photo_seeds, photo),
    #[cfg(feature = "heic")]
    of_bytes("heic", heic_seeds, photo),
    // Where EXIF and colour profiles stand.
    Reader {
        head: 700,
        ..of_bytes("exif", exif_seeds, photo)
    },
    of_text("season", season_seeds, season),
    of_text("sheet", sheet_seeds, sheet),
    of_text("counts", counts_seeds, counts),
    of_text("part", part_seeds, part),
    of_text("card", card_seeds, card),
    of_bytes("network", network_seeds, network),
    of_text("journal", journal_seeds, journal),
    of_text("acts", acts_seeds, acts),
    of_text("marks", marks_seeds, marks),
    of_text("recounted", recounted_seeds, recounted),
    of_text("record", sealed::record_seeds, sealed::record),
    of_text("bundle", sealed::bundle_seeds, sealed::bundle),
    of_bytes("zip", sealed::zip_seeds, sealed::zip),
    of_text("requests", routes::seeds, routes::requests),
];

fn files(names: &[&str]) -> Vec<Vec<u8>> {
    names.iter().map(|name| fixture_bytes(name)).collect()
}

fn photo_seeds() -> Vec<Vec<u8>> {
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
    seeds
}

#[cfg(feature = "heic")]
fn heic_seeds() -> Vec<Vec<u8>> {
    files(&[
        "photo-formats/small.heic",
        "photo-formats/small-ten-bits.heic",
        "photo-formats/small-grid.heic",
    ])
}

fn exif_seeds() -> Vec<Vec<u8>> {
    files(&[
        "photo-exif/phone.jpg",
        "photo-exif/phone.png",
        "photo-exif/phone.tif",
        "photo-orientations/6.jpg",
        "photo-formats/small-p3.png",
    ])
}

fn photo(bytes: &[u8]) {
    let limits = PhotoLimits {
        most_pixels: 4_000_000,
        most_decode_bytes: 40_000_000,
    };
    if let Ok(photo) = read(bytes, "photo", &limits) {
        assert!(photo.pixels.len() <= 12_000_000);
        assert!((1..=8).contains(&photo.meta.exif_orientation));
    }
}

fn season_seeds() -> Vec<Vec<u8>> {
    let commented = podfall::season::commented("12x12in".parse().unwrap());
    let every_key: String = (commented.lines())
        .map(|line| {
            line.strip_prefix("# ")
                .filter(|l| l.contains(" = "))
                .unwrap_or(line)
        })
        .fold(String::new(), |all, line| all + line + "\n");
    vec![
        commented.into_bytes(),
        every_key.into_bytes(),
        SEASON.into(),
    ]
}

const SEASON: &str = "frame = \"12x12in\"\nbar_height = \"13.4mm\"\ncrop = \"soybean\"\nseeds_per_lb = 2900\nheader_width = \"35ft\"\ndischarge_width = \"20ft\"\nyield_bu_per_ac = 52\narea_ac = 160\nprice_per_bu = 10.40\ncurrency = \"USD\"\nunits = \"bu/ac\"\n";

fn season(bytes: &[u8]) {
    if let Ok(text) = std::str::from_utf8(bytes) {
        let _ = Season::parse(text);
    }
}

const SHEET: &str = "photo,check,place,setting,pair,speed_mph,speed_kmh,moisture_percent,hand_beans,hand_pods,stubble_pods,lodged_pods,stalk_pods,tray_of,note\na.jpg,1,standing,as found,,3.4,,12.1,,,,,,,\nb.jpg,1,cut,as found,,3.4,,12.1,7,2,1,0,0,,\"a, b\"\nc.jpg,2,behind,slower,,,5.1,12.1,0,0,2,0,1,,own shadow\n";

/// The sheet of the counts here.
pub fn plain_sheet() -> &'static Sheet {
    static SHEET_READ: OnceLock<Sheet> = OnceLock::new();
    SHEET_READ.get_or_init(|| Sheet::read(SHEET.as_bytes()).unwrap())
}

/// A count of three photos, by hand: with a number wherever one can stand.
pub fn three_counted() -> &'static CountsFile {
    static COUNTS: OnceLock<CountsFile> = OnceLock::new();
    COUNTS.get_or_init(|| {
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
            schema: SCHEMA,
            podfall: "0.1.0".to_owned(),
            model: Model::built_in().name(),
            photos: vec![
                counted("a.jpg", 5.0),
                counted("b.jpg", 9.0),
                counted("c.jpg", 14.2),
            ],
        }
    })
}

/// Two photos as the stages count them, with frame and objects, and one without a frame.
pub fn really_counted() -> &'static CountsFile {
    static COUNTS: OnceLock<CountsFile> = OnceLock::new();
    COUNTS.get_or_init(|| {
        let settings = Settings::new(FrameSettings::new("12x12in".parse().unwrap()));
        let model = Model::built_in();
        let count = |(name, case): (&str, &str)| {
            let bytes = fixture_bytes(&format!("{case}/photo.jpg"));
            count_photo(&bytes, name, &settings, &model).count
        };
        CountsFile {
            schema: SCHEMA,
            podfall: "0.1.0".to_owned(),
            model: model.name(),
            photos: REAL.map(count).into(),
        }
    })
}

/// Photos of [`really_counted`], and the fixtures that they are.
const REAL: [(&str, &str); 3] = [
    ("a.jpg", "ten-beans-in-the-open"),
    ("b.jpg", "half-in-shadow"),
    ("c.jpg", "no-frame"),
];

/// Where the photo of that name lies.
pub fn real_photo(name: &str) -> Option<PathBuf> {
    let (_, case) = REAL.iter().find(|(photo, _)| *photo == name)?;
    Some(fixture(case).join("photo.jpg"))
}

/// Everything that follows from counts and sheet.
fn season_of(counts: &CountsFile, sheet: Option<&Sheet>) {
    let settings = Settings::new(FrameSettings::new("12x12in".parse().unwrap()));
    let _ = counts_csv(counts);
    let _ = present::report(counts, &settings, &|_| None);
    if let Ok(frames) = season_frames(counts, sheet) {
        let loss = season_loss(&frames, &Assumptions::default());
        sealed::html_of(&sealed::facts_of(counts, &frames, loss.as_ref().ok()));
    }
}

fn sheet_seeds() -> Vec<Vec<u8>> {
    vec![
        SHEET.into(),
        SHEET.replace(',', ";").into_bytes(),
        [b"\xEF\xBB\xBF", SHEET.replace('\n', "\r\n").as_bytes()].concat(),
        plain_sheet().write(),
    ]
}

fn sheet(bytes: &[u8]) {
    let Ok(sheet) = Sheet::read(bytes) else {
        return;
    };
    // What was read is written so that it reads the same again.
    let again = Sheet::read(&sheet.write()).unwrap();
    let cells = |sheet: &Sheet| {
        (sheet.rows.iter())
            .map(|row| row.cells.clone())
            .collect::<Vec<_>>()
    };
    assert_eq!(cells(&again), cells(&sheet));
    season_of(three_counted(), Some(&sheet));
}

fn counts_seeds() -> Vec<Vec<u8>> {
    [three_counted(), really_counted()]
        .map(|counts| serde_json::to_vec(counts).unwrap())
        .into()
}

fn counts(bytes: &[u8]) {
    if let Ok(counts) = serde_json::from_slice::<CountsFile>(bytes) {
        season_of(&counts, Some(plain_sheet()));
    }
}

fn part_seeds() -> Vec<Vec<u8>> {
    let counts = three_counted();
    let line = |k: usize| {
        let part = serde_json::json!({
            "job": { "schema": 1, "podfall": "0.1.0", "model": counts.model, "settings": "00" },
            "count": counts.photos[k],
            "thumbnail": vec![(k * 7 % 100) as u8; 1024],
        });
        part.to_string().into_bytes()
    };
    (0..3).map(line).collect()
}

fn part(bytes: &[u8]) {
    static OTHER: OnceLock<Part> = OnceLock::new();
    let other = OTHER.get_or_init(|| serde_json::from_slice(&part_seeds()[0]).unwrap());
    if let Ok(part) = serde_json::from_slice::<Part>(bytes) {
        let _ = batch::gathered(vec![other.clone(), part]);
    }
}

const NETWORK: &[u8] = include_bytes!("../../models/beans-v10.onnx");
const CARD: &str = include_str!("../../models/beans-v10.toml");

/// A network of 4,000 weights made by chance: 90 times faster than the one that comes with podfall.
fn small_network() -> &'static [u8] {
    static SMALL: OnceLock<Vec<u8>> = OnceLock::new();
    SMALL.get_or_init(|| fixture_bytes("small-network/network.onnx"))
}

/// The card that comes with podfall, as that of the small network, which sees things everywhere.
fn card_seeds() -> Vec<Vec<u8>> {
    let sha256 = |card: &str| toml::from_str::<Card>(card).unwrap().sha256;
    let card = CARD.replace(&sha256(CARD), &sha256_hex(small_network()));
    vec![card.into()]
}

/// What there is to score on a plot of 3 in.
fn small_plot() -> &'static (Plot, Ground) {
    static PLOT: OnceLock<(Plot, Ground)> = OnceLock::new();
    PLOT.get_or_init(|| {
        let settings = Settings::new(FrameSettings::new("3x3in".parse().unwrap()));
        let bytes = fixture_bytes("ten-beans-in-the-open/photo.jpg");
        let pixels = read(&bytes, "photo", &settings.photo).unwrap().pixels;
        let frame = podfall::frame::find(&pixels, &settings.frame, None).unwrap();
        let of = PlotSettings::default();
        let plot = podfall::plot::flatten(&pixels, &frame, settings.frame.spec, &of).unwrap();
        let ground = podfall::ground::classify(&plot, &settings.ground);
        (plot, ground)
    })
}

/// A card that is taken gives a count whose numbers can be told.
fn card(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    let Ok(model) = Model::from_bytes(small_network(), text) else {
        return;
    };
    let (plot, ground) = small_plot();
    let settings = Settings::new(FrameSettings::new("3x3in".parse().unwrap()));
    let maps = learned::look(plot, (&model.net, &model.card), &mut Memory::default()).unwrap();
    let middles = Middles::find(plot, ground, &settings.blobs);
    let tops = Hilltops::of(&maps, plot, &model.card);
    let seen = NearLook {
        bean_logit: 1.0,
        split_logit: -1.0,
    };
    let near = model
        .card
        .near
        .as_ref()
        .map(|_| vec![Some(seen); tops.beans.len()]);
    let judged = learned::judge(
        plot,
        ground,
        &middles,
        (&maps, &tops, near.as_deref()),
        &model.card,
    );
    let allowances = model.card.allowances(judged.around, near.is_some());
    let spec = settings.frame.spec;
    let (_, counts) = tally(&judged.scored, plot, spec, &allowances, &settings.count);
    for amount in [
        &counts.beans,
        &counts.split_beans,
        &counts.pods,
        &counts.beans_in_pods,
    ] {
        let (low, high) = (amount.low, amount.high);
        assert!(0.0 <= low && low <= high && high.is_finite(), "{counts:?}");
    }
    let _ = model.card.known.distance(&likeness_measures(plot));
}

fn network_seeds() -> Vec<Vec<u8>> {
    vec![small_network().into(), NETWORK.into()]
}

/// Past the card's SHA-256, as a forged card would let it.
fn network(bytes: &[u8]) {
    if let Ok(net) = Net::from_bytes(bytes) {
        let memory = &mut Memory::default();
        let _ = net.look(&image::RgbImage::new(64, 48), memory);
        let _ = net.look_near(&image::RgbImage::new(96, 96), &[64; 4], memory);
    }
}

/// A file that the card does not name is refused before it is read.
#[test]
fn a_damaged_network_is_not_read() {
    let mut damaged = NETWORK.to_vec();
    damaged[1000] ^= 1;
    let read = Model::from_bytes(&damaged, CARD);
    assert!(matches!(
        read,
        Err(podfall::model::ModelError::Checksum { .. })
    ));
}

/// A frame's corners that a person sets.
const CORNERS_PX: [[f64; 2]; 4] = [
    [450.0, 250.0],
    [1000.0, 240.0],
    [1010.0, 800.0],
    [440.0, 810.0],
];

/// Every act once, on the photos of [`really_counted`], one a line: number of the photo, act.
fn acts_seeds() -> Vec<Vec<u8>> {
    let counts = really_counted();
    let object = |at: usize| {
        let seen = &counts.photos[0].objects[at];
        serde_json::to_string(&podfall::marks::Named::of(seen)).unwrap()
    };
    let (first, second) = (object(0), object(1));
    let added = r#"{"id":0,"added":3,"x_mm":150.0,"y_mm":3.0,"x_px":900.0,"y_px":300.0}"#;
    let given = serde_json::to_string(&counts.photos[0].counts).unwrap();
    let spec = serde_json::to_string(&counts.photos[0].frame_spec).unwrap();
    let corners = serde_json::to_string(&CORNERS_PX).unwrap();
    let acts = [
        format!(
            r#"0 {{"do":"verdict","object":{first},"verdict":{{"is":"split"}},"before":null}}"#
        ),
        format!(
            r#"0 {{"do":"verdict","object":{second},"verdict":{{"is":"pod","beans":3}},"before":{{"is":"bean"}}}}"#
        ),
        format!(r#"0 {{"do":"add","object":{added},"verdict":{{"is":"bean"}}}}"#),
        format!(r#"0 {{"do":"verdict","object":{added},"verdict":{{"is":"none"}},"before":null}}"#),
        format!(r#"0 {{"do":"take","object":{added}}}"#),
        format!(r#"1 {{"do":"corners","corners_px":{corners},"before":null}}"#),
        r#"1 {"do":"unusable","why":"blurred"}"#.to_owned(),
        r#"1 {"do":"usable"}"#.to_owned(),
        r#"2 {"do":"hand","beans":11,"pods":null}"#.to_owned(),
        r#"1 {"do":"place","place":"behind","check":"1","setting":"as found"}"#.to_owned(),
        r#"1 {"do":"note","text":"by the gate"}"#.to_owned(),
        format!(r#"0 {{"do":"confirm","counts":{given},"frame_spec":{spec},"corners_px":null}}"#),
        r#"0 {"do":"unconfirm"}"#.to_owned(),
        r#"0 {"do":"undo","seq":13}"#.to_owned(),
        r#"0 {"do":"redo","seq":13}"#.to_owned(),
    ];
    vec![acts.join("\n").into_bytes(), acts[..5].join("\n").into()]
}

/// The acts that can be read, as a journal whose chain holds: what one who can reckon a hash may write.
fn forged(bytes: &[u8]) -> Vec<u8> {
    let counts = really_counted();
    let (mut journal, mut lines) = (Journal::new(), Vec::new());
    for line in bytes.split(|&b| b == b'\n') {
        let Some((number, act)) = std::str::from_utf8(line)
            .ok()
            .and_then(|l| l.split_once(' '))
        else {
            continue;
        };
        let (Ok(at), Ok(act)) = (number.parse::<usize>(), serde_json::from_str::<Act>(act)) else {
            continue;
        };
        let photo = (counts.photos.get(at))
            .map_or(("gone.jpg", "00"), |p| (p.photo.as_str(), &p.meta.sha256));
        let said = Said {
            at: "2026-10-01T19:04:05+02:00",
            who: "me",
            photo,
        };
        let entry = journal.next(said, act);
        lines.extend(line_of(&entry).bytes());
        journal.push(entry).unwrap();
    }
    lines
}

fn acts(bytes: &[u8]) {
    let lines = forged(bytes);
    let Ok(journal) = Journal::read(&lines) else {
        return;
    };
    assert_eq!(journal.whole_bytes, lines.len());
    let marks = SeasonMarks::replay(&journal);
    let written = serde_json::to_vec(&marks.file()).unwrap();
    serde_json::from_slice::<MarksFile>(&written).unwrap();
    put_right(&marks, &RecountFile::default());
}

/// Everything that follows from marks.
fn put_right(marks: &SeasonMarks, recounted: &RecountFile) {
    let settings = MarkSettings::of(&built_in_card());
    let counts = really_counted();
    let put_right = confirmed(counts, marks, recounted, &settings);
    assert_eq!(put_right.counts.photos.len(), counts.photos.len());
    if let Ok(frames) = season_frames_confirmed(&put_right, Some(plain_sheet())) {
        let _ = season_loss(&frames, &Assumptions::default());
    }
}

pub fn journal_seeds() -> Vec<Vec<u8>> {
    acts_seeds().iter().map(|acts| forged(acts)).collect()
}

/// What is whole of a journal stays whole: nothing but a torn end is ever set aside, and the lines that were read read the
/// same again.
fn journal(bytes: &[u8]) {
    let Ok(journal) = Journal::read(bytes) else {
        return;
    };
    let whole = &bytes[..journal.whole_bytes];
    assert_eq!([whole, &journal.torn].concat(), bytes);
    assert_eq!(journal.head == FIRST_PREV, journal.entries.is_empty());
    let again = Journal::read(whole).unwrap();
    assert_eq!(again.entries, journal.entries);
    let _ = SeasonMarks::replay(&journal);
}

fn marks_seeds() -> Vec<Vec<u8>> {
    let journals = journal_seeds();
    let file = |bytes: &Vec<u8>| {
        let marks = SeasonMarks::replay(&Journal::read(bytes).unwrap());
        serde_json::to_vec(&marks.file()).unwrap()
    };
    journals.iter().map(file).collect()
}

fn marks(bytes: &[u8]) {
    if let Ok(marks) = serde_json::from_slice::<MarksFile>(bytes) {
        let again = serde_json::to_vec(&marks).unwrap();
        assert_eq!(serde_json::from_slice::<MarksFile>(&again).unwrap(), marks);
    }
}

/// The second photo with the corners that an act sets.
fn recounted_seeds() -> Vec<Vec<u8>> {
    let file = RecountFile {
        schema: 1,
        photos: vec![Recount {
            model_sha256: String::new(),
            corners_px: CORNERS_PX.map(|[x, y]| Point::new(x, y)),
            count: really_counted().photos[1].clone(),
        }],
    };
    vec![serde_json::to_vec(&file).unwrap()]
}

/// As the confirm page reads them, with the acts' marks.
fn recounted(bytes: &[u8]) {
    let Ok(file) = serde_json::from_slice::<RecountFile>(bytes) else {
        return;
    };
    static MARKS: OnceLock<SeasonMarks> = OnceLock::new();
    let marks =
        MARKS.get_or_init(|| SeasonMarks::replay(&Journal::read(&journal_seeds()[0]).unwrap()));
    put_right(marks, &file);
}

/// Or there would be nothing to change.
#[test]
fn every_act_can_be_read() {
    let whole = Journal::read(&journal_seeds()[0]).unwrap();
    assert_eq!(whole.entries.len(), 15, "an act's seed is not read");
}

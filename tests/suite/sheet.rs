//! sheet.csv: what spreadsheets do to it, errors with row and column, and what was typed is kept.

use podfall::{
    photo::Position,
    sheet::{CardPage, Column, GuessSettings, Place, Sheet, Shot, cards_html, guess_checks, merge},
};

fn error(text: &str) -> String {
    Sheet::read(text.as_bytes()).unwrap_err().to_string()
}

fn shot(photo: &str, taken: &str, east_m: f64) -> Shot {
    Shot {
        photo: photo.to_owned(),
        taken: Some(taken.to_owned()),
        position: Some(Position {
            lat_deg: 44.0,
            lon_deg: -94.0 + east_m / 111_195.0 / 44.0_f64.to_radians().cos(),
            altitude_m: None,
            error_m: Some(5.0),
        }),
        card: None,
    }
}

#[test]
fn reads_what_spreadsheets_write() {
    let plain = "photo,check,place,hand_beans\r\na.jpg,1,cut,12\r\n\r\nb.jpg,1,behind,\r\n";
    let wanted = Sheet::read(plain.as_bytes()).unwrap();
    assert_eq!(wanted.rows.len(), 2);
    assert_eq!(wanted.rows[0].typed.place, Some(Place::Cut));
    assert_eq!(wanted.rows[0].typed.hand.beans, Some(12.0));
    assert_eq!(wanted.rows[1].typed.hand.beans, None, "empty is not 0");
    let utf16: Vec<u8> = [0xff, 0xfe]
        .into_iter()
        .chain(
            "photo\tcheck\tplace\thand beans\r\na.jpg\t1\tCut\t12\r\nb.jpg\t1\tbehind\t\r\n"
                .encode_utf16()
                .flat_map(u16::to_le_bytes),
        )
        .collect();
    let others: [&[u8]; 5] = [
        b"\xef\xbb\xbfphoto,check,place,hand_beans\na.jpg,1,cut,12\nb.jpg,1,behind,\n",
        b"sep=;\r\nphoto;check;place;hand_beans\r\na.jpg;1;cut;12,0\r\nb.jpg;1;behind;\r\n",
        b"Place,Hand Beans,PHOTO,check,,\ncut,12,a.jpg,1,,\n,,,,,\nbehind,,b.jpg,1,,\n",
        b"photo,check,place,hand_beans,note\na.jpg,1,cut,12,caf\xe9\nb.jpg,1,behind,,\n",
        &utf16,
    ];
    for bytes in others {
        let got = Sheet::read(bytes).unwrap();
        let of = |sheet: &Sheet| -> Vec<_> {
            sheet
                .rows
                .iter()
                .map(|r| (r.photo().to_owned(), r.typed.clone()))
                .collect()
        };
        assert_eq!(of(&got), of(&wanted), "{}", String::from_utf8_lossy(bytes));
    }
}

#[test]
fn errors_name_row_and_column() {
    assert_eq!(
        error("photo,place\na.jpg,cut\nb.jpg,cutt\n"),
        "row 3, column B (place): 'cutt' is not a place; use standing, cut, behind or tray"
    );
    assert!(
        error("photo,plaace\na.jpg,cut\n").starts_with("row 1, column B: 'plaace' is not a column")
    );
    assert!(
        error("check,hand_beans,photo\n1,many,a.jpg\n")
            .starts_with("row 2, column B (hand_beans): 'many'")
    );
    assert!(error("photo,hand_beans\na.jpg,-3\n").contains("'-3' is not a number from 0"));
    assert!(error("photo,hand_beans\na.jpg,nan\n").contains("'nan'"));
    assert_eq!(
        error("photo,moisture_percent\na.jpg,\"3,4\"\n"),
        "row 2, column B (moisture_percent): '3,4' is not a number from 0 to 60; a number takes a point, not a comma: 3.4"
    );
    assert!(
        error("photo,hand_beans\na.jpg,\"1,200\"\n")
            .ends_with("; a number takes a point, not a comma: 1.200, or 1200")
    );
    assert!(error("photo,note\n,hello\n").starts_with("row 2, column A (photo): empty"));
    assert!(
        error("photo\na.jpg\n\na.jpg\n")
            .starts_with("row 4, column A (photo): a.jpg stands in row 2")
    );
    // A line break within a cell is not a row, whatever ends the lines.
    assert!(
        error("photo,place,note\r\na.jpg,cut,\"two\nlines\"\r\n\r\nb.jpg,cutt,\r\n")
            .starts_with("row 4, column B")
    );
    assert!(error("photo,photo\n").contains("stands twice"));
    assert!(error("place\ncut\n").contains("no photo column"));
    assert!(error("photo\na.jpg,7\n").contains("column B: '7' stands under no heading"));
    assert!(
        error("photo,speed_mph,speed_kmh\na.jpg,3,5\n").contains("row 2: speed_mph and speed_kmh")
    );
    assert_eq!(error(""), "the sheet is empty; podfall sheet writes one");
    let sheet = Sheet::read(b"place,photo\ncut,IMG_1.jpg\n").unwrap();
    let unknown = sheet.check_photos(&["img_1.JPG"]).unwrap_err().to_string();
    assert_eq!(
        unknown,
        "row 2, column B (photo): there is no photo 'IMG_1.jpg' among those counted; is it img_1.JPG?"
    );
    assert_eq!(sheet.check_photos(&["IMG_1.jpg"]), Ok(()));
}

#[test]
fn stops_are_told_apart_by_time_and_way() {
    let shots = [
        shot("a", "2026-10-03T10:00:00-05:00", 0.0),
        shot("b", "2026-10-03T10:03:00-05:00", 20.0),
        // A long pause.
        shot("c", "2026-10-03T11:00:00-05:00", 20.0),
        // Far off, soon after.
        shot("d", "2026-10-03T11:02:00-05:00", 300.0),
        // A short pause and a short way.
        shot("e", "2026-10-03T11:09:00-05:00", 360.0),
        Shot {
            photo: "f".to_owned(),
            ..Shot::default()
        },
    ];
    let got = guess_checks(&shots, &GuessSettings::default());
    assert_eq!(got, [Some(1), Some(1), Some(2), Some(3), Some(4), None]);
    // In another order of files, and with an offset that another phone gave, they come out the same.
    let mut turned: Vec<Shot> = shots.iter().rev().cloned().collect();
    turned[5].taken = Some("2026-10-03T15:00:00Z".to_owned());
    let got: Vec<_> = guess_checks(&turned, &GuessSettings::default())
        .into_iter()
        .rev()
        .collect();
    assert_eq!(got, [Some(1), Some(1), Some(2), Some(3), Some(4), None]);
}

#[test]
fn what_was_typed_is_kept() {
    let shots = [
        shot("a", "2026-10-03T10:00:00", 0.0),
        shot("b", "2026-10-03T10:03:00", 0.0),
        shot("c", "2026-10-04T10:00:00", 0.0),
    ];
    let first = merge(None, &shots[..1], &GuessSettings::default());
    assert_eq!(first.added, ["a"]);
    let text = String::from_utf8(first.sheet.write())
        .unwrap()
        .replace("a,1,,", "a,north end,cut,");
    let typed = Sheet::read(text.as_bytes()).unwrap();
    let second = merge(Some(&typed), &shots, &GuessSettings::default());
    assert_eq!(second.added, ["b", "c"]);
    let rows = &second.sheet.rows;
    assert_eq!(
        (rows[0].cell(Column::Check), rows[0].cell(Column::Place)),
        ("north end", "cut")
    );
    assert_eq!(
        rows[1].cell(Column::Check),
        "north end",
        "taken at the same stop"
    );
    assert_eq!(rows[2].cell(Column::Check), "1", "another day");
    // Run again with nothing new it comes out the same, byte for byte.
    let again = merge(
        Some(&Sheet::read(&second.sheet.write()).unwrap()),
        &shots,
        &GuessSettings::default(),
    );
    assert_eq!(again.sheet.write(), second.sheet.write());
    // A photo that went away keeps its row, because something was typed in.
    let gone = merge(Some(&typed), &shots[1..], &GuessSettings::default());
    assert_eq!(gone.gone, ["a"]);
    assert_eq!(gone.sheet.rows[0].photo(), "a");
}

#[test]
fn cards_hold_a_word_and_a_code_each() {
    let page = cards_html(&CardPage {
        first: 3,
        checks: 2,
    });
    assert_eq!(page.matches("<section").count(), 6);
    assert_eq!(page.matches("aria-label=\"code PF1B4").count(), 1);
    assert!(!page.contains("http://") && !page.contains("<script"));
}

/// Found by changing sheets at random: a sheet of semicolons with decimal commas, once written anew, could not be read.
#[test]
fn a_decimal_comma_is_still_a_number_once_the_sheet_is_written_anew() {
    let typed = "photo;check;place;moisture_percent;note\na.jpg;1;cut;12,5;windy, dry\n";
    let sheet = Sheet::read(typed.as_bytes()).unwrap();
    assert_eq!(sheet.rows[0].typed.moisture_percent, Some(12.5));
    let again = Sheet::read(&sheet.write()).unwrap();
    assert_eq!(again.rows[0].typed.moisture_percent, Some(12.5));
    assert_eq!(again.rows[0].cells, sheet.rows[0].cells);
    assert_eq!(again.rows[0].cells.last().unwrap(), "windy, dry");
}

/// Dashes, quotes and the euro sign of Windows-1252 lie where Latin-1 has control characters.
#[test]
fn windows_1252_is_kept_when_the_sheet_is_written_anew() {
    let typed = b"photo,note\na.jpg,\"driver\x92s 2.5\x963 mph, \x805, caf\xe9\"\n";
    let sheet = Sheet::read(typed).unwrap();
    let note = "driver\u{2019}s 2.5\u{2013}3 mph, \u{20ac}5, caf\u{e9}";
    assert_eq!(sheet.rows[0].cell(Column::Note), note);
    let again = Sheet::read(&sheet.write()).unwrap();
    assert_eq!(again.rows[0].cell(Column::Note), note);
    // All 32, by the standard's own list; what is not assigned stays.
    let all: Vec<u8> = b"photo,note\na.jpg,"
        .iter()
        .copied()
        .chain(0x80..=0x9f)
        .collect();
    let codes: Vec<u32> = (Sheet::read(&all).unwrap().rows[0]
        .cell(Column::Note)
        .chars())
    .map(u32::from)
    .collect();
    assert_eq!(
        codes,
        [
            0x20ac, 0x81, 0x201a, 0x192, 0x201e, 0x2026, 0x2020, 0x2021, 0x2c6, 0x2030, 0x160,
            0x2039, 0x152, 0x8d, 0x17d, 0x8f, 0x90, 0x2018, 0x2019, 0x201c, 0x201d, 0x2022, 0x2013,
            0x2014, 0x2dc, 0x2122, 0x161, 0x203a, 0x153, 0x9d, 0x17e, 0x178
        ]
    );
}

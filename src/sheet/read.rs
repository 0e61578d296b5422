//! Reads and writes `sheet.csv`, forgiving what spreadsheets do to it.

use std::collections::HashMap;

use super::{Column, Place, SheetError, column::letter, error::known};
use crate::{loss::HandCounts, units::KMH_PER_MPH};

/// All of a sheet.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Sheet {
    /// Rows in the order in which they stand; empty ones left out.
    pub rows: Vec<Row>,
    pub(super) letters: Vec<Option<String>>,
}

/// One row: what stands in it, and what it says.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Row {
    /// Number of the row in the file, from 1; 0 for a new one.
    pub row: usize,
    /// The cells as typed, in the order of [`Column::ALL`].
    pub cells: [String; Column::COUNT],
    /// What they say.
    pub typed: Typed,
}

/// What a row says.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Typed {
    /// The stop.
    pub check: Option<String>,
    /// Where.
    pub place: Option<Place>,
    /// The machine's setting.
    pub setting: Option<String>,
    /// Checks side by side.
    pub pair: Option<String>,
    /// Ground speed, km/h.
    pub speed_kmh: Option<f64>,
    /// Moisture of the beans, %.
    pub moisture_percent: Option<f64>,
    /// Counted by hand.
    pub hand: HandCounts,
    /// The frame that a tray's beans were picked up from.
    pub tray_of: Option<String>,
}

impl Row {
    /// A new row for a photo.
    pub fn new(photo: &str) -> Self {
        let mut row = Self::default();
        row.cells[Column::Photo.at()] = photo.to_owned();
        row
    }

    /// A cell as typed.
    pub fn cell(&self, column: Column) -> &str {
        &self.cells[column.at()]
    }

    /// The photo's file name.
    pub fn photo(&self) -> &str {
        self.cell(Column::Photo)
    }

    /// Whether a person has put anything in.
    pub fn is_filled(&self) -> bool {
        Column::ALL[1..]
            .iter()
            .any(|&column| !self.cell(column).is_empty())
    }
}

impl Sheet {
    /// Reads a sheet's bytes: UTF-8 with or without a mark, UTF-16 with one, or Windows-1252; commas,
    /// semicolons or tabs; any order of columns; empty rows; a `sep=` line.
    ///
    /// # Errors
    /// [`SheetError`] with row and column.
    pub fn read(bytes: &[u8]) -> Result<Self, SheetError> {
        let text = text_of(bytes)?;
        let (body, skipped) = match text.split_once('\n') {
            Some((first, rest)) if first.to_lowercase().starts_with("sep=") => (rest, 1),
            _ => (text.as_str(), 0),
        };
        let delimiter = delimiter_of(body);
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(delimiter)
            .has_headers(false)
            .flexible(true)
            .from_reader(body.as_bytes());
        let mut records = reader.records();
        let mut rows = Rows {
            body,
            next: skipped,
        };
        let headings = loop {
            match records.next() {
                None => return Err(SheetError::Empty),
                Some(Err(_)) => return Err(SheetError::NotCsv { row: rows.next + 1 }),
                Some(Ok(record)) => {
                    rows.of(&record);
                    if !record.iter().all(|cell| cell.trim().is_empty()) {
                        break record;
                    }
                }
            }
        };
        let columns = columns_of(&headings)?;
        let mut letters = vec![None; Column::COUNT];
        for (at, column) in columns.iter().enumerate() {
            if let Some(column) = column {
                letters[column.at()] = Some(letter(at));
            }
        }
        let mut sheet = Self {
            rows: Vec::new(),
            letters,
        };
        let mut seen: HashMap<String, usize> = HashMap::new();
        for record in records {
            let Ok(record) = record else {
                return Err(SheetError::NotCsv { row: rows.next + 1 });
            };
            let row = rows.of(&record);
            if let Some(row) = sheet.row_of(&record, &columns, row, delimiter)? {
                if let Some(&first) = seen.get(row.photo()) {
                    return Err(SheetError::PhotoTwice {
                        row: row.row,
                        letter: sheet.letter(Column::Photo),
                        photo: row.photo().to_owned(),
                        first,
                    });
                }
                seen.insert(row.photo().to_owned(), row.row);
                sheet.rows.push(row);
            }
        }
        Ok(sheet)
    }

    /// The sheet as CSV: all columns, commas, UTF-8 with the mark that makes spreadsheets read it as such,
    /// lines ended by CR LF (RFC 4180).
    pub fn write(&self) -> Vec<u8> {
        let mut writer = csv::WriterBuilder::new()
            .terminator(csv::Terminator::CRLF)
            .from_writer("\u{feff}".as_bytes().to_vec());
        // Speed in one unit is enough for a fresh sheet; the other column stays where somebody used it.
        let used: Vec<Column> = Column::ALL
            .into_iter()
            .filter(|&column| {
                column != Column::SpeedKmh || self.rows.iter().any(|r| !r.cell(column).is_empty())
            })
            .collect();
        let memory = "writing to memory does not fail";
        writer
            .write_record(used.iter().map(|c| c.word()))
            .expect(memory);
        for row in &self.rows {
            writer
                .write_record(used.iter().map(|&c| row.cell(c)))
                .expect(memory);
        }
        writer.into_inner().expect(memory)
    }

    /// Checks that every photo named is among those counted.
    ///
    /// # Errors
    /// [`SheetError::UnknownPhoto`] for the first that is not.
    pub fn check_photos(&self, photos: &[&str]) -> Result<(), SheetError> {
        let known: std::collections::HashSet<&str> = photos.iter().copied().collect();
        for row in &self.rows {
            for column in [Column::Photo, Column::TrayOf] {
                let photo = row.cell(column);
                if photo.is_empty() || known.contains(photo) {
                    continue;
                }
                let alike = photos.iter().find(|p| stem(p) == stem(photo));
                return Err(SheetError::UnknownPhoto {
                    row: row.row,
                    letter: self.letter(column),
                    word: column.word(),
                    photo: photo.to_owned(),
                    hint: match alike {
                        Some(p) => format!("; is it {p}?"),
                        None => "; write its new name there if it was renamed, put it back and count again, or take the row \
                                 out"
                        .to_owned(),
                    },
                });
            }
        }
        Ok(())
    }

    /// The letter by which a spreadsheet calls a column of this sheet.
    fn letter(&self, column: Column) -> String {
        let own = self.letters.get(column.at()).cloned().flatten();
        own.unwrap_or_else(|| letter(column.at()))
    }

    fn row_of(
        &self,
        record: &csv::StringRecord,
        columns: &[Option<Column>],
        row: usize,
        delimiter: u8,
    ) -> Result<Option<Row>, SheetError> {
        let mut cells: [String; Column::COUNT] = Default::default();
        for (at, cell) in record.iter().enumerate() {
            let cell = cell.trim();
            match columns.get(at).copied().flatten() {
                Some(column) => cells[column.at()] = cell.to_owned(),
                None if cell.is_empty() => {}
                None => {
                    return Err(SheetError::CellWithoutHeading {
                        row,
                        letter: letter(at),
                        text: cell.to_owned(),
                    });
                }
            }
        }
        if cells.iter().all(String::is_empty) {
            return Ok(None);
        }
        if cells[Column::Photo.at()].is_empty() {
            return Err(SheetError::NoPhoto {
                row,
                letter: self.letter(Column::Photo),
            });
        }
        let typed = self.typed(&cells, row, delimiter)?;
        if delimiter != b',' {
            // The sheet is written with commas between the cells, where a decimal comma would not be understood.
            for column in Column::ALL.into_iter().filter(|c| c.most().is_some()) {
                let cell = &mut cells[column.at()];
                *cell = cell.replace(',', ".");
            }
        }
        Ok(Some(Row { row, cells, typed }))
    }

    fn typed(
        &self,
        cells: &[String; Column::COUNT],
        row: usize,
        delimiter: u8,
    ) -> Result<Typed, SheetError> {
        let word = |column: Column| {
            let text = &cells[column.at()];
            (!text.is_empty()).then(|| text.clone())
        };
        let number = |column: Column| -> Result<Option<f64>, SheetError> {
            let Some(text) = word(column) else {
                return Ok(None);
            };
            let most = column.most().unwrap_or(f64::MAX);
            // Where semicolons part the cells, a comma is the decimal point.
            let point = if delimiter == b',' {
                text.clone()
            } else {
                text.replace(',', ".")
            };
            match point.trim_end_matches('%').trim().parse::<f64>() {
                Ok(value) if (0.0..=most).contains(&value) => Ok(Some(value)),
                _ => Err(SheetError::NotANumber {
                    row,
                    letter: self.letter(column),
                    word: column.word(),
                    text,
                    most,
                }),
            }
        };
        let place = word(Column::Place)
            .map(|text| {
                Place::of_word(&text).ok_or_else(|| SheetError::UnknownPlace {
                    row,
                    letter: self.letter(Column::Place),
                    text,
                })
            })
            .transpose()?;
        let mph = number(Column::SpeedMph)?;
        let kmh = number(Column::SpeedKmh)?;
        if mph.is_some() && kmh.is_some() {
            return Err(SheetError::TwoSpeeds { row });
        }
        Ok(Typed {
            check: word(Column::Check),
            place,
            setting: word(Column::Setting),
            pair: word(Column::Pair),
            speed_kmh: kmh.or(mph.map(|v| v * KMH_PER_MPH)),
            moisture_percent: number(Column::MoisturePercent)?,
            hand: HandCounts {
                beans: number(Column::HandBeans)?,
                pods: number(Column::HandPods)?,
                stubble_pods: number(Column::StubblePods)?,
                lodged_pods: number(Column::LodgedPods)?,
                stalk_pods: number(Column::StalkPods)?,
            },
            tray_of: word(Column::TrayOf),
        })
    }
}

/// Numbers rows as a spreadsheet does: empty lines count, line breaks within a cell do not.
struct Rows<'a> {
    body: &'a str,
    /// Row of the record read last.
    next: usize,
}

impl Rows<'_> {
    /// The row of the record just read.
    fn of(&mut self, record: &csv::StringRecord) -> usize {
        let from = record.position().map_or(0, |p| p.byte() as usize);
        let bytes = self.body.as_bytes();
        let mut at = from.min(bytes.len());
        // The line feed that belongs to the carriage return which ended the record before.
        if at > 0 && bytes[at - 1] == b'\r' && bytes.get(at) == Some(&b'\n') {
            at += 1;
        }
        let empty = bytes[at..]
            .iter()
            .take_while(|b| matches!(b, b'\r' | b'\n'));
        let (mut feeds, mut returns) = (0, 0);
        for byte in empty {
            if *byte == b'\n' {
                feeds += 1;
            } else {
                returns += 1;
            }
        }
        self.next += 1 + if feeds > 0 { feeds } else { returns };
        self.next
    }
}

/// File name without its ending, lower case, to see what was meant.
fn stem(name: &str) -> String {
    name.rsplit_once('.')
        .map_or(name, |parts| parts.0)
        .to_lowercase()
}

/// What Windows-1252 has where Latin-1 has control characters: bytes 0x80 to 0x9F. Five are not assigned and stay.
///
/// # Source
/// WHATWG Encoding Standard, index windows-1252.
const WINDOWS_1252: [char; 32] = [
    '€', '\u{81}', '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', '\u{8d}', 'Ž', '\u{8f}',
    '\u{90}', '‘', '’', '“', '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', '\u{9d}', 'ž', 'Ÿ',
];

fn of_windows_1252(byte: u8) -> char {
    match byte {
        0x80..=0x9f => WINDOWS_1252[usize::from(byte - 0x80)],
        _ => char::from(byte),
    }
}

/// Text of a file that a spreadsheet wrote.
fn text_of(bytes: &[u8]) -> Result<String, SheetError> {
    let utf16 = |bytes: &[u8], unit: fn([u8; 2]) -> u16| {
        let units: Vec<u16> = bytes.chunks_exact(2).map(|b| unit([b[0], b[1]])).collect();
        String::from_utf16(&units).map_err(|_| SheetError::NotText)
    };
    let text = match bytes {
        [0xff, 0xfe, rest @ ..] => utf16(rest, u16::from_le_bytes)?,
        [0xfe, 0xff, rest @ ..] => utf16(rest, u16::from_be_bytes)?,
        [0xef, 0xbb, 0xbf, rest @ ..] => {
            String::from_utf8(rest.to_vec()).map_err(|_| SheetError::NotText)?
        }
        _ => match std::str::from_utf8(bytes) {
            Ok(text) => text.to_owned(),
            Err(_) => bytes.iter().map(|&b| of_windows_1252(b)).collect(),
        },
    };
    if text.contains('\0') {
        return Err(SheetError::NotText);
    }
    Ok(text)
}

/// What parts the cells: whichever is most frequent in the first row that is not empty.
fn delimiter_of(text: &str) -> u8 {
    let first = text
        .lines()
        .find(|line| !line.trim().is_empty())
        .unwrap_or("");
    let of = |c: char| first.matches(c).count();
    [(b';', ';'), (b'\t', '\t')]
        .into_iter()
        .filter(|&(_, c)| of(c) > of(','))
        .max_by_key(|&(_, c)| of(c))
        .map_or(b',', |(byte, _)| byte)
}

fn columns_of(headings: &csv::StringRecord) -> Result<Vec<Option<Column>>, SheetError> {
    let mut columns: Vec<Option<Column>> = Vec::new();
    for (at, word) in headings.iter().enumerate() {
        if word.trim().is_empty() {
            columns.push(None);
            continue;
        }
        let Some(column) = Column::of_word(word) else {
            return Err(SheetError::UnknownColumn {
                letter: letter(at),
                word: word.trim().to_owned(),
                known: known(),
            });
        };
        if columns.contains(&Some(column)) {
            return Err(SheetError::ColumnTwice {
                letter: letter(at),
                word: column.word(),
            });
        }
        columns.push(Some(column));
    }
    if columns.contains(&Some(Column::Photo)) {
        Ok(columns)
    } else {
        Err(SheetError::NoPhotoColumn)
    }
}

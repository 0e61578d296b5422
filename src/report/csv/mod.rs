//! `counts.csv`: one row a photo, for any spreadsheet. Units stand in the column names.

use csv::Writer;

use crate::{
    counts::{CountsFile, Limits, PhotoCount, Status},
    units::{GroundM2, M2_PER_FT2},
};

/// The columns, in order.
pub const COLUMNS: [&str; 32] = [
    "photo",
    "status",
    "problem",
    "taken",
    "lat_deg",
    "lon_deg",
    "frame",
    "area_m2",
    "area_low_m2",
    "area_high_m2",
    "area_ft2",
    "photo_px_per_mm",
    "residue_cover_pct",
    "beans",
    "beans_low_95",
    "beans_high_95",
    "split_beans",
    "split_beans_low_95",
    "split_beans_high_95",
    "pods",
    "pods_low_95",
    "pods_high_95",
    "beans_in_pods",
    "beans_in_pods_low_95",
    "beans_in_pods_high_95",
    "beans_per_ft2",
    "beans_per_m2",
    "objects_counted",
    "objects_doubtful",
    "cautions",
    "frame_confidence",
    "sha256",
];

/// The table of counts as CSV (RFC 4180, lines ended by CR LF, UTF-8), a header and one row a
/// photo in the order of `counts`. What is not known is left empty. `beans_per_ft2` and
/// `beans_per_m2` are loose beans over the ground seen.
///
/// Text that a spreadsheet would take for a formula gets an apostrophe before it.
pub fn counts_csv(counts: &CountsFile) -> String {
    let mut writer = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    let mut put = |row: &[String]| write(&mut writer, row);
    put(&COLUMNS.map(str::to_owned));
    for photo in &counts.photos {
        put(&row(photo));
    }
    let bytes = writer.into_inner().expect("writing to memory cannot fail");
    String::from_utf8(bytes).expect("every field is text")
}

fn write(writer: &mut Writer<Vec<u8>>, row: &[String]) {
    writer
        .write_record(row)
        .expect("writing to memory cannot fail and all rows are of one length");
}

fn row(photo: &PhotoCount) -> Vec<String> {
    let mut row = vec![
        text(&photo.photo),
        word(photo.status).to_owned(),
        text(photo.problem.as_deref().unwrap_or("")),
        text(photo.meta.taken.as_deref().unwrap_or("")),
    ];
    let position = photo.meta.position;
    row.push(number(position.map(|p| p.lat_deg), 6));
    row.push(number(position.map(|p| p.lon_deg), 6));
    row.push(text(&photo.frame_spec.to_string()));
    let plot = photo.plot;
    row.push(number(plot.map(|p| p.area_m2), 5));
    row.push(number(plot.map(|p| p.area_low_m2), 5));
    row.push(number(plot.map(|p| p.area_high_m2), 5));
    row.push(number(plot.map(|p| p.area_m2 / M2_PER_FT2), 4));
    row.push(number(plot.map(|p| p.photo_px_per_mm), 3));
    row.push(number(photo.ground.map(|g| g.residue_cover_pct), 1));
    let counts = photo.counts;
    row.extend(limits(counts.map(|c| c.beans)));
    row.extend(limits(counts.map(|c| c.split_beans)));
    row.extend(limits(counts.map(|c| c.pods)));
    row.extend(limits(counts.map(|c| c.beans_in_pods)));
    let ground = plot.and_then(|p| GroundM2::new(p.area_m2));
    let density = counts.zip(ground).map(|(c, g)| (c.beans.estimate, g));
    row.push(number(density.map(|(n, g)| n / g.ft2()), 3));
    row.push(number(density.map(|(n, g)| n / g.m2()), 2));
    let objects = |is: fn(&crate::counts::Object) -> bool| {
        let number = photo.objects.iter().filter(|o| is(o)).count();
        counts.map_or_else(String::new, |_| number.to_string())
    };
    row.push(objects(|o| o.counted));
    row.push(objects(|o| o.doubtful));
    let cautions: Vec<&str> = photo.cautions.iter().map(|c| c.kind.word()).collect();
    row.push(cautions.join("; "));
    row.push(number(photo.frame.as_ref().map(|f| f.found.confidence), 3));
    row.push(text(&photo.meta.sha256));
    row
}

/// The word for a status, as in JSON.
pub fn word(status: Status) -> &'static str {
    match status {
        Status::Counted => "counted",
        Status::Confirm => "confirm",
        Status::Refused => "refused",
        Status::Failed => "failed",
    }
}

fn limits(limits: Option<Limits>) -> [String; 3] {
    let put = |pick: fn(Limits) -> f64| number(limits.map(pick), 2);
    [put(|l| l.estimate), put(|l| l.low), put(|l| l.high)]
}

/// A number with at most this many decimals; empty where there is none.
fn number(value: Option<f64>, decimals: usize) -> String {
    let Some(value) = value.filter(|v| v.is_finite()) else {
        return String::new();
    };
    let full = format!("{value:.decimals$}");
    let short = if full.contains('.') {
        full.trim_end_matches('0').trim_end_matches('.')
    } else {
        &full
    };
    if short == "-0" { "0" } else { short }.to_owned()
}

/// Text that no spreadsheet takes for a formula: one that begins, after blanks, with a sign by
/// which spreadsheets know a formula gets an apostrophe before it. Control signs become blanks.
fn text(text: &str) -> String {
    let plain: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    let formula = ['=', '+', '-', '@', '＝', '＋', '－', '＠', '|', '%'];
    if plain.trim_start().starts_with(formula) {
        format!("'{plain}")
    } else {
        plain
    }
}

#[cfg(test)]
mod tests;

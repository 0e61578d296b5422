//! `counts.csv`: one row a photo.

use crate::counts::{CountsFile, Kind, Limits, PhotoCount, Status};

const COLUMNS: [&str; 28] = [
    "photo",
    "status",
    "problem",
    "taken",
    "lat_deg",
    "lon_deg",
    "position_error_m",
    "frame",
    "area_m2",
    "beans",
    "beans_low",
    "beans_high",
    "split_beans",
    "split_beans_low",
    "split_beans_high",
    "pods",
    "pods_low",
    "pods_high",
    "beans_in_pods",
    "beans_in_pods_low",
    "beans_in_pods_high",
    "residue_cover_pct",
    "doubtful_beans",
    "doubtful_pods",
    "frame_confidence",
    "tilt_deg",
    "cautions",
    "sha256",
];

/// The table as CSV (RFC 4180, UTF-8). What is not known is left empty.
pub(super) fn counts_csv(counts: &CountsFile) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let rows = std::iter::once(COLUMNS.map(str::to_owned)).chain(counts.photos.iter().map(row));
    for row in rows {
        writer.write_record(row).expect("rows are of one length");
    }
    let bytes = writer.into_inner().expect("memory takes every row");
    String::from_utf8(bytes).expect("cells are text")
}

fn row(photo: &PhotoCount) -> [String; COLUMNS.len()] {
    let position = photo.meta.position;
    let limits = |of: fn(&crate::counts::Counts) -> Limits| {
        let limits = photo.counts.as_ref().map(of);
        [
            number(limits.map(|l| l.estimate)),
            number(limits.map(|l| l.low)),
            number(limits.map(|l| l.high)),
        ]
    };
    let [beans, beans_low, beans_high] = limits(|c| c.beans);
    let [split, split_low, split_high] = limits(|c| c.split_beans);
    let [pods, pods_low, pods_high] = limits(|c| c.pods);
    let [in_pods, in_pods_low, in_pods_high] = limits(|c| c.beans_in_pods);
    let doubtful = |pod: bool| {
        let is = |kind: Kind| (kind == Kind::Pod) == pod;
        let objects = photo.objects.iter();
        objects
            .filter(|o| o.doubtful && is(o.kind))
            .count()
            .to_string()
    };
    let cautions: Vec<&str> = photo.cautions.iter().map(|c| c.kind.word()).collect();
    let found = photo.frame.as_ref().map(|frame| &frame.found);
    [
        photo.photo.clone(),
        status_word(photo.status).to_owned(),
        photo.problem.clone().unwrap_or_default(),
        photo.meta.taken.clone().unwrap_or_default(),
        number(position.map(|p| p.lat_deg)),
        number(position.map(|p| p.lon_deg)),
        number(position.and_then(|p| p.error_m)),
        photo.frame_spec.to_string(),
        number(photo.plot.map(|plot| plot.area_m2)),
        beans,
        beans_low,
        beans_high,
        split,
        split_low,
        split_high,
        pods,
        pods_low,
        pods_high,
        in_pods,
        in_pods_low,
        in_pods_high,
        number(photo.ground.map(|ground| ground.residue_cover_pct)),
        doubtful(false),
        doubtful(true),
        number(found.map(|found| found.confidence)),
        number(found.and_then(|found| found.tilt_deg)),
        cautions.join(" "),
        photo.meta.sha256.clone(),
    ]
}

/// The word for a status, as in JSON.
fn status_word(status: Status) -> &'static str {
    match status {
        Status::Counted => "counted",
        Status::Confirm => "confirm",
        Status::Refused => "refused",
        Status::Failed => "failed",
    }
}

/// As in JSON; nothing where there is no number.
fn number(value: Option<f64>) -> String {
    value.map(|value| value.to_string()).unwrap_or_default()
}

//! The loss for scripts and spreadsheets: JSON, CSV, and GeoJSON of the checks.

use serde_json::json;

use super::geo::points_geojson;
use crate::{
    counts::Limits,
    loss::{Amount, SeasonLoss, SourceLoss},
    next::Next,
};

/// Version of the form of `loss.json`.
pub const SCHEMA: u32 = 1;

/// All of the loss as JSON: sources, places, settings, checks, assumptions, what to look at next.
pub fn loss_json(season: &SeasonLoss, next: Option<&Next>) -> String {
    let value = json!({
        "schema": SCHEMA,
        "podfall": env!("CARGO_PKG_VERSION"),
        "season": season,
        "next": next,
    });
    let mut text = serde_json::to_string_pretty(&value).expect("plain values turn into JSON");
    text.push('\n');
    text
}

/// One row a source, for all frames and for each setting.
pub fn loss_csv(season: &SeasonLoss) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let memory = "writing to memory does not fail";
    let mut heads: Vec<String> = ["setting", "source"].map(str::to_owned).to_vec();
    for unit in UNITS {
        heads.extend([
            unit.0.to_owned(),
            format!("{}_low", unit.0),
            format!("{}_high", unit.0),
        ]);
    }
    heads.extend(
        [
            "frames_photo",
            "frames_confirmed",
            "frames_ratio",
            "frames_hand",
            "frames_hand_pods",
        ]
        .map(str::to_owned),
    );
    writer.write_record(&heads).expect(memory);
    let everything = std::iter::once(("", &season.all));
    for (setting, loss) in everything.chain(season.by_setting.iter().map(|(s, l)| (s.as_str(), l)))
    {
        for row in rows(setting, loss) {
            writer.write_record(&row).expect(memory);
        }
    }
    String::from_utf8(writer.into_inner().expect(memory)).expect("only text was written")
}

type Column = (&'static str, fn(&Amount) -> Option<Limits>);

const UNITS: [Column; 8] = [
    ("beans_per_ft2", |a| Some(a.beans_per_ft2)),
    ("beans_per_m2", |a| Some(a.beans_per_m2)),
    ("bu_per_ac", |a| Some(a.bu_per_ac)),
    ("lb_per_ac", |a| Some(a.lb_per_ac)),
    ("kg_per_ha", |a| Some(a.kg_per_ha)),
    ("percent_of_yield", |a| a.percent_of_yield),
    ("money_per_ac", |a| a.money_per_ac),
    ("money", |a| a.money),
];

fn rows(setting: &str, loss: &SourceLoss) -> Vec<Vec<String>> {
    let figure = |value: f64| format!("{value:.4}");
    loss.sources
        .iter()
        .map(|source| {
            let mut row = vec![setting.to_owned(), source.source.word().to_owned()];
            for (_, of) in UNITS {
                match of(&source.amount) {
                    Some(l) => row.extend([l.estimate, l.low, l.high].map(figure)),
                    None => row.extend([const { String::new() }; 3]),
                }
            }
            let on = source.rests_on;
            row.extend(
                [on.photo, on.confirmed, on.ratio, on.hand, on.hand_pods].map(|n| n.to_string()),
            );
            row
        })
        .collect()
}

/// The checks that have a position, as a GeoJSON feature collection.
pub fn checks_geojson(season: &SeasonLoss) -> String {
    points_geojson(season.checks.iter().filter_map(|check| {
        let properties = json!({
            "check": check.check,
            "settings": check.settings,
            "taken": check.taken,
            "frames": check.frames,
            "beans_per_ft2": check.beans_per_ft2,
            "total_bu_per_ac": check.total_bu_per_ac,
        });
        Some((check.position?, properties))
    }))
}

//! What to look at next: the largest source, what the handbook looks at first for it, one change at a time.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::{
    counts::Limits,
    loss::{SeasonLoss, Source, SourceLoss},
    plan::TooFew,
};

/// What to look at next.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Next {
    /// The largest source.
    pub source: Source,
    /// How much is lost there, bu/ac.
    pub bu_per_ac: Limits,
    /// How sure it is that this is the largest, in words.
    pub how_sure: String,
    /// Whether it is more than the handbook calls a lot, in words; `None` where it says nothing.
    pub how_much: Option<String>,
    /// What is looked at first, most likely first. One of them at a time.
    pub look_at: Vec<Remedy>,
    /// How to go about it.
    pub manner: Vec<String>,
    /// Settings in the sheet outside the range of the machine's own manual.
    pub outside_manual: Vec<OutsideManual>,
    /// Safety, before anything is touched.
    pub safety: Vec<String>,
}

/// One thing to look at.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Remedy {
    /// What.
    pub what: &'static str,
    /// Where it is said.
    pub source: &'static str,
}

/// A setting outside the range that the person wrote down from his manual.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OutsideManual {
    /// The setting as it stands in the sheet.
    pub setting: String,
    /// Which of its values.
    pub name: String,
    /// What it is.
    pub value: f64,
    /// The manual's range.
    pub range: ManualRange,
}

/// Least and most that the machine's own manual allows, in the unit that the person uses for it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ManualRange {
    /// Least.
    pub least: f64,
    /// Most.
    pub most: f64,
}

const KNOX: &str = "Ohio State Knox Co. 2023; MSU 2019, 2021";
const G1280: &str = "Missouri Extension G1280, rev. 1993";

/// What the handbook looks at first for a source.
fn remedies(source: Source) -> Vec<Remedy> {
    let from = |source: &'static str, what: &[&'static str]| {
        what.iter()
            .map(|&what| Remedy { what, source })
            .collect::<Vec<_>>()
    };
    match source {
        Source::PreHarvest => from(
            "Staton, MSU Extension 2012",
            &["no setting brings these back: harvest the next field sooner, before it dries further"],
        ),
        Source::Shatter => [
            from(
                "Ohio State Knox Co. 2023; MSU 2019, 2021; ground speed: common practice",
                &["drive slower, 2.5 to 3 mph (4 to 5 km/h) if beans shatter"],
            ),
            from(
                G1280,
                &["turn the reel slower: no more than 25 % faster than the ground speed"],
            ),
            from(
                KNOX,
                &["do not harvest below 11 % moisture; cut in the morning or evening, when pods are tougher"],
            ),
        ]
        .concat(),
        Source::Stubble => from(
            KNOX,
            &["run the cutter bar on the ground", "set the skid shoes lower", "tilt the header forward, about 3°"],
        ),
        Source::Lodged => from(KNOX, &["run the reel further forward and low"]),
        Source::LooseStalks => from(
            "Staton, MSU Extension 2012 (the source); remedy by common practice",
            &["bring the reel closer to the cutter bar so that cut stalks are swept in"],
        ),
        Source::Through => from(
            KNOX,
            &["drive slower, so that less goes through", "feed evenly", "then cylinder or rotor, concave, fan and sieves, one at a time"],
        ),
        Source::Machine => from(
            "Staton, MSU Extension 2012 (the places)",
            &["back up a machine length and lay frames in the cut strip too: they part the header from what goes through"],
        ),
        Source::Header | Source::Total => Vec::new(),
    }
}

const LEMMONS: &str = "Lemmons, Univ. of Nebraska, c. 2010";

/// Losses that an attentive operator stays below, % of yield (Lemmons, Univ. of Nebraska, c. 2010).
fn a_lot_percent(source: Source) -> Option<f64> {
    match source {
        Source::PreHarvest => Some(0.25),
        Source::Shatter | Source::Stubble => Some(0.75),
        Source::Lodged | Source::LooseStalks => Some(0.5),
        Source::Machine => Some(2.75),
        Source::Total => Some(3.0),
        Source::Header | Source::Through => None,
    }
}

/// What to look at next; `None` where no source can be told.
///
/// - `manual`: ranges that the person wrote down from his machine's manual, by name.
pub fn next(season: &SeasonLoss, manual: &BTreeMap<String, ManualRange>) -> Option<Next> {
    let loss = &season.all;
    // What fell before harvest cannot be set on the machine: told only where it is all there is.
    let machine = loss
        .sources
        .iter()
        .filter(|s| s.source.is_part() && s.source != Source::PreHarvest)
        .max_by(|a, b| {
            a.amount
                .bu_per_ac
                .estimate
                .total_cmp(&b.amount.bu_per_ac.estimate)
        });
    // Without frames in the cut strip header and machine are told together.
    let together = || loss.get(Source::Machine);
    let largest = (machine.or_else(together)).or_else(|| loss.largest_part())?;
    let settings = crate::contrast::settings_in(season);
    Some(Next {
        source: largest.source,
        bu_per_ac: largest.amount.bu_per_ac,
        how_sure: how_sure(loss, largest.source),
        how_much: how_much(loss, largest.source),
        look_at: remedies(largest.source),
        manner: [
            "change one thing at a time, and write it into the setting column",
            "stay inside the range that the machine's own manual gives",
            "then lay frames again at the same places and compare with contrast",
        ]
        .map(str::to_owned)
        .to_vec(),
        outside_manual: outside_manual(&settings, manual),
        safety: SAFETY.map(str::to_owned).to_vec(),
    })
}

/// Said wherever somebody is sent to the machine (NDSU 2004; extension and growers' council guides).
pub const SAFETY: [&str; 4] = [
    "Engine off, key out and in your pocket, everything at a stop, before anybody is in front of, under or behind the machine.",
    "Block the header, or set the cylinder stops, before anybody is near or under it raised.",
    "Never check behind a spreader or chopper that is running.",
    "The machine's own manual and local rules come first, whatever stands here.",
];

fn how_sure(loss: &SourceLoss, largest: Source) -> String {
    let Some(top) = loss.get(largest) else {
        return String::new();
    };
    let rival = loss
        .sources
        .iter()
        .filter(|s| s.source.is_part() && s.source != largest && s.source != Source::PreHarvest)
        .max_by(|a, b| {
            a.amount
                .bu_per_ac
                .estimate
                .total_cmp(&b.amount.bu_per_ac.estimate)
        });
    let Some(rival) = rival else {
        return match largest {
            Source::Machine => {
                "whether at the header or through the machine, these frames do not tell"
            }
            Source::PreHarvest => "it is all that these frames tell",
            _ => "it is the only source at the machine that these frames tell",
        }
        .to_owned();
    };
    let larger = crate::loss::share_above(top, rival);
    let word = if larger >= 0.95 {
        "these frames show clearly"
    } else if larger >= 0.8 {
        "these frames make it likely"
    } else {
        "these frames do not settle"
    };
    format!(
        "{word} that it is more than the next ({}): {:.0} in 100",
        rival.source.title(),
        (100.0 * larger).clamp(1.0, 99.0)
    )
}

fn how_much(loss: &SourceLoss, source: Source) -> Option<String> {
    let amount = &loss.get(source)?.amount;
    let percent = amount.percent_of_yield?;
    let most = a_lot_percent(source)?;
    if let Some(words) = TooFew::of(loss).short(amount) {
        return Some(format!(
            "{:.2} % of yield and loss together; up to {most} % is held to be attainable ({LEMMONS}): {words} whether it is more",
            percent.estimate
        ));
    }
    let told = if percent.low > most {
        "it is more than that"
    } else if percent.high < most {
        "it is less than that"
    } else {
        "it may be more or less than that"
    };
    Some(format!(
        "{:.2} % of yield and loss together ({:.2} to {:.2}); up to {most} % is held to be attainable ({LEMMONS}): {told}",
        percent.estimate, percent.low, percent.high
    ))
}

/// Values written as `name=value` in the sheet's settings that lie outside the manual's range.
///
/// A setting reads `rotor_rpm=850; concave_mm=22, early` or `reel slower rotor_rpm=850`: what is not
/// `name=value` is passed over.
pub fn outside_manual(
    settings: &[String],
    manual: &BTreeMap<String, ManualRange>,
) -> Vec<OutsideManual> {
    let mut outside = Vec::new();
    for setting in settings {
        for (at, _) in setting.match_indices('=') {
            let word = |c: char| c.is_whitespace() || c == ';' || c == ',';
            let name = setting[..at].trim_end().rsplit(word).next();
            let value = setting[at + 1..].trim_start().split(word).next();
            let (name, value) = (name.unwrap_or_default(), value.unwrap_or_default());
            let (Some(range), Ok(value)) = (manual.get(name), value.parse::<f64>()) else {
                continue;
            };
            if !(range.least..=range.most).contains(&value) {
                outside.push(OutsideManual {
                    setting: setting.clone(),
                    name: name.to_owned(),
                    value,
                    range: *range,
                });
            }
        }
    }
    outside
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_setting_outside_the_manual_is_pointed_out() {
        let manual = BTreeMap::from([(
            "rotor_rpm".to_owned(),
            ManualRange {
                least: 300.0,
                most: 700.0,
            },
        )]);
        let settings = [
            "rotor_rpm=850; concave_mm=22".to_owned(),
            "rotor_rpm = 600, late".to_owned(),
            "reel slower rotor_rpm=900 concave_mm=22".to_owned(),
        ];
        let outside = outside_manual(&settings, &manual);
        assert_eq!(outside.len(), 2);
        assert_eq!(outside[1].value, 900.0);
        assert_eq!(
            (outside[0].name.as_str(), outside[0].value),
            ("rotor_rpm", 850.0)
        );
    }

    #[test]
    fn every_part_has_something_to_look_at() {
        for source in Source::ALL {
            // Header and machine together come first where frames do not tell them apart.
            let comes_first = source.is_part() || source == Source::Machine;
            assert_eq!(remedies(source).is_empty(), !comes_first, "{source:?}");
        }
    }
}

//! A season folder: `podfall.toml` says once what the frame, the crop and the machine are.

mod told;

use std::collections::BTreeMap;

use serde::Deserialize;

pub use told::Told;

use crate::{
    counts::Limits,
    frame::{FrameSpec, FrameSpecError},
    loss::{Amount, Assumptions},
    units::{LengthError, length_mm},
};

/// Name of the file that makes a folder a season folder.
pub const FILE: &str = "podfall.toml";
/// Folder of the photos in a season folder. Never written to.
pub const PHOTOS: &str = "photos";

/// What `podfall.toml` says. Nothing is filled in here: what is `None` was not said.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Season {
    /// Shape and inside size of the frame.
    pub frame: Option<FrameSpec>,
    /// Height of the bar's inner top edge above the ground, mm.
    pub bar_height_mm: Option<f64>,
    /// The crop's name, lower case.
    pub crop: Option<String>,
    /// Size of the seed.
    pub seed: Option<SeedSize>,
    /// Weight of a standard bushel, lb.
    pub bushel_weight_lb: Option<f64>,
    /// Moisture of the beans when the seed's size was weighed, % of wet weight.
    pub moisture_pct: Option<f64>,
    /// Moisture of a standard bushel, % of wet weight.
    pub standard_moisture_pct: Option<f64>,
    /// Beans in a pod where nobody counted them.
    pub beans_per_pod: Option<f64>,
    /// Cut width, mm.
    pub header_width_mm: Option<f64>,
    /// Width over which the machine lets residue fall, mm.
    pub discharge_width_mm: Option<f64>,
    /// Harvested yield, bu/ac.
    pub yield_bu_per_ac: Option<f64>,
    /// Ground harvested or to be harvested, ac.
    pub area_ac: Option<f64>,
    /// Price of a bushel, in `currency`.
    pub price_per_bu: Option<f64>,
    /// The currency's sign or letters, as it should be printed.
    pub currency: Option<String>,
    /// Unit in which losses are told first.
    pub units: Option<LossUnit>,
    /// Standard deviation of the seed's size, in the unit in which it was given.
    pub seed_spread: Option<f64>,
    /// Least and most of a setting by the machine's own manual, by the setting's name.
    pub manual: BTreeMap<String, (f64, f64)>,
    /// The field, as the person calls it; only for the record.
    pub field: Option<String>,
    /// The machine and header, in the person's words; only for the record.
    pub machine: Option<String>,
    /// Who made the record; only for the record.
    pub by: Option<String>,
    /// Lengths as they stand there; only for the record.
    pub written: Lengths,
}

/// Lengths as the person wrote them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Lengths {
    /// Cut width.
    pub header_width: Option<String>,
    /// Width over which the machine lets residue fall.
    pub discharge_width: Option<String>,
}

/// Size of the seed, in the one of two ways that was given.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SeedSize {
    /// Seeds in one pound.
    SeedsPerLb(f64),
    /// Weight of a thousand seeds, g.
    ThousandSeedWeightG(f64),
}

/// Unit in which losses are told first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub enum LossUnit {
    /// Bushels an acre.
    #[serde(rename = "bu/ac")]
    BuPerAc,
    /// Pounds an acre.
    #[serde(rename = "lb/ac")]
    LbPerAc,
    /// Kilograms a hectare.
    #[serde(rename = "kg/ha")]
    KgPerHa,
}

impl LossUnit {
    /// As it is written.
    pub fn name(self) -> &'static str {
        match self {
            Self::BuPerAc => "bu/ac",
            Self::LbPerAc => "lb/ac",
            Self::KgPerHa => "kg/ha",
        }
    }

    /// An amount in this unit.
    pub fn of(self, amount: &Amount) -> Limits {
        match self {
            Self::BuPerAc => amount.bu_per_ac,
            Self::LbPerAc => amount.lb_per_ac,
            Self::KgPerHa => amount.kg_per_ha,
        }
    }

    /// How many of this unit are in one bushel an acre.
    pub fn in_one_bushel(self, assumptions: &Assumptions) -> f64 {
        let one = crate::loss::one_bushel(assumptions);
        match self {
            Self::BuPerAc => 1.0,
            Self::LbPerAc => one.lb_per_ac.estimate,
            Self::KgPerHa => one.kg_per_ha.estimate,
        }
    }
}

/// Why `podfall.toml` could not be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SeasonError {
    /// Not TOML, an unknown key or unit, or a value of the wrong kind.
    #[error("line {line}: {what}")]
    Form {
        /// Line, from 1.
        line: usize,
        /// What the reader of TOML said, on one line.
        what: String,
    },
    /// The frame could not be read.
    #[error("frame: {why}")]
    Frame {
        /// Why. In the text, for the key alone says little, and so no source beside it.
        why: FrameSpecError,
    },
    /// A length could not be read.
    #[error("{key}: {why}")]
    Length {
        /// Which.
        key: &'static str,
        /// Why, as for the frame.
        why: LengthError,
    },
    /// A number out of its range.
    #[error("{key} is {value}, must be from {least} to {most}")]
    Range {
        /// Which.
        key: &'static str,
        /// What was written.
        value: f64,
        /// Least taken.
        least: f64,
        /// Most taken.
        most: f64,
    },
    /// The seed's size was given twice.
    #[error("seeds_per_lb and thousand_seed_weight_g both give the size of the seed; keep one")]
    SeedTwice,
}

/// The file as written.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    frame: Option<String>,
    bar_height: Option<String>,
    crop: Option<String>,
    seeds_per_lb: Option<f64>,
    thousand_seed_weight_g: Option<f64>,
    bushel_weight_lb: Option<f64>,
    moisture_pct: Option<f64>,
    standard_moisture_pct: Option<f64>,
    beans_per_pod: Option<f64>,
    header_width: Option<String>,
    discharge_width: Option<String>,
    yield_bu_per_ac: Option<f64>,
    area_ac: Option<f64>,
    price_per_bu: Option<f64>,
    currency: Option<String>,
    units: Option<LossUnit>,
    seed_spread: Option<f64>,
    #[serde(default)]
    manual: BTreeMap<String, (f64, f64)>,
    field: Option<String>,
    machine: Option<String>,
    by: Option<String>,
}

impl Season {
    /// Reads the text of a `podfall.toml`.
    ///
    /// # Errors
    /// [`SeasonError`], naming the key: an unknown key or unit is an error, never passed over.
    pub fn parse(text: &str) -> Result<Self, SeasonError> {
        let written: Written = toml::from_str(text).map_err(|error| form_error(text, &error))?;
        let frame = written
            .frame
            .map(|text| text.parse::<FrameSpec>())
            .transpose()
            .map_err(|why| SeasonError::Frame { why })?;
        Ok(Self {
            frame,
            written: Lengths {
                header_width: written.header_width.clone(),
                discharge_width: written.discharge_width.clone(),
            },
            bar_height_mm: length("bar_height", written.bar_height)?,
            crop: written.crop.map(|crop| crop.trim().to_lowercase()),
            seed: seed(written.seeds_per_lb, written.thousand_seed_weight_g)?,
            bushel_weight_lb: within("bushel_weight_lb", written.bushel_weight_lb, (10.0, 100.0))?,
            moisture_pct: within("moisture_pct", written.moisture_pct, MOISTURE_PCT)?,
            standard_moisture_pct: within(
                "standard_moisture_pct",
                written.standard_moisture_pct,
                MOISTURE_PCT,
            )?,
            beans_per_pod: within("beans_per_pod", written.beans_per_pod, (0.5, 20.0))?,
            header_width_mm: length("header_width", written.header_width)?,
            discharge_width_mm: length("discharge_width", written.discharge_width)?,
            yield_bu_per_ac: within("yield_bu_per_ac", written.yield_bu_per_ac, (0.0, 1000.0))?,
            area_ac: within("area_ac", written.area_ac, (0.0, 1e6))?,
            price_per_bu: within("price_per_bu", written.price_per_bu, (0.0, 1e6))?,
            currency: written.currency,
            units: written.units,
            seed_spread: within("seed_spread", written.seed_spread, (0.0, 100_000.0))?,
            manual: written.manual,
            field: written.field,
            machine: written.machine,
            by: written.by,
        })
    }
}

/// Moistures that a balance can be set to, % of wet weight.
const MOISTURE_PCT: (f64, f64) = (0.0, 60.0);

/// One line for an error of the TOML reader, with the line of the file.
fn form_error(text: &str, error: &toml::de::Error) -> SeasonError {
    let at = error.span().map_or(0, |span| span.start).min(text.len());
    SeasonError::Form {
        line: 1 + text.as_bytes()[..at]
            .iter()
            .filter(|&&b| b == b'\n')
            .count(),
        what: in_plain_words(&error.message().trim().replace('\n', ", ")),
    }
}

/// What the reader of TOML says of a value of the wrong kind, with what to write instead.
fn in_plain_words(message: &str) -> String {
    let Some((found, wanted)) =
        (message.strip_prefix("invalid type: ")).and_then(|rest| rest.split_once(", expected "))
    else {
        return match message.strip_prefix("unexpected key or value") {
            Some(_) => format!("{message} (a number takes a point, not a comma: 10.50)"),
            None => message.to_owned(),
        };
    };
    match wanted {
        "a string" => {
            format!("{found} lacks its quotes; a length also takes its unit, as \"35ft\"")
        }
        "f64" => format!("{found} is no number; write it without quotes and unit, as 2900"),
        _ => message.to_owned(),
    }
}

fn length(key: &'static str, text: Option<String>) -> Result<Option<f64>, SeasonError> {
    text.map(|text| length_mm(&text))
        .transpose()
        .map_err(|why| SeasonError::Length { key, why })
}

/// Seed sizes taken: from small-seeded crops to the largest beans.
fn seed(per_lb: Option<f64>, weight_g: Option<f64>) -> Result<Option<SeedSize>, SeasonError> {
    let per_lb = within("seeds_per_lb", per_lb, (500.0, 500_000.0))?;
    let weight_g = within("thousand_seed_weight_g", weight_g, (1.0, 1000.0))?;
    match (per_lb, weight_g) {
        (Some(_), Some(_)) => Err(SeasonError::SeedTwice),
        (Some(per_lb), None) => Ok(Some(SeedSize::SeedsPerLb(per_lb))),
        (None, weight_g) => Ok(weight_g.map(SeedSize::ThousandSeedWeightG)),
    }
}

/// Passes a number within a range; NaN is outside every range.
fn within(
    key: &'static str,
    value: Option<f64>,
    (least, most): (f64, f64),
) -> Result<Option<f64>, SeasonError> {
    match value {
        Some(value) if !(least..=most).contains(&value) => Err(SeasonError::Range {
            key,
            value,
            least,
            most,
        }),
        value => Ok(value),
    }
}

/// A `podfall.toml` to start a season with: every key, what it means, and how to find it out.
pub fn commented(frame: FrameSpec) -> String {
    include_str!("podfall.toml").replace("{frame}", &frame.typed())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn error(text: &str) -> String {
        Season::parse(text).unwrap_err().to_string()
    }

    #[test]
    fn reads_every_key() {
        let season = Season::parse(
            r#"
            frame = "12x12in"
            bar_height = "27mm"
            crop = "Soybean"
            seeds_per_lb = 2800
            bushel_weight_lb = 60
            moisture_pct = 12.5
            standard_moisture_pct = 13
            beans_per_pod = 2.4
            yield_bu_per_ac = 55
            area_ac = 160
            header_width = "35ft"
            discharge_width = "20 ft"
            price_per_bu = 10.25
            currency = "USD"
            units = "kg/ha"
            "#,
        )
        .unwrap();
        assert_eq!(season.frame, Some("12x12in".parse().unwrap()));
        assert_eq!(season.bar_height_mm, Some(27.0));
        assert_eq!(season.crop.as_deref(), Some("soybean"));
        assert_eq!(season.seed, Some(SeedSize::SeedsPerLb(2800.0)));
        assert_eq!(season.header_width_mm, Some(10_668.0));
        assert_eq!(season.discharge_width_mm, Some(6096.0));
        assert_eq!(season.standard_moisture_pct, Some(13.0));
        assert_eq!(season.beans_per_pod, Some(2.4));
        assert_eq!(season.yield_bu_per_ac, Some(55.0));
        assert_eq!(season.area_ac, Some(160.0));
        assert_eq!(season.price_per_bu, Some(10.25));
        assert_eq!(season.units, Some(LossUnit::KgPerHa));
        assert_eq!(Season::parse("").unwrap(), Season::default());
    }

    #[test]
    fn names_what_it_does_not_know() {
        let message = error("frame = \"12x12in\"\nseeds_per_pound = 3000\n");
        assert!(
            message.starts_with("line 2: unknown field `seeds_per_pound`"),
            "{message}"
        );
        assert!(message.contains("`seeds_per_lb`"), "{message}");
        let message = error("units = \"t/ha\"");
        assert!(message.contains("unknown variant `t/ha`"), "{message}");
        assert!(error("header_width = \"35 yards\"").starts_with("header_width: 'yards'"));
        assert!(error("frame = \"12x12\"").starts_with("frame: '12x12' is not a frame"));
        assert!(error("header_width = 35").starts_with("line 1: integer `35` lacks its quotes"));
        assert!(error("seeds_per_lb = \"2900\"").contains("write it without quotes"));
        assert!(error("price_per_bu = 10,50").contains("a point, not a comma"));
        let twice = Season::parse("header_width = \"35 yards\"").unwrap_err();
        assert!(std::error::Error::source(&twice).is_none(), "told once");
        assert!(error("frame = ").starts_with("line 1: "));
    }

    #[test]
    fn refuses_numbers_that_cannot_be() {
        assert!(error("moisture_pct = nan").contains("moisture_pct is NaN"));
        assert!(error("seeds_per_lb = -1").contains("500"));
        assert!(error("price_per_bu = inf").contains("inf"));
        assert!(error("seeds_per_lb = 3000\nthousand_seed_weight_g = 150").contains("keep one"));
    }

    #[test]
    fn the_file_to_start_with_reads_as_it_says() {
        let frame: FrameSpec = "12x12in".parse().unwrap();
        let text = commented(frame);
        assert!(text.contains("\nframe = \"12x12in\"\n"), "{text}");
        let season = Season::parse(&text).unwrap();
        assert_eq!(season.frame, Some(frame));
        assert_eq!(
            season.seed, None,
            "a guess must not stand there as if it were known"
        );
        // With every key taken out of its comment it still reads.
        let all: String = text
            .lines()
            .filter(|line| !line.starts_with("# thousand_seed"))
            .map(|line| match line.strip_prefix("# ") {
                Some(rest) if rest.contains(" = ") => format!("{rest}\n"),
                _ => format!("{line}\n"),
            })
            .collect();
        let season = Season::parse(&all).unwrap();
        assert!(season.seed.is_some() && season.units.is_some() && season.currency.is_some());
    }
}

//! Flags for what a loss rests on; they go before podfall.toml.

use podfall::{
    crop::CropName,
    loss::{Assumptions, Seeds, Spread},
    season::{LossUnit, Season, SeedSize},
    units::length_mm,
};

use super::usage;

/// What a loss rests on besides the counts; goes before podfall.toml.
#[derive(Debug, Clone, Default, clap::Args)]
#[command(next_help_heading = "What the loss rests on (goes before podfall.toml)")]
pub struct AssumptionArgs {
    /// Crop: soybean, field-pea, pinto-bean, navy-bean, chickpea, maize
    #[arg(long, value_name = "CROP")]
    crop: Option<CropName>,
    /// Seeds in a pound, as weighed
    #[arg(long, value_name = "N", conflicts_with = "thousand_seed_weight")]
    seeds_per_lb: Option<f64>,
    /// Weight of 1000 seeds, g, as weighed
    #[arg(long, value_name = "G")]
    thousand_seed_weight: Option<f64>,
    /// Standard deviation of the seeds' size as weighed, in the unit in which that is given
    #[arg(long, value_name = "SD")]
    seed_spread: Option<f64>,
    /// Judge the seeds' size from the beans on the photos
    #[arg(long, conflicts_with_all = ["seeds_per_lb", "thousand_seed_weight"])]
    seeds_from_photos: bool,
    /// Weight of a bushel, lb
    #[arg(long, value_name = "LB")]
    bushel_weight: Option<f64>,
    /// Moisture of the beans when weighed, %
    #[arg(long, value_name = "PCT")]
    moisture: Option<f64>,
    /// Moisture of the market's bushel, % [default: the crop's; soybean 13, in Canada 14]
    #[arg(long, value_name = "PCT")]
    standard_moisture: Option<f64>,
    /// Width of the cut, as 35ft
    #[arg(long, value_name = "LENGTH")]
    header_width: Option<String>,
    /// Width over which the discharge falls, as 20ft [default: the whole cut]
    #[arg(long, value_name = "LENGTH")]
    discharge_width: Option<String>,
    /// Harvested yield, bu/ac: for losses in % of yield and loss together
    #[arg(long = "yield", value_name = "BU")]
    yield_bu: Option<f64>,
    /// Price of a bushel
    #[arg(long, value_name = "MONEY")]
    price: Option<f64>,
    /// Currency, as it is to be written
    #[arg(long, value_name = "WORD")]
    currency: Option<String>,
    /// Acres: for money over all of them
    #[arg(long, value_name = "AC")]
    acres: Option<f64>,
    /// Unit told first: bu/ac, lb/ac or kg/ha
    #[arg(long, value_name = "UNIT", value_parser = unit_of)]
    unit: Option<LossUnit>,
}

fn unit_of(text: &str) -> Result<LossUnit, String> {
    match text {
        "bu/ac" => Ok(LossUnit::BuPerAc),
        "lb/ac" => Ok(LossUnit::LbPerAc),
        "kg/ha" => Ok(LossUnit::KgPerHa),
        _ => Err("use bu/ac, lb/ac or kg/ha".to_owned()),
    }
}

impl AssumptionArgs {
    /// The unit told first.
    pub fn unit(&self, season: &Season) -> LossUnit {
        self.unit.or(season.units).unwrap_or(LossUnit::BuPerAc)
    }

    /// Flags over podfall.toml over defaults.
    pub fn over(&self, season: &Season) -> anyhow::Result<Assumptions> {
        let plain = Assumptions::default();
        let crop = match (self.crop, &season.crop) {
            (Some(crop), _) => crop,
            (None, Some(word)) => word.parse().map_err(usage)?,
            (None, None) => plain.crop,
        };
        let width_m = |flag: &Option<String>, mm: Option<f64>| -> anyhow::Result<Option<f64>> {
            let mm = match flag {
                Some(text) => Some(length_mm(text).map_err(usage)?),
                None => mm,
            };
            Ok(mm.map(|mm| mm / 1_000.0))
        };
        Assumptions {
            crop,
            seeds: self.seeds(season),
            bushel_lb: self.bushel_weight.or(season.bushel_weight_lb),
            standard_moisture_percent: self.standard_moisture.or(season.standard_moisture_pct),
            moisture_percent: self.moisture.or(season.moisture_pct),
            beans_per_pod: season.beans_per_pod,
            header_width_m: width_m(&self.header_width, season.header_width_mm)?,
            discharge_width_m: width_m(&self.discharge_width, season.discharge_width_mm)?,
            yield_bu_per_ac: self
                .yield_bu
                .or(season.yield_bu_per_ac)
                .map(|value| Spread { value, sd: 0.0 }),
            price_per_bu: self.price.or(season.price_per_bu),
            currency: self
                .currency
                .clone()
                .or_else(|| season.currency.clone())
                .unwrap_or(plain.currency),
            area_ac: self.acres.or(season.area_ac),
            shared_photo_variance: plain.shared_photo_variance,
            level: plain.level,
        }
        .checked()
        .map_err(usage)
    }

    fn seeds(&self, season: &Season) -> Seeds {
        // Without a size it has no unit, and nobody weighed: the crop table's own spread stands then.
        let spread = self.seed_spread.or(season.seed_spread);
        // Weighed but without a spread: 3 % stands, as between handfuls; common practice, no source.
        let with_spread = |value: f64| Spread {
            value,
            sd: spread.unwrap_or(0.03 * value),
        };
        let told = match (self.seeds_per_lb, self.thousand_seed_weight) {
            _ if self.seeds_from_photos => return Seeds::Measured,
            (Some(n), _) => Some(SeedSize::SeedsPerLb(n)),
            (_, Some(g)) => Some(SeedSize::ThousandSeedWeightG(g)),
            _ => season.seed,
        };
        match told {
            Some(SeedSize::SeedsPerLb(n)) => Seeds::PerLb(with_spread(n)),
            Some(SeedSize::ThousandSeedWeightG(g)) => Seeds::ThousandSeedWeightG(with_spread(g)),
            None => Seeds::CropTable,
        }
    }
}

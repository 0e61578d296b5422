//! What a loss rests on besides the counts.

use serde::{Deserialize, Serialize};

use crate::{
    crop::CropName,
    range::{RangeError, in_range},
    units::KG_PER_LB,
};

/// A number and its standard deviation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Spread {
    /// Best value.
    pub value: f64,
    /// Standard deviation, same unit; 0 where it is known.
    #[serde(default)]
    pub sd: f64,
}

/// Where the size of the seeds comes from.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Seeds {
    /// The crop table's ordinary value with its wide spread.
    #[default]
    CropTable,
    /// Seeds in a pound, weighed by the person.
    PerLb(Spread),
    /// Weight of 1000 seeds, g, weighed by the person.
    ThousandSeedWeightG(Spread),
    /// From the beans' size on the photos, with a wide spread and a caution.
    Measured,
}

/// What a loss rests on besides the counts: crop, machine, market. Every field has a default.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Assumptions {
    /// The crop.
    pub crop: CropName,
    /// Size of the seeds.
    pub seeds: Seeds,
    /// Weight of a bushel, lb; `None`: the crop table's.
    pub bushel_lb: Option<f64>,
    /// Moisture of that bushel by the market, %; `None`: the crop table's (13 for soybean; Canada's is 14).
    pub standard_moisture_percent: Option<f64>,
    /// Moisture of the beans when they were weighed for `seeds`, %; `None`: taken as the standard.
    pub moisture_percent: Option<f64>,
    /// Beans in a pod where nobody counted them; `None`: the crop table's.
    pub beans_per_pod: Option<f64>,
    /// Width of the cut, m.
    pub header_width_m: Option<f64>,
    /// Width over which the discharge falls, m; `None`: over the whole cut.
    pub discharge_width_m: Option<f64>,
    /// Harvested yield, bu/ac.
    pub yield_bu_per_ac: Option<Spread>,
    /// Price of a bushel.
    pub price_per_bu: Option<f64>,
    /// The currency, as it is to be written.
    pub currency: String,
    /// Acres harvested or to be harvested.
    pub area_ac: Option<f64>,
    /// Share (0..1) of a photo's variance that all photos of a season have in common: same light, same
    /// residue, same scorer. The rest is in the frames' own spread already. Common practice, no source;
    /// replaced by the measured ratio where frames were counted by hand too.
    pub shared_photo_variance: f64,
    /// Level of the limits.
    pub level: f64,
}

impl Default for Assumptions {
    fn default() -> Self {
        Self {
            crop: CropName::Soybean,
            seeds: Seeds::CropTable,
            bushel_lb: None,
            standard_moisture_percent: None,
            moisture_percent: None,
            beans_per_pod: None,
            header_width_m: None,
            discharge_width_m: None,
            yield_bu_per_ac: None,
            price_per_bu: None,
            currency: "USD".to_owned(),
            area_ac: None,
            shared_photo_variance: 0.3,
            level: 0.95,
        }
    }
}

/// An assumption that cannot be right.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum AssumptionError {
    /// A number outside what makes sense.
    #[error(transparent)]
    Range(#[from] RangeError),
    /// The discharge cannot fall wider than the cut.
    #[error(
        "the discharge width of {discharge_m} m is above the header width of {header_m} m; give the width over which \
         material really falls, at most the header's"
    )]
    DischargeWider {
        /// Discharge width, m.
        discharge_m: f64,
        /// Header width, m.
        header_m: f64,
    },
    /// A discharge width with nothing to set it against.
    #[error("discharge_width is given but header_width is not; give both")]
    HeaderMissing,
}

impl Assumptions {
    /// Passes assumptions that make sense.
    ///
    /// # Errors
    /// [`AssumptionError`] that names the field.
    pub fn checked(self) -> Result<Self, AssumptionError> {
        let in_range = |name, value: Option<f64>, above: f64, most: f64| {
            value.map_or(Ok(()), |value| in_range(name, value, above, most))
        };
        let (seeds, seeds_sd) = match self.seeds {
            Seeds::PerLb(s) => (Some(s.value), Some(s.sd)),
            Seeds::ThousandSeedWeightG(s) => (Some(s.value), Some(s.sd)),
            _ => (None, None),
        };
        in_range("seed size", seeds, 0.0, 1e6)?;
        // Above a third of the value the limits would reach down to nothing.
        in_range(
            "spread of the seed size",
            seeds_sd,
            -1e-9,
            seeds.unwrap_or(0.0) / 3.0,
        )?;
        in_range("bushel_lb", self.bushel_lb, 0.0, 200.0)?;
        in_range(
            "standard_moisture_percent",
            self.standard_moisture_percent,
            0.0,
            50.0,
        )?;
        in_range("moisture_percent", self.moisture_percent, 0.0, 60.0)?;
        in_range("beans_per_pod", self.beans_per_pod, 0.0, 20.0)?;
        in_range("header_width_m", self.header_width_m, 0.0, 30.0)?;
        in_range("discharge_width_m", self.discharge_width_m, 0.0, 30.0)?;
        in_range(
            "yield_bu_per_ac",
            self.yield_bu_per_ac.map(|y| y.value),
            0.0,
            1_000.0,
        )?;
        in_range("price_per_bu", self.price_per_bu, 0.0, 1e6)?;
        in_range("area_ac", self.area_ac, 0.0, 1e7)?;
        in_range(
            "shared_photo_variance",
            Some(self.shared_photo_variance),
            -1e-9,
            1.0,
        )?;
        in_range("level", Some(self.level), 0.5, 0.999)?;
        match (self.discharge_width_m, self.header_width_m) {
            (Some(_), None) => Err(AssumptionError::HeaderMissing),
            (Some(discharge_m), Some(header_m)) if discharge_m > header_m * 1.000_001 => {
                Err(AssumptionError::DischargeWider {
                    discharge_m,
                    header_m,
                })
            }
            _ => Ok(self),
        }
    }

    /// Weight of a bushel, lb.
    pub fn bushel_lb(&self) -> f64 {
        self.bushel_lb.unwrap_or(self.crop.row().bushel_lb)
    }

    /// Beans in a pod where nobody counted them.
    pub fn beans_per_pod(&self) -> f64 {
        self.beans_per_pod
            .unwrap_or(self.crop.row().seeds_per_pod.unwrap_or(0.0))
    }

    /// Moisture of the market's bushel, %.
    pub fn standard_moisture_percent(&self) -> f64 {
        self.standard_moisture_percent
            .unwrap_or(self.crop.row().standard_moisture_percent)
    }

    /// Pounds at the standard moisture in one pound as weighed.
    ///
    /// # Source
    /// Dry matter stays: (100 − moisture) / (100 − standard); Rankin, Harvest Math 101, Univ. of Wisconsin Extension.
    pub fn standard_lb_per_weighed_lb(&self) -> f64 {
        let standard = self.standard_moisture_percent();
        let moisture = self.moisture_percent.unwrap_or(standard);
        (100.0 - moisture) / (100.0 - standard)
    }

    /// How many times denser what the machine lets fall lies on the ground than it would over the whole cut.
    pub fn concentration(&self) -> f64 {
        match (self.header_width_m, self.discharge_width_m) {
            (Some(header), Some(discharge)) if discharge < header => header / discharge,
            _ => 1.0,
        }
    }
}

/// Seeds in a pound for a weight of 1000 seeds in g, or the other way round: it is its own inverse.
pub fn seeds_per_lb_from_tsw_g(thousand_seed_weight_g: f64) -> f64 {
    1_000.0 * KG_PER_LB * 1_000.0 / thousand_seed_weight_g
}

//! What a season file says of crop, machine and market, as the loss needs it.

use super::{Season, SeedSize};
use crate::{
    crop::{CropName, UnknownCrop},
    loss::{Assumptions, Seeds, Spread},
};

impl Season {
    /// The assumptions of a loss. What the file does not say keeps its default.
    ///
    /// # Errors
    /// [`UnknownCrop`] for a crop that is not in the table.
    pub fn assumptions(&self) -> Result<Assumptions, UnknownCrop> {
        let defaults = Assumptions::default();
        let crop = match &self.crop {
            Some(word) => word.parse()?,
            None => CropName::default(),
        };
        let exactly = |value| Spread { value, sd: 0.0 };
        let seeds = match self.seed {
            Some(SeedSize::SeedsPerLb(n)) => Seeds::PerLb(exactly(n)),
            Some(SeedSize::ThousandSeedWeightG(g)) => Seeds::ThousandSeedWeightG(exactly(g)),
            None => Seeds::CropTable,
        };
        let metres = |mm: f64| mm / 1000.0;
        Ok(Assumptions {
            crop,
            seeds,
            bushel_lb: self.bushel_weight_lb,
            moisture_percent: self.moisture_pct,
            standard_moisture_percent: self.standard_moisture_pct,
            beans_per_pod: self.beans_per_pod,
            yield_bu_per_ac: self.yield_bu_per_ac.map(exactly),
            area_ac: self.area_ac,
            header_width_m: self.header_width_mm.map(metres),
            discharge_width_m: self.discharge_width_mm.map(metres),
            price_per_bu: self.price_per_bu,
            currency: self.currency.clone().unwrap_or(defaults.currency.clone()),
            ..defaults
        })
    }
}

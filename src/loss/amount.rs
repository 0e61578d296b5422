//! One loss in all the units that people use.

use serde::{Deserialize, Serialize};

use super::{Assumptions, SeedSize};
use crate::{
    counts::Limits,
    units::{AC_PER_HA, FT2_PER_AC, KG_PER_LB, M2_PER_FT2},
};

/// One loss, or a difference of losses, with limits. Weights are at the market's standard moisture.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Amount {
    /// Beans on a square foot.
    pub beans_per_ft2: Limits,
    /// Beans on a square metre.
    pub beans_per_m2: Limits,
    /// Bushels an acre.
    pub bu_per_ac: Limits,
    /// Pounds an acre.
    pub lb_per_ac: Limits,
    /// Kilograms a hectare.
    pub kg_per_ha: Limits,
    /// % of the yield there was: loss / (harvested + all that was lost). `None` without a yield.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub percent_of_yield: Option<Limits>,
    /// Money an acre, in the currency of the assumptions. `None` without a price.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub money_per_ac: Option<Limits>,
    /// Money over the acres. `None` without a price and acres.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub money: Option<Limits>,
}

/// One bushel an acre in all units that need no seeds' size.
pub(crate) fn one_bushel(assumptions: &Assumptions) -> Amount {
    let one = Limits::exactly(1.0);
    Amount::of(assumptions, Limits::default(), one, None)
}

/// Limits times a factor above 0.
pub(crate) fn times(limits: Limits, factor: f64) -> Limits {
    Limits {
        estimate: limits.estimate * factor,
        low: limits.low * factor,
        high: limits.high * factor,
    }
}

/// Bushels an acre, at standard moisture, for one bean on a square foot.
pub(crate) fn bu_per_ac_per_bean_ft2(assumptions: &Assumptions, seeds_per_lb: f64) -> f64 {
    FT2_PER_AC / seeds_per_lb * assumptions.standard_lb_per_weighed_lb() / assumptions.bushel_lb()
}

impl Amount {
    /// Every unit from the two that limits are worked out for: beans on ground, and bushels an acre.
    pub(crate) fn of(
        assumptions: &Assumptions,
        beans_per_ft2: Limits,
        bu_per_ac: Limits,
        percent_of_yield: Option<Limits>,
    ) -> Self {
        let lb_per_ac = times(bu_per_ac, assumptions.bushel_lb());
        let money_per_ac = assumptions
            .price_per_bu
            .map(|price| times(bu_per_ac, price));
        Self {
            beans_per_ft2,
            beans_per_m2: times(beans_per_ft2, 1.0 / M2_PER_FT2),
            bu_per_ac,
            lb_per_ac,
            kg_per_ha: times(lb_per_ac, KG_PER_LB * AC_PER_HA),
            percent_of_yield,
            money_per_ac,
            money: money_per_ac
                .zip(assumptions.area_ac)
                .map(|(per_ac, acres)| times(per_ac, acres)),
        }
    }

    /// A loss known without doubt but for the seeds' size; for worked examples and typed-in figures.
    pub fn exactly(assumptions: &Assumptions, seeds: &SeedSize, beans_per_ft2: f64) -> Self {
        let bu = beans_per_ft2 * bu_per_ac_per_bean_ft2(assumptions, seeds.per_lb.value);
        let exactly = Limits::exactly;
        Self::of(assumptions, exactly(beans_per_ft2), exactly(bu), None)
    }
}

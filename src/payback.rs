//! What a gain in bushels an acre is worth against a price.

use serde::{Deserialize, Serialize};

use crate::{
    counts::Limits,
    stats::{Chance, normal_quantile},
};

/// An offer: a gain against a cost.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Offer {
    /// Gain, bu/ac, with limits; above zero is a gain. Not cut off at zero.
    pub gain_bu_per_ac: Limits,
    /// Acres a year.
    pub acres: f64,
    /// Price of a bushel.
    pub price_per_bu: f64,
    /// Cost once.
    pub cost: f64,
    /// Cost every year: wear, work, fuel.
    pub yearly_cost: f64,
    /// Years that it lasts.
    pub years: u32,
    /// Discount rate, % a year.
    pub discount_percent: f64,
    /// What it is worth at the end.
    pub salvage: f64,
}

/// Why an offer cannot be reckoned.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum PaybackError {
    /// A number that makes no sense.
    #[error("{name} is {value}; it must be from {least} to {most}")]
    Range {
        /// Which.
        name: &'static str,
        /// What was given.
        value: f64,
        /// Least taken.
        least: f64,
        /// Most taken.
        most: f64,
    },
    /// Limits the wrong way round.
    #[error("the gain of {estimate} bu/ac is not between its limits {low} and {high}")]
    Gain {
        /// Gain.
        estimate: f64,
        /// Lower limit.
        low: f64,
        /// Upper limit.
        high: f64,
    },
}

/// What the offer comes to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Payback {
    /// Worth of the gain a year, before yearly cost.
    pub yearly_value: Limits,
    /// Worth a year after yearly cost.
    pub yearly_net: Limits,
    /// Acres a year at which it just pays over its years; `None` where no acreage does.
    pub break_even_acres: Option<f64>,
    /// Gain in bu/ac at which it just pays over its years on the acres given.
    pub break_even_gain_bu_per_ac: f64,
    /// Years until the yearly net has paid the cost, without interest; `None` where it never does.
    pub payback_years: Option<f64>,
    /// Years until then with the discount rate; `None` where it never does.
    pub discounted_payback_years: Option<f64>,
    /// Net present value over the years.
    pub net_present_value: Limits,
    /// Chance that the net present value is above zero, as far as the gain's limits say.
    pub chance_that_it_pays: f64,
}

const DRAWS: usize = 20_000;

/// Reckons an offer.
///
/// The gain is taken as split normal: the halves of a normal on either side, each as wide as its limit says.
///
/// # Errors
/// [`PaybackError`] that names the number.
///
/// # Source
/// Present value of a yearly sum: (1 − (1 + r)^−n) / r, by definition.
pub fn payback(offer: &Offer) -> Result<Payback, PaybackError> {
    check(offer)?;
    let rate = offer.discount_percent / 100.0;
    let years = f64::from(offer.years);
    let annuity = if rate > 0.0 {
        (1.0 - (1.0 + rate).powf(-years)) / rate
    } else {
        years
    };
    let salvage_now = offer.salvage * (1.0 + rate).powf(-years);
    let per_gain = offer.acres * offer.price_per_bu;
    let worth = |gain: f64| gain * per_gain;
    let present =
        |gain: f64| (worth(gain) - offer.yearly_cost) * annuity + salvage_now - offer.cost;
    let of_gain = |f: &dyn Fn(f64) -> f64| Limits {
        estimate: f(offer.gain_bu_per_ac.estimate),
        low: f(offer.gain_bu_per_ac.low),
        high: f(offer.gain_bu_per_ac.high),
    };
    let net = worth(offer.gain_bu_per_ac.estimate) - offer.yearly_cost;
    // What has to come in every year for the present value to be nothing.
    let needed = (offer.cost - salvage_now) / annuity + offer.yearly_cost;
    let per_acre = offer.gain_bu_per_ac.estimate * offer.price_per_bu;
    let draws = gains(&offer.gain_bu_per_ac);
    Ok(Payback {
        yearly_value: of_gain(&worth),
        yearly_net: of_gain(&|gain| worth(gain) - offer.yearly_cost),
        break_even_acres: (per_acre > 0.0).then(|| (needed / per_acre).max(0.0)),
        break_even_gain_bu_per_ac: needed / per_gain,
        payback_years: (net > 0.0).then(|| offer.cost / net),
        discounted_payback_years: discounted(offer.cost, net, rate),
        net_present_value: of_gain(&present),
        chance_that_it_pays: draws.iter().filter(|g| present(**g) > 0.0).count() as f64
            / draws.len() as f64,
    })
}

/// Years n with net × annuity(n) = cost.
fn discounted(cost: f64, net: f64, rate: f64) -> Option<f64> {
    if net <= 0.0 {
        return None;
    }
    if rate <= 0.0 {
        return Some(cost / net);
    }
    let left = 1.0 - cost * rate / net;
    (left > 0.0).then(|| -left.ln() / (1.0 + rate).ln())
}

/// Gains drawn from the limits, in strata.
fn gains(gain: &Limits) -> Vec<f64> {
    let z95 = normal_quantile(0.975);
    let mut chance = Chance::new(21);
    (0..DRAWS)
        .map(|i| {
            let z = normal_quantile((i as f64 + chance.uniform()) / DRAWS as f64);
            let side = if z < 0.0 {
                gain.estimate - gain.low
            } else {
                gain.high - gain.estimate
            };
            gain.estimate + z / z95 * side
        })
        .collect()
}

fn check(offer: &Offer) -> Result<(), PaybackError> {
    let in_range = |name, value: f64, least: f64, most: f64| {
        if (least..=most).contains(&value) {
            Ok(())
        } else {
            Err(PaybackError::Range {
                name,
                value,
                least,
                most,
            })
        }
    };
    in_range("acres", offer.acres, 1e-6, 1e7)?;
    in_range("price", offer.price_per_bu, 1e-6, 1e6)?;
    in_range("cost", offer.cost, 0.0, 1e9)?;
    in_range("yearly cost", offer.yearly_cost, 0.0, 1e9)?;
    in_range("years", f64::from(offer.years), 1.0, 100.0)?;
    in_range("discount rate", offer.discount_percent, 0.0, 100.0)?;
    in_range("salvage", offer.salvage, 0.0, 1e9)?;
    let Limits {
        estimate,
        low,
        high,
    } = offer.gain_bu_per_ac;
    in_range("gain", estimate, -1e3, 1e3)?;
    if low <= estimate && estimate <= high && low.is_finite() && high.is_finite() {
        Ok(())
    } else {
        Err(PaybackError::Gain {
            estimate,
            low,
            high,
        })
    }
}

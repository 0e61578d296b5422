//! Amounts that are kept in bu/ac, told in the unit that the person asked for.

use super::LossUnit;
use crate::{loss::Assumptions, units::grouped};

/// A unit, and how much of it a bushel an acre is.
#[derive(Debug, Clone, Copy)]
pub struct Told {
    unit: LossUnit,
    in_one_bushel: f64,
}

impl Told {
    /// In this unit, by the weight of the season's bushel.
    pub fn new(unit: LossUnit, assumptions: &Assumptions) -> Self {
        Self {
            unit,
            in_one_bushel: unit.in_one_bushel(assumptions),
        }
    }

    /// In bushels an acre, as everything is kept.
    pub const fn in_bushels() -> Self {
        Self {
            unit: LossUnit::BuPerAc,
            in_one_bushel: 1.0,
        }
    }

    /// "bu/ac".
    pub fn name(self) -> &'static str {
        self.unit.name()
    }

    /// The number alone: to a hundredth of a bushel, to a tenth of a pound or a kilogram.
    pub fn number(self, bu_per_ac: f64) -> String {
        let places = match self.unit {
            LossUnit::BuPerAc => 2,
            LossUnit::LbPerAc | LossUnit::KgPerHa => 1,
        };
        grouped(bu_per_ac * self.in_one_bushel, places)
    }

    /// The same, with its sign.
    pub fn signed(self, bu_per_ac: f64) -> String {
        let sign = if bu_per_ac.is_sign_negative() {
            ""
        } else {
            "+"
        };
        format!("{sign}{}", self.number(bu_per_ac))
    }
}

//! Lengths, areas and the acre. No other file converts units.

use std::{borrow::Borrow, fmt::Display};

use serde::{Deserialize, Serialize};

/// Millimetres in one inch, exactly (international yard and pound agreement, 1959).
pub const MM_PER_IN: f64 = 25.4;
/// Millimetres in one foot, exactly.
pub const MM_PER_FT: f64 = 304.8;
/// Square metres in one square foot, exactly.
pub const M2_PER_FT2: f64 = 0.3048 * 0.3048;
/// Square feet in one acre, exactly (US customary and imperial acre).
pub const FT2_PER_AC: f64 = 43_560.0;
/// Square metres in one acre, exactly: 43 560 ft² at 0.3048 m to the foot
/// (international yard and pound agreement, 1959).
pub const M2_PER_AC: f64 = FT2_PER_AC * M2_PER_FT2;
/// Acres in one hectare.
pub const AC_PER_HA: f64 = 10_000.0 / M2_PER_AC;
/// Kilograms in one pound, exactly (international yard and pound agreement, 1959).
pub const KG_PER_LB: f64 = 0.453_592_37;

/// km/h in one mile an hour, exactly (international mile, 1959).
pub const KMH_PER_MPH: f64 = 1.609_344;

/// An area of ground in square metres: finite and above zero.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct GroundM2(f64);

impl GroundM2 {
    /// `None` unless `area_m2` is finite and above zero.
    pub fn new(area_m2: f64) -> Option<Self> {
        (area_m2.is_finite() && area_m2 > 0.0).then_some(Self(area_m2))
    }

    /// The area in square metres.
    pub fn m2(self) -> f64 {
        self.0
    }

    /// The area in square feet.
    pub fn ft2(self) -> f64 {
        self.0 / M2_PER_FT2
    }

    /// Scales something counted on this ground to one acre.
    pub fn per_ac(self, counted: f64) -> f64 {
        counted * M2_PER_AC / self.0
    }
}

/// Why a length could not be read.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum LengthError {
    /// Not a number with a unit.
    #[error("'{text}' is not a length; write a number and one of in, ft, cm, mm, m, as in 12in")]
    NotALength {
        /// What was written.
        text: String,
    },
    /// A number and nothing else.
    #[error(
        "'{text}' lacks its unit; write one of in, ft, cm, mm, m behind the number, as in 13mm or 0.5in"
    )]
    NoUnit {
        /// What was written.
        text: String,
    },
    /// A unit that is not known here.
    #[error("'{unit}' is not a unit of length known here; use in, ft, cm, mm or m")]
    UnknownUnit {
        /// What stood after the number.
        unit: String,
    },
    /// Zero, negative or too large to lay on the ground.
    #[error(
        "{length_mm} mm is not a length that can be used here; it must be above 0 and at most {most_mm} mm"
    )]
    OutOfRange {
        /// What was written, in mm.
        length_mm: f64,
        /// The most that is taken, in mm.
        most_mm: f64,
    },
}

/// The longest length taken as an input, mm (100 m).
pub const MOST_MM: f64 = 100_000.0;

/// Millimetres in one of the unit named (`in`, `ft`, `cm`, `mm`, `m`).
pub fn mm_per_unit(unit: &str) -> Result<f64, LengthError> {
    match unit.trim() {
        "in" | "\"" => Ok(MM_PER_IN),
        "ft" | "'" => Ok(MM_PER_FT),
        "cm" => Ok(10.0),
        "mm" => Ok(1.0),
        "m" => Ok(1000.0),
        other => Err(LengthError::UnknownUnit {
            unit: other.to_owned(),
        }),
    }
}

/// Splits `12.5in` into the number and what follows it (empty when no unit was written).
pub fn split_number(text: &str) -> Result<(f64, &str), LengthError> {
    let text = text.trim();
    let end = text
        .find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+')))
        .unwrap_or(text.len());
    let number = text[..end].parse().map_err(|_| LengthError::NotALength {
        text: text.to_owned(),
    })?;
    Ok((number, text[end..].trim()))
}

/// Reads one length with its unit, as in `25.4mm` or `1 ft`; gives millimetres.
///
/// # Errors
/// [`LengthError`] when it is no number with a known unit, has none, is not above zero or above [`MOST_MM`].
pub fn length_mm(text: &str) -> Result<f64, LengthError> {
    let (number, unit) = split_number(text)?;
    if unit.is_empty() {
        return Err(LengthError::NoUnit {
            text: text.trim().to_owned(),
        });
    }
    checked_mm(number * mm_per_unit(unit)?)
}

/// Passes a length in mm that is above zero and at most [`MOST_MM`].
///
/// # Errors
/// [`LengthError::OutOfRange`] otherwise.
pub fn checked_mm(length_mm: f64) -> Result<f64, LengthError> {
    if length_mm.is_finite() && length_mm > 0.0 && length_mm <= MOST_MM {
        Ok(length_mm)
    } else {
        Err(LengthError::OutOfRange {
            length_mm,
            most_mm: MOST_MM,
        })
    }
}

/// "1 frame", "3 frames", "2.5 pods".
pub fn plural<N: Display + PartialEq + From<u8>>(n: N, thing: &str) -> String {
    let end = if n == N::from(1) { "" } else { "s" };
    format!("{n} {thing}{end}")
}

/// "1 photo seems", "3 photos seem": a count of things, and what they do.
pub fn plural_does(n: usize, thing: &str, (one, more): (&str, &str)) -> String {
    let does = if n == 1 { one } else { more };
    format!("{} {does}", plural(n, thing))
}

/// The first names of a list, and how many more there are.
pub fn short_list<S: Borrow<str>>(names: &[S]) -> String {
    listed(names, 5)
}

/// So many names of a list, and how many more there are.
pub fn listed<S: Borrow<str>>(names: &[S], most: usize) -> String {
    let shown = names[..names.len().min(most)].join(", ");
    if names.len() > most {
        format!("{shown} and {} more", names.len() - most)
    } else {
        shown
    }
}

/// A number with so many decimal places, thousands parted by a comma: "953", "9,153", "72,858".
pub fn grouped(value: f64, places: usize) -> String {
    let text = format!("{value:.places$}");
    let (whole, rest) = text.split_at(text.find('.').unwrap_or(text.len()));
    let digits = whole.trim_start_matches('-');
    if digits.len() < 4 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return text;
    }
    let mut out = whole[..whole.len() - digits.len()].to_owned();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out + rest
}

#[cfg(test)]
mod tests {
    use super::grouped;

    #[test]
    fn thousands_are_parted_one_way() {
        let told = [
            (953.0, 0),
            (7972.0, 0),
            (-1234.56, 1),
            (13_311.0, 0),
            (1e6, 0),
        ];
        assert_eq!(
            told.map(|(value, places)| grouped(value, places)),
            ["953", "7,972", "-1,234.6", "13,311", "1,000,000"]
        );
    }
}

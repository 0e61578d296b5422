//! What a frame is: its shape and inside size, as a person writes it.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};

use crate::units::{GroundM2, LengthError, MM_PER_IN, checked_mm, mm_per_unit, split_number};

/// Shape and inside size of a frame.
///
/// Written `12x12in`, `500x250mm`, `1x0.25m`, `12inx30cm`, or `ring:610mm` for a ring's inside diameter.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum FrameSpec {
    /// A rectangle by its inside width and height, mm.
    Rectangle {
        /// Inside width.
        width_mm: f64,
        /// Inside height.
        height_mm: f64,
    },
    /// A ring by its inside diameter, mm.
    Ring {
        /// Inside diameter.
        diameter_mm: f64,
    },
}

/// Why a frame could not be read.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum FrameSpecError {
    /// Not in a known form.
    #[error(
        "'{text}' is not a frame; write its inside size as 12x12in or 50x25cm, or ring:24in for a ring's inside diameter"
    )]
    Form {
        /// What was written.
        text: String,
    },
    /// One of its lengths is off.
    #[error(transparent)]
    Length(#[from] LengthError),
    /// Too small or too large to be a ground frame.
    #[error("a frame side of {side_mm:.0} mm is outside {least_mm:.0} to {most_mm:.0} mm")]
    Side {
        /// What was written.
        side_mm: f64,
        /// Smallest taken.
        least_mm: f64,
        /// Largest taken.
        most_mm: f64,
    },
}

/// Smallest and largest inside side taken, mm.
const SIDE_RANGE_MM: (f64, f64) = (50.0, 10_000.0);

impl FrameSpec {
    /// Ground inside the frame.
    pub fn ground(self) -> GroundM2 {
        let area_mm2 = match self {
            Self::Rectangle {
                width_mm,
                height_mm,
            } => width_mm * height_mm,
            Self::Ring { diameter_mm } => std::f64::consts::PI * diameter_mm * diameter_mm / 4.0,
        };
        GroundM2::new(area_mm2 / 1e6).expect("sides are checked when the frame is read")
    }

    /// Inside width and height, mm; a ring's diameter twice.
    pub fn size_mm(self) -> (f64, f64) {
        match self {
            Self::Rectangle {
                width_mm,
                height_mm,
            } => (width_mm, height_mm),
            Self::Ring { diameter_mm } => (diameter_mm, diameter_mm),
        }
    }
}

/// Rounds to a millionth of a mm, so that 12 in is 304.8 mm and not 304.79999999999995.
fn to_nm(length_mm: f64) -> f64 {
    (length_mm * 1e6).round() / 1e6
}

fn side_mm(text: &str, unit: &str) -> Result<f64, FrameSpecError> {
    let (number, own) = split_number(text)?;
    let side_mm = checked_mm(to_nm(
        number * mm_per_unit(if own.is_empty() { unit } else { own })?,
    ))?;
    let (least_mm, most_mm) = SIDE_RANGE_MM;
    if (least_mm..=most_mm).contains(&side_mm) {
        Ok(side_mm)
    } else {
        Err(FrameSpecError::Side {
            side_mm,
            least_mm,
            most_mm,
        })
    }
}

impl FromStr for FrameSpec {
    type Err = FrameSpecError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let form = || FrameSpecError::Form {
            text: text.to_owned(),
        };
        let lower = text.trim().to_ascii_lowercase();
        if let Some(across) = lower.strip_prefix("ring:") {
            return Ok(Self::Ring {
                diameter_mm: side_mm(across, "")?,
            });
        }
        let (w, h) = lower.split_once(['x', '×']).ok_or_else(form)?;
        let unit = split_number(h).map_err(|_| form())?.1.to_owned();
        if unit.is_empty() {
            return Err(form());
        }
        Ok(Self::Rectangle {
            width_mm: side_mm(w, &unit)?,
            height_mm: side_mm(h, &unit)?,
        })
    }
}

impl TryFrom<String> for FrameSpec {
    type Error = FrameSpecError;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        text.parse()
    }
}

impl From<FrameSpec> for String {
    fn from(spec: FrameSpec) -> Self {
        spec.to_string()
    }
}

impl fmt::Display for FrameSpec {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Rectangle {
                width_mm,
                height_mm,
            } => write!(f, "{width_mm}x{height_mm}mm"),
            Self::Ring { diameter_mm } => write!(f, "ring:{diameter_mm}mm"),
        }
    }
}

impl FrameSpec {
    /// Sides and unit as people say them: inches where it was made in inches.
    fn made_as(self) -> (f64, f64, &'static str) {
        let (w, h) = self.size_mm();
        let inches = |mm: f64| (mm / MM_PER_IN * 2.0).round() / 2.0;
        let made_in_inches =
            |mm: f64| (inches(mm) * MM_PER_IN - mm).abs() < 0.01 && mm % 5.0 != 0.0;
        if made_in_inches(w) && made_in_inches(h) {
            (inches(w), inches(h), "in")
        } else {
            (w, h, "mm")
        }
    }

    /// The size to be read, as in "12 × 12 in".
    pub fn in_words(self) -> String {
        let (w, h, unit) = self.made_as();
        match self {
            Self::Rectangle { .. } => format!("{w} × {h} {unit}"),
            Self::Ring { .. } => format!("ring, {w} {unit} across"),
        }
    }

    /// The size as it is typed, as in "12x12in" or "ring:24in"; it reads back as the same frame.
    pub fn typed(self) -> String {
        let (w, h, unit) = self.made_as();
        match self {
            Self::Rectangle { .. } => format!("{w}x{h}{unit}"),
            Self::Ring { .. } => format!("ring:{w}{unit}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn says_inches_where_it_was_made_in_inches() {
        let words = |text: &str| text.parse::<FrameSpec>().unwrap().in_words();
        assert_eq!(words("12x12in"), "12 × 12 in");
        assert_eq!(words("1x1ft"), "12 × 12 in");
        assert_eq!(words("500x250mm"), "500 × 250 mm");
        assert_eq!(words("ring:34.5in"), "ring, 34.5 in across");
        assert_eq!(words("ring:0.25m"), "ring, 250 mm across");
        let typed = |text: &str| text.parse::<FrameSpec>().unwrap().typed();
        assert_eq!(typed("12x12in"), "12x12in");
        assert_eq!(typed("ring:24in"), "ring:24in");
        assert_eq!(typed("50x25cm"), "500x250mm");
    }

    #[test]
    fn reads_what_people_write() {
        let rectangle = |w, h| {
            Ok(FrameSpec::Rectangle {
                width_mm: w,
                height_mm: h,
            })
        };
        assert_eq!("12x12in".parse(), rectangle(304.8, 304.8));
        assert_eq!("1 x 0.25 m".parse(), rectangle(1000.0, 250.0));
        assert_eq!("50cmx10in".parse(), rectangle(500.0, 254.0));
        assert_eq!("304.8x304.8mm".parse(), rectangle(304.8, 304.8));
        assert_eq!(
            "ring:610mm".parse(),
            Ok(FrameSpec::Ring { diameter_mm: 610.0 })
        );
    }

    #[test]
    fn names_what_it_cannot_read() {
        let error = |text: &str| text.parse::<FrameSpec>().unwrap_err().to_string();
        assert!(error("12x12").contains("12x12in"));
        assert!(error("12x12furlong").contains("furlong"));
        assert!(error("-1x2m").contains("above 0"));
        assert!(error("1x2mm").contains("outside"));
        assert!(error("nanx2m").contains("not a length"));
    }

    #[test]
    fn survives_its_own_writing() {
        for text in ["12x12in", "ring:25in", "0.25x1m"] {
            let spec: FrameSpec = text.parse().unwrap();
            assert_eq!(spec.to_string().parse(), Ok(spec));
            assert_eq!(spec.typed().parse(), Ok(spec));
        }
    }
}

//! Where on the ground a frame was laid.

use serde::{Deserialize, Serialize};

/// Where a frame was laid, as seen from the machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// In the standing crop, ahead: what fell before harvest.
    Standing,
    /// In the strip that was cut but not yet discharged on: header and before harvest.
    Cut,
    /// Behind, where the discharge fell: everything.
    Behind,
    /// Beans picked up from a frame and spread on a plain sheet: a count of that frame by other means.
    Tray,
}

impl Place {
    /// All of them, in the order in which they are met.
    pub const ALL: [Self; 4] = [Self::Standing, Self::Cut, Self::Behind, Self::Tray];

    /// The word for it, as in `sheet.csv`.
    pub fn word(self) -> &'static str {
        match self {
            Self::Standing => "standing",
            Self::Cut => "cut",
            Self::Behind => "behind",
            Self::Tray => "tray",
        }
    }

    /// Reads the word; `None` where it is none of them.
    pub fn of_word(word: &str) -> Option<Self> {
        let word = word.trim().to_ascii_lowercase();
        Self::ALL.into_iter().find(|place| place.word() == word)
    }
}

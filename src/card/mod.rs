//! Spot cards: a word and a QR code laid beside the frame, by which a photo tells its place and check.
//!
//! What a card says is one of some hundred texts. So the code on a photo is not decoded as any code might
//! be: it is set against every card there is, and the nearest stands where it is near enough and the next one is
//! far off. A card that is covered, blurred or cut off is passed over.

mod book;
mod finders;
mod read;

use qrcode::{EcLevel, QrCode, Version};
use serde::{Deserialize, Serialize};

use crate::{geometry::Point, photo::sha256_hex, place::Place};

pub use read::find;

/// Side of a module of the printed code, mm: 8 px and more on a 12 million pixel photo of a 12 in frame.
pub const MODULE_MM: f64 = 2.0;
/// Modules on a side of the code (version 1 of ISO/IEC 18004).
pub const SIDE_MODULES: usize = 21;
/// Light modules to be left all round it, by ISO/IEC 18004.
pub const QUIET_MODULES: usize = 4;
/// Highest number of a check on a card.
pub const MOST_CHECK: u16 = 300;
/// Places for which there are cards: those on the ground.
pub const PLACES: [Place; 3] = [Place::Standing, Place::Cut, Place::Behind];

/// Name and form of what the code says; a later form gets another number.
const FORM: &str = "PF1";
/// Digits of the check characters: none that is easily taken for another.
const DIGITS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";

/// What a card says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Card {
    /// Where the frame lies.
    pub place: Place,
    /// Number of the check, 1 to [`MOST_CHECK`].
    pub check: u16,
}

/// A card as read from a photo.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CardSeen {
    /// What it says.
    #[serde(flatten)]
    pub card: Card,
    /// Corners of its code, upright photo pixels, clockwise from the code's own first.
    pub corners_px: [Point; 4],
    /// Modules that were read unlike those printed.
    pub wrong_modules: u32,
    /// The same set against the card that is next nearest.
    pub wrong_modules_next: u32,
}

impl Card {
    /// A card; `None` where the check's number or the place has none.
    pub fn new(place: Place, check: usize) -> Option<Self> {
        let check = u16::try_from(check).ok()?;
        ((1..=MOST_CHECK).contains(&check) && PLACES.contains(&place))
            .then_some(Self { place, check })
    }

    /// What its code says: form, first letter of the place, number, and three characters of a check sum over
    /// the rest. Ten at most, capitals and digits only: all that the smallest code holds at its highest
    /// level of error correction.
    pub fn text(self) -> String {
        let letter = self.place.word()[..1].to_uppercase();
        let bare = format!("{FORM}{letter}{}", self.check);
        let sum = u16::from_str_radix(&sha256_hex(bare.as_bytes())[..4], 16).unwrap_or_default();
        let digit = |at: u32| char::from(DIGITS[usize::from(sum >> at) & 31]);
        format!("{bare}{}{}{}", digit(10), digit(5), digit(0))
    }

    /// Its modules, row by row, dark ones true: version 1, level H, of ISO/IEC 18004.
    ///
    /// # Panics
    /// Never: ten characters always fit.
    pub fn modules(self) -> Vec<bool> {
        QrCode::with_version(self.text(), Version::Normal(1), EcLevel::H)
            .expect("ten characters fit the smallest code")
            .to_colors()
            .into_iter()
            .map(|colour| colour == qrcode::Color::Dark)
            .collect()
    }
}

impl std::fmt::Display for Card {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}, check {}", self.place.word(), self.check)
    }
}

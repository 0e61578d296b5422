//! What persons said of a photo: by marks on the confirm page, and in `sheet.csv`.

use serde::{Deserialize, Serialize};

use crate::loss::HandCounts;

/// What was said of a photo on the confirm page.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct PersonCount {
    /// Objects of which a person said what they are.
    pub marks: usize,
    /// Who made these marks.
    pub who: Vec<String>,
    /// When the last of them was made, RFC 3339.
    pub at: Option<String>,
    /// The whole count, called right.
    pub confirmed: Option<Counted>,
    /// A count of the frame on the ground, typed in on the page.
    pub hand: Option<Counted>,
    /// The frame's edge, where a person set it.
    pub edge: Option<EdgeSet>,
    /// Why it was set aside; empty where that was taken out.
    pub set_aside: Option<String>,
    /// A note.
    pub note: Option<String>,
}

/// A count by a person.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Counted {
    /// Loose beans.
    pub beans: Option<f64>,
    /// Pods.
    pub pods: Option<f64>,
    /// Who; `None` where names are taken out.
    pub who: Option<String>,
    /// When, RFC 3339.
    pub at: Option<String>,
}

/// A frame's edge set by a person.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct EdgeSet {
    /// Who; `None` where names are taken out.
    pub who: Option<String>,
    /// When, RFC 3339.
    pub at: Option<String>,
    /// Whether the count was made anew with it.
    pub counted_anew: bool,
    /// Why the tool by itself had not counted it.
    pub before: Option<String>,
}

/// What `sheet.csv` says of a photo besides check, place and setting. The sheet keeps no time.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct SheetSaid {
    /// Counted by hand within the frame.
    pub hand: HandCounts,
    /// Ground speed, km/h.
    pub speed_kmh: Option<f64>,
    /// Moisture of the beans, %.
    pub moisture_percent: Option<f64>,
    /// A note.
    pub note: Option<String>,
}

//! One thing that a person said.

use serde::{Deserialize, Serialize};

use crate::{
    counts::{Counts, Kind, Object},
    frame::FrameSpec,
    geometry::Point,
};

/// What an object is, as a person says.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "is", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Verdict {
    /// A whole bean.
    Bean,
    /// A split or crushed bean.
    Split,
    /// A closed pod; how many beans are in it, where the person told.
    Pod {
        /// Beans in it.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        beans: Option<u32>,
    },
    /// None of these.
    None,
}

impl Verdict {
    /// What the tool takes an object for, at its most likely.
    pub fn of_kind(kind: Kind) -> Self {
        match kind {
            Kind::Bean => Self::Bean,
            Kind::SplitBean => Self::Split,
            Kind::Pod => Self::Pod { beans: None },
        }
    }

    /// The kind of object; `None` where it is none.
    pub fn kind(self) -> Option<Kind> {
        match self {
            Self::Bean => Some(Kind::Bean),
            Self::Split => Some(Kind::SplitBean),
            Self::Pod { .. } => Some(Kind::Pod),
            Self::None => None,
        }
    }
}

/// An object as a mark names it: by its place, so that it is found again when the counts are made anew.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Named {
    /// Its number in the counts at that time; 0 for one that a person added.
    pub id: u32,
    /// For one that a person added: the number of the act that added it.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub added: Option<u64>,
    /// Centre on the plot, mm.
    pub x_mm: f64,
    /// Centre on the plot, mm.
    pub y_mm: f64,
    /// Centre in the upright photo, pixels. These stay when the frame's corners are moved.
    pub x_px: f64,
    /// Centre in the upright photo, pixels.
    pub y_px: f64,
}

impl Named {
    /// As the counts name it.
    pub fn of(object: &Object) -> Self {
        Self {
            id: object.id,
            added: None,
            x_mm: object.x_mm,
            y_mm: object.y_mm,
            x_px: object.x_px,
            y_px: object.y_px,
        }
    }

    /// Where it lies in the upright photo.
    pub fn px(&self) -> Point {
        Point::new(self.x_px, self.y_px)
    }
}

/// One act of a person on one photo.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Act {
    /// Says what an object is.
    Verdict {
        /// Which.
        object: Named,
        /// What it is.
        verdict: Verdict,
        /// What a person had said before; `None` where nobody had.
        before: Option<Verdict>,
    },
    /// Adds one that the tool missed. The act's own number names it from then on.
    Add {
        /// Where.
        object: Named,
        /// What it is.
        verdict: Verdict,
    },
    /// Takes one away that a person had added.
    Take {
        /// Which.
        object: Named,
    },
    /// Sets the frame's inner edge: corners, or of a ring the ends of two diameters at right angles.
    Corners {
        /// Upright photo pixels, in order round the frame; `None`: back to those that the tool found.
        corners_px: Option<[Point; 4]>,
        /// Those set by hand before.
        before: Option<[Point; 4]>,
    },
    /// The photo cannot be used.
    Unusable {
        /// Why.
        why: String,
    },
    /// It can be used after all.
    Usable,
    /// Types in what was counted in the frame by hand.
    Hand {
        /// Loose beans; `None`: not counted.
        beans: Option<f64>,
        /// Closed pods; `None`: not counted.
        pods: Option<f64>,
    },
    /// Says where the frame was laid.
    Place {
        /// The word for the place, as in `sheet.csv`.
        place: Option<String>,
        /// The stop.
        check: Option<String>,
        /// The machine's setting.
        setting: Option<String>,
    },
    /// Writes a note.
    Note {
        /// The note.
        text: String,
    },
    /// The photo's count is right as it now stands.
    Confirm {
        /// The count that was confirmed.
        counts: Counts,
        /// The frame that it was confirmed for.
        frame_spec: FrameSpec,
        /// Corners that the plot was drawn by, where a person had set them.
        corners_px: Option<[Point; 4]>,
    },
    /// It is not.
    Unconfirm,
    /// Takes an earlier act back.
    Undo {
        /// Its number.
        seq: u64,
    },
    /// Brings back an act that was taken back.
    Redo {
        /// Its number.
        seq: u64,
    },
}

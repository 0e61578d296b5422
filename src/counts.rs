//! What the tool saw, as it stands in `counts.json`. Written by `count`, read by everything after it.
//!
//! Keys carry their units. Fields may be added; none changes its meaning within one [`SCHEMA`].

use serde::{Deserialize, Serialize};

use crate::{
    card::CardSeen,
    caution::{Caution, CautionKind},
    frame::{FoundFrame, FrameSpec, Outline},
    geometry::Point,
    ground::Shares,
    photo::PhotoMeta,
    plot::Plot,
    score::Chances,
};

/// Version of the form of `counts.json`.
pub const SCHEMA: u32 = 1;

/// All of `counts.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CountsFile {
    /// [`SCHEMA`].
    pub schema: u32,
    /// Version of the tool that wrote it.
    pub podfall: String,
    /// Name and SHA-256 of the model that scored.
    pub model: ModelName,
    /// One entry a photo, by file name.
    pub photos: Vec<PhotoCount>,
}

/// Which model scored.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ModelName {
    /// Its name.
    pub name: String,
    /// SHA-256 of its file, lower-case hex.
    pub sha256: String,
}

/// One photo's result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PhotoCount {
    /// File name, without folder.
    pub photo: String,
    /// What became of it.
    pub status: Status,
    /// Why not, when it was not counted: what was measured, what was needed, what to do.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub problem: Option<String>,
    /// What the file says of itself.
    pub meta: PhotoMeta,
    /// The frame laid down.
    pub frame_spec: FrameSpec,
    /// Height of the bar's inner edge over the ground that it was counted with, mm; absent where it was not told.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub bar_height_mm: Option<f64>,
    /// The frame as found; `null` where none was.
    pub frame: Option<FrameFound>,
    /// The ground seen through it.
    pub plot: Option<PlotSize>,
    /// Shares of soil and residue.
    pub ground: Option<Shares>,
    /// What the plot looks like, by which it is compared with the photos that the model was trained on:
    /// see [`crate::score::likeness_measures`].
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub looks: Option<[f64; 6]>,
    /// The spot card beside the frame, where there is one that can be read.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub card: Option<CardSeen>,
    /// Everything that may be a bean or a pod, doubtful ones too.
    pub objects: Vec<Object>,
    /// The count with limits; `null` where there is none.
    pub counts: Option<Counts>,
    /// Doubts.
    pub cautions: Vec<Caution>,
}

impl PhotoCount {
    /// Cautions that a look at this photo settles; the others hold for the whole season and are told once.
    pub fn own_cautions(&self) -> impl Iterator<Item = &Caution> {
        (self.cautions.iter()).filter(|c| c.kind.asks_for_a_person())
    }

    /// Whether it is the same file as another photo of these counts, and not the first of them.
    pub fn is_copy(&self) -> bool {
        self.cautions
            .iter()
            .any(|c| c.kind == CautionKind::SameFile)
    }
}

/// What became of a photo.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Status {
    /// Counted, nothing to look at.
    Counted,
    /// Counted, but a person must confirm.
    Confirm,
    /// The photo is good but cannot be counted (no frame, too coarse).
    Refused,
    /// The file could not be read.
    Failed,
}

/// The frame in `counts.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameFound {
    /// Inner corners, upright photo pixels; `null` for a ring.
    pub corners_px: Option<[Point; 4]>,
    /// All the evidence.
    #[serde(flatten)]
    pub found: FoundFrame,
}

impl From<FoundFrame> for FrameFound {
    fn from(found: FoundFrame) -> Self {
        let corners_px = match found.outline {
            Outline::Corners(corners) => Some(corners),
            Outline::Ring(_) => None,
        };
        Self { corners_px, found }
    }
}

/// The ground that was looked at.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PlotSize {
    /// Photo pixels per mm of ground where it is coarsest.
    pub photo_px_per_mm: f64,
    /// Plot pixels per mm.
    pub plot_px_per_mm: f64,
    /// Ground seen through the frame, m².
    pub area_m2: f64,
    /// Its lower limit.
    pub area_low_m2: f64,
    /// Its upper limit.
    pub area_high_m2: f64,
}

impl PlotSize {
    /// Of a plot.
    pub fn of(plot: &Plot) -> Self {
        Self {
            photo_px_per_mm: plot.photo_px_per_mm,
            plot_px_per_mm: plot.px_per_mm,
            area_m2: plot.area_m2,
            area_low_m2: plot.area_low_m2,
            area_high_m2: plot.area_high_m2,
        }
    }
}

/// One object.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Object {
    /// Number within the photo, from 1, top to bottom on the plot. Kept by marks.
    pub id: u32,
    /// The most likely kind.
    pub kind: Kind,
    /// Centre, upright photo pixels.
    pub x_px: f64,
    /// Centre, upright photo pixels.
    pub y_px: f64,
    /// Centre on the plot, mm from the first inner corner.
    pub x_mm: f64,
    /// Centre on the plot, mm.
    pub y_mm: f64,
    /// Length, mm.
    pub length_mm: f64,
    /// Width, mm.
    pub width_mm: f64,
    /// Angle of the long axis on the plot, degrees.
    pub angle_deg: f64,
    /// That it is what `kind` says (a bean: whole or split together).
    pub probability: f64,
    /// Whether it is in the count.
    pub counted: bool,
    /// In the band of doubt: a person should look.
    pub doubtful: bool,
    /// Beans in it, for a pod: expected number.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub beans_in_pod: Option<f64>,
    /// All four probabilities.
    pub chances: Chances,
}

/// Kinds of object.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// A whole bean.
    Bean,
    /// A split or crushed bean.
    SplitBean,
    /// A closed pod.
    Pod,
}

/// A number with its 95 % limits.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// Best value.
    pub estimate: f64,
    /// Lower 95 % limit.
    pub low: f64,
    /// Upper 95 % limit.
    pub high: f64,
}

impl Limits {
    /// A number without doubt.
    pub fn exactly(value: f64) -> Self {
        Self {
            estimate: value,
            low: value,
            high: value,
        }
    }
}

/// The count of one photo.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Counts {
    /// Loose beans that can be seen in the frame.
    pub beans: Limits,
    /// Of them split or crushed.
    pub split_beans: Limits,
    /// Closed pods.
    pub pods: Limits,
    /// Beans in those pods.
    pub beans_in_pods: Limits,
}

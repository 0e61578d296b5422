//! The sources of loss, and what is told of each.

use serde::{Deserialize, Serialize};

use super::{Amount, Basis, FrameLoss, LossCaution, SeedSize};
use crate::{counts::Limits, sheet::Place, stats::RatioEstimate};

/// Where beans are lost.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Source {
    /// Fell before harvest.
    PreHarvest,
    /// At the header: loose beans and loose pods on the ground.
    Shatter,
    /// At the header: in pods still on stubble.
    Stubble,
    /// At the header: in pods on lodged, uncut plants.
    Lodged,
    /// At the header: in pods on cut stalks that were not gathered.
    LooseStalks,
    /// All of the header.
    Header,
    /// Through the machine: threshing, separating, cleaning.
    Through,
    /// Header and through the machine.
    Machine,
    /// Everything.
    Total,
}

impl Source {
    /// All of them, in the order in which they are told.
    pub const ALL: [Self; 9] = [
        Self::PreHarvest,
        Self::Shatter,
        Self::Stubble,
        Self::Lodged,
        Self::LooseStalks,
        Self::Header,
        Self::Through,
        Self::Machine,
        Self::Total,
    ];

    /// The word for it, as in JSON.
    pub fn word(self) -> &'static str {
        match self {
            Self::PreHarvest => "pre-harvest",
            Self::Shatter => "shatter",
            Self::Stubble => "stubble",
            Self::Lodged => "lodged",
            Self::LooseStalks => "loose-stalks",
            Self::Header => "header",
            Self::Through => "through",
            Self::Machine => "machine",
            Self::Total => "total",
        }
    }

    /// For a person to read.
    pub fn title(self) -> &'static str {
        match self {
            Self::PreHarvest => "Before harvest",
            Self::Shatter => "Header: shattered",
            Self::Stubble => "Header: left on stubble",
            Self::Lodged => "Header: on lodged plants",
            Self::LooseStalks => "Header: on loose stalks",
            Self::Header => "Header, all of it",
            Self::Through => "Through the machine",
            Self::Machine => "Header and machine",
            Self::Total => "Total",
        }
    }

    /// Whether it is one of the parts that add up to the total, and not a sum itself.
    pub fn is_part(self) -> bool {
        !matches!(self, Self::Header | Self::Machine | Self::Total)
    }
}

/// One source's loss.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SourceAmount {
    /// Which.
    pub source: Source,
    /// How much.
    pub amount: Amount,
    /// Frames that it rests on, by what their counts rest on: photo, confirmed, ratio, hand.
    pub rests_on: RestsOn,
    /// What it is put together from.
    #[serde(skip)]
    pub(crate) made_of: MadeOf,
    /// Variance by counting alone, (beans on a square foot)².
    #[serde(skip)]
    pub(crate) counting_variance: f64,
    /// Draws, for differences.
    #[serde(skip)]
    pub(crate) draws: Drawn,
}

/// The places that stand on the ground.
pub(crate) const ON_GROUND: [Place; 3] = [Place::Standing, Place::Cut, Place::Behind];

/// What a source's loss is put together from. Two losses of one name can be compared only where this is the same: with frames
/// ahead of the machine shattering is what came to it there, without them it holds what fell before harvest too.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct MadeOf {
    /// How often the density at each of [`ON_GROUND`] goes into it: 1 and −1 where one is taken from the other.
    shares: [f64; 3],
    /// Which kinds of pods that hang go into it: on stubble, on lodged plants, on loose stalks.
    hanging: [bool; 3],
}

impl MadeOf {
    /// The density at one of [`ON_GROUND`].
    pub fn place(at: usize) -> Self {
        Self {
            shares: [0, 1, 2].map(|i| f64::from(u8::from(i == at))),
            hanging: [false; 3],
        }
    }

    /// One kind of pods that hang.
    pub fn hanging(number: usize) -> Self {
        Self {
            shares: [0.0; 3],
            hanging: [0, 1, 2].map(|i| i == number),
        }
    }

    /// self × a + other × b.
    pub fn mix(&self, a: f64, other: &Self, b: f64) -> Self {
        Self {
            shares: [0, 1, 2].map(|i| a * self.shares[i] + b * other.shares[i]),
            hanging: [0, 1, 2].map(|i| self.hanging[i] || other.hanging[i]),
        }
    }

    /// The places on the ground that weigh in it, and how often each goes into it.
    pub fn ground(&self) -> impl Iterator<Item = (Place, f64)> {
        let all = ON_GROUND.into_iter().zip(self.shares);
        // Where a place is taken off and put on again, what is left is rounding.
        all.filter(|(_, share)| share.abs() > 1e-9)
    }

    /// Whether frames at that place weigh in it.
    pub fn has(&self, place: Option<Place>) -> bool {
        self.ground().any(|(of, _)| place == Some(of))
    }

    /// Whether the two are put together alike.
    pub fn like(&self, other: &Self) -> bool {
        let alike = |(a, b): (&f64, &f64)| (a - b).abs() < 1e-9;
        self.hanging == other.hanging && self.shares.iter().zip(&other.shares).all(alike)
    }
}

/// Draws of one source.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Drawn {
    pub beans_ft2: Vec<f64>,
    pub bu: Vec<f64>,
}

/// Frames by what their counts rest on.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RestsOn {
    /// The tool's count as it stands.
    pub photo: usize,
    /// Put right by a person's marks.
    pub confirmed: usize,
    /// Put right by the ratio to hand counts.
    pub ratio: usize,
    /// Counted by hand.
    pub hand: usize,
    /// Frames on which pods on stubble, lodged and loose stalks were counted by hand.
    pub hand_pods: usize,
}

impl RestsOn {
    pub(super) fn count<'a>(frames: impl Iterator<Item = &'a FrameLoss>) -> Self {
        let mut this = Self::default();
        for frame in frames {
            match frame.basis {
                Basis::Photo => this.photo += 1,
                Basis::Confirmed => this.confirmed += 1,
                Basis::Ratio => this.ratio += 1,
                Basis::Hand => this.hand += 1,
            }
        }
        this
    }
}

/// What was found at one place.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Evidence {
    /// Where.
    pub place: Place,
    /// Beans on a square foot of it.
    pub beans_per_ft2: Limits,
    /// Frames.
    pub frames: usize,
    /// Checks.
    pub checks: usize,
    /// Ground looked at, m².
    pub area_m2: f64,
    /// Beans, loose and in pods.
    pub beans: f64,
    /// Fitted dispersion k of a frame within its check.
    pub k: f64,
    /// Fitted coefficient of variation between checks.
    pub between_cv: Option<f64>,
    /// What the counts rest on.
    pub rests_on: RestsOn,
}

/// Loss by source over some frames.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SourceLoss {
    /// Sources that can be told, in the order of [`Source::ALL`].
    pub sources: Vec<SourceAmount>,
    /// What was found at each place.
    pub places: Vec<Evidence>,
    /// Seeds' size and what it rests on.
    pub seeds: SeedSize,
    /// Hand count for one bean of the photos', where there is one.
    pub ratio: Option<RatioEstimate>,
    /// Doubts.
    pub cautions: Vec<LossCaution>,
}

impl SourceLoss {
    /// One source; `None` where it cannot be told.
    pub fn get(&self, source: Source) -> Option<&SourceAmount> {
        self.sources.iter().find(|s| s.source == source)
    }

    /// The part with the largest estimate, in bu/ac.
    pub fn largest_part(&self) -> Option<&SourceAmount> {
        self.sources
            .iter()
            .filter(|s| s.source.is_part())
            .max_by(|a, b| {
                let bu = |s: &SourceAmount| s.amount.bu_per_ac.estimate;
                bu(a).total_cmp(&bu(b)).then(b.source.cmp(&a.source))
            })
    }
}

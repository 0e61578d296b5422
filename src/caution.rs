//! Doubts that do not stop a run.

use serde::{Deserialize, Serialize};

/// One doubt about a photo: what was measured and what would have been needed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Caution {
    /// What kind of doubt.
    pub kind: CautionKind,
    /// What was measured, in the unit that `kind` says.
    pub measured: f64,
    /// The bound that it passed, same unit.
    pub bound: f64,
    /// One sentence for the person: what it means and what to do.
    pub message: String,
}

impl Caution {
    /// What is the matter, without what to do about it.
    pub fn matter(&self) -> &str {
        matter(&self.message)
    }
}

/// A message without its last clause, which tells what to do: for those who were not there. Words in brackets stay whole.
pub(crate) fn matter(message: &str) -> &str {
    let whole =
        |(_, order): &(&str, &str)| order.matches('(').count() == order.matches(')').count();
    (message.rmatch_indices([';', ':']))
        .map(|(at, _)| (&message[..at], &message[at + 1..]))
        .filter(|(_, order)| order.starts_with(' '))
        .find(whole)
        .map_or(message, |(matter, _)| matter)
}

/// Kinds of doubt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum CautionKind {
    /// Blurred: fine detail beside coarse, 0..1.
    Blur,
    /// Smeared by a phone that moved: sharpness along over that across, 0..1.
    Smear,
    /// Too dark: median lightness, L*.
    Dark,
    /// Burnt-out highlights: share of the plot, %.
    Glare,
    /// Deep shadow: share of the plot, %.
    DeepShadow,
    /// Few pixels across a bean: px.
    CoarseScale,
    /// What looks like beans is larger or smaller than beans, mm: the frame may be of another size than was said.
    OddSize,
    /// Beans have nearly the ground's colour, and are few pixels wide: difference in colour, ΔE*ab.
    FaintBeans,
    /// Much residue: cover, %. Beans lie hidden under it.
    HeavyResidue,
    /// The frame is not surely right: confidence, 0..1.
    DoubtfulFrame,
    /// The same file (SHA-256) stands twice in the batch: copies beyond the first.
    SameFile,
    /// The same plot seems photographed twice: likeness, 0..1.
    SamePlot,
    /// The bar's height is not known, so the area may be off by this much: %.
    BarHeightUnknown,
    /// The bar's height as given is far above the bar's own width as seen: mm.
    HighBar,
    /// Unlike anything that the model was fitted on: distance in standard deviations.
    UnlikeTraining,
    /// The photo's colour profile could not be applied: number of such profiles, 1.
    ColourProfile,
}

impl CautionKind {
    /// Whether a person must look at the photo for it. A bar's height, unknown or given wrong, is the same for
    /// every photo; looking at one does not help.
    pub fn asks_for_a_person(self) -> bool {
        !matches!(self, Self::BarHeightUnknown | Self::HighBar)
    }

    /// The word for it, as in JSON.
    pub fn word(self) -> &'static str {
        match self {
            Self::Blur => "blur",
            Self::Smear => "smear",
            Self::Dark => "dark",
            Self::Glare => "glare",
            Self::DeepShadow => "deep-shadow",
            Self::CoarseScale => "coarse-scale",
            Self::OddSize => "odd-size",
            Self::FaintBeans => "faint-beans",
            Self::HeavyResidue => "heavy-residue",
            Self::DoubtfulFrame => "doubtful-frame",
            Self::SameFile => "same-file",
            Self::SamePlot => "same-plot",
            Self::BarHeightUnknown => "bar-height-unknown",
            Self::HighBar => "high-bar",
            Self::UnlikeTraining => "unlike-training",
            Self::ColourProfile => "colour-profile",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::matter;

    #[test]
    fn the_matter_is_told_without_the_order() {
        for (message, told) in [
            (
                "the phone moved: in one direction the photo is only 0.5 as sharp as across it; hold it still",
                "the phone moved: in one direction the photo is only 0.5 as sharp as across it",
            ),
            (
                "the photo is blurred (sharpness 0.3; evenness: 0.9): hold still and tap to focus",
                "the photo is blurred (sharpness 0.3; evenness: 0.9)",
            ),
            (
                "the same file as a:b.jpg: it counts once",
                "the same file as a:b.jpg",
            ),
            ("no frame found", "no frame found"),
        ] {
            assert_eq!(matter(message), told);
        }
    }
}

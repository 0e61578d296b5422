//! Doubts about a loss that do not stop it.

use serde::{Deserialize, Serialize};

/// One doubt: its kind and a sentence for the person.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LossCaution {
    /// What kind of doubt.
    pub kind: LossCautionKind,
    /// What it means and what to do.
    pub message: String,
}

impl LossCaution {
    /// What is the matter, without what to do about it. Where the last clause is no order, the whole.
    pub fn matter(&self) -> &str {
        use LossCautionKind::*;
        match self.kind {
            SeedsFromTable
            | SeedsFromPhotos
            | SeedsUnlike
            | FewFrames
            | NoStanding
            | NoCut
            | PodsOnStalksNotCounted
            | PodsWiden
            | BelowZero
            | NotCountedYet
            | NoPlace
            | SettingsAlike
            | SamePlot
            | OddSize
            | HeavyResidue
            | FaintBeans
            | OtherFrame
            | HandFarOff => crate::caution::matter(&self.message),
            _ => &self.message,
        }
    }
}

/// Kinds of doubt about a loss.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum LossCautionKind {
    /// Seeds were not weighed: the crop table's ordinary size stands, with a wide spread.
    SeedsFromTable,
    /// The seeds' size is judged from the photos.
    SeedsFromPhotos,
    /// The seeds' size as given is far from the crop's ordinary one.
    SeedsUnlike,
    /// All frames of a place are of one check.
    OneCheck,
    /// Fewer frames than it takes.
    FewFrames,
    /// No frames in the standing crop: what fell before harvest is in the header's loss.
    NoStanding,
    /// No frames in the cut strip: header and machine cannot be told apart.
    NoCut,
    /// No frames behind: the machine's loss is not known.
    NoBehind,
    /// The discharge is narrower than the cut, and there is nothing to correct it by.
    NarrowUncorrected,
    /// The hand columns for stubble, lodged and loose stalks are empty.
    PodsOnStalksNotCounted,
    /// The total's upper limit is made by pods that hang, looked for in few frames.
    PodsWiden,
    /// A source comes out below zero: chance, or frames of unlike ground.
    BelowZero,
    /// Photos in the sheet that could not be counted.
    NotCounted,
    /// Settings that differ by one letter.
    SettingsAlike,
    /// Photos in the season's folder that are not among the counts.
    NotCountedYet,
    /// Photos without a place.
    NoPlace,
    /// Photos that are the same file as another: left out.
    SameFile,
    /// Photos that seem to show a plot that another shows too.
    SamePlot,
    /// What looks like beans is not as large as beans: the frame may be of another size than was said.
    OddSize,
    /// Frames under heavy residue, counted by photo.
    HeavyResidue,
    /// Photos from far up of beans that hardly stand out from the ground, counted by photo.
    FaintBeans,
    /// The season's file has another frame than the photos were counted with.
    OtherFrame,
    /// A spot card on a photo says something else than the sheet.
    CardDiffers,
    /// A tray whose frame is not told.
    TrayAlone,
    /// Photos were put right by the ratio to the hand counts.
    PutRightByHand,
    /// A hand count is far from its photo's own count.
    HandFarOff,
    /// Photos were put right by the ratio to the confirmed ones.
    PutRightByMarks,
    /// A threshold of the season's own was fitted to the confirmed photos, and is or is not used.
    SeasonThreshold,
    /// Marks that found no object, or a confirmed photo counted anew.
    Marks,
}

impl LossCaution {
    /// For a terminal: "caution: …", or "note: …" where it tells how a number was made and nothing is to be done.
    pub fn line(&self) -> String {
        let head = match self.kind {
            LossCautionKind::PutRightByHand
            | LossCautionKind::PutRightByMarks
            | LossCautionKind::SeasonThreshold => "note",
            _ => "caution",
        };
        format!("{head}: {}\n", self.message)
    }
}

impl LossCautionKind {
    pub(crate) fn says(self, message: impl Into<String>) -> LossCaution {
        LossCaution {
            kind: self,
            message: message.into(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn how_a_number_was_made_is_a_note_and_a_doubt_is_a_caution() {
        let line = |kind: LossCautionKind| kind.says("so it is").line();
        for kind in [
            LossCautionKind::PutRightByHand,
            LossCautionKind::PutRightByMarks,
            LossCautionKind::SeasonThreshold,
        ] {
            assert_eq!(line(kind), "note: so it is\n");
        }
        assert_eq!(line(LossCautionKind::OneCheck), "caution: so it is\n");
    }
}

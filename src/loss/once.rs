//! What stands twice counts once: copies of a file, and beans picked up from a frame onto a tray.

use std::collections::{BTreeMap, BTreeSet};

use super::{FrameLoss, HandCounts, LossCaution, LossCautionKind, spelling::folded};
use crate::{
    counts::PhotoCount,
    sheet::Row,
    units::{plural_does, short_list},
};

/// Copies of one file: the plot that they show counts once.
#[derive(Default)]
pub(super) struct Once<'a> {
    pub left_out: BTreeSet<&'a str>,
    /// Copies of which the sheet says another place, check or hand count than of the one that stays.
    at_odds: Vec<&'a str>,
}

impl<'a> Once<'a> {
    /// Of each file's copies the one stays of which the sheet says most: its place, then a hand count; of equals the first.
    pub fn of(photos: &'a [PhotoCount], rows: &BTreeMap<&str, &Row>) -> Self {
        let mut by_file: BTreeMap<&str, Vec<&'a str>> = BTreeMap::new();
        for photo in photos.iter().filter(|p| !p.meta.sha256.is_empty()) {
            let copies = by_file.entry(photo.meta.sha256.as_str()).or_default();
            copies.push(photo.photo.as_str());
        }
        let mut this = Self::default();
        for copies in by_file.into_values().filter(|copies| copies.len() > 1) {
            let typed = |name: &str| rows.get(name).map(|row| &row.typed);
            let laid = |name: &str| {
                let typed = typed(name)?;
                typed
                    .place
                    .map(|place| (place, typed.check.as_deref().map(folded)))
            };
            let by_hand = |name: &str| {
                let hand = typed(name).map(|typed| &typed.hand);
                hand.filter(|hand| **hand != HandCounts::default())
            };
            let says = |name: &&&str| (laid(name).is_some(), by_hand(name).is_some());
            // From behind, for of equals the last is taken.
            let stays = *copies.iter().rev().max_by_key(says).expect("two or more");
            for other in copies.into_iter().filter(|name| *name != stays) {
                let another = |said: bool, same: bool| said && !same;
                if another(laid(other).is_some(), laid(other) == laid(stays))
                    || another(by_hand(other).is_some(), by_hand(other) == by_hand(stays))
                {
                    this.at_odds.push(other);
                }
                this.left_out.insert(other);
            }
        }
        this
    }

    pub fn caution(&self) -> Option<LossCaution> {
        let names: Vec<&str> = self.left_out.iter().copied().collect();
        let odd = if self.at_odds.is_empty() {
            String::new()
        } else {
            format!(
                "; of {} the sheet says another place, check or hand count than of its copy: put that right",
                short_list(&self.at_odds)
            )
        };
        (!names.is_empty()).then(|| {
            LossCautionKind::SameFile.says(format!(
                "{} the same file as another, so that the plot counts once: {} left out{odd}",
                plural_does(names.len(), "photo", ("is", "are")),
                short_list(&names),
            ))
        })
    }
}

/// The beans on a frame's trays are a hand count of it, unless the sheet has one of its own.
pub(super) fn take_in_trays(
    trays: &[FrameLoss],
    frames: &mut [FrameLoss],
    cautions: &mut Vec<LossCaution>,
) {
    let mut of_owner: BTreeMap<String, f64> = BTreeMap::new();
    for tray in trays {
        let owner =
            (tray.tray_of.clone()).filter(|name| frames.iter().any(|frame| frame.photo == *name));
        let Some(owner) = owner else {
            cautions.push(LossCautionKind::TrayAlone.says(format!(
                "{}: beans on a tray, but tray_of does not name the photo of the frame they were picked up from; it is \
                 left out",
                tray.photo
            )));
            continue;
        };
        *of_owner.entry(owner).or_default() += tray.hand.beans.unwrap_or(tray.beans.estimate);
    }
    for frame in frames {
        let on_trays = of_owner.get(&frame.photo).copied();
        frame.hand.beans = frame.hand.beans.or(on_trays);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{counts::Limits, sheet::Place};

    #[test]
    fn trays_of_one_frame_add_up_and_a_hand_count_of_its_own_stands() {
        let frame = |photo: &str, hand: Option<f64>| {
            let mut frame = FrameLoss {
                photo: photo.to_owned(),
                place: Some(Place::Cut),
                ..FrameLoss::default()
            };
            frame.hand.beans = hand;
            frame
        };
        let tray = |of: &str, beans: f64| FrameLoss {
            photo: format!("tray-{of}-{beans}.jpg"),
            place: Some(Place::Tray),
            tray_of: Some(of.to_owned()),
            beans: Limits::exactly(beans),
            ..FrameLoss::default()
        };
        let mut frames = [frame("a.jpg", None), frame("b.jpg", Some(9.0))];
        let trays = [
            tray("a.jpg", 20.0),
            tray("b.jpg", 11.0),
            tray("a.jpg", 15.0),
            tray("nobody.jpg", 3.0),
        ];
        let mut cautions = Vec::new();
        take_in_trays(&trays, &mut frames, &mut cautions);
        let hand: Vec<Option<f64>> = frames.iter().map(|f| f.hand.beans).collect();
        assert_eq!(hand, [Some(35.0), Some(9.0)]);
        let [alone] = cautions.as_slice() else {
            panic!("{cautions:?}");
        };
        assert!(alone.message.starts_with("tray-nobody.jpg-3.jpg: "));
    }
}

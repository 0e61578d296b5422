//! Photo against hand, frame by frame.

use serde::Serialize;

use super::ContrastError;
use crate::{
    counts::Limits,
    loss::{Basis, FrameLoss},
    stats::{Agreement, Concordance, agreement, concordance, normal_quantile},
};

/// One frame counted both ways.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BothWays {
    /// File name of the photo.
    pub photo: String,
    /// Loose beans by photo, with its own limits.
    pub by_photo: Limits,
    /// Loose beans by hand.
    pub by_hand: f64,
    /// The hand count lies outside the photo's limits, or the difference outside the limits of agreement.
    pub disagrees: bool,
}

/// Photo against hand: a hand count is of the ground inside the frame, and is set beside the photo for the ground that it sees.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PhotoAgainstHand {
    /// Mean difference photo − hand and limits of agreement, beans a frame.
    pub agreement: Agreement,
    /// Lin's concordance; `None` where the counts do not vary.
    pub concordance: Option<Concordance>,
    /// Share of frames whose hand count lies within the photo's limits.
    pub within_limits: f64,
    /// The frames, those that disagree most first.
    pub frames: Vec<BothWays>,
    /// What may be said.
    pub says: String,
}

/// Sets the photos' counts against the hand counts of the same frames.
///
/// # Errors
/// [`ContrastError::TooFewBoth`] with fewer than three frames counted both ways.
pub fn photo_against_hand(frames: &[FrameLoss]) -> Result<PhotoAgainstHand, ContrastError> {
    let both: Vec<(&FrameLoss, f64)> = frames
        .iter()
        .filter(|f| f.basis != Basis::Hand)
        .filter_map(|f| Some((f, f.hand_beans_seen()?)))
        .collect();
    let too_few = ContrastError::TooFewBoth { both: both.len() };
    if both.len() < 3 {
        return Err(too_few);
    }
    let pairs: Vec<(f64, f64)> = both
        .iter()
        .map(|(f, hand)| (f.by_tool().estimate, *hand))
        .collect();
    let agreement = agreement(&pairs, normal_quantile(0.975)).ok_or(too_few)?;
    let mut rows: Vec<BothWays> = both
        .iter()
        .map(|(frame, hand)| {
            let by_photo = frame.by_tool();
            let difference = by_photo.estimate - hand;
            let outside = *hand < by_photo.low || *hand > by_photo.high;
            BothWays {
                photo: frame.photo.clone(),
                by_photo,
                by_hand: frame.hand.beans.unwrap_or(*hand),
                disagrees: outside || difference < agreement.low || difference > agreement.high,
            }
        })
        .collect();
    let within = both
        .iter()
        .filter(|(f, h)| (f.by_tool().low..=f.by_tool().high).contains(h))
        .count();
    rows.sort_by(|a, b| {
        let off = |r: &BothWays| (r.by_photo.estimate - r.by_hand).abs();
        b.disagrees
            .cmp(&a.disagrees)
            .then(off(b).total_cmp(&off(a)))
            .then(a.photo.cmp(&b.photo))
    });
    let within_limits = within as f64 / both.len() as f64;
    Ok(PhotoAgainstHand {
        says: format!(
            "Over {n} frames the photos counted {:.1} beans a frame {} than the hand; of single frames 95 in 100 differ by \
             {:+.1} to {:+.1}. The hand count lay within the photo's own limits in {within} of {n}.",
            agreement.mean_difference.abs(),
            if agreement.mean_difference < 0.0 {
                "fewer"
            } else {
                "more"
            },
            agreement.low,
            agreement.high,
            n = both.len(),
        ),
        agreement,
        concordance: concordance(&pairs, 0.95),
        within_limits,
        frames: rows,
    })
}

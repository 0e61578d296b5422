//! In which order photos are looked at: by how much their doubt moves the answer.

use crate::{
    loss::FrameLoss,
    marks::{ConfirmedCounts, Standing},
};

/// One photo in the queue.
#[derive(Debug, Clone, PartialEq)]
pub struct Queued {
    /// Its number among the counts.
    pub at: usize,
    /// By how much its doubt moves the mean of its place, beans/m²; 0 for one that is done.
    pub moves: f64,
    /// Whether nothing is left to say of it.
    pub done: bool,
}

/// All photos, those first that move the answer most; those that are done last, by number.
///
/// A photo's doubt is the standard deviation of its count; it moves the mean of the frames of its place by that over
/// the ground of all of them. A photo without a count (no frame found) moves it by as much as the middle one of the
/// others: setting its corners adds a frame.
pub fn queue(confirmed: &ConfirmedCounts, frames: &[FrameLoss]) -> Vec<Queued> {
    let area = |place| -> f64 {
        let of_place = frames.iter().filter(|f| f.place == place);
        of_place.map(|f| f.area_m2.estimate).sum::<f64>().max(1e-9)
    };
    let mut all: Vec<(Queued, bool)> = (confirmed.counts.photos.iter().enumerate())
        .map(|(at, photo)| {
            let standing = (confirmed.photos.get(&photo.photo)).map(|p| p.applied.standing);
            let done = matches!(standing, Some(Standing::Confirmed | Standing::Unusable));
            let frame = frames.iter().find(|f| f.photo == photo.photo);
            let counted = frame.filter(|f| f.hand.beans.is_none());
            let moves = counted.map_or(0.0, |f| f.lost_sd() / area(f.place));
            let done = done || frame.is_some_and(|f| f.hand.beans.is_some());
            let moves = if done { 0.0 } else { moves };
            (Queued { at, moves, done }, frame.is_none())
        })
        .collect();
    let mut known: Vec<f64> = (all.iter())
        .filter(|(q, no_count)| !q.done && !no_count)
        .map(|(q, _)| q.moves)
        .collect();
    known.sort_by(f64::total_cmp);
    let middle = known.get(known.len() / 2).copied().unwrap_or(1.0);
    for (queued, no_count) in &mut all {
        if *no_count && !queued.done {
            queued.moves = middle;
        }
    }
    let mut queue: Vec<Queued> = all.into_iter().map(|(q, _)| q).collect();
    queue.sort_by(|a, b| {
        (a.done.cmp(&b.done))
            .then(b.moves.total_cmp(&a.moves))
            .then(a.at.cmp(&b.at))
    });
    queue
}

//! The same file twice, and the same plot photographed twice: both would be counted double.

use std::collections::HashMap;

use rayon::prelude::*;

use crate::{
    caution::{Caution, CautionKind},
    counts::PhotoCount,
    frame::FrameSpec,
    likeness::{Structure, Thumbnail},
};

/// Likeness, 0 to 1, from which two photos are thought to show one plot. Raised: a plot taken
/// twice under other light passes; lowered: plots of one field that look alike are cautioned.
///
/// Measured on 43 photos of different plots: no pair above 0.16. The same plots seen again with
/// corners 1 % of the side off, other light, blur and noise: 95 in 100 above 0.54; with a
/// hard shadow cast over one of the two, half above 0.46.
pub const SAME_PLOT_LIKENESS: f64 = 0.4;

/// What is known of a photo when all are counted.
#[derive(Debug, Clone, Copy)]
pub struct Seen<'a> {
    /// Its result.
    pub count: &'a PhotoCount,
    /// Its plot drawn small.
    pub thumbnail: Option<&'a Thumbnail>,
}

/// Cautions for each photo that repeats one before it, in the order given. The first of each
/// group has none: one of them is to be kept.
pub fn cautions(photos: &[Seen<'_>]) -> Vec<Vec<Caution>> {
    let mut out = vec![Vec::new(); photos.len()];
    let mut copies: HashMap<&str, (usize, u32)> = HashMap::new();
    let mut copy_of = vec![None; photos.len()];
    for (i, photo) in photos.iter().enumerate() {
        let sha256 = photo.count.meta.sha256.as_str();
        // A file that could not be read has no sum.
        if sha256.is_empty() {
            continue;
        }
        let (first, copy) = copies.entry(sha256).or_insert((i, 0));
        if *first != i {
            *copy += 1;
            copy_of[i] = Some(*first);
            out[i].push(same_file(&photos[*first].count.photo, *copy));
        }
    }
    for (i, first, likeness) in same_plots(photos, &copy_of) {
        out[i].push(same_plot(&photos[first].count.photo, likeness));
    }
    out
}

/// For each photo that is no copy: the earlier one that it is most like, if it is like enough.
fn same_plots(photos: &[Seen<'_>], copy_of: &[Option<usize>]) -> Vec<(usize, usize, f64)> {
    let plots: Vec<(usize, Structure)> = photos
        .iter()
        .enumerate()
        .filter(|(i, _)| copy_of[*i].is_none())
        .filter_map(|(i, photo)| {
            let round = matches!(photo.count.frame_spec, FrameSpec::Ring { .. });
            Some((i, Structure::new(photo.thumbnail?, round)))
        })
        .collect();
    plots
        .par_iter()
        .enumerate()
        .filter_map(|(n, (i, this))| {
            let turned = this.turned();
            let (first, likeness) = plots[..n]
                .iter()
                .map(|(first, other)| (*first, turned.likeness(other)))
                .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)))?;
            (likeness >= SAME_PLOT_LIKENESS).then_some((*i, first, likeness))
        })
        .collect()
}

/// What is said of the copy of that number, counted from 1.
pub(super) fn same_file(first: &str, copy: u32) -> Caution {
    Caution {
        kind: CautionKind::SameFile,
        measured: f64::from(copy),
        bound: 0.0,
        message: format!("the same file as {first}: it counts once"),
    }
}

fn same_plot(first: &str, likeness: f64) -> Caution {
    // Two digits: the rest says nothing, and the message shows no more.
    let measured = (likeness * 100.0).round() / 100.0;
    Caution {
        kind: CautionKind::SamePlot,
        measured,
        bound: SAME_PLOT_LIKENESS,
        message: format!(
            "seems to show the same plot as {first} (likeness {measured:.2}); if so, leave one of them out"
        ),
    }
}

//! What is measured of a pod-shaped candidate.

use super::features::{Mean, PlotMeasures};
use crate::{
    candidate::{Candidate, Outliner},
    plot::Plot,
};

/// Names of the measurements, in the order of [`PodMeasured`].
pub const POD_NAMES: [&str; POD_COUNT] = [
    "length_mm",
    "width_mm",
    "aspect",
    "contrast_mean",
    "contrast_least",
    "contrast_spread",
    "contrast_beyond_ends",
    "bend_mm",
    "inside_l",
    "inside_a",
    "inside_b",
    "over_beside_a",
    "over_beside_b",
    "over_plot_l",
    "over_plot_a",
    "over_plot_b",
    "l_spread_along",
    "l_spread_across",
    "bumps_l",
    "edge_left",
    "edge_right",
    "plot_residue_pct",
    "plot_l_spread",
    "photo_px_per_mm",
];

/// Number of measurements.
pub const POD_COUNT: usize = 24;

/// The measurements of one pod-shaped candidate, in the order of [`POD_NAMES`].
pub type PodMeasured = [f32; POD_COUNT];

/// Cross-sections along the axis.
const STATIONS: usize = 13;
/// Places across, 1 mm apart, from -10 to 10 mm.
const ACROSS: usize = 21;

/// One cross-section: where the bright band lies and how much it stands out.
#[derive(Clone, Copy)]
struct Section {
    contrast: f32,
    offset_mm: f32,
    l: f32,
    left: f32,
    right: f32,
}

/// Measures one pod-shaped candidate.
pub(super) fn measure(
    plot: &Plot,
    whole: &PlotMeasures,
    outliner: &Outliner,
    candidate: &Candidate,
) -> PodMeasured {
    let at = plot.plot_px_from_mm(candidate.centre_mm);
    let (x, y) = (at.x as f32, at.y as f32);
    let (sin, cos) = (candidate.angle_rad as f32).sin_cos();
    let scale = whole.px_per_mm;
    let (length, width) = (candidate.length_mm as f32, candidate.width_mm as f32);
    let place = |along_mm: f32, across_mm: f32| {
        (
            x + (cos * along_mm - sin * across_mm) * scale,
            y + (sin * along_mm + cos * across_mm) * scale,
        )
    };
    let section = |along_mm: f32| {
        let l: [f32; ACROSS] = std::array::from_fn(|k| {
            let (px, py) = place(along_mm, k as f32 - 10.0);
            outliner.l.at(px, py)
        });
        band(&l, width)
    };
    let stations: [Section; STATIONS] =
        std::array::from_fn(|k| section((k as f32 / (STATIONS - 1) as f32 - 0.5) * 0.86 * length));
    let beyond = [-0.5, 0.5].map(|end: f32| section(end * length + end.signum() * 6.0).contrast);
    let mut inside = [Mean::default(); 3];
    let mut beside = [Mean::default(); 3];
    let mut across = Mean::default();
    for (k, s) in stations.iter().enumerate() {
        let along = (k as f32 / (STATIONS - 1) as f32 - 0.5) * 0.86 * length;
        for share in [-0.3_f32, 0.0, 0.3] {
            let (px, py) = place(along, s.offset_mm + share * width);
            for (m, f) in inside.iter_mut().zip([outliner.l, outliner.a, outliner.b]) {
                m.add(f.at(px, py));
            }
            across.add(outliner.l.at(px, py) - s.l);
        }
        for side in [-1.0_f32, 1.0] {
            let (px, py) = place(along, s.offset_mm + side * (width / 2.0 + 2.5));
            for (m, f) in beside.iter_mut().zip([outliner.l, outliner.a, outliner.b]) {
                m.add(f.at(px, py));
            }
        }
    }
    let mean_of = |f: &dyn Fn(&Section) -> f32| {
        let mut m = Mean::default();
        stations.iter().for_each(|s| m.add(f(s)));
        m
    };
    let contrast = mean_of(&|s| s.contrast);
    let least = stations
        .iter()
        .map(|s| s.contrast)
        .fold(f32::INFINITY, f32::min);
    let mut out = [0.0; POD_COUNT];
    out[..8].copy_from_slice(&[
        length,
        width,
        length / width.max(1.0),
        contrast.mean(),
        least,
        contrast.spread(),
        beyond[0].max(beyond[1]),
        mean_of(&|s| s.offset_mm).spread(),
    ]);
    for k in 0..3 {
        out[8 + k] = inside[k].mean();
        out[13 + k] = inside[k].mean() - whole.median[k];
    }
    out[11] = inside[1].mean() - beside[1].mean();
    out[12] = inside[2].mean() - beside[2].mean();
    out[16] = mean_of(&|s| s.l).spread();
    out[17] = across.spread();
    out[18] = bumps(&stations);
    out[19] = mean_of(&|s| s.left).mean();
    out[20] = mean_of(&|s| s.right).mean();
    out[21] = whole.residue_pct;
    out[22] = whole.l_spread;
    out[23] = whole.photo_px_per_mm;
    out
}

/// The band of this width that stands out most from both sides, at most 5 mm off the axis.
fn band(l: &[f32; ACROSS], width_mm: f32) -> Section {
    let half = ((width_mm / 2.0).round() as isize).clamp(2, 7);
    let mut best: Option<Section> = None;
    for middle in 5..=15_isize {
        let mean = |from: isize, to: isize| {
            let (from, to) = (from.max(0), to.min(ACROSS as isize - 1));
            let n = (to - from + 1).max(1) as f32;
            (from..=to).map(|k| l[k as usize]).sum::<f32>() / n
        };
        let own = mean(middle - half + 1, middle + half - 1);
        let (left, right) = (
            own - mean(middle - half - 2, middle - half - 1),
            own - mean(middle + half + 1, middle + half + 2),
        );
        let contrast = left.min(right) + 0.25 * left.max(right) - 0.3 * (middle - 10).abs() as f32;
        if best.is_none_or(|b| contrast > b.contrast) {
            best = Some(Section {
                contrast,
                offset_mm: (middle - 10) as f32,
                l: own,
                left,
                right,
            });
        }
    }
    best.unwrap_or(Section {
        contrast: 0.0,
        offset_mm: 0.0,
        l: 0.0,
        left: 0.0,
        right: 0.0,
    })
}

/// How much lightness rises and falls from station to station: beans bulge a pod.
fn bumps(stations: &[Section; STATIONS]) -> f32 {
    let mut m = Mean::default();
    for k in 2..STATIONS - 2 {
        m.add((stations[k].l - (stations[k - 2].l + stations[k + 2].l) / 2.0).abs());
    }
    m.mean()
}

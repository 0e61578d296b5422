//! Middles of bean-sized things: peaks of symmetry and of blob filters, the best kept.

use super::{BlobSettings, Field, symmetry};
use crate::{colour::LabPlanes, plot::Plot};

/// A peak in plot pixels with its strength.
#[derive(Debug, Clone, Copy)]
pub(super) struct Peak {
    pub x_px: f32,
    pub y_px: f32,
    pub strength: f32,
}

/// Plot pixels to one of the coarser picture on which peaks are looked for: a bean is 9 to 12 of them wide.
const STEP: usize = 2;
/// Slope of L* per coarse pixel from which an edge is full. Raised: dark photos lose beans; lowered: noise votes.
const FULL_SLOPE_L: f32 = 3.5;
/// The same for L* over its spread round about, in spreads.
const FULL_SLOPE_RELATIVE: f32 = 0.25;
/// Peaks of different maps this near are one, mm.
const SAME_MM: f64 = 1.2;

/// Maps on which peaks are looked for, and by which they are ranked.
struct Maps {
    /// Peaks are looked for on each of these.
    seek: [Field; 3],
    /// The strength of a peak is the sum of these.
    rank: Field,
}

impl Maps {
    fn new(lab: &LabPlanes, px_per_mm: f64) -> Self {
        let coarse = |plane: &[f32]| Field::shrunk::<STEP>(plane, lab.width, lab.height);
        let per_mm = px_per_mm as f32 / STEP as f32;
        let (l, b) = (coarse(&lab.l), coarse(&lab.b));
        let votes = |f: &Field, radii_mm: [f32; 2], full: f32, soft_mm: f32| {
            symmetry::votes(f, &radii_mm.map(|r| r * per_mm), full).blurred(soft_mm * per_mm)
        };
        let fine = l.blurred(0.8);
        let small = votes(&fine, [2.0, 2.67], FULL_SLOPE_L, 0.6);
        let large = votes(&fine, [3.3, 4.0], FULL_SLOPE_L, 0.7);
        let relative = l.over_spread(4.0 * per_mm);
        let even = votes(&relative.blurred(0.8), [2.4, 3.3], FULL_SLOPE_RELATIVE, 0.7);
        let [l10, l16, l26, l60] = [1.0, 1.6, 2.6, 6.0].map(|mm| l.blurred(mm * per_mm));
        let [b13, b26] = [1.3, 2.6].map(|mm| b.blurred(mm * per_mm));
        let difference = |x: &Field, y: &Field| x.with(y, |x, y| x - y);
        let (blob, wide) = (difference(&l10, &l16), difference(&l16, &l26));
        let soft = relative.blurred(per_mm);
        let parts = [
            (1.39, &small),
            (0.84, &large),
            (1.09, &even),
            (0.11, &blob),
            (0.008, &wide),
            (0.035, &difference(&l26, &l60)),
            (0.019, &difference(&l10, &l60)),
            (0.021, &difference(&b13, &b26)),
            (-0.80, &soft),
        ];
        let mut rank = Field::new(l.width, l.height);
        for (weight, part) in parts {
            rank.v
                .iter_mut()
                .zip(&part.v)
                .for_each(|(r, p)| *r += weight * p);
        }
        let both = small.with(&large, |s, g| s + g);
        let blobs = blob.with(&wide, |x, y| x.max(0.7 * y));
        Self {
            seek: [both, even, blobs],
            rank,
        }
    }
}

/// Peaks inside the frame, strongest first, at most so many per square foot.
pub(super) fn find(plot: &Plot, lab: &LabPlanes, settings: &BlobSettings, ft2: f64) -> Vec<Peak> {
    let maps = Maps::new(lab, plot.px_per_mm);
    let apart_px = (settings.least_apart_mm * plot.px_per_mm / STEP as f64) as f32;
    let w = plot.inside.width() as usize;
    let mut all: Vec<Peak> = Vec::new();
    for map in &maps.seek {
        for mut p in local_peaks(map, apart_px) {
            let (x, y) = (p.x_px as usize, p.y_px as usize);
            if plot.inside.as_raw()[y * w + x] != 0 {
                p.strength = maps.rank.v[y / STEP * maps.rank.width + x / STEP];
                all.push(p);
            }
        }
    }
    all.sort_by(|a, b| {
        (b.strength.total_cmp(&a.strength))
            .then(a.y_px.total_cmp(&b.y_px))
            .then(a.x_px.total_cmp(&b.x_px))
    });
    let most = (settings.most_peaks_per_ft2 * ft2).ceil() as usize;
    // One thing shows on several maps: its strongest peak stands for it.
    let same_px = (SAME_MM * plot.px_per_mm) as f32;
    let mut kept: Vec<Peak> = Vec::with_capacity(most);
    for p in all {
        if kept.len() == most {
            break;
        }
        if kept
            .iter()
            .all(|q| (q.x_px - p.x_px).hypot(q.y_px - p.y_px) > same_px)
        {
            kept.push(p);
        }
    }
    kept
}

/// Places higher than all others within `apart_px`; in plot pixels, placed between pixels by a parabola.
fn local_peaks(map: &Field, apart_px: f32) -> Vec<Peak> {
    let (w, h) = (map.width, map.height);
    let reach = apart_px.floor().max(1.0) as usize;
    let mut out = Vec::new();
    if w <= 2 * reach || h <= 2 * reach {
        return out;
    }
    let mut offsets: Vec<(isize, isize)> = Vec::new();
    let r = reach as isize;
    for dy in -r..=r {
        for dx in -r..=r {
            if (dx, dy) != (0, 0) && (dx * dx + dy * dy) as f32 <= apart_px * apart_px {
                offsets.push((dx, dy));
            }
        }
    }
    offsets.sort_by_key(|(dx, dy)| (dx * dx + dy * dy, *dy, *dx));
    for y in reach..h - reach {
        for x in reach..w - reach {
            let i = y * w + x;
            let v = map.v[i];
            let is_peak = offsets.iter().all(|&(dx, dy)| {
                let j = (i as isize + dy * w as isize + dx) as usize;
                map.v[j] < v || (map.v[j] == v && j > i)
            });
            if is_peak {
                let off = |a: f32, b: f32| {
                    let bend = a + b - 2.0 * v;
                    if bend < -1e-6 {
                        ((a - b) / (2.0 * bend)).clamp(-0.5, 0.5)
                    } else {
                        0.0
                    }
                };
                let fx = off(map.v[i - 1], map.v[i + 1]);
                let fy = off(map.v[i - w], map.v[i + w]);
                out.push(Peak {
                    x_px: (x as f32 + 0.5 + fx) * STEP as f32,
                    y_px: (y as f32 + 0.5 + fy) * STEP as f32,
                    strength: v,
                });
            }
        }
    }
    out
}

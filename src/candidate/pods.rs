//! Pod-shaped things: ridges as wide as a pod, followed along their crest, straight or curved.

use super::{Candidate, Field, View};
use crate::{colour::LabPlanes, geometry::Point, plot::Plot};

/// Plot pixels to one of the picture on which ridges are followed.
const STEP: usize = 4;
/// σ of the filter, mm: answers most to ridges 7 to 14 mm wide.
const SIGMA_MM: f32 = 3.0;
/// Least strength of a crest, L* per σ². Lowered: more clods are taken; raised: pods on pale straw are lost.
const LEAST_CREST: f32 = 3.0;
/// A crest is followed down to this share of its strongest place.
const FOLLOW_SHARE: f32 = 0.4;
/// Length along the crest, mm. Pods are 30 to 80 mm long (handbook: 3 to 8 cm); parts of hidden ones less.
const LENGTH_MM: (f32, f32) = (14.0, 90.0);
/// Width between the edges, mm: pods are 7 to 14 mm wide.
const WIDTH_MM: (f32, f32) = (4.5, 16.0);
/// Most pod-shaped candidates per square foot, the strongest.
const MOST_PER_FT2: f64 = 50.0;

/// Strength and direction of ridges.
struct Ridges {
    strength: Field,
    /// Direction along the ridge, unit vectors.
    along: Vec<(f32, f32)>,
}

impl Ridges {
    /// From second derivatives of the blurred picture.
    ///
    /// # Source
    /// Lindeberg, T. (1998), "Edge detection and ridge detection with automatic scale selection", IJCV 30(2), one scale.
    fn new(l: &Field, sigma_px: f32) -> Self {
        let soft = l.blurred(sigma_px);
        let (w, h) = (l.width, l.height);
        let mut strength = Field::new(w, h);
        let mut along = vec![(1.0, 0.0); w * h];
        let scale = sigma_px * sigma_px;
        for y in 1..h.saturating_sub(1) {
            for x in 1..w - 1 {
                let i = y * w + x;
                let v = |d: isize| soft.v[(i as isize + d) as usize];
                let w = w as isize;
                let xx = v(-1) + v(1) - 2.0 * v(0);
                let yy = v(-w) + v(w) - 2.0 * v(0);
                let xy = (v(w + 1) + v(-w - 1) - v(w - 1) - v(1 - w)) / 4.0;
                let (mean, half) = ((xx + yy) / 2.0, ((xx - yy) / 2.0).hypot(xy));
                // Bright ridge: strongly bent across, little along.
                strength.v[i] = scale * (-(mean - half) - 1.0 * (mean + half).abs()).max(0.0);
                let across = 0.5 * (2.0 * xy).atan2(xx - yy) + std::f32::consts::FRAC_PI_2;
                along[i] = (-across.sin(), across.cos());
            }
        }
        Self { strength, along }
    }

    /// Follows the crest from a place in one direction; gives the places passed, pixels.
    fn follow(
        &self,
        from: (f32, f32),
        heading: (f32, f32),
        least: f32,
        most: usize,
    ) -> Vec<(f32, f32)> {
        let (mut p, mut d) = (from, heading);
        let mut path = Vec::new();
        for _ in 0..most {
            let next = (p.0 + d.0, p.1 + d.1);
            let Some(i) = self.index(next) else { break };
            // To the crest: the strongest of three places across.
            let side = (-d.1, d.0);
            let at = |k: f32| {
                let q = (next.0 + side.0 * k, next.1 + side.1 * k);
                self.index(q).map_or(0.0, |j| self.strength.v[j])
            };
            let shift = if at(0.7) > at(0.0).max(at(-0.7)) {
                0.5
            } else if at(-0.7) > at(0.0) {
                -0.5
            } else {
                0.0
            };
            let next = (next.0 + side.0 * shift, next.1 + side.1 * shift);
            if at(0.0).max(at(0.7)).max(at(-0.7)) < least {
                break;
            }
            let (ax, ay) = self.along[i];
            let turn = ax * d.0 + ay * d.1;
            let sign = if turn < 0.0 { -1.0 } else { 1.0 };
            if turn.abs() < 0.6 {
                break;
            }
            let mixed = (0.5 * d.0 + 0.5 * sign * ax, 0.5 * d.1 + 0.5 * sign * ay);
            let length = mixed.0.hypot(mixed.1).max(1e-3);
            d = (mixed.0 / length, mixed.1 / length);
            p = next;
            path.push(p);
        }
        path
    }

    fn index(&self, p: (f32, f32)) -> Option<usize> {
        let (w, h) = (self.strength.width, self.strength.height);
        let inside = p.0 >= 1.0 && p.1 >= 1.0 && p.0 < w as f32 - 1.0 && p.1 < h as f32 - 1.0;
        inside.then(|| p.1 as usize * w + p.0 as usize)
    }
}

/// Pod-shaped candidates inside the frame, strongest first.
pub(super) fn find(plot: &Plot, lab: &LabPlanes, ft2: f64) -> Vec<Candidate> {
    let l = Field::shrunk::<STEP>(&lab.l, lab.width, lab.height);
    let per_mm = plot.px_per_mm as f32 / STEP as f32;
    let ridges = Ridges::new(&l, SIGMA_MM * per_mm);
    let (w, h) = (l.width, l.height);
    let inside = |x: usize, y: usize| {
        let i = (y * STEP + STEP / 2) * lab.width + x * STEP + STEP / 2;
        plot.inside.as_raw()[i] != 0
    };
    let s = &ridges.strength.v;
    let mut seeds: Vec<usize> = (w + 1..w * h.saturating_sub(1) - 1)
        .filter(|i| {
            s[*i] >= LEAST_CREST && s[*i] >= s[*i - 1].max(s[*i + 1]).min(s[*i - w].max(s[*i + w]))
        })
        .filter(|i| inside(i % w, i / w))
        .collect();
    seeds.sort_by(|a, b| s[*b].total_cmp(&s[*a]).then(a.cmp(b)));
    let mut taken = vec![false; w * h];
    let full = View {
        width: lab.width,
        height: lab.height,
        v: &lab.l,
    };
    let most = (MOST_PER_FT2 * ft2).ceil() as usize;
    let mut found = Vec::new();
    for seed in seeds {
        if found.len() >= most {
            break;
        }
        if taken[seed] {
            continue;
        }
        let path = whole_path(&ridges, seed, per_mm);
        for p in &path {
            cover(&mut taken, w, h, *p, (2.5 * per_mm) as isize);
        }
        taken[seed] = true;
        let length_mm = path.len() as f32 / per_mm;
        if (LENGTH_MM.0..=LENGTH_MM.1).contains(&length_mm) {
            found.extend(candidate(plot, &path, &full));
        }
    }
    found
}

/// The crest through a seed, from end to end.
fn whole_path(ridges: &Ridges, seed: usize, per_mm: f32) -> Vec<(f32, f32)> {
    let w = ridges.strength.width;
    let from = ((seed % w) as f32 + 0.5, (seed / w) as f32 + 0.5);
    let d = ridges.along[seed];
    let least = (FOLLOW_SHARE * ridges.strength.v[seed]).max(0.5 * LEAST_CREST);
    let most = (LENGTH_MM.1 * per_mm) as usize;
    let mut path = ridges.follow(from, (-d.0, -d.1), least, most);
    path.reverse();
    path.push(from);
    path.extend(ridges.follow(from, d, least, most));
    path
}

fn cover(taken: &mut [bool], w: usize, h: usize, p: (f32, f32), reach: isize) {
    for dy in -reach..=reach {
        for dx in -reach..=reach {
            let (x, y) = (p.0 as isize + dx, p.1 as isize + dy);
            if x >= 0 && y >= 0 && (x as usize) < w && (y as usize) < h {
                taken[y as usize * w + x as usize] = true;
            }
        }
    }
}

/// Measures one path; `None` when it is not as wide as a pod.
fn candidate(plot: &Plot, path: &[(f32, f32)], l: &View) -> Option<Candidate> {
    let full = |p: &(f32, f32)| (p.0 * STEP as f32, p.1 * STEP as f32);
    let (a, m, b) = (
        full(path.first()?),
        full(&path[path.len() / 2]),
        full(path.last()?),
    );
    let scale = plot.px_per_mm as f32;
    let (first, last) = (plot_mm(plot, a), plot_mm(plot, b));
    let mut widths: Vec<f32> = (1..path.len().saturating_sub(1))
        .map(|k| {
            let (p, q) = (full(&path[k - 1]), full(&path[k + 1]));
            let d = ((q.0 - p.0), (q.1 - p.1));
            let n = d.0.hypot(d.1).max(1e-3);
            width_px(l, full(&path[k]), (-d.1 / n, d.0 / n), scale)
        })
        .collect();
    widths.sort_by(f32::total_cmp);
    let width_mm = widths.get(widths.len() / 2)? / scale;
    if !(WIDTH_MM.0..=WIDTH_MM.1).contains(&width_mm) {
        return None;
    }
    let length_mm = f64::from(path.len() as f32 * STEP as f32 / scale);
    Some(Candidate {
        centre_mm: plot_mm(plot, m),
        length_mm,
        width_mm: f64::from(width_mm),
        angle_rad: (last.y - first.y).atan2(last.x - first.x),
        area_mm2: length_mm * f64::from(width_mm) * 0.85,
        pod_shaped: true,
        was_touching: false,
    })
}

fn plot_mm(plot: &Plot, p: (f32, f32)) -> Point {
    plot.mm_from_plot_px(Point::new(f64::from(p.0), f64::from(p.1)))
}

/// Distance between the steepest falls of lightness to both sides.
fn width_px(l: &View, at: (f32, f32), side: (f32, f32), px_per_mm: f32) -> f32 {
    let edge = |sign: f32| {
        let mut best = (0.0, 1.5 * px_per_mm);
        let mut k = 1.5 * px_per_mm;
        while k < 8.5 * px_per_mm {
            let v = |r: f32| l.at(at.0 + sign * side.0 * r, at.1 + sign * side.1 * r);
            let fall = v(k - 1.5) - v(k + 1.5);
            if fall > best.0 {
                best = (fall, k);
            }
            k += 1.0;
        }
        best.1
    };
    edge(1.0) + edge(-1.0)
}

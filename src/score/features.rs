//! What is measured of a candidate: numbers that a person can follow.

use std::f32::consts::TAU;

use crate::{
    candidate::{Candidate, Outliner, RAYS, RayOutline, View},
    ground::Ground,
    plot::Plot,
};

/// Names of the measurements, in the order of [`Measured`].
pub const NAMES: [&str; COUNT] = [
    "length_mm",
    "width_mm",
    "area_mm2",
    "aspect",
    "radius_spread",
    "edge_mean",
    "edge_weakest_quarter",
    "edge_closed_share",
    "edge_l_drop",
    "edge_spread",
    "inside_l",
    "inside_a",
    "inside_b",
    "inside_l_spread",
    "inside_b_spread",
    "around_l",
    "around_a",
    "around_b",
    "around_l_spread",
    "over_around_l",
    "over_around_a",
    "over_around_b",
    "over_plot_l",
    "over_plot_a",
    "over_plot_b",
    "over_bright_l",
    "profile_0",
    "profile_1",
    "profile_2",
    "profile_3",
    "profile_4",
    "profile_5",
    "profile_6",
    "slopes_inward",
    "slopes_inward_far",
    "shade_slope",
    "shade_bowl",
    "shade_rest",
    "shade_against_light",
    "shadow_side_l",
    "shadow_side_against_shade",
    "highlight_l",
    "grain",
    "around_grain",
    "dark_share_around",
    "like_share_around",
    "run_through",
    "plot_residue_pct",
    "plot_l",
    "plot_l_spread",
    "photo_px_per_mm",
    "blur_sigma_mm",
    "outline_third",
    "outline_rough",
    "edge_lower_quartile",
    "edge_over_spread",
    "profile_a_3",
    "profile_a_5",
    "profile_b_3",
    "profile_b_5",
    "symmetry_best",
    "symmetry_weakest_quarter",
    "least_quarter_l",
    "least_quarter_colour",
];

/// Number of measurements.
pub const COUNT: usize = 64;

/// The measurements of one candidate, in the order of [`NAMES`].
pub type Measured = [f32; COUNT];

/// What is known of the whole plot before any candidate is measured.
pub(super) struct PlotMeasures {
    pub median: [f32; 3],
    bright_l: f32,
    pub l_spread: f32,
    pub residue_pct: f32,
    pub photo_px_per_mm: f32,
    blur_sigma_mm: f32,
    pub px_per_mm: f32,
}

impl PlotMeasures {
    pub(super) fn new(plot: &Plot, ground: &Ground, outliner: &Outliner) -> Self {
        let inside = plot.inside.as_raw();
        let ranks = |f: &View| {
            let mut v: Vec<f32> = (f.v.iter().zip(inside))
                .step_by(17)
                .filter(|(_, i)| **i != 0)
                .map(|(v, _)| *v)
                .collect();
            v.sort_by(f32::total_cmp);
            move |share: f32| {
                v.get(((v.len() as f32 * share) as usize).min(v.len().saturating_sub(1)))
                    .copied()
                    .unwrap_or(0.0)
            }
        };
        let (l, a, b) = (ranks(&outliner.l), ranks(&outliner.a), ranks(&outliner.b));
        Self {
            median: [l(0.5), a(0.5), b(0.5)],
            bright_l: l(0.97),
            l_spread: l(0.84) - l(0.16),
            residue_pct: 100.0 - ground.shares.soil_pct as f32,
            photo_px_per_mm: plot.photo_px_per_mm as f32,
            blur_sigma_mm: plot.light.blur_sigma_mm as f32,
            px_per_mm: plot.px_per_mm as f32,
        }
    }
}

/// Running mean and spread.
#[derive(Default, Clone, Copy)]
pub(super) struct Mean {
    n: f32,
    sum: f32,
    squares: f32,
}

impl Mean {
    pub(super) fn add(&mut self, v: f32) {
        self.n += 1.0;
        self.sum += v;
        self.squares += v * v;
    }
    pub(super) fn mean(&self) -> f32 {
        self.sum / self.n.max(1.0)
    }
    pub(super) fn spread(&self) -> f32 {
        let m = self.mean();
        (self.squares / self.n.max(1.0) - m * m).max(0.0).sqrt()
    }
}

/// Measures one candidate anew from its centre. The slope of its shading is returned apart, to find the light's direction.
pub(super) fn measure(
    plot: &Plot,
    whole: &PlotMeasures,
    outliner: &Outliner,
    candidate: &Candidate,
) -> (Measured, [f32; 2]) {
    let at = plot.plot_px_from_mm(candidate.centre_mm);
    let line = outliner.once(at.x as f32, at.y as f32);
    let mut out = [0.0; COUNT];
    shape(&line, whole, &mut out[0..5]);
    edges(&line, outliner, at.x as f32, at.y as f32, &mut out[5..10]);
    colours(&line, whole, outliner, at.x as f32, at.y as f32, &mut out);
    profile(whole, outliner, at.x as f32, at.y as f32, &mut out);
    outline(&line, &mut out);
    symmetry(whole, outliner, at.x as f32, at.y as f32, &mut out);
    let slope = shading(&line, outliner, at.x as f32, at.y as f32, &mut out);
    out[47] = whole.residue_pct;
    out[48] = whole.median[0];
    out[49] = whole.l_spread;
    out[50] = whole.photo_px_per_mm;
    out[51] = whole.blur_sigma_mm;
    (out, slope)
}

fn shape(line: &RayOutline, whole: &PlotMeasures, out: &mut [f32]) {
    let mut r = Mean::default();
    line.radii_px.iter().for_each(|v| r.add(*v));
    out[0] = line.length_px / whole.px_per_mm;
    out[1] = line.width_px / whole.px_per_mm;
    out[2] = line.area_px2 / (whole.px_per_mm * whole.px_per_mm);
    out[3] = line.length_px / line.width_px.max(0.5);
    out[4] = r.spread() / r.mean().max(0.5);
}

fn edges(line: &RayOutline, outliner: &Outliner, x: f32, y: f32, out: &mut [f32]) {
    let mut all = Mean::default();
    line.edges.iter().for_each(|e| all.add(*e));
    let quarter = RAYS / 4;
    let weakest = (0..RAYS)
        .map(|k| {
            (0..quarter)
                .map(|j| line.edges[(k + j) % RAYS])
                .sum::<f32>()
                / quarter as f32
        })
        .fold(f32::INFINITY, f32::min);
    let mut drop = Mean::default();
    for (k, (dx, dy)) in outliner.directions.iter().enumerate() {
        let r = line.radii_px[k];
        let l = |r: f32| outliner.l.at(x + dx * r, y + dy * r);
        drop.add(l(r - 1.5) - l(r + 1.5));
    }
    out[0] = all.mean();
    out[1] = weakest;
    out[2] = line.edges.iter().filter(|e| **e >= 4.0).count() as f32 / RAYS as f32;
    out[3] = drop.mean();
    out[4] = all.spread();
}

fn colours(
    line: &RayOutline,
    whole: &PlotMeasures,
    outliner: &Outliner,
    x: f32,
    y: f32,
    out: &mut Measured,
) {
    let fields = [&outliner.l, &outliner.a, &outliner.b];
    let (mut inside, mut around) = ([Mean::default(); 3], [Mean::default(); 3]);
    let mut sectors = [Mean::default(); 8];
    let mut quarters = [[Mean::default(); 3]; 4];
    let mut grain = [Mean::default(); 2];
    let mut brightest = f32::NEG_INFINITY;
    let (mut dark, mut like, mut n_around) = (0.0, 0.0, 0.0);
    let core = fields.map(|f| f.at(x, y));
    for (k, (dx, dy)) in outliner.directions.iter().enumerate() {
        let r = line.radii_px[k];
        for share in [0.25, 0.5, 0.75, 0.9] {
            let (px, py) = (x + dx * r * share, y + dy * r * share);
            for (m, f) in inside.iter_mut().zip(fields) {
                m.add(f.at(px, py));
            }
            brightest = brightest.max(outliner.l.at(px, py));
            grain[0].add(roughness(&outliner.l, px, py).min(if share < 0.8 { 99.0 } else { 0.0 }));
        }
        for beyond in [2.5, 4.5, 7.0, 10.0] {
            let (px, py) = (x + dx * (r + beyond), y + dy * (r + beyond));
            let lab = fields.map(|f| f.at(px, py));
            for (m, v) in around.iter_mut().zip(lab) {
                m.add(v);
            }
            if beyond < 6.0 {
                sectors[k * 8 / RAYS].add(lab[0]);
                for (m, v) in quarters[k * 4 / RAYS].iter_mut().zip(lab) {
                    m.add(v);
                }
            }
            n_around += 1.0;
            dark += f32::from(lab[0] < core[0] - 25.0);
            let off = (lab[0] - core[0]).powi(2)
                + 2.0 * ((lab[1] - core[1]).powi(2) + (lab[2] - core[2]).powi(2));
            like += f32::from(off < 144.0);
            grain[1].add(roughness(&outliner.l, px, py));
        }
    }
    for k in 0..3 {
        out[10 + k] = inside[k].mean();
        out[15 + k] = around[k].mean();
        out[19 + k] = inside[k].mean() - around[k].mean();
        out[22 + k] = inside[k].mean() - whole.median[k];
    }
    let away = |q: &[Mean; 3]| -> f32 {
        let d = |k: usize| inside[k].mean() - q[k].mean();
        (d(0) * d(0) + 2.0 * (d(1) * d(1) + d(2) * d(2))).sqrt()
    };
    out[62] = quarters
        .iter()
        .map(|q| inside[0].mean() - q[0].mean())
        .fold(f32::INFINITY, f32::min);
    out[63] = quarters.iter().map(away).fold(f32::INFINITY, f32::min);
    out[13] = inside[0].spread();
    out[14] = inside[2].spread();
    out[18] = around[0].spread();
    out[25] = inside[0].mean() - whole.bright_l;
    let (darkest, side) = (0..8)
        .map(|k| (sectors[k].mean(), k))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .unwrap_or((0.0, 0));
    out[39] = around[0].mean() - darkest;
    out[40] = side as f32;
    out[41] = brightest - inside[0].mean();
    out[42] = grain[0].mean();
    out[43] = grain[1].mean();
    out[44] = dark / n_around;
    out[45] = like / n_around;
    // A stem goes on beyond both ends: the best two opposite rays that stay like the middle far out.
    let reach = 16.0;
    let alike = |k: usize| {
        let (dx, dy) = outliner.directions[k % RAYS];
        (0..4)
            .map(|i| {
                let r = reach * (0.6 + 0.2 * i as f32);
                let lab = fields.map(|f| f.at(x + dx * r, y + dy * r));
                ((lab[0] - core[0]).powi(2)
                    + 2.0 * ((lab[1] - core[1]).powi(2) + (lab[2] - core[2]).powi(2)))
                .sqrt()
            })
            .sum::<f32>()
            / 4.0
    };
    let away: [f32; RAYS] = std::array::from_fn(alike);
    out[46] = (0..RAYS / 2)
        .map(|k| away[k] + away[k + RAYS / 2])
        .fold(f32::INFINITY, f32::min)
        / 2.0;
}

/// What of the outline no ellipse explains, as shares of its mean radius; and how its edges compare.
fn outline(line: &RayOutline, out: &mut Measured) {
    let mean = line.radii_px.iter().sum::<f32>() / RAYS as f32;
    let wave = |n: usize| {
        let (mut re, mut im) = (0.0_f32, 0.0_f32);
        for (k, r) in line.radii_px.iter().enumerate() {
            let (sin, cos) = (TAU * (n * k % RAYS) as f32 / RAYS as f32).sin_cos();
            re += r * cos;
            im += r * sin;
        }
        re.hypot(im) * 2.0 / RAYS as f32
    };
    let rough: f32 = (4..=8).map(|n| wave(n).powi(2)).sum();
    let mut sorted = line.edges;
    sorted.sort_by(f32::total_cmp);
    out[52] = wave(3) / mean;
    out[53] = rough.sqrt() / mean;
    out[54] = sorted[RAYS / 4];
    out[55] = out[5] / (out[18] + 3.0);
}

/// Slope of L* per pixel from which an edge counts in full.
const FULL_SLOPE: f32 = 4.0;

/// How completely slopes point to the middle on the best of five rings, in all and in the weakest quarter.
fn symmetry(whole: &PlotMeasures, outliner: &Outliner, x: f32, y: f32, out: &mut Measured) {
    let f = &outliner.l;
    let mut best = (f32::NEG_INFINITY, 0.0);
    for ring in 0..5 {
        let r = (2.0 + 0.6 * ring as f32) * whole.px_per_mm;
        let mut quarters = [0.0_f32; 4];
        for (k, (dx, dy)) in outliner.directions.iter().enumerate() {
            let (px, py) = (x + dx * r, y + dy * r);
            let fall = f.at(px - dx * 1.5, py - dy * 1.5) - f.at(px + dx * 1.5, py + dy * 1.5);
            quarters[k * 4 / RAYS] +=
                (fall / 3.0 / FULL_SLOPE).clamp(-1.0, 1.0) * 4.0 / RAYS as f32;
        }
        let all = quarters.iter().sum::<f32>() / 4.0;
        if all > best.0 {
            best = (all, quarters.iter().copied().fold(f32::INFINITY, f32::min));
        }
    }
    (out[60], out[61]) = best;
    for (k, (field, ring)) in [
        (outliner.a, 3.0),
        (outliner.a, 5.0),
        (outliner.b, 3.0),
        (outliner.b, 5.0),
    ]
    .into_iter()
    .enumerate()
    {
        let r: f32 = ring * whole.px_per_mm;
        let sum: f32 = outliner
            .directions
            .iter()
            .map(|(dx, dy)| field.at(x + dx * r, y + dy * r))
            .sum();
        out[56 + k] = sum / RAYS as f32 - field.at(x, y);
    }
}

/// How much a pixel differs from its four neighbours' mean.
fn roughness(f: &View<'_>, x: f32, y: f32) -> f32 {
    let (ix, iy) = (x as usize, y as usize);
    if ix < 1 || iy < 1 || ix + 1 >= f.width || iy + 1 >= f.height {
        return 0.0;
    }
    let i = iy * f.width + ix;
    (f.v[i] - (f.v[i - 1] + f.v[i + 1] + f.v[i - f.width] + f.v[i + f.width]) / 4.0).abs()
}

/// L* on rings 1 to 7 mm from the middle, less that of the middle; and how far slopes point inward.
fn profile(whole: &PlotMeasures, outliner: &Outliner, x: f32, y: f32, out: &mut Measured) {
    let f = &outliner.l;
    let middle = f.at(x, y);
    let mut inward = [Mean::default(); 2];
    for ring in 0..7 {
        let r = (ring + 1) as f32 * whole.px_per_mm;
        let mut l = Mean::default();
        for (dx, dy) in &outliner.directions {
            let (px, py) = (x + dx * r, y + dy * r);
            l.add(f.at(px, py));
            if (1..5).contains(&ring) {
                let gx = f.at(px + 1.0, py) - f.at(px - 1.0, py);
                let gy = f.at(px, py + 1.0) - f.at(px, py - 1.0);
                let steep = (gx * gx + gy * gy).sqrt();
                let share = -(gx * dx + gy * dy) / (steep + 1.0);
                inward[usize::from(ring > 2)].add(share);
            }
        }
        out[26 + ring] = l.mean() - middle;
    }
    out[33] = inward[0].mean();
    out[34] = inward[1].mean();
}

/// Fits L* inside by a slope and a bowl: a lit solid has both.
fn shading(line: &RayOutline, outliner: &Outliner, x: f32, y: f32, out: &mut Measured) -> [f32; 2] {
    let (mut sx, mut sy, mut n) = (0.0_f32, 0.0_f32, 0.0_f32);
    let mut bowl = [Mean::default(); 2];
    let mut samples = Vec::with_capacity(RAYS * 4);
    for (k, (dx, dy)) in outliner.directions.iter().enumerate() {
        let r = (line.radii_px[k] - 1.0).max(1.5);
        for share in [0.3_f32, 0.55, 0.8, 1.0] {
            let l = outliner.l.at(x + dx * r * share, y + dy * r * share);
            // Opposite rays cancel all but the slope; unit: L* over one radius.
            sx += l * dx * share;
            sy += l * dy * share;
            n += share * share / 2.0;
            bowl[usize::from(share > 0.6)].add(l);
            samples.push((dx * share, dy * share, share, l));
        }
    }
    let slope = [sx / n, sy / n];
    let depth = bowl[0].mean() - bowl[1].mean();
    let mean = (bowl[0].mean() + bowl[1].mean()) / 2.0;
    let mut rest = Mean::default();
    for (ux, uy, share, l) in samples {
        let fit = mean + slope[0] * ux + slope[1] * uy + depth * (0.9 - 1.85 * share * share);
        rest.add(l - fit);
    }
    out[35] = slope[0].hypot(slope[1]);
    out[36] = depth;
    out[37] = rest.spread();
    // Cast shadow opposite to the lit side: cosine between shading's slope and the darkest side.
    let side = (out[40] + 0.5) / 8.0 * TAU;
    out[40] = (slope[0] * side.cos() + slope[1] * side.sin()) / out[35].max(1.0);
    slope
}

/// Puts in how far each candidate's shading agrees with the light of the whole plot: the mean direction of all slopes, the steep
/// ones counting more. One slope for each set of measurements, in order.
pub(super) fn against_light<'a>(all: impl Iterator<Item = &'a mut Measured>, slopes: &[[f32; 2]]) {
    let x: f32 = slopes.iter().map(|s| s[0]).sum();
    let y: f32 = slopes.iter().map(|s| s[1]).sum();
    let length = x.hypot(y).max(1e-3);
    let sure = length
        / slopes
            .iter()
            .map(|s| s[0].hypot(s[1]))
            .sum::<f32>()
            .max(1e-3);
    for (m, [sx, sy]) in all.zip(slopes) {
        m[38] = sure * (sx * x + sy * y) / length;
    }
}

//! Light on the plot: measured, then hard shadows, fall-off and colour cast taken out.
//!
//! Everything works on linear light in cells of a few mm, so that beans and straw are averaged
//! away and their own small shadows (by which a solid is known) stay.

use image::{GrayImage, RgbImage};

use super::{Light, PlotSettings, shadow, sharpness};
use crate::{colour, wide::wide};

/// Side of a cell, plot pixels.
pub(super) const CELL_PX: usize = 8;

/// Mean light of each cell.
pub(super) struct Cells {
    pub columns: usize,
    pub rows: usize,
    /// Mean linear R, G, B; only meaningful where `seen`.
    pub rgb: Vec<[f32; 3]>,
    /// Natural logarithm of the luminance.
    pub log_y: Vec<f32>,
    /// The whole cell lies inside the frame.
    pub seen: Vec<bool>,
}

impl Cells {
    fn new(raw: &RgbImage, inside: &GrayImage) -> Self {
        let table = colour::linear_table();
        let (w, h) = (raw.width() as usize, raw.height() as usize);
        let (columns, rows) = (w.div_ceil(CELL_PX), h.div_ceil(CELL_PX));
        let mut rgb = vec![[0.0_f32; 3]; columns * rows];
        let mut within = vec![0_u32; columns * rows];
        let (pixels, _) = raw.as_raw().as_chunks::<3>();
        for y in 0..h {
            let first = (y / CELL_PX) * columns;
            let of_row = rgb[first..].iter_mut().zip(&mut within[first..]);
            let chunks = (pixels[y * w..][..w].chunks(CELL_PX))
                .zip(inside.as_raw()[y * w..][..w].chunks(CELL_PX));
            for ((rgb, within), (pixels, inside)) in of_row.zip(chunks) {
                for (p, _) in pixels.iter().zip(inside).filter(|(_, i)| **i != 0) {
                    *within += 1;
                    for k in 0..3 {
                        rgb[k] += table[usize::from(p[k])];
                    }
                }
            }
        }
        for (sum, n) in rgb.iter_mut().zip(&within) {
            for v in sum.iter_mut() {
                *v /= (*n).max(1) as f32;
            }
        }
        let full = (CELL_PX * CELL_PX) as u32;
        let log_y = rgb
            .iter()
            .map(|c| {
                (0.2127 * c[0] + 0.7152 * c[1] + 0.0722 * c[2])
                    .max(1e-4)
                    .ln()
            })
            .collect();
        Self {
            columns,
            rows,
            rgb,
            log_y,
            seen: within.iter().map(|&n| n == full).collect(),
        }
    }
}

/// Evens out the light; gives the evened picture and what the light was like.
pub(super) fn even_out(
    raw: &RgbImage,
    inside: &GrayImage,
    settings: &PlotSettings,
    bar_srgb: [u8; 3],
) -> (RgbImage, Light) {
    let cells = Cells::new(raw, inside);
    let shadow = shadow::find(&cells);
    let white_gains = white_gains(bar_srgb);
    let (least, most) = sharpness::detail(raw, inside);
    let mut light = Light {
        median_l: median_l(raw, inside),
        glare_share: glare_share(raw, inside),
        shadow_share: shadow.share,
        blur_sigma_mm: sharpness::blur_sigma_px(raw, inside) / settings.px_per_mm,
        sharpness: least,
        evenness: least / most.max(f64::MIN_POSITIVE),
        white_gains: [1.0; 3],
    };
    if !settings.even_light {
        return (raw.clone(), light);
    }
    light.white_gains = white_gains;
    let gains = gains(&cells, &shadow, white_gains);
    (apply(raw, &gains, &cells), light)
}

/// Most that a bar's colour may differ from grey to be taken as white or grey: the largest of its linear channels
/// over the smallest. Raised: bare wood turns soil blue; lowered: a white bar under blue sky is not used.
const NEUTRAL_RATIO: f32 = 1.45;
/// Darkest bar that is trusted, linear light: below, its colour is noise.
const NEUTRAL_DARKEST: f32 = 0.12;

/// Gains on R, G, B that make a nearly neutral bar neutral at equal luminance; ones otherwise.
fn white_gains(bar_srgb: [u8; 3]) -> [f64; 3] {
    let bar = bar_srgb.map(colour::linear_from_srgb8);
    let (low, high) = (
        bar.iter().copied().fold(f32::INFINITY, f32::min),
        bar.iter().copied().fold(0.0, f32::max),
    );
    // A burnt-out bar has lost its colour.
    let burnt = bar_srgb.iter().filter(|v| **v >= 250).count() >= 2;
    if low < NEUTRAL_DARKEST || high > low * NEUTRAL_RATIO || burnt {
        return [1.0; 3];
    }
    let y = colour::luminance_from_srgb8(bar_srgb);
    bar.map(|v| f64::from(y / v))
}

/// Median L* of the pixels inside, from a histogram of luminance.
fn median_l(raw: &RgbImage, inside: &GrayImage) -> f64 {
    let mut counts = [0_u32; 256];
    let (pixels, _) = raw.as_raw().as_chunks::<3>();
    let mut n = 0;
    for (p, i) in pixels.iter().zip(inside.as_raw()).step_by(3) {
        if *i != 0 {
            let grey = (u32::from(p[0]) * 54 + u32::from(p[1]) * 183 + u32::from(p[2]) * 19) >> 8;
            counts[grey as usize] += 1;
            n += 1;
        }
    }
    let mut below = 0;
    let grey = counts.iter().position(|c| {
        below += c;
        2 * below >= n
    });
    let grey = grey.unwrap_or(0) as u8;
    f64::from(colour::lab_from_srgb8([grey; 3]).l)
}

/// Share of the pixels inside with all channels at 250 or above.
fn glare_share(raw: &RgbImage, inside: &GrayImage) -> f64 {
    let (pixels, _) = raw.as_raw().as_chunks::<3>();
    let (mut burnt, mut n) = (0_u32, 0_u32);
    for (p, i) in pixels.iter().zip(inside.as_raw()) {
        if *i != 0 {
            n += 1;
            burnt += u32::from(p[0] >= 250 && p[1] >= 250 && p[2] >= 250);
        }
    }
    f64::from(burnt) / f64::from(n.max(1))
}

/// Gains on R, G, B for each cell: shadow, then fall-off, then white balance.
fn gains(cells: &Cells, shadow: &shadow::Shadow, white: [f64; 3]) -> Vec<[f32; 3]> {
    let mut gains: Vec<[f32; 3]> = shadow
        .depth
        .iter()
        .map(|d| std::array::from_fn(|k| shadow.gains[k].powf(*d)))
        .collect();
    let lit: Vec<f32> = cells
        .log_y
        .iter()
        .zip(&gains)
        .map(|(y, g)| y + g[1].ln())
        .collect();
    let fall = fall_off(cells, &lit);
    for (g, f) in gains.iter_mut().zip(fall) {
        for k in 0..3 {
            g[k] *= f * white[k] as f32;
        }
    }
    gains
}

/// Largest change of exposure that fall-off is taken to make, natural log units. Raised: a patch of
/// pale soil is darkened; lowered: vignetting stays.
const MOST_FALL_OFF: f32 = 0.35;

/// Gains that flatten a plane-and-bowl surface fitted to the log luminance of the cells, by least squares
/// with far values weighted down (three rounds).
fn fall_off(cells: &Cells, lit: &[f32]) -> Vec<f32> {
    let terms = |i: usize| {
        let x = (i % cells.columns) as f64 / cells.columns as f64 * 2.0 - 1.0;
        let y = (i / cells.columns) as f64 / cells.rows as f64 * 2.0 - 1.0;
        [1.0, x, y, x * x + y * y]
    };
    let mut fit = [0.0; 4];
    let value =
        |fit: &[f64; 4], i: usize| -> f64 { terms(i).iter().zip(fit).map(|(t, f)| t * f).sum() };
    for round in 0..3 {
        let (mut a, mut b) = ([[0.0; 4]; 4], [0.0; 4]);
        for i in (0..lit.len()).filter(|&i| cells.seen[i]) {
            let t = terms(i);
            let z = f64::from(lit[i]);
            let off = z - value(&fit, i);
            let w = if round == 0 {
                1.0
            } else {
                1.0 / (1.0 + (off / 0.3).powi(2))
            };
            for r in 0..4 {
                for c in 0..4 {
                    a[r][c] += w * t[r] * t[c];
                }
                b[r] += w * t[r] * z;
            }
        }
        match solve4(a, b) {
            Some(f) => fit = f,
            None => return vec![1.0; lit.len()],
        }
    }
    let mut at_cells: Vec<f64> = (0..lit.len())
        .filter(|&i| cells.seen[i])
        .map(|i| value(&fit, i))
        .collect();
    at_cells.sort_by(f64::total_cmp);
    let mid = at_cells.get(at_cells.len() / 2).copied().unwrap_or(0.0);
    (0..lit.len())
        .map(|i| {
            ((mid - value(&fit, i)) as f32)
                .clamp(-MOST_FALL_OFF, MOST_FALL_OFF)
                .exp()
        })
        .collect()
}

/// Solves a 4 × 4 symmetric system by elimination. `None` when it has no single answer.
fn solve4(mut a: [[f64; 4]; 4], mut b: [f64; 4]) -> Option<[f64; 4]> {
    for col in 0..4 {
        let pivot = (col..4).max_by(|&i, &j| a[i][col].abs().total_cmp(&a[j][col].abs()))?;
        if a[pivot][col].abs() < 1e-9 {
            return None;
        }
        a.swap(col, pivot);
        b.swap(col, pivot);
        for r in 0..4 {
            if r != col {
                let share = a[r][col] / a[col][col];
                let top = a[col];
                for (v, t) in a[r].iter_mut().zip(top) {
                    *v -= share * t;
                }
                b[r] -= share * b[col];
            }
        }
    }
    Some(std::array::from_fn(|i| b[i] / a[i][i]))
}

/// Gains nearer to 1 than this are not worth a pass over the picture: one L* at most.
const UNSEEN: f32 = 0.03;

/// Puts the cells' gains on the picture, smoothly from one cell's centre to the next.
fn apply(raw: &RgbImage, gains: &[[f32; 3]], cells: &Cells) -> RgbImage {
    if gains.iter().flatten().all(|g| (g - 1.0).abs() < UNSEEN) {
        return raw.clone();
    }
    let table = colour::linear_table();
    let w = raw.width() as usize;
    let mut out = raw.as_raw().clone();
    let half = CELL_PX as f32 / 2.0;
    let place = |v: usize, most: usize| {
        let at = ((v as f32 + 0.5 - half) / CELL_PX as f32).clamp(0.0, (most - 1) as f32);
        (at as usize, (at as usize + 1).min(most - 1), at.fract())
    };
    let srgb8 = colour::Srgb8::get();
    let places: Vec<(usize, usize, f32)> = (0..w).map(|x| place(x, cells.columns)).collect();
    let mut line = vec![[0.0_f32; 3]; cells.columns];
    for (y, row) in out.chunks_exact_mut(w * 3).enumerate() {
        let (above, below, down) = place(y, cells.rows);
        for (c, v) in line.iter_mut().enumerate() {
            let (a, b) = (
                &gains[above * cells.columns + c],
                &gains[below * cells.columns + c],
            );
            *v = std::array::from_fn(|k| a[k] + (b[k] - a[k]) * down);
        }
        let (pixels, _) = row.as_chunks_mut::<3>();
        put_gains(pixels, &places, &line, (table, srgb8));
    }
    RgbImage::from_raw(raw.width(), raw.height(), out).expect("same size as raw")
}

wide! {
    fn put_gains(
        pixels: &mut [[u8; 3]],
        places: &[(usize, usize, f32)],
        gains: &[[f32; 3]],
        tables: (&[f32; 256], colour::Srgb8),
    ) {
        let (linear, srgb8) = tables;
        for (p, &(left, right, along)) in pixels.iter_mut().zip(places) {
            let (left, right) = (gains[left], gains[right]);
            for k in 0..3 {
                let g = left[k] + (right[k] - left[k]) * along;
                p[k] = srgb8.of(linear[usize::from(p[k])] * g);
            }
        }
    }
}

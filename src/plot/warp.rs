//! Sampling the photo at the plot's pixels, without aliasing.

use std::borrow::Cow;

use image::{GrayImage, RgbImage};

use super::PlotMap;
use crate::{frame::FrameSpec, geometry::Point, wide::wide};

/// Where plot pixels lie and how many there are.
#[derive(Debug, Clone, Copy)]
pub(super) struct Raster {
    pub width_px: usize,
    pub height_px: usize,
    pub px_per_mm: f64,
    /// Where on the plot its first corner lies, plot mm.
    pub corner_mm: Point,
}

impl Raster {
    fn mm(&self, x_px: f64, y_px: f64) -> Point {
        Point::new(
            self.corner_mm.x + x_px / self.px_per_mm,
            self.corner_mm.y + y_px / self.px_per_mm,
        )
    }
}

/// Pixels between places where the map is worked out in full; between them it is taken as straight.
/// At 16 the error stays under 0.02 px for leans up to 30°.
const STEP_PX: usize = 16;
/// Sub-pixel places for which weights are kept.
const PHASES: usize = 64;

/// One region of the photo at one scale: 4 bytes a pixel, rows from the top.
struct Layer<'a> {
    pixels: Cow<'a, [u8]>,
    width: usize,
    height: usize,
    bytes: usize,
}

/// Draws the plot from the photo.
///
/// Finer photos are halved by averaging 2 × 2 pixels until at most 2 pixels fall on one of the
/// plot; then a tent as wide as a plot pixel averages what is left. Coarser photos are drawn with a cubic
/// (Catmull-Rom). Beyond the photo its edge is repeated.
pub(super) fn warp(
    photo: &RgbImage,
    map: &PlotMap,
    raster: &Raster,
    photo_px_per_plot_px: f64,
) -> RgbImage {
    let mut grid = Grid::new(map, raster);
    let mut ratio = photo_px_per_plot_px;
    let mut layer = Layer {
        pixels: Cow::Borrowed(photo.as_raw()),
        width: photo.width() as usize,
        height: photo.height() as usize,
        bytes: 3,
    };
    if ratio > 2.0 {
        layer = crop_and_halve(&layer, &mut grid);
        ratio /= 2.0;
        while ratio > 2.0 {
            layer = crop_and_halve(&layer, &mut grid);
            ratio /= 2.0;
        }
    }
    // A tent this narrow touches three pixels only: those about the nearest.
    let three = ratio > 1.0 && ratio <= 1.5;
    let weights = weight_table(ratio, three);
    let mut out = vec![0_u8; raster.width_px * raster.height_px * 3];
    for (y, row) in out.chunks_exact_mut(raster.width_px * 3).enumerate() {
        match (layer.bytes, three) {
            (3, true) => draw_row::<3, 3>(&layer, &grid, y, &weights, row),
            (3, false) => draw_row::<3, 4>(&layer, &grid, y, &weights, row),
            (_, true) => draw_row::<4, 3>(&layer, &grid, y, &weights, row),
            (_, false) => draw_row::<4, 4>(&layer, &grid, y, &weights, row),
        }
    }
    RgbImage::from_raw(raster.width_px as u32, raster.height_px as u32, out)
        .expect("the buffer was made for this size")
}

/// Photo coordinates on a coarse grid over the plot.
struct Grid {
    columns: usize,
    x: Vec<f32>,
    y: Vec<f32>,
}

impl Grid {
    fn new(map: &PlotMap, raster: &Raster) -> Self {
        let columns = raster.width_px.div_ceil(STEP_PX) + 1;
        let rows = raster.height_px.div_ceil(STEP_PX) + 1;
        let (mut x, mut y) = (Vec::new(), Vec::new());
        for r in 0..rows {
            for c in 0..columns {
                let mm = raster.mm((c * STEP_PX) as f64 + 0.5, (r * STEP_PX) as f64 + 0.5);
                let p = map.photo_px_from_plot_mm(mm);
                x.push(p.x as f32);
                y.push(p.y as f32);
            }
        }
        Self { columns, x, y }
    }

    /// The box of all places, pixels.
    fn reach(&self) -> [f32; 4] {
        let low = |v: &[f32]| v.iter().copied().fold(f32::INFINITY, f32::min);
        let high = |v: &[f32]| v.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        [low(&self.x), low(&self.y), high(&self.x), high(&self.y)]
    }
}

/// The part of a layer under the grid at half its size; the grid is moved along.
fn crop_and_halve(layer: &Layer, grid: &mut Grid) -> Layer<'static> {
    let [x0, y0, x1, y1] = grid.reach();
    let clip = |v: f32, most: usize| (v.max(0.0) as usize).min(most.saturating_sub(2)) & !1;
    let (left, top) = (clip(x0 - 8.0, layer.width), clip(y0 - 8.0, layer.height));
    let right = ((x1 + 10.0).max(0.0) as usize).clamp(left + 2, layer.width.max(left + 2));
    let bottom = ((y1 + 10.0).max(0.0) as usize).clamp(top + 2, layer.height.max(top + 2));
    let (width, height) = ((right - left) / 2, (bottom - top) / 2);
    let mut pixels = vec![0_u8; width * height * 4];
    let stride = layer.width * layer.bytes;
    for (y, out) in pixels.chunks_exact_mut(width * 4).enumerate() {
        let from = ((top + 2 * y) * stride) + left * layer.bytes;
        let upper = &layer.pixels[from..from + 2 * width * layer.bytes];
        let lower = &layer.pixels[from + stride..from + stride + 2 * width * layer.bytes];
        if layer.bytes == 3 {
            halve_row::<3>(upper, lower, out);
        } else {
            halve_row::<4>(upper, lower, out);
        }
    }
    for v in &mut grid.x {
        *v = (*v - left as f32) / 2.0;
    }
    for v in &mut grid.y {
        *v = (*v - top as f32) / 2.0;
    }
    Layer {
        pixels: Cow::Owned(pixels),
        width,
        height,
        bytes: 4,
    }
}

wide! {
    fn halve_row<const BYTES: usize>(upper: &[u8], lower: &[u8], out: &mut [u8]) {
        let (out, _) = out.as_chunks_mut::<4>();
        let (upper, lower) = (upper.as_chunks::<BYTES>().0, lower.as_chunks::<BYTES>().0);
        let pairs = upper
            .as_chunks::<2>()
            .0
            .iter()
            .zip(lower.as_chunks::<2>().0);
        for (to, ([a, b], [c, d])) in out.iter_mut().zip(pairs) {
            for k in 0..3 {
                let sum = u16::from(a[k]) + u16::from(b[k]) + u16::from(c[k]) + u16::from(d[k]);
                to[k] = ((sum + 2) >> 2) as u8;
            }
        }
    }
}

/// Weights for each sub-pixel place: of the pixels at -1, 0, 1, 2 from the one to the left, or at -1, 0, 1
/// from the nearest.
fn weight_table(ratio: f64, three: bool) -> Vec<[f32; 4]> {
    (0..=PHASES)
        .map(|p| {
            let t = p as f64 / PHASES as f64 - if three { 0.5 } else { 0.0 };
            let raw = [-1.0, 0.0, 1.0, 2.0].map(|at: f64| {
                let d = (at - t).abs();
                if ratio > 1.0 {
                    (1.0 - d / ratio).max(0.0)
                } else {
                    catmull_rom(d)
                }
            });
            let raw = if three {
                [raw[0], raw[1], raw[2], 0.0]
            } else {
                raw
            };
            let sum: f64 = raw.iter().sum();
            raw.map(|w| (w / sum) as f32)
        })
        .collect()
}

/// # Source
/// Keys, R. G. (1981), "Cubic convolution interpolation for digital image processing", IEEE TASSP 29(6), a = -1/2.
fn catmull_rom(d: f64) -> f64 {
    if d < 1.0 {
        (1.5 * d - 2.5) * d * d + 1.0
    } else if d < 2.0 {
        ((-0.5 * d + 2.5) * d - 4.0) * d + 2.0
    } else {
        0.0
    }
}

wide! {
    fn draw_row<const BYTES: usize, const TAPS: usize>(
        layer: &Layer<'_>,
        grid: &Grid,
        y: usize,
        weights: &[[f32; 4]],
        row: &mut [u8],
    ) {
        let down = (y % STEP_PX) as f32 / STEP_PX as f32;
        let base = (y / STEP_PX) * grid.columns;
        let at = |v: &[f32], c: usize| v[base + c] + (v[base + grid.columns + c] - v[base + c]) * down;
        let (row, _) = row.as_chunks_mut::<3>();
        for (c, block) in row.chunks_mut(STEP_PX).enumerate() {
            let (x0, y0) = (at(&grid.x, c), at(&grid.y, c));
            let (dx, dy) = (
                (at(&grid.x, c + 1) - x0) / STEP_PX as f32,
                (at(&grid.y, c + 1) - y0) / STEP_PX as f32,
            );
            for (i, pixel) in block.iter_mut().enumerate() {
                let (x, y) = (x0 + dx * i as f32, y0 + dy * i as f32);
                *pixel = sample::<BYTES, TAPS>(layer, x - 0.5, y - 0.5, weights);
            }
        }
    }
}

/// The pixel to the left of a place, or the nearest, and how far the place lies beyond, in phases.
#[inline(always)]
fn split<const TAPS: usize>(v: f32) -> (i32, usize) {
    let v = if TAPS == 3 { v + 0.5 } else { v };
    let cut = v as i32;
    let whole = cut - i32::from(v < cut as f32);
    (whole, ((v - whole as f32) * PHASES as f32 + 0.5) as usize)
}

#[inline(always)]
fn sample<const BYTES: usize, const TAPS: usize>(
    layer: &Layer,
    x: f32,
    y: f32,
    weights: &[[f32; 4]],
) -> [u8; 3] {
    let ((ix, px), (iy, py)) = (split::<TAPS>(x), split::<TAPS>(y));
    let (wx, wy) = (&weights[px][..TAPS], &weights[py][..TAPS]);
    let (ix, iy) = (ix as isize - 1, iy as isize - 1);
    let mut sum = [0.0_f32; 4];
    let inner =
        ix >= 0 && iy >= 0 && ix + 5 < layer.width as isize && iy + 4 <= layer.height as isize;
    if inner {
        let mut from = (iy as usize * layer.width + ix as usize) * BYTES;
        for w_row in wy {
            // One byte beyond the last pixel may be read: `inner` leaves a pixel to spare.
            let four = &layer.pixels[from..from + (TAPS - 1) * BYTES + 4];
            let mut line = [0.0_f32; 4];
            for (k, w) in wx.iter().enumerate() {
                for j in 0..4 {
                    line[j] += w * f32::from(four[k * BYTES + j]);
                }
            }
            for j in 0..4 {
                sum[j] += w_row * line[j];
            }
            from += layer.width * BYTES;
        }
    } else {
        for (r, w_row) in wy.iter().enumerate() {
            let yy = (iy + r as isize).clamp(0, layer.height as isize - 1) as usize;
            for (k, w) in wx.iter().enumerate() {
                let xx = (ix + k as isize).clamp(0, layer.width as isize - 1) as usize;
                let from = (yy * layer.width + xx) * BYTES;
                for (s, v) in sum.iter_mut().zip(&layer.pixels[from..from + 3]) {
                    *s += w_row * w * f32::from(*v);
                }
            }
        }
    }
    [sum[0], sum[1], sum[2]].map(|v| (v + 0.5).clamp(0.0, 255.0) as u8)
}

/// 255 inside the inner edge, 0 elsewhere.
pub(super) fn inside_mask(raster: &Raster, spec: FrameSpec) -> GrayImage {
    let (width_mm, height_mm) = spec.size_mm();
    let across: Vec<f64> = (0..raster.width_px)
        .map(|x| raster.mm(x as f64 + 0.5, 0.0).x / width_mm - 0.5)
        .collect();
    let mut out = vec![0_u8; raster.width_px * raster.height_px];
    for (y, row) in out.chunks_exact_mut(raster.width_px).enumerate() {
        let dy = raster.mm(0.0, y as f64 + 0.5).y / height_mm - 0.5;
        if dy.abs() > 0.5 {
            continue;
        }
        let reach = match spec {
            FrameSpec::Rectangle { .. } => 0.5,
            FrameSpec::Ring { .. } => (0.25 - dy * dy).max(0.0).sqrt(),
        };
        for (v, dx) in row.iter_mut().zip(&across) {
            *v = if dx.abs() <= reach { 255 } else { 0 };
        }
    }
    GrayImage::from_raw(raster.width_px as u32, raster.height_px as u32, out)
        .expect("the buffer was made for this size")
}

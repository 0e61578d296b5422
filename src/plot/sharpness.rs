//! How blurred the sharpest edges are, and how much fine detail there is in each direction.

use image::{GrayImage, RgbImage};

/// Side of the squares looked at, pixels, and the step between them: a tenth of the plot is enough.
const SQUARE_PX: usize = 24;
const STEP_PX: usize = 72;
/// σ of the extra blur, pixels.
const EXTRA_SIGMA_PX: f64 = 1.0;
/// Least slope of an edge that is looked at, grey levels a pixel: below it noise decides.
const LEAST_SLOPE: f32 = 9.0;
/// Which of the edges counts as sharpest: this share is blunter.
const SHARP_SHARE: f64 = 0.8;

/// σ of the blur, plot pixels, of the sharpest fifth of the strong edges: blurring an edge of σ once more by
/// σ₀ lowers its slope by √(1 + σ₀²/σ²). Without strong edges: the blurriest that can be told, 3 px.
///
/// # Source
/// Zhuo, S. & Sim, T. (2011), "Defocus map estimation from a single image", Pattern Recognition 44(9), eq. 6.
pub(super) fn blur_sigma_px(raw: &RgbImage, inside: &GrayImage) -> f64 {
    let (w, h) = (raw.width() as usize, raw.height() as usize);
    let mut ratios = Vec::new();
    for top in (0..h.saturating_sub(SQUARE_PX)).step_by(STEP_PX) {
        for left in (0..w.saturating_sub(SQUARE_PX)).step_by(STEP_PX) {
            let all_in = [
                (0, 0),
                (SQUARE_PX, 0),
                (0, SQUARE_PX),
                (SQUARE_PX, SQUARE_PX),
            ]
            .iter()
            .all(|(x, y)| inside.as_raw()[(top + y) * w + left + x] != 0);
            if all_in {
                square(raw, left, top, &mut ratios);
            }
        }
    }
    if ratios.len() < 20 {
        return 3.0;
    }
    ratios.sort_by(f32::total_cmp);
    let ratio = f64::from(ratios[(ratios.len() as f64 * SHARP_SHARE) as usize]);
    if ratio <= 1.05 {
        return 3.0;
    }
    (EXTRA_SIGMA_PX / (ratio * ratio - 1.0).sqrt()).min(3.0)
}

/// Slopes before and after the extra blur at the strong edges of one square.
fn square(raw: &RgbImage, left: usize, top: usize, ratios: &mut Vec<f32>) {
    const N: usize = SQUARE_PX;
    let w = raw.width() as usize;
    let mut grey = [[0.0_f32; N]; N];
    let (pixels, _) = raw.as_raw().as_chunks::<3>();
    for (y, row) in grey.iter_mut().enumerate() {
        for (v, p) in row.iter_mut().zip(&pixels[(top + y) * w + left..]) {
            *v = 0.21 * f32::from(p[0]) + 0.72 * f32::from(p[1]) + 0.07 * f32::from(p[2]);
        }
    }
    let kernel: [f32; 7] = std::array::from_fn(|i| {
        let d = i as f64 - 3.0;
        ((-d * d / (2.0 * EXTRA_SIGMA_PX * EXTRA_SIGMA_PX)).exp() / 2.5059) as f32
    });
    let mut across = grey;
    for y in 0..N {
        for x in 3..N - 3 {
            across[y][x] = (0..7).map(|k| kernel[k] * grey[y][x + k - 3]).sum();
        }
    }
    let mut soft = across;
    for y in 3..N - 3 {
        for x in 3..N - 3 {
            soft[y][x] = (0..7).map(|k| kernel[k] * across[y + k - 3][x]).sum();
        }
    }
    let slope = |g: &[[f32; N]; N], x: usize, y: usize| {
        (g[y][x + 1] - g[y][x - 1]).hypot(g[y + 1][x] - g[y - 1][x]) / 2.0
    };
    for y in 4..N - 4 {
        for x in 4..N - 4 {
            let sharp = slope(&grey, x, y);
            // The crest of an edge only: slopes fall off to both sides.
            let crest = sharp >= slope(&grey, x - 1, y).max(slope(&grey, x + 1, y))
                || sharp >= slope(&grey, x, y - 1).max(slope(&grey, x, y + 1));
            if sharp >= LEAST_SLOPE && crest {
                ratios.push(sharp / slope(&soft, x, y).max(0.1));
            }
        }
    }
}

/// Side of the squares that the coarse picture is made of, plot pixels: 1.7 mm at the scorer's scale, a quarter of a bean.
const COARSE_PX: usize = 4;
/// Directions looked at: every 22.5°.
const DIRECTIONS: usize = 8;

/// Fine detail beside coarse: slopes of the plot over those of the plot drawn four times smaller, root mean square, in the
/// direction where that is least and where it is most. Neither light nor contrast changes it, as both go into fine and coarse
/// alike; straw that lies all one way does so too. Blur takes the fine away; a phone that moved takes it in one direction.
///
/// (0, 0) where next to nothing is inside.
pub(super) fn detail(raw: &RgbImage, inside: &GrayImage) -> (f64, f64) {
    let (w, h) = (raw.width() as usize, raw.height() as usize);
    let (pixels, _) = raw.as_raw().as_chunks::<3>();
    let fine = Greys {
        values: (pixels.iter().zip(inside.as_raw()))
            .map(|(p, i)| {
                let [r, g, b] = p.map(f32::from);
                if *i == 0 {
                    f32::NAN
                } else {
                    0.21 * r + 0.72 * g + 0.07 * b
                }
            })
            .collect(),
        w,
        h,
    };
    let (fine, coarse) = (fine.slopes(), fine.smaller().slopes());
    let shares = (0..DIRECTIONS).map(|k| {
        let (sin, cos) = (std::f64::consts::PI * k as f64 / DIRECTIONS as f64).sin_cos();
        let along = |[xx, xy, yy]: [f64; 3]| cos * cos * xx + 2.0 * sin * cos * xy + sin * sin * yy;
        (along(fine) / along(coarse)).sqrt()
    });
    shares
        .fold(None, |ends: Option<(f64, f64)>, share| match ends {
            _ if !share.is_finite() => Some((0.0, 0.0)),
            None => Some((share, share)),
            Some((least, most)) => Some((least.min(share), most.max(share))),
        })
        .unwrap_or_default()
}

/// Grey levels; NaN is outside the frame.
struct Greys {
    values: Vec<f32>,
    w: usize,
    h: usize,
}

impl Greys {
    /// Means over squares of [`COARSE_PX`].
    fn smaller(&self) -> Self {
        let (w, h) = (self.w / COARSE_PX, self.h / COARSE_PX);
        let mut values = vec![0.0; w * h];
        for (y, row) in self.values.chunks(self.w).take(h * COARSE_PX).enumerate() {
            let sums = &mut values[y / COARSE_PX * w..][..w];
            for (sum, square) in sums.iter_mut().zip(row.chunks_exact(COARSE_PX)) {
                *sum += square.iter().sum::<f32>() / (COARSE_PX * COARSE_PX) as f32;
            }
        }
        Self { values, w, h }
    }

    /// Mean products of slopes: across × across, across × down, down × down.
    fn slopes(&self) -> [f64; 3] {
        let mut sums = [0.0_f64; 3];
        let mut n = 0.0;
        for y in 1..self.h.saturating_sub(1) {
            let [above, here, below] =
                [y - 1, y, y + 1].map(|y| &self.values[y * self.w..][..self.w]);
            let mut of_row = [0.0_f32; 3];
            for x in 1..self.w.saturating_sub(1) {
                let (across, down) = (here[x + 1] - here[x - 1], below[x] - above[x]);
                if (across + down).is_finite() {
                    of_row[0] += across * across;
                    of_row[1] += across * down;
                    of_row[2] += down * down;
                    n += 1.0;
                }
            }
            for (sum, of_row) in sums.iter_mut().zip(of_row) {
                *sum += f64::from(of_row);
            }
        }
        sums.map(|sum| sum / n)
    }
}

//! One-channel pictures of `f32` and the few filters that the candidates need.

use crate::wide::wide;

/// A one-channel picture that is borrowed, rows from the top.
#[derive(Debug, Clone, Copy)]
pub(crate) struct View<'a> {
    pub width: usize,
    pub height: usize,
    pub v: &'a [f32],
}

impl View<'_> {
    /// Value between the pixels' centres; beyond the rim the rim's.
    #[inline]
    pub(crate) fn at(&self, x_px: f32, y_px: f32) -> f32 {
        let x = (x_px - 0.5).clamp(0.0, (self.width - 1) as f32);
        let y = (y_px - 0.5).clamp(0.0, (self.height - 1) as f32);
        let (ix, iy) = (x as usize, y as usize);
        let (jx, jy) = ((ix + 1).min(self.width - 1), (iy + 1).min(self.height - 1));
        let (fx, fy) = (x - ix as f32, y - iy as f32);
        let (r0, r1) = (iy * self.width, jy * self.width);
        let top = self.v[r0 + ix] + (self.v[r0 + jx] - self.v[r0 + ix]) * fx;
        let low = self.v[r1 + ix] + (self.v[r1 + jx] - self.v[r1 + ix]) * fx;
        top + (low - top) * fy
    }
}

/// σ from which blurring is done at half the size, pixels: nothing finer is left to lose.
const HALVED_FROM_PX: f32 = 5.0;

/// A one-channel picture, rows from the top.
#[derive(Debug, Clone)]
pub(crate) struct Field {
    pub width: usize,
    pub height: usize,
    pub v: Vec<f32>,
}

impl Field {
    pub(crate) fn new(width: usize, height: usize) -> Self {
        Self {
            width,
            height,
            v: vec![0.0; width * height],
        }
    }

    /// Means of `STEP` × `STEP` pixels.
    pub(crate) fn shrunk<const STEP: usize>(plane: &[f32], width: usize, height: usize) -> Self {
        let (w, h) = (width / STEP, height / STEP);
        let mut out = Self::new(w, h);
        for (y, row) in out.v.chunks_exact_mut(w).enumerate() {
            for dy in 0..STEP {
                let from = &plane[(y * STEP + dy) * width..][..w * STEP];
                add_pieces::<STEP>(row, from.as_chunks().0);
            }
        }
        let share = 1.0 / (STEP * STEP) as f32;
        out.v.iter_mut().for_each(|v| *v *= share);
        out
    }

    /// Blurred by a Gaussian of this σ, cut off at 2.6 σ; beyond the rim the rim's values. From
    /// [`HALVED_FROM_PX`] on at half the size, for speed.
    pub(crate) fn blurred(&self, sigma_px: f32) -> Self {
        if sigma_px < HALVED_FROM_PX || self.width < 8 || self.height < 8 {
            return self.by_kernel(sigma_px);
        }
        let half = Self::shrunk::<2>(&self.v, self.width, self.height).by_kernel(sigma_px / 2.0);
        let mut out = Self::new(self.width, self.height);
        // Places between the half-size pixels' centres, a quarter from one and three quarters from the other.
        let near = |v: usize, most: usize| {
            let i = (v / 2).min(most - 1);
            let j = if v.is_multiple_of(2) {
                i.saturating_sub(1)
            } else {
                (i + 1).min(most - 1)
            };
            (i, j)
        };
        let mut line = vec![0.0; half.width];
        for (y, row) in out.v.chunks_exact_mut(self.width).enumerate() {
            let (i, j) = near(y, half.height);
            let (own, next) = (&half.v[i * half.width..], &half.v[j * half.width..]);
            let (own, next) = (&own[..half.width], &next[..half.width]);
            sum_of_two(&mut line, (0.75, own), (0.25, next));
            for (x, v) in row.iter_mut().enumerate() {
                let (i, j) = near(x, half.width);
                *v = 0.75 * line[i] + 0.25 * line[j];
            }
        }
        out
    }

    fn by_kernel(&self, sigma_px: f32) -> Self {
        let reach = (2.6 * sigma_px).ceil() as usize;
        let mut kernel: Vec<f32> = (0..=reach)
            .map(|i| (-((i * i) as f32) / (2.0 * sigma_px * sigma_px)).exp())
            .collect();
        let sum = kernel[0] + 2.0 * kernel[1..].iter().sum::<f32>();
        kernel.iter_mut().for_each(|k| *k /= sum);
        let (w, h) = (self.width, self.height);
        let mut across = vec![0.0; w * h];
        let mut line = vec![0.0; w + 2 * reach];
        for (from, to) in self.v.chunks_exact(w).zip(across.chunks_exact_mut(w)) {
            line[..reach].fill(from[0]);
            line[reach..reach + w].copy_from_slice(from);
            line[reach + w..].fill(from[w - 1]);
            weighted(to, &kernel, |k| {
                (&line[reach - k..][..w], &line[reach + k..][..w])
            });
        }
        let mut out = Self::new(w, h);
        for (y, to) in out.v.chunks_exact_mut(w).enumerate() {
            let row = |y: usize| &across[y * w..][..w];
            weighted(to, &kernel, |k| {
                (row(y.saturating_sub(k)), row((y + k).min(h - 1)))
            });
        }
        out
    }

    /// One field from two of the same size, place by place.
    pub(crate) fn with(&self, other: &Self, mix: impl Fn(f32, f32) -> f32) -> Self {
        Self {
            width: self.width,
            height: self.height,
            v: self
                .v
                .iter()
                .zip(&other.v)
                .map(|(a, b)| mix(*a, *b))
                .collect(),
        }
    }

    /// Difference from the mean round about over the spread round about (Gaussian weights of this σ).
    pub(crate) fn over_spread(&self, sigma_px: f32) -> Self {
        let mean = self.blurred(sigma_px);
        let off = self.with(&mean, |v, m| v - m);
        let spread = off.with(&off, |a, b| a * b).blurred(sigma_px);
        off.with(&spread, |o, s| o / (s + 4.0).sqrt())
    }
}

/// The sum of rows by the kernel's weights; `pair(k)` gives those `k` to either side.
fn weighted<'a>(to: &mut [f32], kernel: &[f32], pair: impl Fn(usize) -> (&'a [f32], &'a [f32])) {
    begin(to, kernel[0], pair(0).0);
    for (k, weight) in kernel.iter().enumerate().skip(1) {
        let (before, after) = pair(k);
        add_both(to, *weight, before, after);
    }
}

wide! {
    fn begin(to: &mut [f32], weight: f32, from: &[f32]) {
        for (t, v) in to.iter_mut().zip(from) {
            *t = weight * v;
        }
    }
}

wide! {
    fn add_both(to: &mut [f32], weight: f32, before: &[f32], after: &[f32]) {
        for ((t, b), a) in to.iter_mut().zip(before).zip(after) {
            *t += weight * (b + a);
        }
    }
}

wide! {
    fn sum_of_two(to: &mut [f32], first: (f32, &[f32]), second: (f32, &[f32])) {
        for ((t, a), b) in to.iter_mut().zip(first.1).zip(second.1) {
            *t = first.0 * a + second.0 * b;
        }
    }
}

wide! {
    fn add_pieces<const STEP: usize>(to: &mut [f32], pieces: &[[f32; STEP]]) {
        for (t, piece) in to.iter_mut().zip(pieces) {
            *t += piece.iter().sum::<f32>();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(width: usize, height: usize) -> Field {
        let mut state = 7_u32;
        let mut out = Field::new(width, height);
        for v in &mut out.v {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *v = (state >> 24) as f32 / 2.55;
        }
        out
    }

    /// The plain double sum over a Gaussian's weights.
    fn slow(field: &Field, sigma_px: f32, x: usize, y: usize) -> f32 {
        let reach = (4.0 * sigma_px).ceil() as isize;
        let (mut sum, mut weights) = (0.0, 0.0);
        for dy in -reach..=reach {
            for dx in -reach..=reach {
                let w = (-((dx * dx + dy * dy) as f32) / (2.0 * sigma_px * sigma_px)).exp();
                let xx = (x as isize + dx).clamp(0, field.width as isize - 1) as usize;
                let yy = (y as isize + dy).clamp(0, field.height as isize - 1) as usize;
                sum += w * field.v[yy * field.width + xx];
                weights += w;
            }
        }
        sum / weights
    }

    #[test]
    fn fast_blurs_equal_the_plain_sum() {
        let field = noise(61, 47);
        for (sigma_px, most_off) in [(1.0, 0.6), (2.2, 0.3), (4.0, 1.0), (6.0, 1.0)] {
            let fast = field.blurred(sigma_px);
            for (x, y) in [(30, 23), (25, 20), (33, 26)] {
                let off = fast.v[y * 61 + x] - slow(&field, sigma_px, x, y);
                assert!(
                    off.abs() < most_off,
                    "σ {sigma_px} at {x}, {y}: off by {off}"
                );
            }
        }
    }
}

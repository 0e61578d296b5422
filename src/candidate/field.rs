//! One-channel pictures of `f32` and the few filters that the candidates need.

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

    /// Means of `step` × `step` pixels.
    pub(crate) fn shrunk(plane: &[f32], width: usize, height: usize, step: usize) -> Self {
        let (w, h) = (width / step, height / step);
        let mut out = Self::new(w, h);
        for (y, row) in out.v.chunks_exact_mut(w).enumerate() {
            for dy in 0..step {
                let from = &plane[(y * step + dy) * width..][..w * step];
                for (o, px) in row.iter_mut().zip(from.chunks_exact(step)) {
                    *o += px.iter().sum::<f32>();
                }
            }
        }
        let share = 1.0 / (step * step) as f32;
        out.v.iter_mut().for_each(|v| *v *= share);
        out
    }

    /// Blurred by a Gaussian of this σ, cut off at 2.6 σ; beyond the rim the rim's values.
    pub(crate) fn blurred(&self, sigma_px: f32) -> Self {
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
            for (t, v) in to.iter_mut().zip(&line[reach..]) {
                *t = kernel[0] * v;
            }
            for (k, weight) in kernel.iter().enumerate().skip(1) {
                let (left, right) = (&line[reach - k..][..w], &line[reach + k..][..w]);
                for ((t, l), r) in to.iter_mut().zip(left).zip(right) {
                    *t += weight * (l + r);
                }
            }
        }
        let mut out = Self::new(w, h);
        for (y, to) in out.v.chunks_exact_mut(w).enumerate() {
            for (t, v) in to.iter_mut().zip(&across[y * w..][..w]) {
                *t = kernel[0] * v;
            }
            for (k, weight) in kernel.iter().enumerate().skip(1) {
                let above = &across[y.saturating_sub(k) * w..][..w];
                let below = &across[(y + k).min(h - 1) * w..][..w];
                for ((t, a), b) in to.iter_mut().zip(above).zip(below) {
                    *t += weight * (a + b);
                }
            }
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

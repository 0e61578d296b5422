//! A line in the small picture and what is seen along it.

use super::reduce::Colour;

/// Length of one piece of a line, small pixels.
pub(super) const PIECE_PX: f64 = 3.0;

/// A line `x cos θ + y sin θ = ρ`, small pixels from the picture's centre.
#[derive(Debug, Clone)]
pub(super) struct Line {
    /// Direction of the normal, 0..π.
    pub normal_rad: f64,
    /// cos and sin of it.
    pub normal: (f64, f64),
    /// Distance from the picture's centre along the normal.
    pub rho: f64,
    /// Hits and summed steps of all pieces before each piece.
    pub sums: Vec<(f32, Colour)>,
    /// Place along the line of the first piece.
    pub first_t: f64,
}

/// What is seen along a stretch of line.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stretch {
    /// Share of its length with edge points.
    pub covered: f64,
    /// Mean step along the normal, in units of noise.
    pub step: Colour,
}

impl Line {
    /// Where this line crosses another: place along this one.
    pub fn crossing(&self, other: &Self) -> Option<f64> {
        let (nx, ny) = self.normal;
        let (mx, my) = other.normal;
        let along = my * nx - mx * ny;
        (along.abs() > 0.3).then(|| (other.rho - self.rho * (nx * mx + ny * my)) / along)
    }

    /// The point at a place along the line.
    pub fn point(&self, t: f64) -> (f64, f64) {
        let (nx, ny) = self.normal;
        (self.rho * nx - t * ny, self.rho * ny + t * nx)
    }

    fn index(&self, t: f64) -> usize {
        (((t - self.first_t) / PIECE_PX).max(0.0) as usize).min(self.sums.len() - 1)
    }

    /// What is seen between two places.
    pub fn stretch(&self, from_t: f64, to_t: f64) -> Stretch {
        let (low, high) = (from_t.min(to_t), from_t.max(to_t));
        let (a, b) = (self.index(low), self.index(high));
        let (first, last) = (&self.sums[a], &self.sums[b]);
        let hits = last.0 - first.0;
        let pieces = ((high - low) / PIECE_PX).max(1.0);
        Stretch {
            covered: (f64::from(hits) / pieces).min(1.0),
            step: std::array::from_fn(|c| {
                if hits > 0.0 {
                    (last.1[c] - first.1[c]) / hits
                } else {
                    0.0
                }
            }),
        }
    }

    /// Share of a stretch that has edge points.
    pub fn covered(&self, from_t: f64, to_t: f64) -> f32 {
        let (low, high) = (from_t.min(to_t), from_t.max(to_t));
        let hits = self.sums[self.index(high)].0 - self.sums[self.index(low)].0;
        hits * PIECE_PX as f32 / (high - low).max(PIECE_PX) as f32
    }
}

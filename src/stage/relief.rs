//! The soil's surface as heights on a square grid, and where a ray meets it.

use super::maths::{V3, v3};

/// Cells to a block's side; blocks that lie below a ray are stepped over whole.
const BLOCK: usize = 8;

/// Heights on a grid, mm.
#[derive(Debug, Clone)]
pub(super) struct Relief {
    pub x0_mm: f32,
    pub y0_mm: f32,
    /// Grid step, mm.
    pub step_mm: f32,
    /// Points along x and y.
    pub nx: usize,
    pub ny: usize,
    pub height_mm: Vec<f32>,
    block_top_mm: Vec<f32>,
    blocks_x: usize,
}

/// A straight line from `from` along unit `dir`, looked at from `near` to `far` mm.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ray {
    pub from: V3,
    pub dir: V3,
    pub near: f32,
    pub far: f32,
}

impl Ray {
    pub fn at(&self, t: f32) -> V3 {
        self.from + self.dir * t
    }
}

impl Relief {
    /// Flat ground over a rectangle given by its low and high corner.
    pub fn flat(low: (f32, f32), high: (f32, f32), step_mm: f32) -> Self {
        let nx = ((high.0 - low.0) / step_mm).ceil() as usize + 2;
        let ny = ((high.1 - low.1) / step_mm).ceil() as usize + 2;
        Self {
            x0_mm: low.0,
            y0_mm: low.1,
            step_mm,
            nx,
            ny,
            height_mm: vec![0.0; nx * ny],
            block_top_mm: Vec::new(),
            blocks_x: 0,
        }
    }

    /// Nearest grid point, held inside the grid.
    pub fn cell(&self, x_mm: f32, y_mm: f32) -> (usize, usize) {
        let f = |v: f32, n: usize| ((v / self.step_mm + 0.5).max(0.0) as usize).min(n - 1);
        (f(x_mm - self.x0_mm, self.nx), f(y_mm - self.y0_mm, self.ny))
    }

    /// Height at the nearest grid point.
    pub fn at(&self, x_mm: f32, y_mm: f32) -> f32 {
        let (i, j) = self.cell(x_mm, y_mm);
        self.height_mm[j * self.nx + i]
    }

    /// Raises the grid point nearest to (x, y) to at least `z_mm`.
    pub fn raise(&mut self, x_mm: f32, y_mm: f32, z_mm: f32) {
        let (i, j) = self.cell(x_mm, y_mm);
        let h = &mut self.height_mm[j * self.nx + i];
        *h = h.max(z_mm);
    }

    /// Place of a grid point.
    pub fn place(&self, i: usize, j: usize) -> (f32, f32) {
        (
            self.x0_mm + i as f32 * self.step_mm,
            self.y0_mm + j as f32 * self.step_mm,
        )
    }

    /// Prepares the blocks; call after the last change and before tracing.
    pub fn settle(&mut self) {
        self.blocks_x = self.nx.div_ceil(BLOCK);
        let blocks_y = self.ny.div_ceil(BLOCK);
        self.block_top_mm = vec![f32::MIN; self.blocks_x * blocks_y];
        for by in 0..blocks_y {
            for bx in 0..self.blocks_x {
                let mut top = f32::MIN;
                for j in by * BLOCK..=((by + 1) * BLOCK).min(self.ny - 1) {
                    for i in bx * BLOCK..=((bx + 1) * BLOCK).min(self.nx - 1) {
                        top = top.max(self.height_mm[j * self.nx + i]);
                    }
                }
                self.block_top_mm[by * self.blocks_x + bx] = top;
            }
        }
    }

    /// Direction of the surface, smooth between grid points.
    pub fn normal(&self, x_mm: f32, y_mm: f32) -> V3 {
        let gx = ((x_mm - self.x0_mm) / self.step_mm).clamp(1.0, self.nx as f32 - 3.0);
        let gy = ((y_mm - self.y0_mm) / self.step_mm).clamp(1.0, self.ny as f32 - 3.0);
        let (i, j) = (gx as usize, gy as usize);
        let (u, v) = (gx - i as f32, gy - j as f32);
        let h = |i: usize, j: usize| self.height_mm[j * self.nx + i];
        let slope = |i: usize, j: usize| (h(i + 1, j) - h(i - 1, j), h(i, j + 1) - h(i, j - 1));
        let (a, b, c, d) = (
            slope(i, j),
            slope(i + 1, j),
            slope(i, j + 1),
            slope(i + 1, j + 1),
        );
        let mix = |a: f32, b: f32, c: f32, d: f32| {
            (a * (1.0 - u) + b * u) * (1.0 - v) + (c * (1.0 - u) + d * u) * v
        };
        let k = 0.5 / self.step_mm;
        v3(
            -mix(a.0, b.0, c.0, d.0) * k,
            -mix(a.1, b.1, c.1, d.1) * k,
            1.0,
        )
        .unit()
    }

    /// Where the ray first meets the surface, mm along it.
    pub fn meet(&self, ray: &Ray) -> Option<f32> {
        let walk = Walk::over(self, ray, BLOCK)?;
        for (bx, by, t0, t1) in walk {
            let low = (ray.from.z + ray.dir.z * t0).min(ray.from.z + ray.dir.z * t1);
            if low > self.block_top_mm[by * self.blocks_x + bx] {
                continue;
            }
            let inner = Ray {
                near: t0 - 1e-3,
                far: t1 + 1e-3,
                ..*ray
            };
            if let Some(t) = self.meet_in_block(&inner, (bx, by), ray) {
                return Some(t);
            }
        }
        None
    }

    fn meet_in_block(&self, inner: &Ray, block: (usize, usize), ray: &Ray) -> Option<f32> {
        for (i, j, t0, t1) in Walk::over(self, inner, 1)? {
            if i / BLOCK != block.0 || j / BLOCK != block.1 {
                continue;
            }
            let k = j * self.nx + i;
            let (a, b) = (self.height_mm[k], self.height_mm[k + 1]);
            let (c, d) = (self.height_mm[k + self.nx], self.height_mm[k + self.nx + 1]);
            let low = (ray.from.z + ray.dir.z * t0).min(ray.from.z + ray.dir.z * t1);
            if low > a.max(b).max(c).max(d) {
                continue;
            }
            if let Some(t) = self.meet_cell(ray, (i, j), [a, b, c, d]) {
                return Some(t);
            }
        }
        None
    }

    /// The two triangles of a cell; corners (0,0), (1,0), (0,1), (1,1).
    fn meet_cell(&self, ray: &Ray, (i, j): (usize, usize), h: [f32; 4]) -> Option<f32> {
        let s = self.step_mm;
        let (x, y) = self.place(i, j);
        let o = v3((ray.from.x - x) / s, (ray.from.y - y) / s, ray.from.z);
        let d = v3(ray.dir.x / s, ray.dir.y / s, ray.dir.z);
        let mut best: Option<f32> = None;
        // Low half (u + v ≤ 1): z = a + u(b − a) + v(c − a); high half mirrored.
        let halves = [
            (h[0], h[1] - h[0], h[2] - h[0], true),
            (h[1] + h[2] - h[3], h[3] - h[2], h[3] - h[1], false),
        ];
        for (base, du, dv, is_low) in halves {
            let den = d.z - du * d.x - dv * d.y;
            if den.abs() < 1e-12 {
                continue;
            }
            let t = (base + du * o.x + dv * o.y - o.z) / den;
            let (u, v) = (o.x + t * d.x, o.y + t * d.y);
            const E: f32 = 1e-4;
            let inside = (-E..=1.0 + E).contains(&u)
                && (-E..=1.0 + E).contains(&v)
                && if is_low {
                    u + v <= 1.0 + E
                } else {
                    u + v >= 1.0 - E
                };
            if inside && t >= ray.near && t <= ray.far && best.is_none_or(|b| t < b) {
                best = Some(t);
            }
        }
        best
    }
}

/// Steps from square to square of `size` cells along a ray.
struct Walk {
    i: i32,
    j: i32,
    n: (i32, i32),
    step: (i32, i32),
    next: (f32, f32),
    delta: (f32, f32),
    t: f32,
    end: f32,
}

impl Walk {
    fn over(relief: &Relief, ray: &Ray, size: usize) -> Option<Self> {
        let side = relief.step_mm * size as f32;
        let cells = ((relief.nx - 1) as f32, (relief.ny - 1) as f32);
        let (mut t0, mut t1) = (ray.near, ray.far);
        let spans = [
            (ray.from.x, ray.dir.x, relief.x0_mm, cells.0),
            (ray.from.y, ray.dir.y, relief.y0_mm, cells.1),
        ];
        for (o, d, low, n) in spans {
            let high = low + n * relief.step_mm;
            if d.abs() < 1e-9 {
                if o < low || o > high {
                    return None;
                }
                continue;
            }
            let (a, b) = ((low - o) / d, (high - o) / d);
            t0 = t0.max(a.min(b));
            t1 = t1.min(a.max(b));
        }
        if t0 > t1 {
            return None;
        }
        let p = ray.at(t0);
        let n = (
            (cells.0 / size as f32).ceil() as i32,
            (cells.1 / size as f32).ceil() as i32,
        );
        let axis = |p: f32, o: f32, d: f32, low: f32, n: i32| {
            let i = (((p - low) / side).floor() as i32).clamp(0, n - 1);
            if d.abs() < 1e-9 {
                return (i, 0, f32::INFINITY, f32::INFINITY);
            }
            let step = if d > 0.0 { 1 } else { -1 };
            let edge = low + (i + i32::from(d > 0.0)) as f32 * side;
            (i, step, (edge - o) / d, side / d.abs())
        };
        let (i, si, ni, di) = axis(p.x, ray.from.x, ray.dir.x, relief.x0_mm, n.0);
        let (j, sj, nj, dj) = axis(p.y, ray.from.y, ray.dir.y, relief.y0_mm, n.1);
        Some(Self {
            i,
            j,
            n,
            step: (si, sj),
            next: (ni, nj),
            delta: (di, dj),
            t: t0,
            end: t1,
        })
    }
}

impl Iterator for Walk {
    type Item = (usize, usize, f32, f32);

    fn next(&mut self) -> Option<Self::Item> {
        if self.t > self.end || !(0..self.n.0).contains(&self.i) || !(0..self.n.1).contains(&self.j)
        {
            return None;
        }
        let until = self.next.0.min(self.next.1).min(self.end);
        let square = (self.i as usize, self.j as usize, self.t, until);
        if until >= self.end {
            self.t = f32::INFINITY;
        } else if self.next.0 < self.next.1 {
            self.i += self.step.0;
            self.next.0 += self.delta.0;
            self.t = until;
        } else {
            self.j += self.step.1;
            self.next.1 += self.delta.1;
            self.t = until;
        }
        Some(square)
    }
}

//! The outline about a middle: on rays all round, the edges that fit together to one closed line.

use super::{Candidate, View};
use crate::{colour::LabPlanes, geometry::Point, plot::Plot};

/// Rays about a middle.
pub(crate) const RAYS: usize = 24;
/// Places on a ray, one plot pixel apart.
const PLACES: usize = 19;
/// First place, plot pixels from the middle.
const FIRST_PX: f32 = 3.0;

/// Most that rays start anew from the place that was given, plot pixels.
const MOST_PULL_PX: f32 = 4.0;
/// Most that an outline's centre can lie from the place about which it was asked for, plot pixels: the pull, and two thirds of
/// the longest ray, where the centre of a slice of a disc would lie.
pub(super) const MOST_AWAY_PX: f32 = MOST_PULL_PX + (FIRST_PX + PLACES as f32 - 1.0) * 2.0 / 3.0;

/// Finds outlines on one plot.
pub(crate) struct Outliner<'a> {
    pub l: View<'a>,
    pub a: View<'a>,
    pub b: View<'a>,
    pub directions: [(f32, f32); RAYS],
}

/// A closed outline in plot pixels.
#[derive(Debug, Clone)]
pub(crate) struct RayOutline {
    /// Middle of the outline.
    pub x_px: f32,
    /// Middle of the outline.
    pub y_px: f32,
    /// Distance of the outline from the place the rays start from, on each ray.
    pub radii_px: [f32; RAYS],
    /// Strength of the edge on each ray, colour difference per 3 px.
    pub edges: [f32; RAYS],
    /// Area, px².
    pub area_px2: f32,
    /// Full extents of the ellipse with the same second moments, and the angle of the longer.
    pub length_px: f32,
    pub width_px: f32,
    pub angle_rad: f32,
}

impl<'a> Outliner<'a> {
    pub(crate) fn new(lab: &'a LabPlanes) -> Self {
        let (width, height) = (lab.width, lab.height);
        let field = |v: &'a [f32]| View { width, height, v };
        Self {
            l: field(&lab.l),
            a: field(&lab.a),
            b: field(&lab.b),
            directions: std::array::from_fn(|k| {
                let (sin, cos) = (k as f32 / RAYS as f32 * std::f32::consts::TAU).sin_cos();
                (cos, sin)
            }),
        }
    }

    /// The outline about a place; where its middle is not that place, the rays start anew from it.
    pub(crate) fn around(&self, x_px: f32, y_px: f32) -> RayOutline {
        let first = self.once(x_px, y_px);
        let far = (first.x_px - x_px).hypot(first.y_px - y_px);
        if far < 0.7 {
            return first;
        }
        let pull = (MOST_PULL_PX / far).min(1.0);
        self.once(
            x_px + (first.x_px - x_px) * pull,
            y_px + (first.y_px - y_px) * pull,
        )
    }

    /// The outline by rays from this place.
    pub(crate) fn once(&self, x_px: f32, y_px: f32) -> RayOutline {
        let core = self.core(x_px, y_px);
        let mut cost = [[0.0_f32; PLACES]; RAYS];
        for (row, (dx, dy)) in cost.iter_mut().zip(&self.directions) {
            let mut far = [0.0_f32; PLACES + 4];
            for (k, v) in far.iter_mut().enumerate() {
                let r = FIRST_PX - 2.0 + k as f32;
                *v = self.difference(core, x_px + dx * r, y_px + dy * r);
            }
            for (k, c) in row.iter_mut().enumerate() {
                // Two places outside against two inside: the colour leaves that of the middle.
                *c = (far[k] + far[k + 1]) / 2.0 - (far[k + 3] + far[k + 4]) / 2.0;
            }
        }
        let path = closed_path(&cost);
        let radii_px = path.map(|p| FIRST_PX + p as f32);
        let edges = std::array::from_fn(|k| -cost[k][path[k]]);
        self.measured(x_px, y_px, radii_px, edges)
    }

    /// Mean colour within 1.5 px of the middle.
    fn core(&self, x: f32, y: f32) -> [f32; 3] {
        let mut sum = [0.0; 3];
        let spots = [(0.0, 0.0), (1.5, 0.0), (-1.5, 0.0), (0.0, 1.5), (0.0, -1.5)];
        for (dx, dy) in spots {
            for (s, f) in sum.iter_mut().zip([&self.l, &self.a, &self.b]) {
                *s += f.at(x + dx, y + dy) / spots.len() as f32;
            }
        }
        sum
    }

    /// Distance from the colour of the middle; darker counts in full, brighter by half (highlights).
    fn difference(&self, core: [f32; 3], x: f32, y: f32) -> f32 {
        let dl = core[0] - self.l.at(x, y);
        let (da, db) = (core[1] - self.a.at(x, y), core[2] - self.b.at(x, y));
        let dl = if dl < 0.0 { dl / 2.0 } else { dl };
        (dl * dl + 2.0 * (da * da + db * db)).sqrt()
    }

    fn measured(&self, x: f32, y: f32, radii_px: [f32; RAYS], edges: [f32; RAYS]) -> RayOutline {
        let points: [(f32, f32); RAYS] = std::array::from_fn(|k| {
            let (dx, dy) = self.directions[k];
            (dx * radii_px[k], dy * radii_px[k])
        });
        // Area, centroid and second moments of the polygon by its triangles from the middle.
        let (mut area, mut cx, mut cy) = (0.0, 0.0, 0.0);
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for k in 0..RAYS {
            let ((x1, y1), (x2, y2)) = (points[k], points[(k + 1) % RAYS]);
            let cross = x1 * y2 - x2 * y1;
            area += cross / 2.0;
            cx += cross * (x1 + x2) / 6.0;
            cy += cross * (y1 + y2) / 6.0;
            xx += cross * (x1 * x1 + x1 * x2 + x2 * x2) / 12.0;
            yy += cross * (y1 * y1 + y1 * y2 + y2 * y2) / 12.0;
            xy += cross * (x1 * y2 + 2.0 * x1 * y1 + 2.0 * x2 * y2 + x2 * y1) / 24.0;
        }
        let area = area.max(1.0);
        let (cx, cy) = (cx / area, cy / area);
        let (xx, yy, xy) = (
            xx / area - cx * cx,
            yy / area - cy * cy,
            xy / area - cx * cy,
        );
        let (mean, half) = ((xx + yy) / 2.0, ((xx - yy) / 2.0).hypot(xy));
        RayOutline {
            x_px: x + cx,
            y_px: y + cy,
            radii_px,
            edges,
            area_px2: area,
            length_px: 4.0 * (mean + half).max(0.0).sqrt(),
            width_px: 4.0 * (mean - half).max(0.0).sqrt(),
            angle_rad: 0.5 * (2.0 * xy).atan2(xx - yy),
        }
    }
}

impl RayOutline {
    pub(crate) fn candidate(&self, plot: &Plot) -> Candidate {
        let scale = plot.px_per_mm;
        Candidate {
            centre_mm: plot.mm_from_plot_px(Point::new(f64::from(self.x_px), f64::from(self.y_px))),
            length_mm: f64::from(self.length_px) / scale,
            width_mm: f64::from(self.width_px) / scale,
            angle_rad: f64::from(self.angle_rad),
            area_mm2: f64::from(self.area_px2) / (scale * scale),
            pod_shaped: false,
            was_touching: false,
        }
    }
}

/// The path of least cost once round all rays, from one ray to the next at most two places in or out.
/// Closed by going round twice and keeping the second half, which no longer knows where it began.
fn closed_path(cost: &[[f32; PLACES]; RAYS]) -> [usize; RAYS] {
    const STEP_COST: f32 = 1.0;
    let mut total = cost[0];
    let mut back = [[0_u8; PLACES]; 2 * RAYS];
    for step in 1..2 * RAYS {
        let row = &cost[step % RAYS];
        let mut next = [0.0; PLACES];
        for k in 0..PLACES {
            let (mut best, mut from) = (f32::INFINITY, k);
            let near = k.saturating_sub(2)..=(k + 2).min(PLACES - 1);
            for (j, so_far) in total
                .iter()
                .enumerate()
                .take(near.end() + 1)
                .skip(*near.start())
            {
                let c = so_far + STEP_COST * (j.abs_diff(k) * j.abs_diff(k)) as f32;
                if c < best {
                    (best, from) = (c, j);
                }
            }
            next[k] = best + row[k];
            back[step][k] = from as u8;
        }
        total = next;
    }
    let mut at = (0..PLACES)
        .min_by(|a, b| total[*a].total_cmp(&total[*b]))
        .unwrap_or(0);
    let mut path = [0; RAYS];
    // The last quarter only leads in: what is kept runs from a half to one and a half rounds.
    for step in (1..2 * RAYS).rev() {
        if (RAYS / 2..RAYS + RAYS / 2).contains(&step) {
            path[step % RAYS] = at;
        }
        at = usize::from(back[step][at]);
    }
    path
}

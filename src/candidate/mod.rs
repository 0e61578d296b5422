//! Fifth stage: every bean-sized blob and every pod-shaped one, with its size and shape in mm.

use std::cell::OnceCell;

use crate::{geometry::Point, ground::Ground, plot::Plot, units::M2_PER_FT2};

mod field;
mod outline;
mod peaks;
mod pods;
mod symmetry;

use field::Field;
pub(crate) use field::View;
pub(crate) use outline::{Outliner, RAYS, RayOutline};
use peaks::Peak;

/// Something that may be a bean, a split bean or a pod.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// Centre, plot mm.
    pub centre_mm: Point,
    /// Longest extent, mm.
    pub length_mm: f64,
    /// Extent across that, mm.
    pub width_mm: f64,
    /// Angle of the long axis from +x towards +y, radians.
    pub angle_rad: f64,
    /// Area of the blob, mm².
    pub area_mm2: f64,
    /// Pod-shaped rather than bean-sized.
    pub pod_shaped: bool,
    /// Parted from a neighbour that it touches.
    pub was_touching: bool,
}

/// What is taken for a candidate.
#[derive(Debug, Clone, PartialEq)]
pub struct BlobSettings {
    /// Most bean-sized candidates per square foot, the strongest peaks. Raised: slower; lowered: beans in thick litter are
    /// lost (on path-traced photos 350 reach 95 % of the beans, 150 reach 92 %).
    pub most_peaks_per_ft2: f64,
    /// Least distance between two middles, mm. Raised: touching halves become one; lowered: one bean is
    /// found twice (the scorer then drops one).
    pub least_apart_mm: f64,
}

impl Default for BlobSettings {
    fn default() -> Self {
        Self {
            most_peaks_per_ft2: 350.0,
            least_apart_mm: 2.4,
        }
    }
}

/// The middles of bean-sized things on a plot. An outline costs more than the middle, and of most nobody asks.
pub struct Middles<'a> {
    plot: &'a Plot,
    outliner: Outliner<'a>,
    peaks: Vec<Peak>,
    outlined: Vec<OnceCell<Candidate>>,
}

impl std::fmt::Debug for Middles<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Middles").finish_non_exhaustive()
    }
}

impl<'a> Middles<'a> {
    /// Finds them inside the frame.
    pub fn find(plot: &'a Plot, ground: &'a Ground, settings: &BlobSettings) -> Self {
        let peaks = peaks::find(plot, &ground.lab, settings, plot.inside_m2() / M2_PER_FT2);
        Self {
            plot,
            outliner: Outliner::new(&ground.lab),
            outlined: vec![OnceCell::new(); peaks.len()],
            peaks,
        }
    }

    /// What was outlined about the middle at this number.
    fn outline(&self, at: usize) -> &Candidate {
        self.outlined[at].get_or_init(|| {
            let peak = &self.peaks[at];
            (self.outliner.around(peak.x_px, peak.y_px)).candidate(self.plot)
        })
    }

    /// The bean-sized thing whose outline's centre lies nearest to a place on the plot, if one lies within `within_mm` of it.
    /// [`Candidate::was_touching`] is not told.
    pub fn nearest(&self, to: Point, within_mm: f64) -> Option<&Candidate> {
        let reach_mm = within_mm + f64::from(outline::MOST_AWAY_PX) / self.plot.px_per_mm;
        (self.peaks.iter().enumerate())
            .filter(|(_, peak)| {
                let middle = Point::new(f64::from(peak.x_px), f64::from(peak.y_px));
                self.plot.mm_from_plot_px(middle).distance(to) <= reach_mm
            })
            .map(|(at, _)| self.outline(at))
            .filter(|c| c.centre_mm.distance(to) <= within_mm)
            .min_by(|a, b| {
                let (p, q) = (a.centre_mm, b.centre_mm);
                (p.distance(to).total_cmp(&q.distance(to)))
                    .then(p.y.total_cmp(&q.y))
                    .then(p.x.total_cmp(&q.x))
            })
    }
}

/// Finds everything of a bean's or a pod's size and shape on the plot, outlined.
///
/// Returned top to bottom, then left to right, by centre. Only centres inside the frame.
pub fn candidates(plot: &Plot, ground: &Ground, settings: &BlobSettings) -> Vec<Candidate> {
    let middles = Middles::find(plot, ground, settings);
    let mut found: Vec<Candidate> = (0..middles.peaks.len())
        .map(|at| middles.outline(at).clone())
        .collect();
    mark_touching(&mut found);
    let ft2 = plot.inside_m2() / M2_PER_FT2;
    found.extend(pods::find(plot, &ground.lab, ft2));
    found.sort_by(|a, b| {
        (a.centre_mm.y.total_cmp(&b.centre_mm.y)).then(a.centre_mm.x.total_cmp(&b.centre_mm.x))
    });
    found
}

/// Two middles nearer than their half widths together, by a tenth to spare, belong to things that touch.
fn mark_touching(found: &mut [Candidate]) {
    for i in 0..found.len() {
        for k in i + 1..found.len() {
            let far_mm = found[i].centre_mm.distance(found[k].centre_mm);
            let reach = |c: &Candidate| (c.length_mm * c.width_mm).sqrt() / 2.0;
            if far_mm < 1.1 * (reach(&found[i]) + reach(&found[k])) {
                found[i].was_touching = true;
                found[k].was_touching = true;
            }
        }
    }
}

#[cfg(test)]
pub(crate) mod tests;

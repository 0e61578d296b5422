//! The learned scorer: the network's hilltops, measured by the outlines of the blob detection.

use image::RgbImage;

use super::{
    Chances, Scored,
    card::{Card, Surroundings},
    mirror::look_twice,
    net::{Maps, Measure, Memory, NearLook, Net, NetError},
    peaks::{Peak, peaks},
};
use crate::{
    candidate::{Candidate, Middles},
    colour::lab_from_srgb8,
    geometry::Point,
    ground::Ground,
    plot::Plot,
    stats::logistic,
    units::M2_PER_FT2,
};

/// Cells of heat within which a bean has one hilltop only (2 cells: 1.7 mm, less than half a bean).
const BEAN_REACH: usize = 2;
/// Likewise for a pod.
const POD_REACH: usize = 6;
/// A candidate this near to a hilltop, mm, is the same object: less than half a bean's width.
const SAME_MM: f64 = 2.6;
/// Probability under which a bean's hilltop is left out of the list.
const LEAST_PROBABILITY: f64 = 0.05;

/// Where the network's heat is highest.
#[derive(Debug, Clone, PartialEq)]
pub struct Hilltops {
    /// Beans, whole or split.
    pub beans: Vec<Peak>,
    /// Of each of them, whether it lies inside the frame.
    pub inside: Vec<bool>,
    /// Pods.
    pub pods: Vec<Peak>,
}

impl Hilltops {
    /// Reads them off what the network says of a plot.
    pub fn of(maps: &Maps, plot: &Plot, card: &Card) -> Self {
        let find = |heat, reach, least: f64| peaks(heat, reach, least as f32, Maps::HEAT_PX);
        let beans = find(&maps.bean_heat, BEAN_REACH, card.bean.least_heat);
        let (last_x, last_y) = (plot.inside.width() - 1, plot.inside.height() - 1);
        let is_inside = |peak: &Peak| {
            let (x, y) = (peak.x_plot_px as u32, peak.y_plot_px as u32);
            plot.inside.get_pixel(x.min(last_x), y.min(last_y)).0[0] > 0
        };
        Self {
            inside: beans.iter().map(is_inside).collect(),
            pods: find(&maps.pod_heat, POD_REACH, card.pod.least_heat),
            beans,
        }
    }

    /// Heats of the beans' that lie inside the frame.
    fn heats_inside(&self) -> Vec<f64> {
        let inside = self
            .beans
            .iter()
            .zip(&self.inside)
            .filter(|(_, inside)| **inside);
        inside.map(|(peak, _)| peak.heat).collect()
    }
}

/// What the network makes of a plot.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// What lies on it, each with its probability. Sorted from top to bottom, then left to right.
    pub scored: Vec<Scored>,
    /// What the probabilities depend on besides the heat.
    pub around: Surroundings,
}

/// Looks at a plot as the card says, once or twice, with memory of looks before.
///
/// # Errors
/// [`NetError`] when the network does not run.
pub fn look(
    plot: &Plot,
    (net, card): (&Net, &Card),
    memory: &mut Memory,
) -> Result<Maps, NetError> {
    if card.mirrored {
        look_twice(net, &plot.raw, memory)
    } else {
        net.look(&plot.raw, memory)
    }
}

/// Judges a plot by what the network saw: its maps, their hilltops, and what it saw of each bean's from near.
///
/// What is listed are the hilltops. Where something bean-sized was outlined at one, its measured size is taken.
pub fn judge(
    plot: &Plot,
    ground: &Ground,
    middles: &Middles<'_>,
    (maps, hilltops, near): (&Maps, &Hilltops, Option<&[Option<NearLook>]>),
    card: &Card,
) -> Judged {
    let around = Surroundings::new(ground.shares.residue_cover_pct, plot.photo_px_per_mm)
        .with_hilltops(&hilltops.heats_inside(), plot.inside_m2() / M2_PER_FT2);
    let mut found: Vec<Scored> = Vec::new();
    let pods = &hilltops.pods;
    found.extend(
        pods.iter()
            .map(|peak| pod(plot, maps, peak, card.pod.probability(peak.heat, around))),
    );
    let near = near
        .unwrap_or_default()
        .iter()
        .copied()
        .chain(std::iter::repeat(None));
    found.extend(
        (hilltops.beans.iter().zip(near))
            .map(|(peak, near)| (peak, near, card.bean_probability(peak.heat, near, around)))
            .filter(|(.., any)| listed(1.0 - any))
            .map(|(peak, near, any)| bean((plot, maps), peak, (any, near), middles)),
    );
    found.retain(|scored| listed(scored.chances.other));
    found.sort_by(|a, b| {
        let key = |s: &Scored| (s.candidate.centre_mm.y, s.candidate.centre_mm.x);
        key(a).partial_cmp(&key(b)).expect("places are finite")
    });
    Judged {
        scored: found,
        around,
    }
}

/// Whether something that is this likely none of bean, split bean and pod is in the list.
fn listed(other: f64) -> bool {
    1.0 - other >= LEAST_PROBABILITY
}

fn bean(
    (plot, maps): (&Plot, &Maps),
    peak: &Peak,
    (any, near): (f64, Option<NearLook>),
    middles: &Middles<'_>,
) -> Scored {
    let centre_mm = peak.place_mm(plot);
    let measure = |what| maps.measure(what, peak.x_plot_px, peak.y_plot_px);
    let split_logit = near.map_or_else(|| measure(Measure::SplitLogit), |near| near.split_logit);
    let split = any * logistic(split_logit);
    let measured = middles.nearest(centre_mm, SAME_MM);
    let across_mm = 2.0 * measure(Measure::LogRadiusMm).exp().clamp(1.0, 8.0);
    let candidate = measured.map_or_else(
        || round_candidate(centre_mm, across_mm),
        |c| Candidate {
            centre_mm,
            ..c.clone()
        },
    );
    Scored {
        candidate,
        chances: Chances {
            bean: any - split,
            split,
            pod: 0.0,
            other: 1.0 - any,
        },
        beans_in_pod: 0.0,
    }
}

fn round_candidate(centre_mm: Point, across_mm: f64) -> Candidate {
    Candidate {
        centre_mm,
        length_mm: across_mm,
        width_mm: across_mm,
        angle_rad: 0.0,
        area_mm2: std::f64::consts::PI * across_mm * across_mm / 4.0,
        pod_shaped: false,
        was_touching: false,
    }
}

/// Width of a pod, mm, that the network does not measure: pods are 3 to 8 cm long and one bean wide.
const POD_WIDTH_MM: f64 = 10.0;

fn pod(plot: &Plot, maps: &Maps, peak: &Peak, probability: f64) -> Scored {
    let measure = |what| maps.measure(what, peak.x_plot_px, peak.y_plot_px);
    let length_mm = measure(Measure::LogLengthMm).exp().clamp(10.0, 90.0);
    let angle_rad = measure(Measure::Sin2).atan2(measure(Measure::Cos2)) / 2.0;
    Scored {
        candidate: Candidate {
            centre_mm: peak.place_mm(plot),
            length_mm,
            width_mm: POD_WIDTH_MM.min(length_mm),
            angle_rad,
            area_mm2: length_mm * POD_WIDTH_MM * 0.8,
            pod_shaped: true,
            was_touching: false,
        },
        chances: Chances {
            bean: 0.0,
            split: 0.0,
            pod: probability,
            other: 1.0 - probability,
        },
        beans_in_pod: measure(Measure::BeansInPod).clamp(1.0, 4.0),
    }
}

/// Measures by which a plot is compared with what a model was trained on: mean L*, spread of L*, mean a*, mean b*,
/// logarithm of the blur in mm, logarithm of the photo's px per mm.
pub fn likeness_measures(plot: &Plot) -> [f64; 6] {
    let (mut n, mut sum, mut sum_l2) = (0.0, [0.0; 3], 0.0);
    for (pixel, inside) in inside_pixels(&plot.raw, plot) {
        if inside {
            let lab = lab_from_srgb8(pixel);
            let l = f64::from(lab.l);
            n += 1.0;
            sum_l2 += l * l;
            for (s, v) in sum.iter_mut().zip([l, f64::from(lab.a), f64::from(lab.b)]) {
                *s += v;
            }
        }
    }
    let mean = sum.map(|s| s / f64::max(n, 1.0));
    let spread = (sum_l2 / f64::max(n, 1.0) - mean[0] * mean[0])
        .max(0.0)
        .sqrt();
    let blur = plot.light.blur_sigma_mm.max(0.01).ln();
    [
        mean[0],
        spread,
        mean[1],
        mean[2],
        blur,
        plot.photo_px_per_mm.max(0.01).ln(),
    ]
}

/// Every third pixel of every third row, with whether it lies inside.
fn inside_pixels<'a>(
    raw: &'a RgbImage,
    plot: &'a Plot,
) -> impl Iterator<Item = ([u8; 3], bool)> + 'a {
    (0..raw.height()).step_by(3).flat_map(move |y| {
        (0..raw.width())
            .step_by(3)
            .map(move |x| (raw.get_pixel(x, y).0, plot.inside.get_pixel(x, y).0[0] > 0))
    })
}

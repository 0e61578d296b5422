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
pub(super) const BEAN_REACH: usize = 2;
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
    let around = Surroundings::new(
        ground.shares.lighter_pct,
        plot.photo_px_per_mm,
        plot.light.blur_sigma_mm,
    )
    .with_hilltops(&hilltops.heats_inside(), plot.inside_m2() / M2_PER_FT2);
    let mut found: Vec<Scored> = Vec::new();
    let pods = (hilltops.pods.iter())
        .map(|peak| pod(plot, maps, peak, card.pod.probability(peak.heat, around)));
    found.extend(one_a_pod(pods.collect()));
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

/// A second hilltop this near to a likelier one, mm across that one's axis and along it in its lengths, lies on the same pod.
const SAME_POD: (f64, f64) = (6.0, 0.35);
/// Pods that lie across one another, at more than this angle, are two.
const SAME_POD_DEG: f64 = 40.0;

/// Pods of which each has one hilltop: of several on one the likeliest.
fn one_a_pod(mut pods: Vec<Scored>) -> Vec<Scored> {
    pods.sort_by(|a, b| b.chances.pod.total_cmp(&a.chances.pod));
    let mut kept: Vec<Scored> = Vec::new();
    for pod in pods {
        let same = |other: &Scored| is_same_pod(&pod.candidate, &other.candidate);
        if !kept.iter().any(same) {
            kept.push(pod);
        }
    }
    kept
}

fn is_same_pod(pod: &Candidate, likelier: &Candidate) -> bool {
    let (sin, cos) = likelier.angle_rad.sin_cos();
    let x = pod.centre_mm.x - likelier.centre_mm.x;
    let y = pod.centre_mm.y - likelier.centre_mm.y;
    let (along, across) = (x * cos + y * sin, y * cos - x * sin);
    let turned = (pod.angle_rad - likelier.angle_rad).sin().abs();
    across.abs() < SAME_POD.0
        && along.abs() < SAME_POD.1 * likelier.length_mm
        && turned < SAME_POD_DEG.to_radians().sin()
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

#[cfg(test)]
mod tests {
    use super::*;

    fn lying_at((x, y): (f64, f64), angle_deg: f64, probability: f64) -> Scored {
        Scored {
            candidate: Candidate {
                centre_mm: Point::new(x, y),
                length_mm: 40.0,
                width_mm: POD_WIDTH_MM,
                angle_rad: angle_deg.to_radians(),
                area_mm2: 320.0,
                pod_shaped: true,
                was_touching: false,
            },
            chances: Chances {
                pod: probability,
                other: 1.0 - probability,
                ..Chances::default()
            },
            beans_in_pod: 2.0,
        }
    }

    #[test]
    fn a_pod_with_two_hilltops_is_one_and_two_pods_are_two() {
        let first = || lying_at((50.0, 50.0), 30.0, 0.9);
        // 10 mm along an axis at 30 degrees.
        let along = (50.0 + 8.66, 50.0 + 5.0);
        for (other, pods) in [
            (lying_at(along, 25.0, 0.4), 1),
            (lying_at(along, 25.0 + 180.0, 0.95), 1),
            // Across one another.
            (lying_at((51.0, 50.0), 110.0, 0.5), 2),
            // Side by side, 9 mm apart; and end to end.
            (lying_at((50.0 - 4.5, 50.0 + 7.79), 30.0, 0.5), 2),
            (lying_at((50.0 + 34.6, 50.0 + 20.0), 30.0, 0.5), 2),
        ] {
            let likelier = other.chances.pod.max(0.9);
            let kept = one_a_pod(vec![first(), other.clone()]);
            assert_eq!(kept.len(), pods, "{other:?}");
            assert_eq!(kept[0].chances.pod, likelier, "the likeliest stays");
        }
    }
}

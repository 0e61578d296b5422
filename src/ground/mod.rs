//! Fourth stage: soil, residue, bean-coloured, by colour thresholds in CIE L*a*b* that adapt to the photo.

use crate::{
    colour::{self, LabPlanes},
    plot::Plot,
    wide::wide,
};
use image::GrayImage;
use serde::{Deserialize, Serialize};

/// What each plot pixel is by its colour, with the thresholds that said so.
#[derive(Debug, Clone)]
pub struct Ground {
    /// One [`Cover`] code a plot pixel; 0 outside the plot.
    pub classes: GrayImage,
    /// Shares of the plot.
    pub shares: Shares,
    /// The evened plot in CIE L*a*b*: worked out once, here, for the stages after this one.
    pub lab: LabPlanes,
}

/// Codes in [`Ground::classes`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Cover {
    /// Outside the plot.
    Outside = 0,
    /// Soil.
    Soil = 1,
    /// Residue.
    Residue = 2,
    /// Coloured like a bean.
    BeanColoured = 3,
}

/// Shares of the plot by colour, %. They add up to 100.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Shares {
    /// Soil.
    pub soil_pct: f64,
    /// Residue of any kind, bean-coloured pieces that are no beans included once scored.
    pub residue_cover_pct: f64,
    /// Bean-coloured.
    pub bean_coloured_pct: f64,
    /// The lightness (L*, less redness above the plot's median) that parts soil from residue here.
    pub soil_below_l: f64,
}

impl Shares {
    /// The shares once it is known how much of the plot is beans: bean-coloured pieces that are none are residue.
    ///
    /// `beans_pct`: area of the beans counted, % of the plot.
    pub fn once_scored(self, beans_pct: f64) -> Self {
        let beans_pct = beans_pct.clamp(0.0, 100.0 - self.soil_pct);
        Self {
            bean_coloured_pct: beans_pct,
            residue_cover_pct: 100.0 - self.soil_pct - beans_pct,
            ..self
        }
    }
}

/// How ground is told apart. Defaults fitted on 31 path-traced photos of known cover, 13 to 66 %.
#[derive(Debug, Clone, PartialEq)]
pub struct GroundSettings {
    /// How much redness (a* above the plot's median) counts against lightness: straw is less red than soil.
    /// Raised: grey stones turn to residue; lowered: dark straw on red soil is lost.
    pub redness_weight: f32,
    /// How far the cut lies from the middle between soil and residue towards soil, as a share of the way to the
    /// mean of soil: residue in its own shadow is dark. Raised: more cover; lowered: less.
    pub towards_soil: f32,
    /// On soil as pale as residue: spreads above the commonest lightness from which it is residue.
    pub pale_spreads: f32,
    /// b* above the mean of residue from which a piece is bean-coloured.
    pub bean_yellower: f32,
}

impl Default for GroundSettings {
    fn default() -> Self {
        Self {
            redness_weight: 1.5,
            towards_soil: 0.35,
            pale_spreads: 1.0,
            bean_yellower: 2.0,
        }
    }
}

/// Sorts the plot's pixels into soil, residue and bean-coloured.
///
/// Lightness less redness is cut in two by Otsu's method; soil is the darker part. Where the
/// commonest value lies in the lighter part, soil is as pale as residue and the cut is set above it instead.
///
/// # Source
/// Otsu, N. (1979), "A threshold selection method from gray-level histograms", IEEE TSMC 9(1).
pub fn classify(plot: &Plot, settings: &GroundSettings) -> Ground {
    let lab = colour::lab_planes(&plot.even);
    let inside = plot.inside.as_raw();
    let median_a = median(&lab.a, inside);
    let index = |i: usize| lab.l[i] - settings.redness_weight * (lab.a[i] - median_a);
    let histogram = Histogram::new(
        (0..inside.len())
            .step_by(5)
            .filter(|i| inside[*i] != 0)
            .map(index),
    );
    let cut = histogram.cut(settings);
    let yellow = yellowness(&lab, inside, |i| index(i) > cut.bright) + settings.bean_yellower;
    let mut counts = [0_u64; 4];
    let mut classes = GrayImage::new(plot.even.width(), plot.even.height());
    let cuts = Cuts {
        residue: cut.residue,
        bright: cut.bright,
        yellow,
        median_a,
        redness_weight: settings.redness_weight,
    };
    sort_pixels(&lab, inside, cuts, &mut classes);
    for class in classes.iter() {
        counts[usize::from(*class)] += 1;
    }
    let all = (counts[1] + counts[2] + counts[3]).max(1) as f64;
    let share = |k: usize| 100.0 * counts[k] as f64 / all;
    Ground {
        classes,
        shares: Shares {
            soil_pct: share(1),
            residue_cover_pct: share(2),
            bean_coloured_pct: share(3),
            soil_below_l: f64::from(cut.residue),
        },
        lab,
    }
}

/// Where the kinds of ground part.
#[derive(Clone, Copy)]
struct Cuts {
    residue: f32,
    bright: f32,
    yellow: f32,
    median_a: f32,
    redness_weight: f32,
}

wide! {
    fn sort_pixels(lab: &LabPlanes, inside: &[u8], cuts: Cuts, classes: &mut [u8]) {
        let planes = lab.l.iter().zip(&lab.a).zip(&lab.b);
        for ((class, inside), ((&l, &a), &b)) in classes.iter_mut().zip(inside).zip(planes) {
            let index = l - cuts.redness_weight * (a - cuts.median_a);
            let bean_coloured = (index > cuts.bright) & (b > cuts.yellow) & (a < cuts.median_a + 2.0);
            let covered = if bean_coloured {
                Cover::BeanColoured
            } else {
                Cover::Residue
            };
            let seen = if index <= cuts.residue { Cover::Soil } else { covered };
            *class = if *inside == 0 { Cover::Outside } else { seen } as u8;
        }
    }
}

fn median(plane: &[f32], inside: &[u8]) -> f32 {
    let mut v: Vec<f32> = (plane.iter().zip(inside))
        .step_by(31)
        .filter(|(_, i)| **i != 0)
        .map(|(v, _)| *v)
        .collect();
    if v.is_empty() {
        return 0.0;
    }
    let mid = v.len() / 2;
    *v.select_nth_unstable_by(mid, f32::total_cmp).1
}

/// Mean b* of the pixels inside that `take` says.
fn yellowness(lab: &LabPlanes, inside: &[u8], take: impl Fn(usize) -> bool) -> f32 {
    let (mut sum, mut n) = (0.0_f64, 0_u32);
    for i in (0..inside.len()).step_by(7) {
        if inside[i] != 0 && take(i) {
            sum += f64::from(lab.b[i]);
            n += 1;
        }
    }
    (sum / f64::from(n.max(1))) as f32
}

/// Bins of 0.5 over -20..130, the reach of lightness less redness.
const BINS: usize = 300;
const LOWEST: f64 = -20.0;
const BIN: f64 = 0.5;

struct Histogram {
    counts: [f64; BINS],
}

/// Where soil ends, and where the lighter half of residue begins.
struct Cut {
    residue: f32,
    bright: f32,
}

impl Histogram {
    fn new(values: impl Iterator<Item = f32>) -> Self {
        let mut counts = [0.0; BINS];
        for v in values {
            let bin = ((f64::from(v) - LOWEST) / BIN).clamp(0.0, (BINS - 1) as f64);
            counts[bin as usize] += 1.0;
        }
        Self { counts }
    }

    fn value(bin: f64) -> f64 {
        LOWEST + (bin + 0.5) * BIN
    }

    /// The commonest value, from means over 11 bins (5.5 L*).
    fn mode(&self) -> usize {
        let around = |k: usize| -> f64 {
            self.counts[k.saturating_sub(5)..(k + 6).min(BINS)]
                .iter()
                .sum()
        };
        (0..BINS)
            .max_by(|a, b| around(*a).total_cmp(&around(*b)).then(b.cmp(a)))
            .unwrap_or(0)
    }

    fn cut(&self, settings: &GroundSettings) -> Cut {
        let n: f64 = self.counts.iter().sum::<f64>().max(1.0);
        let total: f64 = self
            .counts
            .iter()
            .enumerate()
            .map(|(k, c)| c * k as f64)
            .sum();
        let (mut below, mut sum, mut best) = (0.0, 0.0, (0.0, 0, 0.0));
        // Where nothing lies between soil and residue, many cuts are equal: the middle one is taken.
        let mut last = 0;
        for (k, c) in self.counts.iter().enumerate() {
            below += c;
            sum += c * k as f64;
            if below > 0.0 && below < n {
                let between = (total * below / n - sum).powi(2) / (below * (n - below));
                if between > best.0 * (1.0 + 1e-9) {
                    best = (between, k, sum / below);
                }
                if between >= best.0 * (1.0 - 1e-9) {
                    last = k;
                }
            }
        }
        let (_, first, soil_mean) = best;
        let otsu = usize::midpoint(first, last.max(first));
        let mode = self.mode();
        if mode > otsu {
            // Spread of the commonest kind: as far below it as holds two thirds of what lies between it and the cut.
            let lower: f64 = self.counts[otsu..mode].iter().sum();
            let mut held = 0.0;
            let at = (otsu..mode).rev().find(|k| {
                held += self.counts[*k];
                held >= 0.68 * lower
            });
            let spread = (mode - at.unwrap_or(otsu)) as f64;
            let residue =
                Self::value(mode as f64 + f64::from(settings.pale_spreads) * spread) as f32;
            return Cut {
                residue,
                bright: residue,
            };
        }
        let pulled = otsu as f64 - f64::from(settings.towards_soil) * (otsu as f64 - soil_mean);
        Cut {
            residue: Self::value(pulled) as f32,
            bright: Self::value(otsu as f64) as f32,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::candidate::tests::plot_with;

    #[test]
    fn straw_on_dark_soil_is_measured() {
        // Stripes 6 mm wide every 20 mm: 30 % cover.
        let plot = plot_with(|x, _| x.rem_euclid(20.0) < 6.0);
        let shares = classify(&plot, &GroundSettings::default()).shares;
        assert!((shares.soil_pct - 70.0).abs() < 1.5, "{shares:?}");
        let sum = shares.soil_pct + shares.residue_cover_pct + shares.bean_coloured_pct;
        assert!((sum - 100.0).abs() < 1e-9);
    }

    #[test]
    fn what_is_no_bean_is_residue_once_scored() {
        let before = Shares {
            soil_pct: 60.0,
            residue_cover_pct: 25.0,
            bean_coloured_pct: 15.0,
            soil_below_l: 40.0,
        };
        let after = before.once_scored(4.0);
        assert_eq!(
            (
                after.soil_pct,
                after.residue_cover_pct,
                after.bean_coloured_pct
            ),
            (60.0, 36.0, 4.0)
        );
    }
}

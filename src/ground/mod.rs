//! Fourth stage: soil, residue, bean-coloured, by colour thresholds in CIE L*a*b* that adapt to the photo; and how much of the
//! plot lies under residue.

mod cover;

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

/// Shares of the plot, %. Those by colour (soil, lighter, bean-coloured) add up to 100.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Shares {
    /// Darker than the cut: soil, and residue that is as dark.
    pub soil_pct: f64,
    /// Under residue of any kind: by colour where soil and residue stand well apart, by straight edges where they do not.
    pub residue_cover_pct: f64,
    /// Lighter than the cut, and not bean-coloured: the cover by colour alone, to which the learned scorer is calibrated.
    #[serde(default)]
    pub lighter_pct: f64,
    /// Bean-coloured.
    pub bean_coloured_pct: f64,
    /// The lightness (L*, less redness above the plot's median) that parts soil from residue here.
    pub soil_below_l: f64,
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
            residue_cover_pct: cover::residue_cover_pct(
                index,
                inside,
                (lab.width, plot.px_per_mm),
                settings,
            ),
            lighter_pct: share(2),
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
/// Bins to each side by which the commonest value is told: 5.5 L* in all.
const NARROW: usize = 5;
/// The same for its half-width, 10.5 L*: told by fewer, it leaps where two shades are nearly as common.
const WIDE: usize = 10;
/// How common values are at the half-width of the commonest, as a share of that.
const HALF_WIDTH_AT: f64 = 0.6;

struct Histogram {
    counts: [f64; BINS],
}

/// A histogram parted in two, in bins.
struct Split {
    /// The last bin of the darker part.
    at: usize,
    /// Mean of the darker part.
    dark_mean: f64,
    /// Share of all spread that lies between the two parts, 0..1. One hump parted at its middle explains 0.64, an even spread
    /// 0.75, two far apart nearly 1.
    explained: f64,
}

impl Split {
    /// Where it parts, pulled towards the mean of the darker part by that share of the way.
    fn pulled(&self, towards_dark: f32) -> f64 {
        self.at as f64 - f64::from(towards_dark) * (self.at as f64 - self.dark_mean)
    }
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

    /// How many lie in the bins up to `reach` about one.
    fn around(&self, k: usize, reach: usize) -> f64 {
        self.counts[k.saturating_sub(reach)..(k + reach + 1).min(BINS)]
            .iter()
            .sum()
    }

    /// The commonest value, by the bins up to `reach` about it.
    fn mode(&self, reach: usize) -> usize {
        let counts = |k: &usize| self.around(*k, reach);
        (0..BINS)
            .max_by(|a, b| counts(a).total_cmp(&counts(b)).then(b.cmp(a)))
            .unwrap_or(0)
    }

    /// Share, 0..1, of what lies above a place between bins.
    fn share_above(&self, bin: f64) -> f64 {
        let counts = self.counts.iter().enumerate();
        let above: f64 = counts
            .filter(|(k, _)| *k as f64 > bin)
            .map(|(_, c)| c)
            .sum();
        above / self.counts.iter().sum::<f64>().max(1.0)
    }

    /// Share, 0..1, of what lies farther below the commonest value than so many of its half-widths. The half-width reaches to
    /// where values are [`HALF_WIDTH_AT`] as common, on the narrower side: on the other, soil and residue may run together.
    fn share_below_mode(&self, half_widths: f64) -> f64 {
        let mode = self.mode(WIDE);
        let most = self.around(mode, WIDE);
        let rare = |k: &usize| self.around(*k, WIDE) <= HALF_WIDTH_AT * most;
        let below = mode - (0..mode).rev().find(rare).unwrap_or(0);
        let above = (mode..BINS).find(rare).unwrap_or(BINS - 1) - mode;
        let reach = (half_widths * below.min(above) as f64).round() as usize;
        let all: f64 = self.counts.iter().sum();
        let far: f64 = self.counts[..mode.saturating_sub(reach)].iter().sum();
        far / all.max(1.0)
    }

    /// Parted in two where that explains most of the spread.
    fn split(&self) -> Split {
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
        let (between, first, dark_mean) = best;
        let from_mean = |(k, c): (usize, &f64)| c * (k as f64 - total / n).powi(2);
        let spread: f64 = self.counts.iter().enumerate().map(from_mean).sum();
        Split {
            at: usize::midpoint(first, last.max(first)),
            dark_mean,
            explained: between / (spread / n).max(f64::MIN_POSITIVE),
        }
    }

    fn cut(&self, settings: &GroundSettings) -> Cut {
        let split = self.split();
        let otsu = split.at;
        let mode = self.mode(NARROW);
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
        Cut {
            residue: Self::value(split.pulled(settings.towards_soil)) as f32,
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
        let sum = shares.soil_pct + shares.lighter_pct + shares.bean_coloured_pct;
        assert!((sum - 100.0).abs() < 1e-9);
    }
}

//! The mean density over a season from frames laid a few at a time, where frames differ more than
//! Poisson and frames of one check are alike.
//!
//! The model: a check's density is gamma about the season's mean; a frame's count is gamma-Poisson
//! about its check's density. Dispersion k within checks and the spread between checks are not known:
//! they are averaged over with weights that cover what is met in fields (integrated likelihood). Four
//! frames say next to nothing of k, so that the places of one season lend each other what they say of it.

mod dispersion;
mod surface;

use statrs::function::gamma::ln_gamma;

use super::{gamma_poisson, quantile::student_t_quantile};
use dispersion::Dispersions;
use surface::{Shape, Surface, Weighed};

/// The frames of one check, at one place.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckSum {
    /// Count of each frame; need not be whole.
    pub counts: Vec<f64>,
    /// Area of each frame, any unit; the mean density is per that unit.
    pub areas: Vec<f64>,
}

/// What is known of the mean density.
#[derive(Debug, Clone, PartialEq)]
pub struct SeasonMean {
    /// Plain mean: all counted over all area.
    pub estimate: f64,
    /// Frames that it rests on.
    pub frames: usize,
    /// Checks that it rests on. With one check, the limits hold for that check only.
    pub checks: usize,
    /// Fitted dispersion k of a frame within its check (weighted median).
    pub k: f64,
    /// Fitted coefficient of variation between checks (weighted mean); `None` for one check.
    pub between_cv: Option<f64>,
    /// Mean count of a frame.
    pub counted_a_frame: f64,
    ln_density: Vec<f64>,
    cumulative: Vec<f64>,
}

impl SeasonMean {
    /// Density that the mean is below with probability `p`.
    pub fn quantile(&self, p: f64) -> f64 {
        let at = self.cumulative.partition_point(|&c| c < p);
        if at == 0 {
            return self.ln_density[0].exp();
        }
        if at >= self.cumulative.len() {
            return self.ln_density[self.ln_density.len() - 1].exp();
        }
        let (c0, c1) = (self.cumulative[at - 1], self.cumulative[at]);
        let share = if c1 > c0 { (p - c0) / (c1 - c0) } else { 0.5 };
        let (x0, x1) = (self.ln_density[at - 1], self.ln_density[at]);
        (x0 + share * (x1 - x0)).exp()
    }

    /// Limits on the mean density, 0.95 for 95 % limits.
    pub fn limits(&self, level: f64) -> (f64, f64) {
        let tail = (1.0 - level) / 2.0;
        (self.quantile(tail), self.quantile(1.0 - tail))
    }
}

/// From this many checks on, the spread of the checks' own sums is taken as it is.
const MANY_CHECKS: usize = 60;

/// What is known of the mean density over the checks. `None` without any frame or area.
///
/// # Panics
/// When a check's counts and areas differ in number.
pub fn season_mean(checks: &[CheckSum]) -> Option<SeasonMean> {
    season_means(&[checks]).pop().flatten()
}

/// The same for several places of one season, `None` for a place without any frame or area.
///
/// How unevenly beans lie (k) is taken to be alike at the places, though not the same: what the frames
/// of one place say of it is lent to the others.
///
/// # Panics
/// When a check's counts and areas differ in number.
///
/// # Source
/// Integrated likelihood: Berger, Liseo & Wolpert (1999), Statistical Science 14:1. Strength borrowed between like
/// groups: Gelman et al., *Bayesian Data Analysis*, 3rd ed. (2013), ch. 5. How far k may differ and the
/// weight that a mean starts with were found by simulation: see `podfall plan --coverage`.
pub fn season_means(places: &[&[CheckSum]]) -> Vec<Option<SeasonMean>> {
    let places: Vec<Option<PlaceSums>> = places.iter().map(|p| PlaceSums::of(p)).collect();
    let modelled = |place: &&PlaceSums| !place.has_many_checks();
    let frames = places.iter().flatten().filter(modelled);
    let k = Dispersions::for_frames(frames.map(|p| p.frames).sum());
    let unweighted = vec![0.0; k.points().len()];
    let several = places.iter().flatten().filter(modelled).count() > 1;
    let alone: Vec<Option<Vec<f64>>> = (places.iter())
        .map(|place| {
            let place = place.as_ref().filter(modelled).filter(|_| several)?;
            Some(integrated(place, (k.points(), &unweighted)).1)
        })
        .collect();
    (places.iter().enumerate())
        .map(|(at, place)| {
            let place = place.as_ref()?;
            if place.has_many_checks() {
                return Some(from_many_checks(place));
            }
            let others = (alone.iter().enumerate()).filter(|(other, _)| *other != at);
            let weights = k.weights(others.filter_map(|(_, says)| says.as_deref()));
            Some(integrated(place, (k.points(), &weights)).0)
        })
        .collect()
}

/// The frames of one place.
struct PlaceSums {
    checks: Vec<Sum>,
    total: f64,
    area: f64,
    frames: usize,
}

impl PlaceSums {
    fn of(checks: &[CheckSum]) -> Option<Self> {
        let checks: Vec<Sum> = checks.iter().filter_map(Sum::of).collect();
        let area: f64 = checks.iter().map(|s| s.area * s.n).sum();
        (area > 0.0).then(|| Self {
            total: checks.iter().map(|s| s.total).sum(),
            area,
            frames: checks.iter().map(|s| s.n).sum::<f64>() as usize,
            checks,
        })
    }

    fn has_many_checks(&self) -> bool {
        self.checks.len() >= MANY_CHECKS && self.total > 0.0
    }
}

/// A check's sufficient figures.
struct Sum {
    counts: Vec<f64>,
    total: f64,
    n: f64,
    /// Mean area of a frame.
    area: f64,
    ln_area: f64,
}

impl Sum {
    fn of(check: &CheckSum) -> Option<Self> {
        assert_eq!(check.counts.len(), check.areas.len());
        let n = check.counts.len() as f64;
        let area = check.areas.iter().sum::<f64>() / n;
        (n > 0.0 && area > 0.0).then(|| Self {
            counts: check.counts.clone(),
            total: check.counts.iter().sum(),
            n,
            area,
            ln_area: area.ln(),
        })
    }

    /// ln likelihood of a density, up to what depends on neither it nor k.
    ///
    /// Written with one logarithm of what changes, as it is called most of all:
    /// y ln m − (y + nk) ln(k + m) + nk ln k.
    fn ln_kernel(&self, ln_density: f64, density: f64, k: &Shape) -> f64 {
        let mean = density * self.area;
        let at_count = if self.total > 0.0 {
            self.total * (ln_density + self.ln_area)
        } else {
            0.0
        };
        let nk = self.n * k.value;
        at_count - (self.total + nk) * (k.value + mean).ln() + nk * k.ln
    }

    /// The part of ln likelihood that depends on k alone.
    fn ln_of_k(&self, k: f64) -> f64 {
        self.counts.iter().map(|&y| ln_gamma(y + k)).sum::<f64>() - self.n * ln_gamma(k)
    }
}

/// Student's t about the logarithm of the ratio of sums: with this many checks the checks' own spread
/// says all, and no model is needed.
fn from_many_checks(place: &PlaceSums) -> SeasonMean {
    let (sums, total) = (&place.checks, place.total);
    let estimate = total / place.area;
    let n = sums.len() as f64;
    let squares: f64 = sums
        .iter()
        .map(|s| (s.total - estimate * s.area * s.n).powi(2))
        .sum();
    let relative_se = (n / (n - 1.0) * squares).sqrt() / total;
    let (k, between_cv) = unevenness(sums, relative_se.powi(2) * n);
    let points: Vec<f64> = (1..400).map(|i| i as f64 / 400.0).collect();
    SeasonMean {
        estimate,
        frames: place.frames,
        checks: sums.len(),
        k,
        between_cv,
        counted_a_frame: total / place.frames as f64,
        ln_density: points
            .iter()
            .map(|&p| estimate.ln() + relative_se * student_t_quantile(p, n - 1.0))
            .collect(),
        cumulative: points,
    }
}

/// Dispersion k of a frame within its check, and the coefficient of variation between checks, by moments.
///
/// Frames of a check with mean μ have variance μ + μ²/k; what a check's mean varies beyond that is the checks' own. Where no check
/// has two frames the two cannot be told apart: k then holds both.
///
/// - `of_checks`: variance of a check's mean over the square of all checks' mean.
fn unevenness(sums: &[Sum], of_checks: f64) -> (f64, Option<f64>) {
    let (mut squares, mut freedom, mut means, mut mean_squares) = (0.0, 0.0, 0.0, 0.0);
    for sum in sums.iter().filter(|s| s.n > 1.0) {
        let mean = sum.total / sum.n;
        let within: f64 = sum.counts.iter().map(|y| (y - mean).powi(2)).sum();
        squares += within;
        freedom += sum.n - 1.0;
        means += (sum.n - 1.0) * mean;
        // A mean's square is too large by its variance.
        mean_squares += (sum.n - 1.0) * (mean * mean - within / (sum.n - 1.0) / sum.n);
    }
    if freedom == 0.0 {
        let all: Vec<f64> = sums.iter().flat_map(|s| s.counts.iter().copied()).collect();
        let k = gamma_poisson::fit(&all).and_then(|d| d.k);
        return (k.unwrap_or(dispersion::K_RANGE.1), None);
    }
    let (low, high) = dispersion::K_RANGE;
    let k = (mean_squares.max(0.0) / (squares - means).max(1e-9)).clamp(low, high);
    let frames: f64 = sums.iter().map(|s| s.n).sum();
    let a_frame = sums.iter().map(|s| s.total).sum::<f64>() / frames;
    let by_chance = sums.len() as f64 / frames * (1.0 / a_frame + 1.0 / k);
    // A frame's 1/k is of its check's mean, whose square is larger than the mean's by 1 + CV².
    let share = sums.len() as f64 / frames / k;
    (
        k,
        Some(((of_checks - by_chance) / (1.0 + share)).max(0.0).sqrt()),
    )
}

/// How far below its top, in ln, the posterior is followed.
const DEPTH: f64 = 14.0;

/// The mean with k and the spread between checks averaged over; and ln of what the frames say of each k.
///
/// - `k`: ln k and ln of the weight that each starts with.
fn integrated(place: &PlaceSums, k: (&[f64], &[f64])) -> (SeasonMean, Vec<f64>) {
    let (total, area) = (place.total, place.area);
    // Centred on the likeliest density, so that a look however wide sees the top.
    let centre = if total > 0.0 {
        (total / area).ln()
    } else {
        (0.5 / area).ln()
    };
    let mut surface = Surface::new(&place.checks, k);
    let (mut low, mut high) = (centre - 7.0, centre + 7.0);
    loop {
        let points = even_points(low, high, 15);
        let seen = surface.over(&points);
        surface.keep_likely();
        let best = top_of(&seen);
        let holds = |i: &usize| seen[*i].ln_weight > best - DEPTH;
        let first = (0..15).find(holds).unwrap_or(0);
        let last = (0..15).rfind(holds).unwrap_or(14);
        low = points[first.saturating_sub(1)];
        high = points[(last + 1).min(14)];
        // Once the weight fills a good part of the look, the look is close enough.
        if last - first >= 4 || high - low < 1e-6 {
            break;
        }
    }
    let points = even_points(low, high, 33);
    surface.forget_sums();
    let seen = surface.over(&points);
    let of_k = surface.sums_of_k();
    let best = top_of(&seen);
    let mass: Vec<f64> = seen.iter().map(|w| (w.ln_weight - best).exp()).collect();
    let whole: f64 = mass.iter().sum();
    let mean_of = |pick: fn(&Weighed) -> f64| -> f64 {
        seen.iter()
            .zip(&mass)
            .map(|(w, m)| pick(w) * m)
            .sum::<f64>()
            / whole
    };
    let ln_weights: Vec<f64> = seen.iter().map(|w| w.ln_weight - best).collect();
    let (ln_density, cumulative) = cumulated(&points, &ln_weights);
    let mean = SeasonMean {
        estimate: total / area,
        frames: place.frames,
        checks: place.checks.len(),
        k: mean_of(|w| w.ln_k).exp(),
        between_cv: (place.checks.len() > 1).then(|| mean_of(|w| w.cv)),
        counted_a_frame: total / place.frames as f64,
        ln_density,
        cumulative,
    };
    (mean, of_k)
}

fn top_of(seen: &[Weighed]) -> f64 {
    seen.iter()
        .map(|w| w.ln_weight)
        .fold(f64::NEG_INFINITY, f64::max)
}

/// The distribution function of a density whose logarithm is given at even points, on points four times as close.
///
/// Between points ln weight runs on the cubic through its four neighbours (Lagrange).
fn cumulated(points: &[f64], ln_weights: &[f64]) -> (Vec<f64>, Vec<f64>) {
    const PARTS: usize = 4;
    let last = points.len() - 1;
    let at = |i: usize| ln_weights[i.min(last)].max(-60.0);
    let mut x = vec![points[0]];
    let mut sums = vec![0.0];
    let mut before = at(0).exp();
    let step = (points[1] - points[0]) / PARTS as f64;
    for (i, &from) in points[..last].iter().enumerate() {
        let (p0, p1, p2, p3) = if i == 0 {
            (3.0 * at(0) - 3.0 * at(1) + at(2), at(0), at(1), at(2))
        } else if i + 1 == last {
            (
                at(i - 1),
                at(i),
                at(i + 1),
                3.0 * at(i + 1) - 3.0 * at(i) + at(i - 1),
            )
        } else {
            (at(i - 1), at(i), at(i + 1), at(i + 2))
        };
        for part in 1..=PARTS {
            let t = part as f64 / PARTS as f64;
            let value = -t * (t - 1.0) * (t - 2.0) / 6.0 * p0
                + (t * t - 1.0) * (t - 2.0) / 2.0 * p1
                - t * (t + 1.0) * (t - 2.0) / 2.0 * p2
                + t * (t * t - 1.0) / 6.0 * p3;
            let now = value.exp();
            sums.push(sums[sums.len() - 1] + 0.5 * (before + now));
            x.push(from + part as f64 * step);
            before = now;
        }
    }
    let whole = sums[sums.len() - 1];
    (x, sums.into_iter().map(|s| s / whole).collect())
}

fn even_points(low: f64, high: f64, n: usize) -> Vec<f64> {
    (0..n)
        .map(|i| low + (high - low) * i as f64 / (n - 1) as f64)
        .collect()
}

//! Everything uncertain, drawn together some thousand times with a fixed seed: limits of any sum,
//! difference or ratio follow from the draws, whatever their shape.

use super::{
    Assumptions, FrameLoss, SeedSize, Settled, Source, SourceAmount, SourceLoss, Spread,
    amount::bu_per_ac_per_bean_ft2,
};
use crate::{
    counts::Limits,
    sheet::Place,
    stats::{
        Chance, CheckSum, SeasonMean, normal_cdf, normal_quantile, quantile_sorted, season_means,
    },
    units::M2_PER_FT2,
};

/// Draws for limits that are told. With strata in every dimension 4,000 hold them to about 1 % of their width.
pub(crate) const DRAWS: usize = 4_000;
/// Draws for the limits of one check, of which there are many: good to some percent of their width.
pub(crate) const DRAWS_A_CHECK: usize = 800;

/// Seeds of the streams of chance, one for each thing that is uncertain.
const SEED_SEEDS: u64 = 11;
const SEED_AREA: u64 = 12;
const SEED_PHOTO: u64 = 13;
const SEED_YIELD: u64 = 14;
const SEED_PLACES: u64 = 100;

/// Standard normals, one in each of `draws` strata of equal chance, in a random order.
fn shuffled(mut z: Vec<f64>, seed: u64) -> Vec<f64> {
    let mut chance = Chance::new(seed);
    for i in (1..z.len()).rev() {
        z.swap(i, chance.below(i + 1));
    }
    z
}

/// What all places and settings have in common, drawn.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Common {
    /// Bushels an acre for one bean on a square foot.
    pub bu_per_bean_ft2: Vec<f64>,
    /// Harvested yield, bu/ac.
    pub yield_bu_per_ac: Option<Vec<f64>>,
    area: Vec<f64>,
    photo: Vec<f64>,
    /// The strata's middles, in order.
    strata: Vec<f64>,
}

impl Common {
    pub fn new(assumptions: &Assumptions, seeds: &SeedSize, draws: usize) -> Self {
        let strata: Vec<f64> = (0..draws)
            .map(|i| normal_quantile((i as f64 + 0.5) / draws as f64))
            .collect();
        let normals = |seed| shuffled(strata.clone(), seed);
        let Spread { value, sd } = seeds.per_lb;
        // Kept above a fifth of the value: a normal's far tail must not reach 0 seeds.
        let seeds_drawn = normals(SEED_SEEDS)
            .into_iter()
            .map(|z| (value + sd * z).max(0.2 * value));
        Self {
            bu_per_bean_ft2: seeds_drawn
                .map(|seeds| bu_per_ac_per_bean_ft2(assumptions, seeds))
                .collect(),
            yield_bu_per_ac: assumptions.yield_bu_per_ac.map(|y| {
                normals(SEED_YIELD)
                    .into_iter()
                    .map(|z| (y.value + y.sd * z).max(0.0))
                    .collect()
            }),
            area: normals(SEED_AREA),
            photo: normals(SEED_PHOTO),
            strata,
        }
    }

    /// Standard normals of another stream, as many as there are draws.
    pub fn normals(&self, seed: u64) -> Vec<f64> {
        shuffled(self.strata.clone(), seed)
    }

    /// How many draws there are.
    pub fn draws(&self) -> usize {
        self.strata.len()
    }
}

/// Beans on a square foot at one place: the plain mean, and draws of it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Density {
    pub estimate: f64,
    pub draws: Vec<f64>,
    pub mean: SeasonMean,
}

impl Density {
    pub fn limits(&self, level: f64) -> Limits {
        limits_of(self.estimate, &self.draws, level)
    }
}

/// Limits from draws; the estimate is never left outside of them.
pub(crate) fn limits_of(estimate: f64, draws: &[f64], level: f64) -> Limits {
    let mut sorted = draws.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let tail = (1.0 - level) / 2.0;
    Limits {
        estimate,
        low: quantile_sorted(&sorted, tail).min(estimate),
        high: quantile_sorted(&sorted, 1.0 - tail).max(estimate),
    }
}

/// The frames of one place, each with a count and the ground in m² that it belongs to, by check: (name, counts, areas in ft²).
pub(crate) fn by_check<'a>(
    frames: impl Iterator<Item = (&'a FrameLoss, f64, f64)>,
) -> Vec<(String, CheckSum)> {
    let mut checks: std::collections::BTreeMap<String, CheckSum> =
        std::collections::BTreeMap::new();
    for (alone, (frame, count, area_m2)) in frames.enumerate() {
        // A frame that belongs to no check stands by itself.
        let name = frame
            .check
            .clone()
            .unwrap_or_else(|| format!("\u{1}{alone}"));
        let sum = checks.entry(name).or_insert_with(|| CheckSum {
            counts: Vec::new(),
            areas: Vec::new(),
        });
        sum.counts.push(count);
        sum.areas.push(area_m2 / M2_PER_FT2);
    }
    checks.into_iter().collect()
}

/// Draws of the densities of several places from the frames' own spread, alike in so far as their
/// checks' means go together; then the area's and the photos' common doubt.
pub(crate) fn densities(
    settled: &Settled,
    places: &[Option<Place>],
    common: &Common,
    salt: u64,
) -> Vec<Option<Density>> {
    let of_place = |place: &Option<Place>| {
        (settled.frames.iter().zip(&settled.shared_sd))
            .filter(|(frame, _)| place.is_none() || frame.place == *place)
            .collect::<Vec<_>>()
    };
    let parts: Vec<Vec<(&FrameLoss, &f64)>> = places.iter().map(of_place).collect();
    let checks: Vec<Vec<(String, CheckSum)>> = parts
        .iter()
        .map(|part| by_check(part.iter().map(|(f, _)| (*f, f.lost(), f.area_m2.estimate))))
        .collect();
    let sums: Vec<Vec<CheckSum>> = (checks.iter())
        .map(|of_place| of_place.iter().map(|c| c.1.clone()).collect())
        .collect();
    let sums: Vec<&[CheckSum]> = sums.iter().map(Vec::as_slice).collect();
    let means = season_means(&sums);
    let z = alike(&checks, &means, common, salt);
    (parts.iter().zip(means).zip(z))
        .map(|((part, mean), z)| {
            let mean = mean?;
            let area_ft2: f64 =
                part.iter().map(|(f, _)| f.area_m2.estimate).sum::<f64>() / M2_PER_FT2;
            let shared = part.iter().map(|p| p.1).sum::<f64>() / area_ft2;
            let (low, high) = area_spread(part);
            let draws = (0..common.draws())
                .map(|i| {
                    let area = if common.area[i] > 0.0 { high } else { low };
                    let on_ground = mean.quantile(normal_cdf(z[i]));
                    // A density on one piece of ground, unlike a difference, cannot be below nothing.
                    ((on_ground + shared * common.photo[i]) / (1.0 + area * common.area[i]))
                        .max(0.0)
                })
                .collect();
            Some(Density {
                estimate: mean.estimate,
                draws,
                mean,
            })
        })
        .collect()
}

/// Relative standard deviations of the area downwards and upwards, frames taken together: what is not
/// known of a bar's height is the same for all of them.
fn area_spread(part: &[(&FrameLoss, &f64)]) -> (f64, f64) {
    let whole: f64 = part.iter().map(|(f, _)| f.area_m2.estimate).sum();
    let low: f64 = part
        .iter()
        .map(|(f, _)| f.area_m2.estimate - f.area_m2.low)
        .sum();
    let high: f64 = part
        .iter()
        .map(|(f, _)| f.area_m2.high - f.area_m2.estimate)
        .sum();
    let z = 1.959_964;
    (
        (low / whole / z).clamp(0.0, 0.2),
        (high / whole / z).clamp(0.0, 0.2),
    )
}

/// Standard normals for each place, alike as the checks' means are.
///
/// The correlation of the checks' means over the checks that two places share is taken at the lower end of
/// its doubt: with few checks it is mostly chance. It is never taken below [`by_what_is_shared`].
fn alike(
    checks: &[Vec<(String, CheckSum)>],
    means: &[Option<SeasonMean>],
    common: &Common,
    salt: u64,
) -> Vec<Vec<f64>> {
    let raw: Vec<Vec<f64>> = (0..checks.len())
        .map(|i| common.normals(SEED_PLACES + 10 * salt + i as u64))
        .collect();
    let n = checks.len();
    let mut r = vec![vec![0.0; n]; n];
    for i in 0..n {
        r[i][i] = 1.0;
        for j in 0..i {
            let seen = correlation(&checks[i], &checks[j]);
            let shared = shared_checks(&checks[i], &checks[j]);
            let least = (means[i].as_ref().zip(means[j].as_ref()))
                .map_or(0.0, |(a, b)| by_what_is_shared(a, b, shared));
            r[i][j] = seen.max(least);
        }
    }
    // Cholesky; where three correlations from unlike checks do not fit together, the last gives way.
    let mut factor = vec![vec![0.0; n]; n];
    for i in 0..n {
        for j in 0..i {
            let known: f64 = (0..j).map(|k| factor[i][k] * factor[j][k]).sum();
            factor[i][j] = (r[i][j] - known) / factor[j][j];
        }
        let used: f64 = (0..i).map(|k| factor[i][k] * factor[i][k]).sum();
        if used > 0.95 {
            let shrink = (0.95 / used).sqrt();
            (0..i).for_each(|k| factor[i][k] *= shrink);
        }
        let used: f64 = (0..i).map(|k| factor[i][k] * factor[i][k]).sum();
        factor[i][i] = (1.0 - used).sqrt();
    }
    (0..n)
        .map(|i| {
            (0..common.draws())
                .map(|d| (0..=i).map(|k| factor[i][k] * raw[k][d]).sum())
                .collect()
        })
        .collect()
}

/// How alike two places' means are because what lies at the one lies at the other too: beans that fell before
/// harvest lie in the cut strip as well, and all of these behind the machine.
///
/// Where a check has a tenth more than the field at the one, the other has that same surplus, and what came to
/// it besides differs by itself: checks' densities go together as mean to mean. Of a mean's doubt only the share
/// that comes from the checks goes together; one check has none.
fn by_what_is_shared(a: &SeasonMean, b: &SeasonMean, shared_checks: f64) -> f64 {
    let (low, high) = (a.estimate.min(b.estimate), a.estimate.max(b.estimate));
    if high <= 0.0 {
        return 0.0;
    }
    let from_checks = (share_from_checks(a) * share_from_checks(b)).sqrt();
    low / high * from_checks * shared_checks
}

/// Share of a mean's variance that comes from checks that differ.
fn share_from_checks(mean: &SeasonMean) -> f64 {
    let Some(cv) = mean.between_cv else {
        return 0.0;
    };
    let frames = mean.frames as f64;
    let between = cv * cv / mean.checks as f64;
    // Relative variance of a gamma-Poisson mean; half a bean where none was seen.
    let beans_a_frame = mean.counted_a_frame.max(0.5 / frames);
    between / (between + (1.0 / beans_a_frame + 1.0 / mean.k) / frames)
}

/// Checks that two places share, over those of the one that has more.
fn shared_checks(a: &[(String, CheckSum)], b: &[(String, CheckSum)]) -> f64 {
    let both = a
        .iter()
        .filter(|(name, _)| !name.starts_with('\u{1}'))
        .filter(|(name, _)| b.binary_search_by(|other| other.0.cmp(name)).is_ok())
        .count();
    both as f64 / a.len().max(b.len()).max(1) as f64
}

fn correlation(a: &[(String, CheckSum)], b: &[(String, CheckSum)]) -> f64 {
    let mean = |c: &CheckSum| c.counts.iter().sum::<f64>() / c.areas.iter().sum::<f64>();
    let both: Vec<(f64, f64)> = a
        .iter()
        .filter_map(|(name, sum)| {
            let at = b.binary_search_by(|other| other.0.cmp(name)).ok()?;
            (!name.starts_with('\u{1}')).then(|| (mean(sum), mean(&b[at].1)))
        })
        .collect();
    let n = both.len() as f64;
    if both.len() < 4 {
        return 0.0;
    }
    let (mx, my) = (
        both.iter().map(|p| p.0).sum::<f64>() / n,
        both.iter().map(|p| p.1).sum::<f64>() / n,
    );
    let sum = |f: &dyn Fn(&(f64, f64)) -> f64| both.iter().map(f).sum::<f64>();
    let xx = sum(&|p| (p.0 - mx).powi(2));
    let yy = sum(&|p| (p.1 - my).powi(2));
    if xx <= 0.0 || yy <= 0.0 {
        return 0.0;
    }
    let r = sum(&|p| (p.0 - mx) * (p.1 - my)) / (xx * yy).sqrt();
    // One standard error of Fisher's z below what was seen, and not below 0, so that likeness by chance
    // among a few checks does not narrow a difference.
    let z = r.clamp(-0.999, 0.999).atanh() - 1.0 / (n - 3.0).sqrt();
    z.tanh().max(0.0)
}

/// One source compared between two losses.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Contrasted {
    /// Which source.
    pub source: Source,
    /// First loss, bu/ac.
    pub first_bu_per_ac: Limits,
    /// Second loss, bu/ac.
    pub second_bu_per_ac: Limits,
    /// First − second, bu/ac; never cut off at zero.
    pub difference_bu_per_ac: Limits,
    /// Two-sided p against no difference.
    pub p: f64,
}

/// First − second for every source that both have and that is put together alike. What both rest on (seeds, area, scorer) is
/// drawn once for both, so that it widens the difference only in proportion.
pub fn differences(first: &SourceLoss, second: &SourceLoss, level: f64) -> Vec<Contrasted> {
    let mut all = Vec::new();
    for (a, b) in both(first, second).filter(|(a, b)| a.made_of.like(&b.made_of)) {
        let draws: Vec<f64> = (a.draws.bu.iter().zip(&b.draws.bu))
            .map(|(a, b)| a - b)
            .collect();
        let below = draws.iter().filter(|d| **d < 0.0).count() as f64 / draws.len() as f64;
        let (x, y) = (a.amount.bu_per_ac, b.amount.bu_per_ac);
        all.push(Contrasted {
            source: a.source,
            first_bu_per_ac: x,
            second_bu_per_ac: y,
            difference_bu_per_ac: limits_of(x.estimate - y.estimate, &draws, level),
            p: (2.0 * below.min(1.0 - below)).max(1.0 / draws.len() as f64),
        });
    }
    all
}

/// Sources that only one has, or both but not put together alike.
pub(crate) fn unlike(first: &SourceLoss, second: &SourceLoss) -> Vec<Source> {
    let made_of = |loss: &SourceLoss, source| loss.get(source).map(|s| s.made_of);
    let alike = |source: &Source| match (made_of(first, *source), made_of(second, *source)) {
        (Some(a), Some(b)) => a.like(&b),
        (None, None) => true,
        _ => false,
    };
    Source::ALL.into_iter().filter(|s| !alike(s)).collect()
}

fn both<'a>(
    first: &'a SourceLoss,
    second: &'a SourceLoss,
) -> impl Iterator<Item = (&'a SourceAmount, &'a SourceAmount)> {
    (first.sources.iter()).filter_map(|a| Some((a, second.get(a.source)?)))
}

/// Share of the draws in which one source's loss is above the other's.
pub(crate) fn share_above(one: &SourceAmount, other: &SourceAmount) -> f64 {
    let above = one
        .draws
        .beans_ft2
        .iter()
        .zip(&other.draws.beans_ft2)
        .filter(|(a, b)| a > b);
    above.count() as f64 / one.draws.beans_ft2.len() as f64
}

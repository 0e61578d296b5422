//! How many checks it takes for a source's limits, and to tell two settings apart by it.

use serde::Serialize;

use super::{Counts, RangeError, from_season, in_range, least};
use crate::{
    loss::{Assumptions, Evidence, Source, SourceAmount, SourceLoss, bu_per_ac_per_bean_ft2},
    stats::student_t_quantile,
    units::M2_PER_FT2,
};

/// What is wished of limits and of settings set against each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wish {
    /// Relative half-width of the 95 % limits, 0.25 for ±25 %.
    pub half_width: f64,
    /// A difference between two settings that matters, bu/ac.
    pub difference_bu_per_ac: f64,
    /// How likely it is told, if it is there.
    pub chance: f64,
    /// Frames laid at each place of a check; `None`: as many as in the season.
    pub frames_per_check: Option<usize>,
}

impl Default for Wish {
    /// ±25 %; half a bushel an acre, told 4 times in 5 (common practice).
    fn default() -> Self {
        Self {
            half_width: 0.25,
            difference_bu_per_ac: 0.5,
            chance: 0.8,
            frames_per_check: None,
        }
    }
}

/// What it takes for one source of loss. [`super::MOST`] is out of reach.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SourcePlan {
    /// Which.
    pub source: Source,
    /// The loss as found, bu/ac.
    pub now_bu_per_ac: f64,
    /// Checks for the wished half-width; `None` where no loss above zero was found.
    pub checks: Option<usize>,
    /// Checks under each of two settings for the difference to be told, wherever they lie.
    pub checks_each: usize,
    /// Pairs of checks side by side, one under each setting, for the same: what the field makes of a check it makes of both.
    pub pairs: usize,
}

/// A place as frames at a check find it.
struct Found {
    /// How often its density goes into the loss.
    share: f64,
    /// Bushels an acre that lie there.
    bu_per_ac: f64,
    /// Coefficient of variation between checks.
    between_cv: f64,
    /// Variance of a check's mean about the check, over the mean squared.
    within: f64,
}

/// A loss's variance from check to check, (bu/ac)².
struct Spread {
    /// The field's.
    between: f64,
    /// Chance's, with so many frames at each place.
    within: f64,
}

impl Spread {
    /// Of places laid at the same checks: what lies at one lies at the next too, so that checks go together there as the lesser
    /// density to the greater, as in the limits of a loss.
    fn of(places: &[Found]) -> Self {
        let mut this = Self {
            between: 0.0,
            within: 0.0,
        };
        for a in places {
            this.within += (a.share * a.bu_per_ac).powi(2) * a.within;
            for b in places {
                let (low, high) = (a.bu_per_ac.min(b.bu_per_ac), a.bu_per_ac.max(b.bu_per_ac));
                let alike = low / high;
                let sds = a.bu_per_ac * a.between_cv * b.bu_per_ac * b.between_cv;
                this.between += a.share * b.share * alike * sds;
            }
        }
        this
    }
}

/// What it takes for shattering, what goes through the machine, and the total, of those that the season can tell.
///
/// Every check is taken to have frames at all of its places, and both settings to lie as unevenly as the season. Pods that hang
/// are not in it. From a season with one check it is not known how far checks differ: then it takes more than is told.
///
/// # Errors
/// [`RangeError`] that names the number.
///
/// # Source
/// Size of two samples, and of pairs, by Student's t: Snedecor & Cochran, *Statistical Methods* (from memory); Cohen 1988,
/// table 2.4.1, is what the tests hold it against.
pub fn plan_sources(
    loss: &SourceLoss,
    assumptions: &Assumptions,
    wish: &Wish,
) -> Result<Vec<SourcePlan>, RangeError> {
    in_range("half-width", wish.half_width, 0.0, 2.0)?;
    in_range("difference, bu/ac,", wish.difference_bu_per_ac, 0.0, 1e3)?;
    in_range("chance", wish.chance, 0.5, 0.999)?;
    let frames = wish.frames_per_check;
    in_range("frames a check", frames.unwrap_or(1) as f64, 0.0, 1e4)?;
    let per_bean = bu_per_ac_per_bean_ft2(assumptions, loss.seeds.per_lb.value);
    let through = loss.get(Source::Through).is_some();
    let told = |source: Source| match source {
        Source::Shatter | Source::Through | Source::Total => true,
        Source::Machine => !through,
        _ => false,
    };
    let of_places = |s: &SourceAmount| -> Vec<Found> {
        (s.made_of.ground())
            .filter_map(|(place, share)| {
                let from = from_season(loss, place)?;
                let there = loss.places.iter().find(|e| e.place == place)?;
                Some(Found {
                    share,
                    bu_per_ac: per_bean * density_ft2(&from, there),
                    between_cv: from.between_cv,
                    within: from.within() / frames.unwrap_or(from.frames_per_check) as f64,
                })
            })
            .collect()
    };
    let sources = loss.sources.iter().filter(|s| told(s.source));
    let one = |s: &SourceAmount| {
        let spread = Spread::of(&of_places(s));
        let now_bu_per_ac = s.amount.bu_per_ac.estimate;
        let all = spread.between + spread.within;
        let difference = wish.difference_bu_per_ac;
        SourcePlan {
            source: s.source,
            now_bu_per_ac,
            checks: (now_bu_per_ac > 0.0)
                .then(|| super::checks_for(all / now_bu_per_ac.powi(2), wish.half_width)),
            checks_each: least(|n| told_from(2.0 * all, n, 2 * n - 2, wish.chance) <= difference),
            pairs: least(|n| told_from(2.0 * spread.within, n, n - 1, wish.chance) <= difference),
        }
    };
    Ok(sources.map(one).collect())
}

/// Beans on a square foot, from those in a frame.
fn density_ft2(from: &Counts, there: &Evidence) -> f64 {
    from.mean * there.frames as f64 * M2_PER_FT2 / there.area_m2
}

/// The difference that `n` of a variance tell with this chance.
fn told_from(variance: f64, n: usize, freedom: usize, chance: f64) -> f64 {
    let t = |p| student_t_quantile(p, freedom as f64);
    (t(0.975) + t(chance)) * (variance / n as f64).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Cohen, *Statistical Power Analysis* (1988), table 2.4.1, two-sided 5 %, power .80 (from memory): n of each of two samples
    /// for a difference of d standard deviations.
    #[test]
    fn two_samples_are_as_large_as_the_table_says() {
        for (d, table) in [(0.2, 393), (0.5, 64), (0.8, 26), (1.0, 17)] {
            let n = least(|n| told_from(2.0, n, 2 * n - 2, 0.8) <= d);
            assert!(n.abs_diff(table) <= 1, "{d}: {n}, {table}");
        }
    }
}

//! What stands in the place of limits that are no number to show: that it takes more frames, and how many.

use super::{Counts, from_season, plan};
use crate::{
    counts::Limits,
    loss::{Amount, Evidence, FEWEST_FRAMES, LEAST_PER_FT2, Loss, SourceLoss, too_wide},
    sheet::Place,
};

/// Half-width for which frames are told, a share of the mean: limits that end at twice the answer say something.
const HALF_WIDTH: f64 = 1.0;

/// What a loss's limits are held against, and how many frames it lacks.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct TooFew {
    /// The most that was found anywhere in it, beans on a square foot, and no less than [`LEAST_PER_FT2`].
    whole_per_ft2: f64,
    /// Frames that it lacks, by place; without places all together.
    lacks: Vec<(Option<Place>, usize)>,
}

/// Said where there is room for a few words.
pub const TOO_FEW: &str = "too few frames to say";

impl TooFew {
    /// Of a loss by source.
    pub fn of(loss: &SourceLoss) -> Self {
        let found = (loss.places.iter().map(|p| p.beans_per_ft2.estimate))
            .chain(loss.sources.iter().map(|s| s.amount.beans_per_ft2.estimate));
        let whole_per_ft2 = found.map(f64::abs).fold(LEAST_PER_FT2, f64::max);
        // Frames at a place whose own limits will do would narrow nothing.
        let wide = |p: &&Evidence| too_wide(&p.beans_per_ft2, whole_per_ft2);
        let lacks = loss.places.iter().filter(wide).filter_map(|p| {
            let from = from_season(loss, p.place)?;
            Some((Some(p.place), lacking(&from, p.frames)))
        });
        Self {
            lacks: lacks.collect(),
            whole_per_ft2,
        }
    }

    /// Of a loss over all frames.
    pub fn over(loss: &Loss) -> Self {
        let frames = loss.frames as f64;
        let from = Counts {
            mean: (loss.beans / frames).max(0.5 / frames),
            k: Some(loss.k),
            between_cv: loss.between_cv.unwrap_or(0.0),
            frames_per_check: loss.frames.div_ceil(loss.checks.max(1)),
        };
        Self {
            whole_per_ft2: loss.amount.beans_per_ft2.estimate.max(LEAST_PER_FT2),
            lacks: vec![(None, lacking(&from, loss.frames))],
        }
    }

    /// Whether the limits of an amount that is part of this loss say nothing, in whatever unit.
    pub fn hides(&self, amount: &Amount) -> bool {
        self.hides_density(&amount.beans_per_ft2)
    }

    /// The same of beans on a square foot.
    pub fn hides_density(&self, beans_per_ft2: &Limits) -> bool {
        too_wide(beans_per_ft2, self.whole_per_ft2)
    }

    /// The few words, where an amount's limits say nothing.
    pub fn short(&self, amount: &Amount) -> Option<&'static str> {
        self.hides(amount).then_some(TOO_FEW)
    }

    /// The same, and how many frames to count.
    pub fn words(&self, amount: &Amount) -> Option<String> {
        self.hides(amount)
            .then(|| format!("{TOO_FEW} how sure this is: {}", self.what_to_do()))
    }

    /// "count at least 3 more".
    pub fn what_to_do(&self) -> String {
        let lacks: Vec<String> = (self.lacks.iter().filter(|l| l.1 > 0))
            .map(|(place, n)| match place {
                None => format!("{n} more"),
                Some(place) => format!("{n} more {}", there(*place)),
            })
            .collect();
        if lacks.is_empty() {
            // By the plan they would do, and yet their limits do not: this ground is more uneven than they show.
            return "count as many again".to_owned();
        }
        format!("count at least {}", lacks.join(", "))
    }
}

fn there(place: Place) -> &'static str {
    match place {
        Place::Standing => "in the standing crop",
        Place::Cut => "in the cut strip",
        Place::Behind => "behind the machine",
        Place::Tray => "on the tray",
    }
}

/// Frames that are lacking for limits that say something.
fn lacking(from: &Counts, frames: usize) -> usize {
    let needed = plan(from, HALF_WIDTH).map_or(FEWEST_FRAMES, |plan| {
        plan.frames.max(plan.checks * from.frames_per_check)
    });
    needed.max(FEWEST_FRAMES).saturating_sub(frames)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        loss::{Assumptions, FrameLoss, Source, loss_by_source, loss_over},
        units::M2_PER_FT2,
    };

    fn frames(beans: &[f64], place: Option<Place>) -> Vec<FrameLoss> {
        let one = |(i, &n): (usize, &f64)| FrameLoss {
            photo: format!("{place:?}{i}.jpg"),
            area_m2: Limits::exactly(M2_PER_FT2),
            beans: Limits::exactly(n),
            place,
            ..FrameLoss::default()
        };
        beans.iter().enumerate().map(one).collect()
    }

    fn over(beans: &[f64]) -> (Loss, TooFew) {
        let loss = loss_over(&frames(beans, None), &Assumptions::default()).unwrap();
        let too_few = TooFew::over(&loss);
        (loss, too_few)
    }

    #[test]
    fn one_and_two_uneven_frames_get_words_and_a_number_of_frames() {
        for beans in [&[12.0][..], &[2.0, 14.0]] {
            let (loss, too_few) = over(beans);
            let words = too_few.words(&loss.amount).unwrap_or_default();
            assert!(
                words.starts_with("too few frames to say how sure this is: count at least "),
                "{beans:?} {words:?} {loss:?}"
            );
        }
    }

    #[test]
    fn an_ordinary_season_keeps_its_limits() {
        for beans in [
            &[3.0, 5.0, 4.0, 6.0][..],
            &[2.0, 9.0, 4.0, 1.0],
            &[0.0, 3.0, 1.0, 0.0, 2.0, 0.0],
            &[0.0, 0.0, 0.0, 0.0],
        ] {
            let (loss, too_few) = over(beans);
            assert_eq!(
                too_few.words(&loss.amount),
                None,
                "{beans:?} {:?}",
                loss.amount.beans_per_ft2
            );
        }
    }

    #[test]
    fn by_source_the_frames_that_lack_are_told_by_place() {
        let mut all = frames(&[0.0; 8], Some(Place::Standing));
        all.extend(frames(&[2.0, 14.0], Some(Place::Behind)));
        let loss = loss_by_source(&all, &Assumptions::default(), 0).unwrap();
        let too_few = TooFew::of(&loss);
        let words = |source| too_few.words(&loss.get(source).unwrap().amount);
        assert_eq!(words(Source::PreHarvest), None, "none in eight frames");
        let total = words(Source::Total).unwrap_or_default();
        assert!(
            total.contains("more behind the machine") && !total.contains("standing"),
            "{total:?} {:?}",
            loss.places
        );
    }
}

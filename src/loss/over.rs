//! Loss over frames with no sheet: everything on the ground, whatever it comes from.

use serde::{Deserialize, Serialize};

use super::{
    Amount, AssumptionError, Assumptions, FrameLoss, LossCaution, LossCautionKind, SeedSize,
    draws::{Common, DRAWS, densities, limits_of},
    seed_size, settle,
};
use crate::units::plural;

/// Why there is no loss.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum LossError {
    /// Nothing to go by.
    #[error(
        "none of the {photos} photos was counted, and no hand count stands in their place; count at least one frame"
    )]
    NoFrames {
        /// Photos that there were.
        photos: usize,
    },
    /// No frame of a place from which a source follows.
    #[error(
        "no frame has a place; write standing, cut or behind into the place column of sheet.csv (podfall sheet makes it)"
    )]
    NoPlaces,
    /// An assumption that cannot be right.
    #[error(transparent)]
    Assumption(#[from] AssumptionError),
}

/// Loss over frames, all taken together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Loss {
    /// The loss: loose beans and beans in pods on the ground.
    pub amount: Amount,
    /// Of it the beans in pods.
    pub in_pods: Amount,
    /// Frames that it rests on.
    pub frames: usize,
    /// Checks that it rests on; frames without a check count as one each.
    pub checks: usize,
    /// Ground looked at, m².
    pub area_m2: f64,
    /// Beans counted, loose and in pods.
    pub beans: f64,
    /// Fitted dispersion k of a frame.
    pub k: f64,
    /// Fitted coefficient of variation between checks; `None` for one check. For planning, and not in the JSON.
    #[serde(skip)]
    pub between_cv: Option<f64>,
    /// Seeds' size and what it rests on.
    pub seeds: SeedSize,
    /// Doubts.
    pub cautions: Vec<LossCaution>,
}

/// Fewest frames below which a caution is given (Staton, MSU Extension 2012: at least 4 across the header).
pub const FEWEST_FRAMES: usize = 4;

/// Loss over all frames, with limits from the frames' own spread, the photos, the area and the seeds.
///
/// # Errors
/// [`LossError`] without frames, or with an assumption that cannot be right.
pub fn loss_over(frames: &[FrameLoss], assumptions: &Assumptions) -> Result<Loss, LossError> {
    let assumptions = assumptions.clone().checked()?;
    let settled = settle(frames, &assumptions);
    let (seeds, caution) = seed_size(&assumptions, frames);
    let common = Common::new(&assumptions, &seeds, DRAWS);
    let no_frames = LossError::NoFrames {
        photos: frames.len(),
    };
    let density = densities(&settled, &[None], &common, 0)
        .pop()
        .flatten()
        .ok_or(no_frames)?;
    let beans: f64 = settled.frames.iter().map(FrameLoss::lost).sum();
    let in_pods: f64 = settled
        .frames
        .iter()
        .map(|f| f.beans_in_pods.estimate)
        .sum();
    let amount = amount_of(
        &assumptions,
        &seeds,
        &common,
        density.estimate,
        &density.draws,
    );
    // The share in pods is taken as seen; its limits follow those of the whole.
    let share = if beans > 0.0 { in_pods / beans } else { 0.0 };
    let pod_draws: Vec<f64> = density.draws.iter().map(|d| d * share).collect();
    let pods = amount_of(
        &assumptions,
        &seeds,
        &common,
        density.estimate * share,
        &pod_draws,
    );
    let mut cautions = settled.cautions.clone();
    cautions.extend(caution);
    if settled.frames.len() < FEWEST_FRAMES {
        cautions.push(LossCautionKind::FewFrames.says(format!(
            "{} only; lay at least {FEWEST_FRAMES} across the width of the header",
            plural(settled.frames.len(), "frame")
        )));
    }
    Ok(Loss {
        amount,
        in_pods: pods,
        frames: density.mean.frames,
        checks: density.mean.checks,
        area_m2: settled.frames.iter().map(|f| f.area_m2.estimate).sum(),
        beans,
        k: density.mean.k,
        between_cv: density.mean.between_cv,
        seeds,
        cautions,
    })
}

/// Every unit with its limits from draws of beans on a square foot.
fn amount_of(
    assumptions: &Assumptions,
    seeds: &SeedSize,
    common: &Common,
    beans_per_ft2: f64,
    draws: &[f64],
) -> Amount {
    let level = assumptions.level;
    let bu = beans_per_ft2 * super::amount::bu_per_ac_per_bean_ft2(assumptions, seeds.per_lb.value);
    let bu_draws: Vec<f64> = draws
        .iter()
        .zip(&common.bu_per_bean_ft2)
        .map(|(d, b)| d * b)
        .collect();
    let percent = assumptions
        .yield_bu_per_ac
        .zip(common.yield_bu_per_ac.as_ref())
        .map(|(y, ys)| {
            let parts: Vec<f64> = bu_draws
                .iter()
                .zip(ys)
                .map(|(l, y)| 100.0 * l / (y + l))
                .collect();
            limits_of(100.0 * bu / (y.value + bu), &parts, level)
        });
    Amount::of(
        assumptions,
        limits_of(beans_per_ft2, draws, level),
        limits_of(bu, &bu_draws, level),
        percent,
    )
}

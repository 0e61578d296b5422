//! The first scorer: a few dozen small trees over measurements, calibrated on photos it was not fitted on.

use serde::{Deserialize, Serialize};

use super::{
    Chances, Scored,
    calibrate::Calibration,
    features::{self, Measured, PlotMeasures},
    trees::Trees,
};
use crate::{
    candidate::{Candidate, Outliner},
    ground::Ground,
    plot::Plot,
};

/// A fitted model, kept as data in `models/first-v1.json`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FirstModel {
    /// Name and version.
    pub name: String,
    /// Names of the measurements, in order; must be those of [`features::NAMES`].
    pub features: Vec<String>,
    /// A bean, whole or split, against all else.
    pub bean: Question,
    /// Of beans: split or crushed.
    pub split: Question,
}

/// One question: trees and what their answer is worth.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Question {
    /// Sum of trees.
    pub trees: Trees,
    /// Log odds to probability.
    pub calibration: Calibration,
}

/// Why a model cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ModelError {
    /// Not in the form of a model.
    #[error("the scorer's model cannot be read; fit it again with `podfall fit`")]
    Form(#[from] serde_json::Error),
    /// Made for other measurements.
    #[error(
        "the scorer's model '{name}' was fitted on other measurements ({found} of them, {needed} are taken here); fit it again with `podfall fit`"
    )]
    Measurements {
        /// The model's name.
        name: String,
        /// How many it has.
        found: usize,
        /// How many are taken.
        needed: usize,
    },
}

impl FirstModel {
    /// Reads a model from JSON.
    ///
    /// # Errors
    /// [`ModelError`] when it has another form or other measurements.
    pub fn from_json(text: &str) -> Result<Self, ModelError> {
        let model: Self = serde_json::from_str(text)?;
        if model.features != features::NAMES {
            return Err(ModelError::Measurements {
                name: model.name,
                found: model.features.len(),
                needed: features::COUNT,
            });
        }
        Ok(model)
    }

    /// The model that comes with the program.
    ///
    /// # Panics
    /// When the file built in is broken: a test holds it sound.
    pub fn built_in() -> Self {
        Self::from_json(include_str!("../../models/first-v1.json"))
            .expect("the model built in is checked by a test")
    }
}

/// Distance within which two beans cannot lie, mm: the weaker candidate is the same bean seen twice.
pub const SAME_BEAN_MM: f64 = 3.0;

/// Measures all candidates of a plot, in their order.
pub fn measure(plot: &Plot, ground: &Ground, candidates: &[Candidate]) -> Vec<Measured> {
    let outliner = Outliner::new(&ground.lab);
    let whole = PlotMeasures::new(plot, ground, &outliner);
    let mut all: Vec<_> = candidates
        .iter()
        .map(|c| features::measure(plot, &whole, &outliner, c))
        .collect();
    features::against_light(&mut all);
    all.into_iter().map(|(m, _)| m).collect()
}

/// Which of the candidates stand: a better one within [`SAME_BEAN_MM`] takes a worse one's place.
pub fn standing(candidates: &[Candidate], log_odds: &[f32]) -> Vec<bool> {
    let mut order: Vec<usize> = (0..candidates.len()).collect();
    order.sort_by(|a, b| log_odds[*b].total_cmp(&log_odds[*a]).then(a.cmp(b)));
    let mut stands = vec![false; candidates.len()];
    let mut kept: Vec<usize> = Vec::new();
    for i in order {
        let c = candidates[i].centre_mm;
        if kept
            .iter()
            .all(|k| candidates[*k].centre_mm.distance(c) > SAME_BEAN_MM)
        {
            stands[i] = true;
            kept.push(i);
        }
    }
    stands
}

/// Judges candidates. Those that are the same bean as a better one are dropped; the rest keep their order.
pub fn judge(
    plot: &Plot,
    ground: &Ground,
    candidates: Vec<Candidate>,
    model: &FirstModel,
) -> Vec<Scored> {
    let measured = measure(plot, ground, &candidates);
    let odds: Vec<f32> = measured
        .iter()
        .map(|m| model.bean.trees.log_odds(m))
        .collect();
    let stands = standing(&candidates, &odds);
    let mut scored = Vec::new();
    for (i, candidate) in candidates.into_iter().enumerate() {
        if !stands[i] {
            continue;
        }
        let any = model.bean.calibration.probability(odds[i]);
        let split = model
            .split
            .calibration
            .probability(model.split.trees.log_odds(&measured[i]));
        scored.push(Scored {
            candidate,
            chances: Chances {
                bean: any * (1.0 - split),
                split: any * split,
                pod: 0.0,
                other: 1.0 - any,
            },
            beans_in_pod: 0.0,
        });
    }
    scored
}

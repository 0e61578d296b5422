//! The first scorer: a few dozen small trees over measurements, calibrated on photos it was not fitted on.

use serde::{Deserialize, Serialize};

use super::{
    Chances, Scored,
    calibrate::Calibration,
    features::{self, Measured, PlotMeasures},
    pod_features::{self, PodMeasured},
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
    /// Names of a pod's measurements; must be those of [`pod_features::POD_NAMES`].
    pub pod_features: Vec<String>,
    /// A bean, whole or split, against all else.
    pub bean: Question,
    /// Of beans: split or crushed.
    pub split: Question,
    /// A closed pod against all else, of pod-shaped candidates.
    pub pod: Question,
    /// Beans in a pod: a constant and its rise per mm of length as measured.
    pub beans_by_pod_length: [f64; 2],
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
        if model.features != features::NAMES || model.pod_features != pod_features::POD_NAMES {
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

/// What was measured of a candidate, by its shape.
#[derive(Debug, Clone, PartialEq)]
pub enum Evidence {
    /// Bean-sized.
    Bean(Box<Measured>),
    /// Pod-shaped.
    Pod(Box<PodMeasured>),
}

/// Measures all candidates of a plot, in their order.
pub fn measure(plot: &Plot, ground: &Ground, candidates: &[Candidate]) -> Vec<Evidence> {
    let outliner = Outliner::new(&ground.lab);
    let whole = PlotMeasures::new(plot, ground, &outliner);
    let mut slopes = Vec::new();
    let mut all: Vec<Evidence> = candidates
        .iter()
        .map(|c| {
            if c.pod_shaped {
                return Evidence::Pod(Box::new(pod_features::measure(plot, &whole, &outliner, c)));
            }
            let (measured, slope) = features::measure(plot, &whole, &outliner, c);
            slopes.push(slope);
            Evidence::Bean(Box::new(measured))
        })
        .collect();
    let beans = all.iter_mut().filter_map(|e| match e {
        Evidence::Bean(m) => Some(&mut **m),
        Evidence::Pod(_) => None,
    });
    features::against_light(beans, &slopes);
    all
}

/// Which of the candidates stand: a better bean within [`SAME_BEAN_MM`] takes a worse one's place, a better pod that of one
/// within half its width and a third of its length.
pub fn standing(candidates: &[Candidate], log_odds: &[f32]) -> Vec<bool> {
    let mut order: Vec<usize> = (0..candidates.len()).collect();
    order.sort_by(|a, b| log_odds[*b].total_cmp(&log_odds[*a]).then(a.cmp(b)));
    let mut stands = vec![false; candidates.len()];
    let mut kept: Vec<usize> = Vec::new();
    for i in order {
        let c = &candidates[i];
        let apart = |k: &usize| {
            let other = &candidates[*k];
            let within_mm = if c.pod_shaped {
                other.length_mm / 3.0
            } else {
                SAME_BEAN_MM
            };
            other.pod_shaped != c.pod_shaped || other.centre_mm.distance(c.centre_mm) > within_mm
        };
        if kept.iter().all(apart) {
            stands[i] = true;
            kept.push(i);
        }
    }
    stands
}

impl FirstModel {
    /// Log odds that a candidate is a bean (bean-sized) or a pod (pod-shaped).
    pub fn log_odds(&self, evidence: &Evidence) -> f32 {
        match evidence {
            Evidence::Bean(m) => self.bean.trees.log_odds(&m[..]),
            Evidence::Pod(m) => self.pod.trees.log_odds(&m[..]),
        }
    }

    fn chances(&self, evidence: &Evidence, log_odds: f32) -> Chances {
        match evidence {
            Evidence::Bean(m) => {
                let any = self.bean.calibration.probability(log_odds);
                let split = self
                    .split
                    .calibration
                    .probability(self.split.trees.log_odds(&m[..]));
                Chances {
                    bean: any * (1.0 - split),
                    split: any * split,
                    pod: 0.0,
                    other: 1.0 - any,
                }
            }
            Evidence::Pod(_) => {
                let pod = self.pod.calibration.probability(log_odds);
                Chances {
                    pod,
                    other: 1.0 - pod,
                    ..Chances::default()
                }
            }
        }
    }
}

/// Judges candidates. Those that are the same thing as a better one are dropped; the rest keep their order.
pub fn judge(
    plot: &Plot,
    ground: &Ground,
    candidates: Vec<Candidate>,
    model: &FirstModel,
) -> Vec<Scored> {
    let evidence = measure(plot, ground, &candidates);
    let odds: Vec<f32> = evidence.iter().map(|e| model.log_odds(e)).collect();
    let stands = standing(&candidates, &odds);
    let mut scored = Vec::new();
    for (i, candidate) in candidates.into_iter().enumerate() {
        if stands[i] {
            let [constant, rise] = model.beans_by_pod_length;
            let beans_in_pod = if candidate.pod_shaped {
                (constant + rise * candidate.length_mm).clamp(1.0, 4.0)
            } else {
                0.0
            };
            scored.push(Scored {
                chances: model.chances(&evidence[i], odds[i]),
                beans_in_pod,
                candidate,
            });
        }
    }
    scored
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{candidate, candidate::tests::plot_with, ground};

    #[test]
    fn the_model_built_in_is_sound() {
        let model = FirstModel::built_in();
        let trees = model.bean.trees.trees.len()
            + model.split.trees.trees.len()
            + model.pod.trees.trees.len();
        assert!(trees > 0 && trees <= 60, "{trees} trees");
        for q in [&model.bean, &model.split, &model.pod] {
            assert!(
                q.calibration
                    .points
                    .windows(2)
                    .all(|w| w[0][0] <= w[1][0] && w[0][1] <= w[1][1])
            );
        }
    }

    #[test]
    fn a_model_for_other_measurements_is_refused() {
        let mut model = FirstModel::built_in();
        model.features.pop();
        let text = serde_json::to_string(&model).unwrap();
        assert!(matches!(
            FirstModel::from_json(&text),
            Err(ModelError::Measurements { .. })
        ));
        assert!(matches!(
            FirstModel::from_json("{}"),
            Err(ModelError::Form(_))
        ));
    }

    #[test]
    fn chances_add_up_and_one_bean_stands_once() {
        let plot = plot_with(|x, y| (x - 40.0).hypot(y - 60.0) < 3.4);
        let ground = ground::classify(&plot, &Default::default());
        let all = candidate::candidates(&plot, &ground, &Default::default());
        let scored = judge(&plot, &ground, all, &FirstModel::built_in());
        for s in &scored {
            let c = s.chances;
            assert!((c.bean + c.split + c.pod + c.other - 1.0).abs() < 1e-9);
        }
        for (i, a) in scored.iter().enumerate() {
            for b in &scored[i + 1..] {
                let far = a.candidate.centre_mm.distance(b.candidate.centre_mm);
                assert!(a.candidate.pod_shaped || b.candidate.pod_shaped || far > SAME_BEAN_MM);
            }
        }
    }
}

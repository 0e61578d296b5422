//! Sixth stage: what each candidate is, with a calibrated probability.

use serde::{Deserialize, Serialize};

pub mod card;
pub mod contrast;
pub mod learned;
pub mod mirror;
pub mod near;
pub mod net;
pub mod peaks;
pub mod size;

pub use contrast::bean_contrast;
pub use learned::likeness_measures;
pub use near::look_near;
pub use size::bean_mm;

use crate::candidate::Candidate;

pub mod calibrate;
pub mod features;
pub mod first;
pub mod pod_features;
pub mod trees;

pub use first::{FirstModel, judge};

/// Probabilities of what an object is. They add up to 1.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Chances {
    /// A whole bean.
    pub bean: f64,
    /// A split or crushed bean.
    pub split: f64,
    /// A closed pod with beans in it.
    pub pod: f64,
    /// None of these.
    pub other: f64,
}

/// A candidate and what it is thought to be.
#[derive(Debug, Clone, PartialEq)]
pub struct Scored {
    /// What was found.
    pub candidate: Candidate,
    /// What it is.
    pub chances: Chances,
    /// Beans in it if it is a pod: expected number.
    pub beans_in_pod: f64,
}

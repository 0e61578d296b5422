//! Counts soybeans and pods in photos of a marked ground frame and turns the counts into
//! harvest loss per acre, by source, with honest limits.
//!
//! The stages, each a plain function from value to value:
//! photo → frame → plot → ground → candidate → score → count → loss → report.

pub mod candidate;
pub mod caution;
pub mod counts;
pub mod frame;
pub mod geometry;
pub mod ground;
pub mod photo;
pub mod plot;
pub mod score;
pub mod units;

pub mod stage;

//! Counts soybeans and pods in photos of a marked ground frame and turns the counts into
//! harvest loss per acre, by source, with honest limits.
//!
//! The stages, each a plain function from value to value:
//! photo → frame → plot → ground → candidate → score → count → loss → report.

pub mod annotate;
pub mod batch;
pub mod candidate;
pub mod card;
pub mod caution;
pub mod colour;
pub mod confirm;
pub mod contrast;
pub mod count;
pub mod counts;
pub mod crop;
pub mod files;
pub mod frame;
pub mod geometry;
pub mod ground;
pub mod likeness;
pub mod loss;
pub mod marks;
pub mod model;
pub mod next;
pub mod payback;
pub mod photo;
pub mod pipeline;
pub mod place;
pub mod plan;
pub mod plot;
pub mod present;
pub mod range;
pub mod record;
pub mod report;
pub mod score;
pub mod season;
pub mod sheet;
pub mod stage;
pub mod stats;
pub mod text;
pub mod units;
mod wide;

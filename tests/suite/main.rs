//! All integration tests in one binary, one module a theme.

mod batch;
mod cli;
mod coverage;
mod decide;
mod outside_loss;
mod outside_stats;
mod photo;
mod photo_hostile;
mod pictures;
mod sheet;

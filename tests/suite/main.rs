//! One test binary; one module a theme.

mod coverage;
mod outside_loss;
mod outside_stats;

//! One test binary; one module a theme.

mod outside_loss;
mod outside_stats;

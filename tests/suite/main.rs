//! All integration tests in one binary, one module a theme.

mod batch;
mod cli;
mod photo;
mod photo_hostile;
mod pictures;

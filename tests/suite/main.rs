//! All integration tests in one binary, one module a theme.

mod apart;
mod batch;
mod browser;
mod cards;
mod case;
mod cli;
mod confirm;
mod coverage;
mod decide;
mod field;
mod fixtures;
mod hostile;
mod layers;
mod mutated;
mod outside_loss;
mod outside_stats;
mod page;
mod people;
mod photo;
mod photo_formats;
mod photo_hostile;
mod pictures;
mod record;
mod sheet;
mod whole;

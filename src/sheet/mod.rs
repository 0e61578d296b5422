//! `sheet.csv`: what the person knows and no photo shows. One row a photo.

mod place;

pub use place::Place;

//! What is handed to people and spreadsheets.

pub mod loss;
mod loss_files;
mod loss_svg;

//! What is handed to people and spreadsheets: the table of counts, the confidence report, the loss report.

pub(crate) mod base64;
pub mod csv;
pub(crate) mod fill;
pub(crate) mod geo;
pub mod hand;
pub mod html;
pub mod loss;
mod loss_files;
pub(crate) mod loss_svg;
pub(crate) mod near;

//! What is handed to people and spreadsheets: the table of counts, the confidence report, the loss report.

mod base64;
pub mod csv;
pub mod html;
pub mod loss;
mod loss_files;
mod loss_svg;

//! What is handed to people and spreadsheets: the table of counts and the confidence report.

mod base64;
pub mod csv;
pub mod html;

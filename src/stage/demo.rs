//! The scenario of the demo's photos.

use super::Scene;

/// Name without ending and scene of each photo, in the order in which they were taken.
pub fn photos() -> Vec<(&'static str, Scene)> {
    Vec::new()
}

//! What persons said of the photos.

use std::collections::BTreeMap;

use podfall::record::{PersonCount, Redactions};

use super::SeasonRead;

/// By file name.
pub fn persons(_read: &SeasonRead, _redactions: &Redactions) -> BTreeMap<String, PersonCount> {
    BTreeMap::new()
}

//! The photos that have a position, for maps.

use serde_json::json;

use super::Facts;
use crate::report::geo::points_geojson;

/// The photos with a position, as a GeoJSON feature collection.
pub fn photos_geojson(facts: &Facts) -> String {
    points_geojson(facts.frames.iter().filter_map(|frame| {
        let position = frame.position?;
        let properties = json!({
            "number": frame.number,
            "photo": frame.photo,
            "sha256": frame.sha256,
            "taken": frame.taken,
            "check": frame.check,
            "place": frame.place,
            "setting": frame.setting,
            "tool_beans": frame.tool_beans.map(|l| l.estimate),
            "person_beans": frame.person_beans(),
            "standing": frame.standing,
            "position_error_m": position.error_m,
        });
        Some((position, properties))
    }))
}

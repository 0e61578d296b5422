//! The photos that have a position, for maps.

use serde_json::{Value, json};

use super::Facts;

/// The photos with a position, as a GeoJSON feature collection.
///
/// # Source
/// RFC 7946: WGS 84, longitude before latitude; seven decimals are a centimetre.
pub fn photos_geojson(facts: &Facts) -> String {
    let round = |deg: f64| (deg * 1e7).round() / 1e7;
    let features: Vec<Value> = (facts.frames.iter())
        .filter_map(|frame| {
            let position = frame.position?;
            Some(json!({
                "type": "Feature",
                "geometry": {
                    "type": "Point",
                    "coordinates": [round(position.lon_deg), round(position.lat_deg)],
                },
                "properties": {
                    "number": frame.number,
                    "photo": frame.photo,
                    "sha256": frame.sha256,
                    "taken": frame.taken,
                    "check": frame.check,
                    "place": frame.place,
                    "setting": frame.setting,
                    "tool_beans": frame.tool_beans.map(|l| l.estimate),
                    "person_beans": frame.person.as_ref().and_then(|p| p.beans),
                    "standing": frame.standing,
                    "position_error_m": position.error_m,
                },
            }))
        })
        .collect();
    let collection = json!({ "type": "FeatureCollection", "features": features });
    let mut text = serde_json::to_string_pretty(&collection).expect("plain values turn into JSON");
    text.push('\n');
    text
}

//! Points on a map, as GeoJSON.

use serde_json::{Value, json};

use crate::photo::Position;

/// A feature collection of points, each with what is known of it.
///
/// # Source
/// RFC 7946: WGS 84, longitude before latitude; seven decimals are a centimetre.
pub fn points_geojson(points: impl Iterator<Item = (Position, Value)>) -> String {
    let round = |deg: f64| (deg * 1e7).round() / 1e7;
    let feature = |(at, properties): (Position, Value)| {
        json!({
            "type": "Feature",
            "geometry": {
                "type": "Point",
                "coordinates": [round(at.lon_deg), round(at.lat_deg)],
            },
            "properties": properties,
        })
    };
    let features: Vec<Value> = points.map(feature).collect();
    let collection = json!({ "type": "FeatureCollection", "features": features });
    let mut text = serde_json::to_string_pretty(&collection).expect("plain values turn into JSON");
    text.push('\n');
    text
}

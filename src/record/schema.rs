//! The published forms of the bundle's JSON files: JSON Schema, draft 2020-12. They go into every bundle.

/// Of `record.json`.
pub const RECORD: &str = include_str!("schema/record.schema.json");
/// Of `counts.json`.
pub const COUNTS: &str = include_str!("schema/counts.schema.json");
/// Of `loss.json`.
pub const LOSS: &str = include_str!("schema/loss.schema.json");

/// All of them, by file name.
pub const ALL: [(&str, &str); 3] = [
    ("counts.schema.json", COUNTS),
    ("loss.schema.json", LOSS),
    ("record.schema.json", RECORD),
];

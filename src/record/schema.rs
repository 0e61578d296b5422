//! The published forms of the bundle's JSON files: JSON Schema, draft 2020-12. They go into every bundle.

/// Of `record.json`.
pub const RECORD: &str = include_str!("schema/record.schema.json");
/// Of `counts.json`.
pub const COUNTS: &str = include_str!("schema/counts.schema.json");
/// Of `loss.json`.
pub const LOSS: &str = include_str!("schema/loss.schema.json");

/// Of `marks.json`.
pub const MARKS: &str = include_str!("schema/marks.schema.json");
/// Of one line of `marks.journal`.
pub const MARKS_JOURNAL: &str = include_str!("schema/marks-journal.schema.json");

/// All of them, by file name.
pub const ALL: [(&str, &str); 5] = [
    ("counts.schema.json", COUNTS),
    ("loss.schema.json", LOSS),
    ("marks-journal.schema.json", MARKS_JOURNAL),
    ("marks.schema.json", MARKS),
    ("record.schema.json", RECORD),
];

//! The record: what is handed over to an adjuster, an agronomist or a landlord. One folder, or one zip of it.
//!
//! The evidence is sealed first, by a manifest of SHA-256 over all of its files. Then the two pages are made, which print
//! the manifest's own hash; so they cannot be in it. A second list, the seal, is over the manifest and the two pages, and
//! it is the seal that a person signs.
//!
//! Pure: values and bytes in, values and bytes out. The clock, the disk and the person's key are the command's.

mod checks;
mod draw;
mod facts;
mod geo;
mod html;
mod oddity;
mod page;
mod pdf;
mod person;
mod readme;
mod reckoned;
mod redact;
pub mod schema;
pub mod seal;

pub use facts::{
    Answer, CheckFact, Facts, FrameFact, Kept, Material, SCHEMA, Said, SourceFact, Standing, facts,
    problem_told,
};
pub use geo::photos_geojson;
pub use html::{HtmlError, html};
pub use oddity::{Oddity, OddityKind, oddities};
pub use page::{Page, page};
pub use pdf::{PagePicture, PdfError, PdfSettings, pdf};
pub use person::{Counted, EdgeSet, PersonCount, SheetSaid};
pub use readme::readme;
pub use redact::{Positions, Redact, Redactions};

/// The page as PDF.
pub const PDF: &str = "record.pdf";
/// The page as HTML.
pub const HTML: &str = "record.html";
/// The list of all files of the evidence.
pub const MANIFEST: &str = "manifest.sha256";
/// The list of the manifest and the two pages.
pub const SEAL: &str = "seal.sha256";
/// The signature over the seal.
pub const SIGNATURE: &str = "seal.sha256.sig";
/// What the record says, for programs.
pub const RECORD: &str = "evidence/record.json";
/// What the tool saw.
pub const COUNTS: &str = "evidence/counts.json";
/// What persons said, line by line.
pub const MARKS_JOURNAL: &str = "evidence/marks.journal";
/// What follows from it.
pub const MARKS: &str = "evidence/marks.json";
/// The folder of the original photos.
pub const ORIGINALS: &str = "evidence/photos";
/// The folder of the annotated pictures.
pub const ANNOTATED: &str = "evidence/annotated";
/// Pictures with what persons said.
pub const CONFIRMED: &str = "evidence/confirmed";

/// Whether the PDF has to show a letter of these facts by its number.
///
/// # Errors
/// [`PdfError::Font`] for a font of the person's that cannot be read.
pub fn lacks_letters(facts: &Facts, font: Option<&[u8]>) -> Result<bool, PdfError> {
    let texts = facts.frames.iter().flat_map(|f| {
        let note = f.sheet.as_ref().and_then(|s| s.note.as_ref());
        [Some(&f.photo), f.check.as_ref(), f.setting.as_ref(), note]
            .into_iter()
            .flatten()
    });
    let said = facts.said.iter().map(|s| &s.value);
    let all = texts.chain(said).chain([&facts.title]).map(String::as_str);
    Ok(!pdf::has_letters(all, font)?)
}

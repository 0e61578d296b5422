//! The record as PDF/A-2a and PDF/UA-1: fonts inside, text that can be searched, bookmarks, tags.

use std::num::NonZeroU16;

use krilla::{
    Document, SerializeSettings,
    configure::{Accessibility, Archival, ConfigurationBuilder},
    destination::XyzDestination,
    geom::Point,
    metadata::{DateTime, Metadata},
    outline::{Outline, OutlineNode},
    page::PageSettings,
    tagging::{ListNumbering, TableHeaderScope, Tag, TagGroup, TagKind, TagTree},
};

use super::Page;

mod fonts;
mod frame;
mod lay;
mod paint;
mod table;

use fonts::Fonts;
use lay::{Layout, Node, NodeKind, Sheet};

/// How the page is laid out.
#[derive(Debug, Clone, Copy, Default)]
pub struct PdfSettings<'a> {
    /// A font file for letters that the built-in fonts lack.
    pub font: Option<&'a [u8]>,
    /// ISO A4 instead of US letter.
    pub a4: bool,
}

/// Why there is no PDF.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PdfError {
    /// A font that cannot be read.
    #[error("the font cannot be read; give a TrueType or OpenType file (.ttf, .otf)")]
    Font,
    /// A picture that cannot be put in.
    #[error("the picture of {photo} cannot be put into the PDF ({what}); count it again")]
    Picture {
        /// Of which photo.
        photo: String,
        /// What the library said.
        what: String,
    },
    /// The PDF does not hold to PDF/A or PDF/UA.
    #[error("the PDF could not be made ({what}); this is a fault of the tool, please report it")]
    Made {
        /// What the library said.
        what: String,
    },
}

/// A picture as it goes into the pages.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PagePicture {
    /// JPEG.
    pub jpeg: Vec<u8>,
    /// Width, pixels.
    pub width_px: u32,
    /// Height, pixels.
    pub height_px: u32,
}

/// Whether a page of these texts needs a word on letters that the fonts lack.
///
/// # Errors
/// [`PdfError::Font`] for a font of the person's that cannot be read.
pub fn has_letters<'a>(
    mut texts: impl Iterator<Item = &'a str>,
    font: Option<&[u8]>,
) -> Result<bool, PdfError> {
    let fonts = Fonts::new(font)?;
    Ok(texts.all(|text| fonts.has_all(text)))
}

/// The page as PDF. `pictures(photo)`: the picture of a photo.
///
/// # Errors
/// [`PdfError`].
///
/// # Source
/// ISO 19005-2 (PDF/A-2a), ISO 14289-1 (PDF/UA-1), as far as the library checks them.
pub fn pdf(
    page: &Page,
    pictures: &dyn Fn(&str) -> Option<PagePicture>,
    settings: &PdfSettings<'_>,
) -> Result<Vec<u8>, PdfError> {
    let fonts = Fonts::new(settings.font)?;
    let mut layout = Layout::new(&fonts, settings.a4, pictures);
    layout.page(page);
    let laid = layout.finish(page);
    let made = |what: String| PdfError::Made { what };
    let configuration = ConfigurationBuilder::new()
        .with_archival_validator(Archival::A2_A)
        .with_accessibility_validator(Accessibility::UA1)
        .finish()
        .map_err(|error| made(format!("{error:?}")))?;
    let mut document = Document::new_with(SerializeSettings {
        configuration,
        enable_tagging: true,
        ..SerializeSettings::default()
    });
    let mut nodes = laid.nodes;
    for sheet in &laid.sheets {
        let size = PageSettings::from_wh(laid.width, laid.height)
            .ok_or_else(|| made("size".to_owned()))?;
        let mut page = document.start_page_with(size);
        let mut surface = page.surface();
        paint::sheet(&mut surface, sheet, &fonts, &mut nodes)?;
        surface.finish();
        page.finish();
    }
    document.set_outline(outline(&laid.sheets));
    document.set_tag_tree(tags(&nodes));
    document.set_metadata(metadata(page));
    document
        .finish()
        .map_err(|error| made(format!("{error:?}")))
}

/// The hash stands among the key words too, uncompressed, so that a check finds the link without reading the page.
fn metadata(page: &Page) -> Metadata {
    let metadata = Metadata::new()
        .title(page.title.clone())
        .language("en".to_owned())
        .creator(format!("podfall {}", env!("CARGO_PKG_VERSION")))
        .description("A measurement of harvest loss by the grower; not an appraisal.".to_owned())
        .keywords(vec![format!("manifest.sha256 {}", page.manifest_sha256)]);
    // A date is asked for by the standard; without one the library refuses, which a test would show.
    match date(&page.made) {
        Some(date) => metadata.creation_date(date),
        None => metadata,
    }
}

/// A moment as PDF writes it, in UTC.
fn date(made: &str) -> Option<DateTime> {
    let utc = jiff::tz::Offset::UTC.to_datetime(made.parse().ok()?);
    let small = |n: i8| u8::try_from(n).ok();
    Some(
        DateTime::new(u16::try_from(utc.year()).ok()?)
            .month(small(utc.month())?)
            .day(small(utc.day())?)
            .hour(small(utc.hour())?)
            .minute(small(utc.minute())?)
            .second(small(utc.second())?)
            .utc_offset_hour(0),
    )
}

/// Bookmarks: headings of level 2, and below them those of level 3.
fn outline(sheets: &[Sheet]) -> Outline {
    let mut nodes: Vec<OutlineNode> = Vec::new();
    for (number, sheet) in sheets.iter().enumerate() {
        for mark in &sheet.marks {
            let to = XyzDestination::new(number, Point::from_xy(0.0, mark.y));
            let node = OutlineNode::new(mark.text.clone(), to);
            match nodes.last_mut() {
                Some(last) if mark.level > 2 => last.push_child(node),
                _ => nodes.push(node),
            }
        }
    }
    let mut outline = Outline::new();
    for node in nodes {
        outline.push_child(node);
    }
    outline
}

fn tags(nodes: &[Node]) -> TagTree {
    let mut children: Vec<Vec<usize>> = vec![Vec::new(); nodes.len()];
    for (at, node) in nodes.iter().enumerate() {
        if let Some(parent) = node.parent {
            children[parent].push(at);
        }
    }
    let mut tree = TagTree::new().with_lang(Some("en".to_owned()));
    for (at, node) in nodes.iter().enumerate() {
        if node.parent.is_none() {
            tree.push(group(nodes, &children, at));
        }
    }
    tree
}

fn group(nodes: &[Node], children: &[Vec<usize>], at: usize) -> TagGroup {
    let mut all = TagGroup::new(tag(&nodes[at].kind));
    for &id in &nodes[at].content {
        all.push(id);
    }
    for &child in &children[at] {
        all.push(group(nodes, children, child));
    }
    all
}

fn tag(kind: &NodeKind) -> TagKind {
    match kind {
        NodeKind::Heading(level, text) => {
            let level = NonZeroU16::new(u16::from(*level)).unwrap_or(NonZeroU16::MIN);
            Tag::Hn(level, Some(text.clone())).into()
        }
        NodeKind::Text => Tag::P.into(),
        NodeKind::List => Tag::L(ListNumbering::Disc).into(),
        NodeKind::Point => Tag::LI.into(),
        NodeKind::Body => Tag::LBody.into(),
        NodeKind::Bullet => Tag::Lbl.into(),
        NodeKind::Table(says) => Tag::Table.with_summary(Some(says.clone())).into(),
        NodeKind::Row => Tag::TR.into(),
        NodeKind::Head => Tag::TH(TableHeaderScope::Column).into(),
        NodeKind::Cell => Tag::TD.into(),
        NodeKind::Picture(alt) => Tag::Figure(Some(alt.clone())).into(),
    }
}

//! The confidence report: one page that holds everything, opens offline, runs no script and prints.
//!
//! The answer stands first, then the photos in the order in which their doubt moves it.

use minijinja::Value;
use serde::{Deserialize, Serialize};

use super::fill::fill;
use crate::{
    annotate::Said,
    counts::{Limits, ModelName, PhotoCount},
};

mod pictures;
mod words;

pub use pictures::{Crop, PictureSettings, Pictures, pictures};

use words::{PhotoWords, RowWords, doubt};

const TEMPLATE: &str = include_str!("report.html");
const STYLE: &str = include_str!("report.css");

/// The answer as the report shows it, filled from the loss by source.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Summary {
    /// What this is about, as `Harvest loss, north field`.
    pub title: String,
    /// When it was made and by which version, one line; the report looks at no clock.
    pub made: String,
    /// The one number that is wanted, as loss in bu/ac.
    pub headline: Option<Figure>,
    /// Other numbers beside it, as beans per ft².
    pub figures: Vec<Figure>,
    /// Rows by place, check or setting.
    pub table: Table,
    /// Sentences on what the numbers rest on.
    pub notes: Vec<String>,
    /// Settings in force, name and value.
    pub settings: Vec<Setting>,
}

/// A number with limits and unit.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Figure {
    /// What it is, as `Loss behind the machine`.
    pub name: String,
    /// Value and 95 % limits.
    pub limits: Limits,
    /// Its unit, as `bu/ac`.
    pub unit: String,
    /// Decimals shown, at most 6.
    pub decimals: usize,
    /// What is said where the limits say nothing.
    pub too_few: Option<String>,
}

/// A table of words, as they are shown.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Table {
    /// Heads of the columns, units among them.
    pub heads: Vec<String>,
    /// Rows, each as long as `heads`.
    pub rows: Vec<Vec<String>>,
}

/// One setting.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Setting {
    /// Its name.
    pub name: String,
    /// Its value with unit.
    pub value: String,
}

/// One photo with its pictures.
#[derive(Debug, Clone, PartialEq)]
pub struct PhotoPart<'a> {
    /// What was counted.
    pub count: &'a PhotoCount,
    /// Its pictures, packed; made by [`pictures()`] in the run over the photos.
    pub pictures: Pictures,
    /// What a person said of it, where that is in `count`.
    pub said: Option<Said>,
}

/// Why the report could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum HtmlError {
    /// The template failed.
    #[error(
        "the confidence report could not be filled in; this is a fault of the tool, please report it"
    )]
    Template {
        /// What the template engine says.
        #[source]
        source: minijinja::Error,
    },
}

impl From<minijinja::Error> for HtmlError {
    fn from(source: minijinja::Error) -> Self {
        Self::Template { source }
    }
}

#[derive(Serialize)]
struct FigureWords {
    name: String,
    value: String,
    /// Whether `range` holds limits; else words in their place.
    limits: bool,
    range: String,
    unit: String,
}

impl FigureWords {
    fn new(figure: &Figure) -> Self {
        let decimals = figure.decimals.min(6);
        let put = |v: f64| format!("{v:.decimals$}").replace('-', "−");
        let Limits {
            estimate,
            low,
            high,
        } = figure.limits;
        Self {
            name: figure.name.clone(),
            value: put(estimate),
            limits: figure.too_few.is_none(),
            range: match &figure.too_few {
                Some(words) => words.clone(),
                None => format!("{} to {}", put(low), put(high)),
            },
            unit: figure.unit.clone(),
        }
    }
}

#[derive(Serialize)]
struct Page<'a> {
    style: Value,
    summary: &'a Summary,
    headline: Option<FigureWords>,
    figures: Vec<FigureWords>,
    model: &'a ModelName,
    tally: String,
    rows: Vec<RowWords>,
    photos: Vec<PhotoWords>,
    said: bool,
}

/// The confidence report as one HTML page.
///
/// Photos that were refused come first, then the counted ones, the widest limits (in beans per
/// ft², loose and in pods) first. Pictures are inside the page; about 0.2 MB a photo with the
/// ordinary [`PictureSettings`].
///
/// # Errors
/// [`HtmlError::Template`] when the built-in template cannot be filled, which a test rules out.
pub fn confidence_report<'a>(
    summary: &Summary,
    model: &ModelName,
    parts: impl IntoIterator<Item = PhotoPart<'a>>,
) -> Result<String, HtmlError> {
    let mut parts: Vec<PhotoPart> = parts.into_iter().collect();
    parts.sort_by(|a, b| {
        let key = |p: &PhotoPart| p.count.objects.iter().filter(|o| o.doubtful).count();
        doubt(b.count)
            .total_cmp(&doubt(a.count))
            .then_with(|| key(b).cmp(&key(a)))
            .then_with(|| a.count.photo.cmp(&b.count.photo))
    });
    let widest = parts
        .iter()
        .filter_map(|p| words::beans_per_ft2(p.count))
        .fold(0.0, |most, l| l.high.max(most));
    let page = Page {
        style: Value::from_safe_string(STYLE.to_owned()),
        summary,
        headline: summary.headline.as_ref().map(FigureWords::new),
        figures: summary.figures.iter().map(FigureWords::new).collect(),
        model,
        said: parts.iter().any(|p| p.said.is_some()),
        tally: words::tally(&parts),
        rows: parts
            .iter()
            .enumerate()
            .map(|(i, p)| RowWords::new(i + 1, p, widest))
            .collect(),
        photos: parts
            .iter()
            .enumerate()
            .map(|(i, p)| PhotoWords::new(i + 1, p))
            .collect(),
    };
    drop(parts);
    Ok(fill("report.html", TEMPLATE, page)?)
}

#[cfg(test)]
mod tests;

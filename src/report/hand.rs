//! Photo counts against hand counts on one page: how they agree, and the frames that do not, with their pictures.

use serde::Serialize;
use serde_json::json;

use super::{base64::encode, fill::fill};
use crate::contrast::{BothWays, PhotoAgainstHand};

/// What the page is made of.
pub struct HandPage<'a> {
    /// What was found.
    pub found: &'a PhotoAgainstHand,
    /// Name of the season.
    pub title: &'a str,
    /// The picture of a photo with its marks; `None` where there is none.
    pub picture: &'a dyn Fn(&str) -> Option<PhotoPicture>,
}

/// A photo as it is shown on the page.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct PhotoPicture {
    /// Small, with its marks; may be empty.
    pub small_jpeg: Vec<u8>,
    /// Where the large one lies, from the page; `None` where it was not drawn.
    pub link: Option<String>,
}

/// Why the page could not be made.
#[derive(Debug, thiserror::Error)]
#[error("the page of photo against hand counts could not be made")]
pub struct HandPageError(#[from] minijinja::Error);

/// One frame as the page shows it.
#[derive(Serialize)]
struct FrameView<'a> {
    photo: &'a str,
    by_photo: String,
    limits: String,
    by_hand: String,
    off: String,
    outside: bool,
    disagrees: bool,
    picture: Option<String>,
    link: Option<String>,
}

/// The page: what may be said, a drawing of the differences, and every frame, worst first.
///
/// # Errors
/// [`HandPageError`] when the template does not fit its values, which is a fault of this program.
pub fn hand_html(page: &HandPage<'_>) -> Result<String, HandPageError> {
    let found = page.found;
    let views: Vec<FrameView<'_>> = found.frames.iter().map(|f| view(f, page)).collect();
    let disagree = views.iter().filter(|v| v.disagrees).count();
    let values = json!({
        "title": page.title,
        "says": found.says,
        "disagree": disagree,
        "whole": views.len(),
        "concordance": found.concordance.map(|c| {
            format!("{:.2} (95 % limits {:.2} to {:.2})", c.estimate, c.low, c.high)
        }),
        "drawing": drawing(found),
        "frames": views,
        "version": env!("CARGO_PKG_VERSION"),
    });
    Ok(fill("hand.html", include_str!("hand.html"), values)?)
}

fn view<'a>(frame: &'a BothWays, page: &HandPage<'_>) -> FrameView<'a> {
    // Frames that agree need no picture: the page stays small enough to be sent on.
    let picture = (page.picture)(&frame.photo).filter(|_| frame.disagrees);
    let p = frame.by_photo;
    FrameView {
        photo: &frame.photo,
        by_photo: format!("{:.1}", p.estimate),
        limits: format!("{:.1} to {:.1}", p.low, p.high),
        by_hand: format!("{:.0}", frame.by_hand),
        off: format!("{:+.1}", p.estimate - frame.by_hand),
        outside: frame.by_hand < p.low || frame.by_hand > p.high,
        disagrees: frame.disagrees,
        link: picture.as_ref().and_then(|p| p.link.clone()),
        picture: picture
            .filter(|p| !p.small_jpeg.is_empty())
            .map(|p| format!("data:image/jpeg;base64,{}", encode(&p.small_jpeg))),
    }
}

/// Difference against mean for every frame, with the mean difference and the limits of agreement.
///
/// # Source
/// Bland & Altman (1986), Lancet 327:307.
fn drawing(found: &PhotoAgainstHand) -> String {
    const WIDE: f64 = 640.0;
    const HIGH: f64 = 300.0;
    let a = &found.agreement;
    let points: Vec<(f64, f64, bool)> = (found.frames.iter())
        .map(|f| {
            let photo = f.by_photo.estimate;
            ((photo + f.by_hand) / 2.0, photo - f.by_hand, f.disagrees)
        })
        .collect();
    let most_x = points.iter().map(|p| p.0).fold(1.0, f64::max) * 1.06;
    let ends = points.iter().map(|p| p.1).chain([a.low, a.high, 0.0]);
    let (low, high) = ends.fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
    let room = (0.1 * (high - low)).max(0.5);
    let (low, high) = (low - room, high + room);
    let x = |v: f64| 64.0 + v / most_x * (WIDE - 64.0 - 190.0);
    let y = |v: f64| 14.0 + (high - v) / (high - low) * (HIGH - 14.0 - 44.0);
    let mut svg = format!(
        "<svg viewBox=\"0 0 {WIDE} {HIGH}\" role=\"img\" aria-label=\"difference of photo and hand against their mean\" \
         font-size=\"13\">"
    );
    let (left, right) = (x(0.0), x(most_x));
    for (value, dash, words) in [
        (0.0, "", String::new()),
        (
            a.mean_difference,
            "7 4",
            format!("mean {:+.1}", a.mean_difference),
        ),
        (a.low, "2 3", format!("95 in 100 above {:+.1}", a.low)),
        (a.high, "2 3", format!("95 in 100 below {:+.1}", a.high)),
    ] {
        let at = y(value);
        svg.push_str(&format!(
            "<line x1=\"{left:.1}\" x2=\"{right:.1}\" y1=\"{at:.1}\" y2=\"{at:.1}\" stroke=\"#444\" stroke-dasharray=\"{dash}\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" fill=\"#333\">{words}</text>",
            right + 6.0,
            at + 4.0
        ));
    }
    for value in [low + room, 0.0, high - room] {
        svg.push_str(&format!(
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" fill=\"#333\">{}</text>",
            left - 6.0,
            y(value) + 4.0,
            if value == 0.0 {
                "0".to_owned()
            } else {
                format!("{value:+.0}")
            },
        ));
    }
    for (mean, off, disagrees) in points {
        // A disc or a cross, so that the two are told apart without colour.
        let (px, py) = (x(mean), y(off));
        svg.push_str(&if disagrees {
            format!(
                "<path d=\"M{:.1} {:.1}l10 10m0 -10l-10 10\" stroke=\"#8a2f16\" stroke-width=\"3\" fill=\"none\"/>",
                px - 5.0,
                py - 5.0
            )
        } else {
            format!("<circle cx=\"{px:.1}\" cy=\"{py:.1}\" r=\"4.5\" fill=\"#fff\" stroke=\"#1d1f1a\" stroke-width=\"1.6\"/>")
        });
    }
    svg.push_str(&format!(
        "<text x=\"{left:.1}\" y=\"{:.1}\" fill=\"#333\">0</text><text x=\"{right:.1}\" y=\"{:.1}\" text-anchor=\"end\" \
         fill=\"#333\">mean of photo and hand, up to {most_x:.0} beans a frame</text></svg>",
        HIGH - 12.0,
        HIGH - 12.0
    ));
    svg
}

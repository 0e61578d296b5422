//! Drawings of the loss page: plain SVG, no script. They read in grey: parts differ by pattern too.

use std::fmt::Write;

use super::near::{OnMap, not_on_map, on_map};
use crate::{
    counts::Limits,
    loss::{CheckLoss, Source, SourceLoss},
    text::turning_by_number,
};

/// Fill of a part: colour, and the number of its hatch.
fn fill(source: Source) -> (&'static str, &'static str) {
    match source {
        Source::PreHarvest => ("#8a8f7a", "none"),
        Source::Shatter => ("#c2843a", "url(#h1)"),
        Source::Stubble => ("#e0b96a", "url(#h2)"),
        Source::Lodged => ("#9c5f2e", "none"),
        Source::LooseStalks => ("#d8c9a3", "url(#h3)"),
        _ => ("#3f6073", "none"),
    }
}

const PATTERNS: &str = "<defs>\
<pattern id=\"h1\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
<rect width=\"2\" height=\"7\" fill=\"#fff\" fill-opacity=\".55\"/></pattern>\
<pattern id=\"h2\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(-45)\">\
<rect width=\"2\" height=\"7\" fill=\"#333\" fill-opacity=\".45\"/></pattern>\
<pattern id=\"h3\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\">\
<circle cx=\"3\" cy=\"3\" r=\"1.3\" fill=\"#333\"/></pattern></defs>";

/// Escapes what a person typed, for text in markup; characters that turn the letters about them are shown by number.
pub(crate) fn escaped(text: &str) -> String {
    turning_by_number(text)
        .replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

/// A step of 1, 2 or 5 times a power of ten that gives at most `most` steps.
fn nice_step(span: f64, most: f64) -> f64 {
    let raw = (span / most).max(1e-9);
    let power = 10_f64.powf(raw.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .find(|s| s * power >= raw * 0.999);
    step.unwrap_or(10.0) * power
}

/// A figure with as many places as its step needs.
fn figure(value: f64, step: f64) -> String {
    let places = (-(step.log10().floor())).clamp(0.0, 3.0) as usize;
    let value = if value.abs() < step * 1e-6 {
        0.0
    } else {
        value
    };
    format!("{value:.places$}")
}

/// One line of the bars: a name and a loss.
pub(super) struct Line<'a> {
    pub name: String,
    pub loss: &'a SourceLoss,
}

/// Left end of the drawing's axis and its width, in its own units.
const LEFT: f64 = 190.0;
const WIDE: f64 = 570.0;

/// The parts of each line stacked, with the total's limits, and below them each part with its own limits.
pub(super) fn bars(lines: &[Line<'_>], unit: &str, factor: f64) -> String {
    let of = |loss: &SourceLoss, source| {
        loss.get(source)
            .map(|s| crate::loss::scaled(s.amount.bu_per_ac, factor))
    };
    let (mut low, mut high) = (0.0_f64, 0.0_f64);
    for line in lines {
        let stack: f64 = parts(line.loss)
            .map(|s| of(line.loss, s).map_or(0.0, |l| l.estimate.max(0.0)))
            .sum();
        high = high.max(stack);
        for source in parts(line.loss).chain([Source::Total]) {
            if let Some(limits) = of(line.loss, source) {
                low = low.min(limits.low);
                high = high.max(limits.high);
            }
        }
    }
    // Limits without end would press everything else flat: the axis ends, and an arrow says so.
    let widest_stack = lines
        .iter()
        .map(|l| {
            parts(l.loss)
                .map(|s| of(l.loss, s).map_or(0.0, |x| x.estimate.abs()))
                .sum::<f64>()
        })
        .fold(0.0, f64::max);
    let high = high.min(3.0 * widest_stack).max(1e-6);
    let low = low.max(-widest_stack);
    let x = |value: f64| LEFT + (value.clamp(low, high) - low) / (high - low) * WIDE;
    let mut svg = String::new();
    let mut y = 28.0;
    for line in lines {
        label(&mut svg, &line.name, y);
        let mut from = 0.0;
        for source in parts(line.loss) {
            let Some(limits) = of(line.loss, source).filter(|l| l.estimate > 0.0) else {
                continue;
            };
            segment(
                &mut svg,
                source,
                x(from),
                x(from + limits.estimate),
                y,
                30.0,
                &figure(limits.estimate, 0.1),
            );
            from += limits.estimate;
        }
        if let Some(total) = of(line.loss, Source::Total).or_else(|| of(line.loss, Source::Header))
        {
            whisker(&mut svg, total, (low, high), &x, y + 40.0, 5.0);
        }
        y += 58.0;
        if lines.len() == 1 {
            y = single_parts(&mut svg, line.loss, factor, (low, high), &x, y);
        }
    }
    axis(&mut svg, (low, high), &x, y, unit);
    let height = y + 46.0;
    format!(
        "<svg viewBox=\"0 0 800 {height:.0}\" role=\"img\" aria-label=\"Loss by source with 95 % limits, {unit}\" \
         font-size=\"14\">{PATTERNS}{svg}</svg>"
    )
}

fn parts(loss: &SourceLoss) -> impl Iterator<Item = Source> + '_ {
    loss.sources
        .iter()
        .map(|s| s.source)
        .filter(|s| s.is_part())
}

fn segment(svg: &mut String, source: Source, x0: f64, x1: f64, y: f64, high: f64, label: &str) {
    let (colour, hatch) = fill(source);
    let wide = (x1 - x0).max(0.5);
    let _ = write!(
        svg,
        "<g><title>{}: {label}</title><rect x=\"{x0:.1}\" y=\"{y:.1}\" width=\"{wide:.1}\" height=\"{high}\" \
         fill=\"{colour}\" stroke=\"#222\" stroke-width=\".8\"/>",
        source.title()
    );
    if hatch != "none" {
        let _ = write!(
            svg,
            "<rect x=\"{x0:.1}\" y=\"{y:.1}\" width=\"{wide:.1}\" height=\"{high}\" fill=\"{hatch}\"/>"
        );
    }
    svg.push_str("</g>");
}

/// A name left of its bar, on two lines where it is long.
fn label(svg: &mut String, name: &str, y: f64) {
    const LONGEST: usize = 24;
    let letters: Vec<char> = name.chars().collect();
    let (first, second) = if letters.len() <= LONGEST {
        (name.to_owned(), String::new())
    } else {
        let space = letters[..LONGEST].iter().rposition(|c| c.is_whitespace());
        let cut = space.unwrap_or(LONGEST);
        let rest: String = letters[cut..].iter().collect::<String>().trim().to_owned();
        let short: String = rest.chars().take(LONGEST).collect();
        let dots = if rest.chars().count() > LONGEST {
            "…"
        } else {
            ""
        };
        (letters[..cut].iter().collect(), format!("{short}{dots}"))
    };
    let top = if second.is_empty() {
        y + 21.0
    } else {
        y + 12.0
    };
    for (number, text) in [first, second].iter().enumerate() {
        let _ = write!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" font-weight=\"600\">{}</text>",
            LEFT - 10.0,
            top + 17.0 * number as f64,
            escaped(text)
        );
    }
}

/// Each part on its own row, from zero, with its limits.
fn single_parts(
    svg: &mut String,
    loss: &SourceLoss,
    factor: f64,
    ends: (f64, f64),
    x: &impl Fn(f64) -> f64,
    mut y: f64,
) -> f64 {
    for source in parts(loss) {
        let Some(limits) = loss
            .get(source)
            .map(|s| crate::loss::scaled(s.amount.bu_per_ac, factor))
        else {
            continue;
        };
        let _ = write!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
            LEFT - 10.0,
            y + 15.0,
            source.title()
        );
        let (a, b) = (x(limits.estimate.min(0.0)), x(limits.estimate.max(0.0)));
        segment(
            svg,
            source,
            a,
            b,
            y + 2.0,
            16.0,
            &figure(limits.estimate, 0.01),
        );
        whisker(svg, limits, ends, x, y + 10.0, 4.0);
        y += 28.0;
    }
    y
}

/// The limits as a line with a dot at the estimate; an arrow where it goes on beyond the axis.
fn whisker(
    svg: &mut String,
    limits: Limits,
    (low, high): (f64, f64),
    x: &impl Fn(f64) -> f64,
    y: f64,
    dot: f64,
) {
    let (a, b) = (x(limits.low), x(limits.high));
    let _ = write!(
        svg,
        "<path d=\"M{a:.1} {y:.1}H{b:.1}\" stroke=\"#fff\" stroke-width=\"5\"/><path d=\"M{a:.1} {y:.1}H{b:.1}\" \
         stroke=\"#111\" stroke-width=\"2\"/><circle cx=\"{:.1}\" cy=\"{y:.1}\" r=\"{dot}\" fill=\"#111\" stroke=\"#fff\"/>",
        x(limits.estimate)
    );
    for (end, beyond, way) in [(a, limits.low < low, -1.0), (b, limits.high > high, 1.0)] {
        let d = if beyond {
            format!(
                "M{end:.1} {:.1}l{:.1} 6l{:.1} 6",
                y - 6.0,
                8.0 * way,
                -8.0 * way
            )
        } else {
            format!("M{end:.1} {:.1}v10", y - 5.0)
        };
        let _ = write!(
            svg,
            "<path d=\"{d}\" stroke=\"#111\" stroke-width=\"2\" fill=\"none\"/>"
        );
    }
}

fn axis(svg: &mut String, (low, high): (f64, f64), x: &impl Fn(f64) -> f64, y: f64, unit: &str) {
    let step = nice_step(high - low, 8.0);
    let mut at = (low / step).ceil() * step;
    while at <= high + 1e-9 {
        let _ = write!(
            svg,
            "<path d=\"M{0:.1} 20V{1:.1}\" stroke=\"#222\" stroke-opacity=\"{2}\" stroke-width=\"1\"/><text x=\"{0:.1}\" \
             y=\"{3:.1}\" text-anchor=\"middle\">{4}</text>",
            x(at),
            y + 4.0,
            if at.abs() < 1e-9 { ".9" } else { ".16" },
            y + 20.0,
            figure(at, step)
        );
        at += step;
    }
    let _ = write!(
        svg,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" fill=\"#555\">{unit}</text>",
        LEFT + WIDE,
        y + 40.0
    );
}

/// The fills and their names.
pub(super) fn key(loss: &SourceLoss) -> String {
    let mut html = String::from("<ul class=\"key\">");
    for source in parts(loss) {
        let mut swatch = String::new();
        segment(&mut swatch, source, 1.0, 27.0, 1.0, 14.0, "");
        let _ = write!(
            html,
            "<li><svg width=\"28\" height=\"16\" viewBox=\"0 0 28 16\" aria-hidden=\"true\">{swatch}</svg> {}</li>",
            source.title()
        );
    }
    html.push_str("</ul>");
    html
}

/// The checks, and whether each stands on the map.
fn on_the_map(checks: &[CheckLoss]) -> impl Iterator<Item = (&CheckLoss, OnMap)> {
    let positions: Vec<_> = checks.iter().map(|check| check.position).collect();
    checks.iter().zip(on_map(&positions))
}

/// What is said of checks that are not on the map.
pub(super) fn off_map(checks: &[CheckLoss]) -> String {
    not_on_map(on_the_map(checks).map(|(check, on)| (format!("check {}", check.check), on)))
}

/// Checks where they lay: circles as large as the total loss, north up. Empty where no check has a position.
pub(super) fn map(checks: &[CheckLoss], unit: &str, factor: f64) -> String {
    let placed: Vec<(&CheckLoss, f64, f64)> = on_the_map(checks)
        .filter(|(_, on)| *on == OnMap::Yes)
        .filter_map(|(c, _)| c.position.map(|p| (c, p.lon_deg, p.lat_deg)))
        .collect();
    let n = placed.len() as f64;
    if placed.is_empty() {
        return String::new();
    }
    let mid_lat = placed.iter().map(|p| p.2).sum::<f64>() / n;
    let mid_lon = placed.iter().map(|p| p.1).sum::<f64>() / n;
    // Metres east and north of the middle, on a plane: good to a metre over a field.
    let m_per_deg = 111_195.0;
    let at: Vec<(f64, f64)> = (placed.iter())
        .map(|p| {
            (
                (p.1 - mid_lon) * m_per_deg * mid_lat.to_radians().cos(),
                (p.2 - mid_lat) * m_per_deg,
            )
        })
        .collect();
    let span = |f: fn(&(f64, f64)) -> f64| {
        let low = at.iter().map(f).fold(f64::INFINITY, f64::min);
        (low, at.iter().map(f).fold(f64::NEG_INFINITY, f64::max))
    };
    let ((w, e), (s, north)) = (span(|p| p.0), span(|p| p.1));
    let (wide, high) = (800.0, 440.0);
    // Room about the outermost middles for the largest circle and the words below it.
    let (room_x, room_y) = (80.0, 52.0);
    let scale = ((wide - 2.0 * room_x) / (e - w).max(40.0))
        .min((high - 2.0 * room_y) / (north - s).max(25.0));
    let metres = (wide - 2.0 * room_x) / scale;
    let largest = checks
        .iter()
        .filter_map(|c| c.total_bu_per_ac)
        .map(|l| l.estimate)
        .fold(1e-9, f64::max);
    let mut svg = String::new();
    for ((check, ..), (x_m, y_m)) in placed.iter().zip(&at) {
        let x = 400.0 + (x_m - (w + e) / 2.0) * scale;
        let y = 220.0 - (y_m - (s + north) / 2.0) * scale;
        let (radius, words) = match check.total_bu_per_ac {
            Some(total) => (
                6.0 + 20.0 * (total.estimate.max(0.0) / largest).sqrt(),
                format!("{}: {:.1}", check.check, total.estimate * factor),
            ),
            None => (6.0, format!("{}: no total", check.check)),
        };
        let _ = write!(
            svg,
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\" fill=\"#c2843a\" fill-opacity=\".65\" stroke=\"#222\"/>\
             <text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\" stroke=\"#fff\" stroke-width=\"4\" \
             paint-order=\"stroke\">{}</text>",
            y + radius + 16.0,
            escaped(&words)
        );
    }
    let bar_m = nice_step(metres, 5.0);
    let (rect, whole, below, bar) = (high - 2.0, high + 34.0, high + 14.0, bar_m * scale);
    format!(
        "<svg viewBox=\"0 0 800 {whole:.0}\" role=\"img\" aria-label=\"Checks by position, total loss in {unit}\" \
         font-size=\"14\"><rect x=\"1\" y=\"1\" width=\"798\" height=\"{rect:.0}\" fill=\"#f6f3ea\" stroke=\"#999\"/>{svg}\
         <path d=\"M20 {below:.1}h{bar:.1}\" stroke=\"#111\" stroke-width=\"3\"/><text x=\"{:.1}\" y=\"{:.1}\">{bar_m:.0} \
         m</text><path d=\"M770 52V20m-7 9l7 -10l7 10\" stroke=\"#111\" stroke-width=\"2\" fill=\"none\"/><text x=\"770\" \
         y=\"68\" text-anchor=\"middle\">N</text></svg>",
        28.0 + bar,
        below + 5.0,
    )
}

/// Total loss check by check in the order of time, with limits. Empty with fewer than two.
pub(super) fn trend(checks: &[CheckLoss], unit: &str, factor: f64) -> String {
    let told: Vec<(&CheckLoss, Limits)> = checks
        .iter()
        .filter_map(|c| Some((c, crate::loss::scaled(c.total_bu_per_ac?, factor))))
        .collect();
    if told.len() < 2 {
        return String::new();
    }
    let top_estimate = told.iter().map(|t| t.1.estimate).fold(0.0, f64::max);
    let high = told
        .iter()
        .map(|t| t.1.high)
        .fold(0.0, f64::max)
        .min(2.5 * top_estimate)
        .max(1e-6);
    let low = told
        .iter()
        .map(|t| t.1.low)
        .fold(0.0, f64::min)
        .max(-top_estimate);
    let y = |v: f64| 250.0 - (v.clamp(low, high) - low) / (high - low) * 220.0;
    let step = 720.0 / told.len() as f64;
    let mut svg = String::new();
    let tick = nice_step(high - low, 5.0);
    let mut at = (low / tick).ceil() * tick;
    while at <= high + 1e-9 {
        let _ = write!(
            svg,
            "<path d=\"M60 {0:.1}H790\" stroke=\"#222\" stroke-opacity=\".16\"/><text x=\"52\" y=\"{1:.1}\" \
             text-anchor=\"end\">{2}</text>",
            y(at),
            y(at) + 5.0,
            figure(at, tick)
        );
        at += tick;
    }
    let every = (told.len() as f64 / 16.0).ceil() as usize;
    for (i, (check, limits)) in told.iter().enumerate() {
        let x = 70.0 + (i as f64 + 0.5) * step;
        let open = if limits.high > high {
            "m-5 7l5 -8l5 8"
        } else {
            "m-5 0h10"
        };
        let _ = write!(
            svg,
            "<path d=\"M{x:.1} {:.1}V{:.1}{open}\" stroke=\"#111\" stroke-width=\"2\" fill=\"none\"/><circle cx=\"{x:.1}\" \
             cy=\"{:.1}\" r=\"5\" fill=\"#c2843a\" stroke=\"#111\"/>",
            y(limits.low),
            y(limits.high),
            y(limits.estimate)
        );
        if i % every == 0 {
            let day = check
                .taken
                .as_deref()
                .and_then(|t| t.get(5..10))
                .unwrap_or("");
            let _ = write!(
                svg,
                "<text x=\"{x:.1}\" y=\"272\" text-anchor=\"middle\">{}</text><text x=\"{x:.1}\" y=\"289\" \
                 text-anchor=\"middle\" font-size=\"11\" fill=\"#555\">{}</text>",
                escaped(&check.check),
                escaped(day)
            );
        }
    }
    format!(
        "<svg viewBox=\"0 0 800 296\" role=\"img\" aria-label=\"Total loss check by check, {unit}\" font-size=\"13\">\
         <text x=\"60\" y=\"16\" fill=\"#555\">{unit}</text>{svg}</svg>"
    )
}

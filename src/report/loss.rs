//! The loss page: one self-contained HTML file, read at the kitchen table, printed on two sheets.

use serde::Serialize;
use serde_json::json;

use super::fill::fill;
pub use super::loss_files::{checks_geojson, loss_csv, loss_json};
use super::loss_svg::{Line, bars, key, map, off_map, trend};
use crate::{
    annotate::words::capital,
    contrast::{Contrast, SourceContrast},
    counts::Limits,
    loss::{
        Amount, Basis, Evidence, FrameLoss, Loss, LossCaution, RestsOn, SeasonLoss, Source,
        SourceLoss, total_in_pods,
    },
    next::{Next, SAFETY},
    plan::{TOO_FEW, TooFew},
    season::LossUnit,
    units::{grouped, plural},
};

/// What the page is made of.
#[derive(Debug, Clone, Copy)]
pub struct LossPage<'a> {
    /// The loss.
    pub season: &'a SeasonLoss,
    /// The frames it rests on.
    pub frames: &'a [FrameLoss],
    /// What to look at next.
    pub next: Option<&'a Next>,
    /// Settings set against each other.
    pub contrasts: &'a [Contrast],
    /// Unit in which losses are told first.
    pub unit: LossUnit,
    /// Name of the season, as its folder.
    pub title: &'a str,
}

/// Why the page could not be made.
#[derive(Debug, thiserror::Error)]
#[error("the loss page could not be made")]
pub struct LossPageError(#[from] minijinja::Error);

/// A figure and, below it, its limits.
#[derive(Serialize, Default)]
struct Cell {
    figure: String,
    limits: String,
}

impl Cell {
    /// `instead`: what is said where the limits say nothing.
    fn of(limits: Limits, instead: Option<&str>) -> Self {
        let places = places_for(limits, instead);
        Self {
            figure: grouped(limits.estimate, places),
            limits: match instead {
                Some(words) => words.to_owned(),
                None => format!(
                    "{} to {}",
                    grouped(limits.low, places),
                    grouped(limits.high, places)
                ),
            },
        }
    }
}

#[derive(Serialize)]
struct Row {
    title: &'static str,
    sum: bool,
    cells: Vec<Cell>,
    rests_on: String,
}

/// The page.
///
/// # Errors
/// [`LossPageError`] when the template does not fit its values, which is a fault of this program.
pub fn loss_html(page: &LossPage<'_>) -> Result<String, LossPageError> {
    let season = page.season;
    let (unit, factor) = (
        page.unit.name(),
        page.unit.in_one_bushel(&season.assumptions),
    );
    let too_few = TooFew::of(&season.all);
    let lines = [Line {
        name: "All frames".to_owned(),
        loss: &season.all,
    }];
    let by_setting: Vec<Line<'_>> = (season.by_setting.iter())
        .map(|(setting, loss)| Line {
            name: setting.clone(),
            loss,
        })
        .collect();
    let setting_bars = if by_setting.is_empty() {
        String::new()
    } else {
        bars(&by_setting, unit, factor)
    };
    let (heads, rows) = table(page, &too_few);
    let values = json!({
        "title": page.title,
        "answer": answer(page, &too_few, unit, factor),
        "bars": bars(&lines, unit, factor),
        "key": key(&season.all),
        "setting_bars": setting_bars,
        "contrasts": page.contrasts.iter().map(|c| contrast_view(c, factor)).collect::<Vec<_>>(),
        "heads": heads,
        "rows": rows,
        "places": season.all.places,
        "place_limits": season.all.places.iter().map(|p| place_limits(p, &too_few)).collect::<Vec<_>>(),
        "next": page.next,
        "next_title": page.next.map(|n| n.source.title()),
        "next_amount": page.next.map(|n| {
            let instead = next_instead(n, &season.all, &too_few);
            range(crate::loss::scaled(n.bu_per_ac, factor), unit, instead)
        }),
        "map": map(&season.checks, unit, factor),
        "off_map": off_map(&season.checks),
        "trend": trend(&season.checks, unit, factor),
        "unit": unit,
        "rests": rests_on(page.frames),
        "seeds": season.all.seeds,
        "ratio": season.all.ratio,
        "cautions": season.all.cautions.iter().map(|c| capital(&c.message)).collect::<Vec<_>>(),
        "assumptions": season.assumptions,
        "concentration": season.assumptions.concentration(),
        "safety": SAFETY,
        "version": env!("CARGO_PKG_VERSION"),
    });
    Ok(fill("loss.html", include_str!("loss.html"), values)?)
}

#[derive(Serialize)]
struct ContrastView<'a> {
    first: &'a str,
    second: &'a str,
    pairs: usize,
    rows: Vec<ContrastRow>,
    warnings: &'a [String],
}

#[derive(Serialize)]
struct ContrastRow {
    title: &'static str,
    sum: bool,
    first: Cell,
    second: Cell,
    change: Cell,
    p: String,
    verdict: &'static str,
}

/// A contrast for the page; sources of which nothing was found under either setting are left out.
fn contrast_view(contrast: &Contrast, factor: f64) -> ContrastView<'_> {
    let seen = |s: &&SourceContrast| {
        s.first_bu_per_ac.estimate != 0.0 || s.second_bu_per_ac.estimate != 0.0
    };
    let cell = |limits: Limits| {
        let instead = contrast.too_wide(&limits).then_some(TOO_FEW);
        Cell::of(crate::loss::scaled(limits, factor), instead)
    };
    ContrastView {
        first: &contrast.first,
        second: &contrast.second,
        pairs: contrast.pairs,
        warnings: &contrast.warnings,
        rows: (contrast.sources.iter().filter(seen))
            .map(|s| ContrastRow {
                title: s.source.title(),
                sum: !s.source.is_part(),
                first: cell(s.first_bu_per_ac),
                second: cell(s.second_bu_per_ac),
                change: cell(s.change_bu_per_ac),
                p: if s.p < 0.001 {
                    "< 0.001".to_owned()
                } else {
                    format!("{:.3}", s.p)
                },
                verdict: s.verdict.words(),
            })
            .collect(),
    }
}

/// Decimal places for a number and its limits. `instead`: words that stand in the place of the limits.
pub(crate) fn places_for(limits: Limits, instead: Option<&str>) -> usize {
    let high = instead.map_or(limits.high.abs(), |_| 0.0);
    let most = limits.estimate.abs().max(high);
    if most >= 100.0 {
        0
    } else if most >= 10.0 {
        1
    } else {
        2
    }
}

/// "2.31 (1.80 to 2.90) bu/ac", or "2.31 (too few frames to say) bu/ac".
fn range(limits: Limits, unit: &str, instead: Option<&str>) -> String {
    let Cell { figure, limits } = Cell::of(limits, instead);
    format!("{figure} ({limits}) {unit}").trim_end().to_owned()
}

/// The mean of a place with its limits, or the words in their place.
fn place_limits(place: &Evidence, too_few: &TooFew) -> String {
    let l = place.beans_per_ft2;
    if too_few.hides_density(&l) {
        format!("{:.2} ({TOO_FEW})", l.estimate)
    } else {
        format!("{:.2} ({:.2} to {:.2})", l.estimate, l.low, l.high)
    }
}

fn next_instead(next: &Next, loss: &SourceLoss, too_few: &TooFew) -> Option<&'static str> {
    too_few.short(&loss.get(next.source)?.amount)
}

#[derive(Serialize)]
struct Answer {
    what: &'static str,
    figure: String,
    limits: String,
    money: Option<String>,
    percent: Option<String>,
    in_pods: Option<String>,
    rests_on: String,
}

/// The one number first: the total, or as much of it as can be told.
fn answer(page: &LossPage<'_>, too_few: &TooFew, unit: &str, factor: f64) -> Option<Answer> {
    let loss = &page.season.all;
    let source = [
        Source::Total,
        Source::Machine,
        Source::Header,
        Source::PreHarvest,
    ]
    .into_iter()
    .find_map(|source| loss.get(source))?;
    let limits = crate::loss::scaled(source.amount.bu_per_ac, factor);
    let instead = too_few.short(&source.amount);
    let cell = Cell::of(limits, instead);
    let also = |limits, unit: &str| match instead {
        Some(_) => format!("{} {unit}", Cell::of(limits, instead).figure),
        None => range(limits, unit, None),
    };
    let currency = &page.season.assumptions.currency;
    Some(Answer {
        what: match source.source {
            Source::Total => "stay in the field, all told",
            Source::Machine => "are lost at header and machine",
            Source::Header => "are lost at the header; the machine is not known",
            _ => "fell before harvest; the rest is not known",
        },
        figure: format!("{} {unit}", cell.figure),
        limits: match too_few.words(&source.amount) {
            Some(words) => words,
            None => format!("95 % limits {}", cell.limits),
        },
        money: (source.amount.money)
            .zip(page.season.assumptions.area_ac)
            .map(|(m, acres)| format!("{} over {acres:.0} acres", also(m, currency)))
            .or_else(|| {
                source
                    .amount
                    .money_per_ac
                    .map(|m| format!("{} an acre", also(m, currency)))
            }),
        percent: source
            .amount
            .percent_of_yield
            .map(|p| also(p, "% of yield and loss together")),
        in_pods: total_in_pods(loss, page.frames, &page.season.assumptions)
            .filter(|bu| *bu > 0.0)
            .map(|bu| {
                let bu = bu * factor;
                format!(
                    "{} {unit}",
                    grouped(bu, places_for(Limits::exactly(bu), None))
                )
            }),
        rests_on: by_whom(&source.rests_on),
    })
}

/// How many frames nobody but the tool has looked at, how many were confirmed, how many counted by hand.
fn by_whom(on: &RestsOn) -> String {
    let alone = on.photo + on.ratio;
    let ratio = match on.ratio {
        0 => "",
        _ => " and put right by the ratio",
    };
    let all = plural(alone + on.confirmed + on.hand, "frame");
    let pods = match on.hand_pods {
        0 => String::new(),
        n => format!("; pods that hang were counted by hand on {n}"),
    };
    if on.confirmed + on.hand == 0 && on.ratio > 0 {
        return format!(
            "rests on {all}, counted by the tool{ratio} to frames that a person counted{pods}"
        );
    }
    if on.confirmed + on.hand == 0 {
        return format!(
            "rests on {all}, by the tool alone: nobody has confirmed or counted one{pods}"
        );
    }
    let kinds = [
        (alone, format!("by the tool alone{ratio}")),
        (on.confirmed, "confirmed by a person".to_owned()),
        (on.hand, "counted by hand".to_owned()),
    ];
    let told = (kinds.into_iter())
        .filter(|(n, _)| *n > 0)
        .map(|(n, how)| format!("{n} {how}"));
    format!(
        "rests on {all}, {}{pods}",
        told.collect::<Vec<_>>().join(", ")
    )
}

type Column = (String, Box<dyn Fn(&Amount) -> Option<Limits>>);

/// The table: sources down, units across; units that nobody asked for are left out.
fn table(page: &LossPage<'_>, too_few: &TooFew) -> (Vec<String>, Vec<Row>) {
    let loss = &page.season.all;
    let currency = page.season.assumptions.currency.clone();
    let all: Vec<Column> = vec![
        (
            "beans/ft²".to_owned(),
            Box::new(|a: &Amount| Some(a.beans_per_ft2)),
        ),
        ("bu/ac".to_owned(), Box::new(|a: &Amount| Some(a.bu_per_ac))),
        ("lb/ac".to_owned(), Box::new(|a: &Amount| Some(a.lb_per_ac))),
        ("kg/ha".to_owned(), Box::new(|a: &Amount| Some(a.kg_per_ha))),
        (
            "% of yield and loss".to_owned(),
            Box::new(|a: &Amount| a.percent_of_yield),
        ),
        (
            format!("{currency} an acre"),
            Box::new(|a: &Amount| a.money_per_ac),
        ),
        (format!("{currency} in all"), Box::new(|a: &Amount| a.money)),
    ];
    let used: Vec<&Column> = all
        .iter()
        .filter(|(_, of)| loss.sources.iter().any(|s| of(&s.amount).is_some()))
        .collect();
    let rows = loss
        .sources
        .iter()
        .map(|source| Row {
            title: source.source.title(),
            sum: !source.source.is_part(),
            cells: used
                .iter()
                .map(|(_, of)| {
                    let instead = too_few.short(&source.amount);
                    of(&source.amount).map_or_else(Cell::default, |l| Cell::of(l, instead))
                })
                .collect(),
            rests_on: in_words(&source.rests_on),
        })
        .collect();
    (used.iter().map(|c| c.0.clone()).collect(), rows)
}

fn in_words(on: &RestsOn) -> String {
    [
        (on.photo, "by photo"),
        (on.confirmed, "by photo, confirmed"),
        (on.ratio, "by photo × ratio"),
        (on.hand, "by hand"),
        (on.hand_pods, "by hand (pods)"),
    ]
    .into_iter()
    .filter(|(n, _)| *n > 0)
    .map(|(n, word)| format!("{n} {word}"))
    .collect::<Vec<_>>()
    .join(", ")
}

#[derive(Serialize)]
struct Rests {
    basis: &'static str,
    says: &'static str,
    frames: String,
    photos: String,
}

/// What rests on photos, what on hand counts, with the photos named.
fn rests_on(frames: &[FrameLoss]) -> Vec<Rests> {
    let kinds = [
        (Basis::Photo, "counted by photo as it stands"),
        (
            Basis::Confirmed,
            "counted by photo, put right by a person's marks",
        ),
        (
            Basis::Ratio,
            "counted by photo, put right by the ratio to the hand counts or the confirmed photos",
        ),
        (Basis::Hand, "counted by hand"),
    ];
    let mut all = Vec::new();
    for (basis, says) in kinds {
        let names: Vec<&str> = frames
            .iter()
            .filter(|f| f.basis == basis)
            .map(|f| f.photo.as_str())
            .collect();
        if !names.is_empty() {
            all.push(Rests {
                basis: basis.word(),
                says,
                frames: plural(names.len(), "frame"),
                photos: names.join(", "),
            });
        }
    }
    all
}

/// The loss in a few lines, for a terminal: in the unit asked for, and in one of the other system.
pub fn loss_text(loss: &SourceLoss, unit: LossUnit) -> String {
    let too_few = TooFew::of(loss);
    let other = match unit {
        LossUnit::KgPerHa => LossUnit::BuPerAc,
        LossUnit::BuPerAc | LossUnit::LbPerAc => LossUnit::KgPerHa,
    };
    let row = |title: &str, one: &str, two: &str| format!("{title:<26}{one:>28}  {two}\n");
    let mut text = row("", &format!("{} (95 % limits)", unit.name()), other.name());
    for source in &loss.sources {
        let instead = too_few.short(&source.amount);
        let [one, two] = [unit, other].map(|unit| range(unit.of(&source.amount), "", instead));
        text.push_str(&row(source.source.title(), &one, &two));
    }
    if loss.sources.iter().any(|s| too_few.hides(&s.amount)) {
        text.push_str(&format!("{TOO_FEW} how sure: {}\n", too_few.what_to_do()));
    }
    text.extend(loss.cautions.iter().map(LossCaution::line));
    text
}

/// The loss over all frames together, for a terminal.
pub fn loss_over_text(loss: &Loss) -> String {
    let a = &loss.amount;
    let too_few = TooFew::over(loss);
    let instead = too_few.short(a);
    let mut text = format!(
        "{}, {:.2} m² of ground, {:.1} beans\n{}\n{}\n{}\n{}\n  of it in pods: {}\n",
        plural(loss.frames, "frame"),
        loss.area_m2,
        loss.beans,
        range(a.beans_per_ft2, "beans/ft²", instead),
        range(a.bu_per_ac, "bu/ac", instead),
        range(a.lb_per_ac, "lb/ac", instead),
        range(a.kg_per_ha, "kg/ha", instead),
        // Their limits follow those of the whole.
        range(loss.in_pods.bu_per_ac, "bu/ac", instead),
    );
    if let Some(words) = too_few.words(a) {
        text.push_str(&format!("{words}\n"));
    }
    text.extend(loss.cautions.iter().map(LossCaution::line));
    text
}

/// What to look at next, for a terminal.
pub fn next_text(next: &Next, loss: &SourceLoss, unit: LossUnit) -> String {
    let instead = next_instead(next, loss, &TooFew::of(loss));
    let amount = loss.get(next.source).map(|source| unit.of(&source.amount));
    let (limits, unit) = match amount {
        Some(limits) => (limits, unit),
        None => (next.bu_per_ac, LossUnit::BuPerAc),
    };
    let mut text = format!(
        "Look at next: {}, {}; {}.\n",
        next.source.title(),
        range(limits, unit.name(), instead),
        next.how_sure
    );
    for remedy in &next.look_at {
        text.push_str(&format!("  - {}\n", remedy.what));
    }
    for out in &next.outside_manual {
        text.push_str(&format!(
            "  {} = {} in '{}' is outside the manual's range, {} to {}\n",
            out.name, out.value, out.setting, out.range.least, out.range.most
        ));
    }
    for line in next.manner.iter().chain(&next.safety) {
        text.push_str(&format!("  {line}\n"));
    }
    text
}

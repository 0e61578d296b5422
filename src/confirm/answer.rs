//! The answer as it now stands, how wide its limits are, and whether more confirming would narrow them.

use serde::Serialize;

use crate::{
    annotate::words::capital,
    counts::Limits,
    loss::{Assumptions, Basis, FrameLoss, LossCaution, Source, loss_by_source, loss_over},
    plan::{TOO_FEW, TooFew},
    report::loss::places_for,
};

/// One number for the page.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Figure {
    /// What it is of.
    pub name: String,
    /// With limits.
    pub limits: Limits,
    /// Its unit.
    pub unit: &'static str,
    /// Decimals that it is shown with.
    pub decimals: usize,
    /// What is said where the limits say nothing.
    pub too_few: Option<String>,
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Answer {
    /// The number first looked at.
    pub first: Figure,
    /// Further ones: each source, where places are told.
    pub more: Vec<Figure>,
    /// Half the width of the first one's limits, % of it.
    pub half_width_pct: f64,
    /// The same in words; empty where the limits say nothing.
    pub half_width: String,
    /// The same, were every photo confirmed as it now is: what confirming cannot narrow.
    pub least_half_width_pct: f64,
    /// Half-width that is wished, %.
    pub wished_pct: f64,
    /// Whether it is narrow enough.
    pub enough: bool,
    /// What to do, one sentence.
    pub says: String,
    /// Doubts about it.
    pub cautions: Vec<String>,
}

/// The answer over these frames; `None` where there is none yet.
///
/// - `wished_pct` and `least`: half-width that is wished, and the least that can be had where it is known already, %.
pub fn answer(
    frames: &[FrameLoss],
    cautions: &[LossCaution],
    assumptions: &Assumptions,
    (wished_pct, least): (f64, Option<f64>),
) -> Option<Answer> {
    let (first, more, mut told) = figures(frames, assumptions)?;
    let least = match least {
        Some(least) => least,
        None => {
            let sure: Vec<FrameLoss> = frames.iter().map(as_if_confirmed).collect();
            half_width(&figures(&sure, assumptions)?.0.limits)
        }
    };
    let half_width_pct = half_width(&first.limits);
    // What is drawn at random moves the last digits: it is never told as wider than what there is.
    let least_half_width_pct = least.min(half_width_pct);
    told.splice(0..0, cautions.iter().map(|c| c.message.clone()));
    let enough = first.too_few.is_none() && half_width_pct <= wished_pct;
    if frames.iter().all(|f| f.place.is_none()) {
        told.insert(0, NO_PLACE.to_owned());
    }
    Some(Answer {
        says: match &first.too_few {
            Some(words) => too_few(words),
            None => says(half_width_pct, least_half_width_pct, wished_pct),
        },
        half_width: match first.too_few {
            Some(_) => String::new(),
            None => within(half_width_pct),
        },
        first,
        more,
        half_width_pct,
        least_half_width_pct,
        wished_pct,
        enough,
        cautions: told,
    })
}

/// Said while the answer is no loss by source: with the places the photos come in another order.
const NO_PLACE: &str =
    "this is the mean of all frames, for no place is told: fill in the sheet first (podfall sheet)";

/// Share of the width below which confirming more photos is not worth the time.
const WORTH_NARROWING: f64 = 0.05;

/// "±18 %". Beyond the double, a figure would say no more than that.
fn within(half_width_pct: f64) -> String {
    if half_width_pct > 100.0 {
        "more than ±100 %".to_owned()
    } else {
        format!("±{half_width_pct:.0} %")
    }
}

/// `words`: that there are too few frames, and how many it takes.
fn too_few(words: &str) -> String {
    format!(
        "{}. Each photo that you confirm is right all the same.",
        capital(words)
    )
}

fn says(now: f64, least: f64, wished: f64) -> String {
    let told = within;
    if now <= wished {
        return format!(
            "Enough: the limits are within {wished:.0} % of the answer, as wished. You can stop here."
        );
    }
    if least > wished && now - least < WORTH_NARROWING * now {
        return format!(
            "Confirming more photos changes little: what is left, {}, is the chance of where the frames lay. \
             Only more frames narrow it (podfall plan).",
            told(least)
        );
    }
    if least > wished {
        return format!(
            "Confirming can bring it to about {}, not to the ±{wished:.0} % wished; for that it takes more frames.",
            told(least)
        );
    }
    format!(
        "Go on: {} now, ±{wished:.0} % is wished, about {} can be had from these photos.",
        told(now),
        told(least)
    )
}

fn half_width(limits: &Limits) -> f64 {
    if limits.estimate > 0.0 {
        100.0 * (limits.high - limits.low) / 2.0 / limits.estimate
    } else {
        0.0
    }
}

fn as_if_confirmed(frame: &FrameLoss) -> FrameLoss {
    let basis = match frame.basis {
        Basis::Hand => Basis::Hand,
        _ => Basis::Confirmed,
    };
    FrameLoss {
        beans: Limits::exactly(frame.beans.estimate),
        pods: Limits::exactly(frame.pods.estimate),
        beans_in_pods: Limits::exactly(frame.beans_in_pods.estimate),
        basis,
        ..frame.clone()
    }
}

fn figures(
    frames: &[FrameLoss],
    assumptions: &Assumptions,
) -> Option<(Figure, Vec<Figure>, Vec<String>)> {
    let told = |cautions: &[LossCaution]| cautions.iter().map(|c| c.message.clone()).collect();
    let figure = |name: &str, limits, unit, decimals, too_few| Figure {
        name: name.to_owned(),
        limits,
        unit,
        decimals,
        too_few,
    };
    if frames.iter().any(|f| f.place.is_some())
        && let Ok(loss) = loss_by_source(frames, assumptions, 0)
    {
        let too_few = TooFew::of(&loss);
        let mut all: Vec<(Source, Figure)> = (loss.sources.iter())
            .map(|s| {
                let (title, bu) = (s.source.title(), s.amount.bu_per_ac);
                let places = places_for(bu, too_few.short(&s.amount));
                let words = too_few.words(&s.amount);
                (s.source, figure(title, bu, "bu/ac", places, words))
            })
            .collect();
        let total = all.iter().position(|(source, _)| *source == Source::Total);
        let at = total.or_else(|| all.len().checked_sub(1))?;
        let first = all.remove(at).1;
        // How many frames it takes is said once, of the first.
        let more = all.into_iter().map(|(_, figure)| Figure {
            too_few: figure.too_few.map(|_| TOO_FEW.to_owned()),
            ..figure
        });
        let more = more.collect();
        return Some((first, more, told(&loss.cautions)));
    }
    let loss = loss_over(frames, assumptions).ok()?;
    let too_few = TooFew::over(&loss);
    let amount = &loss.amount;
    let short = too_few.short(amount);
    let more = vec![figure(
        "the same as loss",
        amount.bu_per_ac,
        "bu/ac",
        places_for(amount.bu_per_ac, short),
        short.map(str::to_owned),
    )];
    let first = figure(
        "Beans on the ground",
        amount.beans_per_ft2,
        "beans/ft²",
        1,
        too_few.words(amount),
    );
    Some((first, more, told(&loss.cautions)))
}

//! The answer as it now stands, how wide its limits are, and whether more confirming would narrow them.

use serde::Serialize;

use crate::{
    counts::Limits,
    loss::{Assumptions, Basis, FrameLoss, LossCaution, Source, loss_by_source, loss_over},
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
    pub decimals: u8,
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
    let enough = half_width_pct <= wished_pct;
    Some(Answer {
        says: says(half_width_pct, least_half_width_pct, wished_pct),
        first,
        more,
        half_width_pct,
        least_half_width_pct,
        wished_pct,
        enough,
        cautions: told,
    })
}

/// Share of the width below which confirming more photos is not worth the time.
const WORTH_NARROWING: f64 = 0.05;

fn says(now: f64, least: f64, wished: f64) -> String {
    if now <= wished {
        return format!(
            "Enough: the limits are within {wished:.0} % of the answer, as wished. You can stop here."
        );
    }
    if least > wished && now - least < WORTH_NARROWING * now {
        return format!(
            "Confirming more photos changes little: what is left, ±{least:.0} %, is the chance of where the frames lay. \
             Only more frames narrow it (podfall plan)."
        );
    }
    if least > wished {
        return format!(
            "Confirming can bring it to about ±{least:.0} %, not to the ±{wished:.0} % wished; for that it takes more frames."
        );
    }
    format!(
        "Go on: ±{now:.0} % now, ±{wished:.0} % is wished, about ±{least:.0} % can be had from these photos."
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
    let exactly = |l: Limits| Limits {
        estimate: l.estimate,
        low: l.estimate,
        high: l.estimate,
    };
    let basis = match frame.basis {
        Basis::Hand => Basis::Hand,
        _ => Basis::Confirmed,
    };
    FrameLoss {
        beans: exactly(frame.beans),
        pods: exactly(frame.pods),
        beans_in_pods: exactly(frame.beans_in_pods),
        basis,
        ..frame.clone()
    }
}

fn figures(
    frames: &[FrameLoss],
    assumptions: &Assumptions,
) -> Option<(Figure, Vec<Figure>, Vec<String>)> {
    let told = |cautions: &[LossCaution]| cautions.iter().map(|c| c.message.clone()).collect();
    let figure = |name: &str, limits, unit, decimals| Figure {
        name: name.to_owned(),
        limits,
        unit,
        decimals,
    };
    if frames.iter().any(|f| f.place.is_some())
        && let Ok(loss) = loss_by_source(frames, assumptions, 0)
    {
        let mut all: Vec<(Source, Figure)> = (loss.sources.iter())
            .map(|s| {
                (
                    s.source,
                    figure(s.source.title(), s.amount.bu_per_ac, "bu/ac", 2),
                )
            })
            .collect();
        let total = all.iter().position(|(source, _)| *source == Source::Total);
        let at = total.or_else(|| all.len().checked_sub(1))?;
        let first = all.remove(at).1;
        let more = all.into_iter().map(|(_, figure)| figure).collect();
        return Some((first, more, told(&loss.cautions)));
    }
    let loss = loss_over(frames, assumptions).ok()?;
    let more = vec![figure(
        "the same as loss",
        loss.amount.bu_per_ac,
        "bu/ac",
        2,
    )];
    let first = figure(
        "Beans on the ground",
        loss.amount.beans_per_ft2,
        "beans/ft²",
        1,
    );
    Some((first, more, told(&loss.cautions)))
}

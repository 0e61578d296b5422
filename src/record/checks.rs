//! What was found at each check and place.

use std::collections::BTreeMap;

use super::{CheckFact, FrameFact};
use crate::{loss::FrameLoss, photo::Position, sheet::Place, units::M2_PER_FT2};

/// Frames without a place come after the others of their check.
type Where<'a> = (usize, &'a str, bool, Option<Place>);

/// Frames by check and place; checks in the order of time, frames without a check last.
pub(super) fn checks(facts: &[FrameFact], losses: &[FrameLoss]) -> Vec<CheckFact> {
    let mut order: Vec<&str> = Vec::new();
    for check in facts.iter().filter_map(|f| f.check.as_deref()) {
        if !order.contains(&check) {
            order.push(check);
        }
    }
    let mut groups: BTreeMap<Where<'_>, Vec<(&FrameFact, &FrameLoss)>> = BTreeMap::new();
    for fact in facts {
        let Some(loss) = losses.iter().find(|l| l.photo == fact.photo) else {
            continue;
        };
        let check = fact.check.as_deref().unwrap_or("");
        let at = order
            .iter()
            .position(|c| *c == check)
            .unwrap_or(order.len());
        groups
            .entry((at, check, fact.place.is_none(), fact.place))
            .or_default()
            .push((fact, loss));
    }
    groups
        .into_iter()
        .map(|((_, check, _, place), of)| check_fact(check, place, &of))
        .collect()
}

fn check_fact(check: &str, place: Option<Place>, of: &[(&FrameFact, &FrameLoss)]) -> CheckFact {
    let area_m2: f64 = of.iter().map(|(_, l)| l.area_m2.estimate).sum();
    let beans: f64 = of.iter().map(|(_, l)| l.lost()).sum();
    let mut settings: Vec<String> = of.iter().filter_map(|(f, _)| f.setting.clone()).collect();
    settings.sort();
    settings.dedup();
    CheckFact {
        check: check.to_owned(),
        place,
        settings,
        frames: of.len(),
        confirmed: of.iter().filter(|(f, _)| f.standing.is_confirmed()).count(),
        area_m2,
        beans,
        beans_per_ft2: beans / (area_m2 / M2_PER_FT2),
        position: Position::middle(of.iter().filter_map(|(f, _)| f.position)),
    }
}

//! What spot cards say, set against what stands in the sheet.

use std::collections::BTreeMap;

use super::{Column, Row};
use crate::card::Card;

/// A card and a row that say different things. The row stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CardDiffers {
    /// The photo.
    pub photo: String,
    /// What its card says.
    pub card: Card,
    /// Place in the sheet, as typed; may be empty.
    pub place: String,
    /// Check in the sheet, as typed; may be empty.
    pub check: String,
}

impl CardDiffers {
    /// Where a row says something else than its photo's card: another place, none where the card has one, or another
    /// number of the check. A check that a person gave a name is no number, and differs from none.
    pub fn of(row: &Row, card: Card) -> Option<Self> {
        let place_differs = row.typed.place != Some(card.place);
        let number: Option<u16> = row.cell(Column::Check).parse().ok();
        let check_differs = number.is_some_and(|number| number != card.check);
        (place_differs || check_differs).then(|| Self {
            photo: row.photo().to_owned(),
            card,
            place: row.cell(Column::Place).to_owned(),
            check: row.cell(Column::Check).to_owned(),
        })
    }
}

impl std::fmt::Display for CardDiffers {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let or_none = |text: &str| {
            if text.is_empty() {
                "none".to_owned()
            } else {
                text.to_owned()
            }
        };
        write!(
            f,
            "{}: its card says {}, the sheet says place {}, check {}; the sheet stands",
            self.photo,
            self.card,
            or_none(&self.place),
            or_none(&self.check),
        )
    }
}

/// Puts a card's place and check into a row in which neither stands.
pub(super) fn fill(row: &mut Row, card: Card, names: &BTreeMap<u16, String>) {
    if !row.cell(Column::Place).is_empty() || !row.cell(Column::Check).is_empty() {
        return;
    }
    let check = names
        .get(&card.check)
        .cloned()
        .unwrap_or_else(|| card.check.to_string());
    row.cells[Column::Place.at()] = card.place.word().to_owned();
    row.cells[Column::Check.at()].clone_from(&check);
    row.typed.place = Some(card.place);
    row.typed.check = Some(check);
}

/// What the person calls the check of each card's number, where rows with a card have another name for it.
pub(super) fn names_of_cards<'a>(
    rows: impl Iterator<Item = (&'a Row, Card)>,
) -> BTreeMap<u16, String> {
    let mut votes: BTreeMap<u16, BTreeMap<&str, usize>> = BTreeMap::new();
    for (row, card) in rows {
        let name = row.cell(Column::Check);
        if !name.is_empty() && name.parse::<u16>().is_err() {
            *votes
                .entry(card.check)
                .or_default()
                .entry(name)
                .or_default() += 1;
        }
    }
    (votes.into_iter())
        .filter_map(|(check, names)| {
            let most = names.into_iter().max_by_key(|(_, n)| *n)?;
            Some((check, most.0.to_owned()))
        })
        .collect()
}

//! A fresh sheet for the photos there are, with what the person has typed kept.

use std::collections::{BTreeMap, HashMap, HashSet};

use super::{
    CardDiffers, Column, GuessSettings, Row, Sheet, Shot,
    by_card::{fill, names_of_cards},
    guess_checks,
};

/// A sheet for the photos there are.
#[derive(Debug, Clone, PartialEq)]
pub struct Merged {
    /// The sheet: rows that were there stay as they were, in their order; new photos follow by time.
    pub sheet: Sheet,
    /// Photos that are new.
    pub added: Vec<String>,
    /// Rows whose photo is no longer there; kept where something was typed in, else dropped.
    pub gone: Vec<String>,
    /// Rows that say something else than their photo's spot card; they stand as they were typed.
    pub differs: Vec<CardDiffers>,
    /// Rows into which place and check were put from a spot card.
    pub by_card: usize,
}

/// Makes a sheet for `shots`, keeping every row of `old` as it was typed.
///
/// A new photo gets a check: that of the photos taken at the same stop, where these have one in the old
/// sheet, else a new number. Before both goes a spot card on the photo, which gives its place too. A row that
/// stands is filled by a card only where neither place nor check is in it: a cell that is empty may have been
/// emptied on purpose.
pub fn merge(old: Option<&Sheet>, shots: &[Shot], settings: &GuessSettings) -> Merged {
    let guessed = guess_checks(shots, settings);
    let known: HashMap<&str, usize> = shots
        .iter()
        .enumerate()
        .map(|(i, s)| (s.photo.as_str(), i))
        .collect();
    let mut rows: Vec<Row> = Vec::new();
    let mut gone = Vec::new();
    for row in old.map_or(&[][..], |sheet| &sheet.rows) {
        let there = known.contains_key(row.photo());
        if !there {
            gone.push(row.photo().to_owned());
        }
        if there || row.is_filled() {
            rows.push(row.clone());
        }
    }
    let card_of = |row: &Row| shots[*known.get(row.photo())?].card;
    let card_names = names_of_cards(rows.iter().filter_map(|row| Some((row, card_of(row)?))));
    let mut by_card = 0;
    let mut differs = Vec::new();
    for row in &mut rows {
        if let Some(card) = card_of(row) {
            let bare = row.cell(Column::Place).is_empty() && row.cell(Column::Check).is_empty();
            by_card += usize::from(bare);
            fill(row, card, &card_names);
            differs.extend(CardDiffers::of(row, card));
        }
    }
    let names = check_names(
        &rows,
        shots,
        &Names {
            guessed: &guessed,
            known: &known,
            card_names: &card_names,
        },
    );
    let have: HashSet<String> = rows.iter().map(|row| row.photo().to_owned()).collect();
    let mut fresh: Vec<usize> = (0..shots.len())
        .filter(|&i| !have.contains(&shots[i].photo))
        .collect();
    fresh.sort_by(|&a, &b| {
        let order = |i: usize| guessed[i].unwrap_or(usize::MAX);
        order(a)
            .cmp(&order(b))
            .then_with(|| shots[a].taken.cmp(&shots[b].taken))
            .then_with(|| shots[a].photo.cmp(&shots[b].photo))
    });
    let mut added = Vec::new();
    for i in fresh {
        let mut row = Row::new(&shots[i].photo);
        if let Some(card) = shots[i].card {
            fill(&mut row, card, &card_names);
            by_card += 1;
        } else if let Some(name) = guessed[i].and_then(|stop| names.get(&stop)) {
            row.cells[Column::Check.at()].clone_from(name);
            row.typed.check = Some(name.clone());
        }
        added.push(shots[i].photo.clone());
        rows.push(row);
    }
    Merged {
        sheet: Sheet {
            rows,
            ..Sheet::default()
        },
        added,
        gone,
        differs,
        by_card,
    }
}

/// What the names of stops rest on.
struct Names<'a> {
    /// The stop of each photo.
    guessed: &'a [Option<usize>],
    /// Where each photo stands among the shots.
    known: &'a HashMap<&'a str, usize>,
    /// What the person calls the check of each card.
    card_names: &'a BTreeMap<u16, String>,
}

/// The name of each stop: the one most typed for its photos or read off their cards, else the next free number.
fn check_names(
    rows: &[Row],
    shots: &[Shot],
    Names {
        guessed,
        known,
        card_names,
    }: &Names<'_>,
) -> BTreeMap<usize, String> {
    let mut votes: BTreeMap<usize, BTreeMap<String, usize>> = BTreeMap::new();
    let mut highest = 0_usize;
    let in_sheet: HashSet<&str> = rows.iter().map(Row::photo).collect();
    for (shot, stop) in shots.iter().zip(*guessed) {
        let Some(card) = shot
            .card
            .filter(|_| !in_sheet.contains(shot.photo.as_str()))
        else {
            continue;
        };
        highest = highest.max(usize::from(card.check));
        let name = card_names.get(&card.check).cloned();
        let name = name.unwrap_or_else(|| card.check.to_string());
        if let Some(stop) = stop {
            *votes.entry(*stop).or_default().entry(name).or_default() += 1;
        }
    }
    for row in rows {
        let check = row.cell(Column::Check);
        highest = highest.max(check.parse().unwrap_or(0));
        let stop = known.get(row.photo()).and_then(|&i| guessed[i]);
        if let (Some(stop), false) = (stop, check.is_empty()) {
            *(votes.entry(stop).or_default())
                .entry(check.to_owned())
                .or_default() += 1;
        }
    }
    let stops: std::collections::BTreeSet<usize> = guessed.iter().copied().flatten().collect();
    let mut names = BTreeMap::new();
    for stop in stops {
        let most = votes
            .get(&stop)
            .and_then(|v| v.iter().max_by_key(|(_, n)| **n));
        let name = match most {
            Some((name, _)) => name.clone(),
            None => {
                highest += 1;
                highest.to_string()
            }
        };
        names.insert(stop, name);
    }
    names
}

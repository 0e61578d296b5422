//! From counts and sheet to the loss of a season: by source, by setting, by check.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use super::{
    Assumptions, Basis, FrameLoss, LossCaution, LossCautionKind, LossError, SeedSize, Settled,
    Source, SourceLoss,
    by_source::loss_of_settled,
    draws::{Common, DRAWS, DRAWS_A_CHECK},
    loss_by_source,
    once::{Once, take_in_trays},
    seed_size, settle,
    spelling::{slips, spell_alike},
};
use crate::{
    caution::CautionKind,
    counts::{CountsFile, Limits, PhotoCount},
    marks::{ConfirmedCounts, HandMark, PlaceMark, SeasonThreshold, Standing},
    photo::Position,
    sheet::{CardDiffers, Column, Place, Row, Sheet, SheetError},
    units::{M2_PER_FT2, plural, plural_does, short_list},
};

/// The frames of a season.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SeasonFrames {
    /// Frames with a count, by photo or by hand.
    pub frames: Vec<FrameLoss>,
    /// Trays, which count for the frames that their beans were picked up from.
    pub trays: Vec<FrameLoss>,
    /// What is to be said of photos that are not among them.
    pub cautions: Vec<LossCaution>,
}

/// Puts counts and sheet together.
///
/// A photo that could not be counted stands in all the same where its beans were counted by hand.
///
/// # Errors
/// [`SheetError`] when the sheet names a photo that is not among the counts.
pub fn season_frames(
    counts: &CountsFile,
    sheet: Option<&Sheet>,
) -> Result<SeasonFrames, SheetError> {
    Ok(put_together(laid_out(counts, sheet)?, counts))
}

/// Every photo by itself, trays too, with what is to be said of those that are not among them.
fn laid_out(counts: &CountsFile, sheet: Option<&Sheet>) -> Result<SeasonFrames, SheetError> {
    if let Some(sheet) = sheet {
        let names: Vec<&str> = counts.photos.iter().map(|p| p.photo.as_str()).collect();
        sheet.check_photos(&names)?;
    }
    let rows: BTreeMap<&str, &Row> = sheet
        .map_or(&[][..], |s| &s.rows)
        .iter()
        .map(|row| (row.photo(), row))
        .collect();
    let mut frames = Vec::new();
    let mut missing = Vec::new();
    let once = Once::of(&counts.photos, &rows);
    for photo in &counts.photos {
        let row = rows.get(photo.photo.as_str()).copied();
        if once.left_out.contains(photo.photo.as_str()) {
            continue;
        }
        match FrameLoss::of_photo(photo).or_else(|| by_hand(photo, row)) {
            Some(frame) => frames.push(with_row(frame, row)),
            None => missing.push(photo.photo.as_str()),
        }
    }
    spell_alike(&mut frames);
    let mut cautions = Vec::from_iter(slips(&frames));
    if !missing.is_empty() {
        cautions.push(LossCautionKind::NotCounted.says(format!(
            "{} could not be counted, left out: {}",
            plural(missing.len(), "photo"),
            short_list(&missing)
        )));
    }
    let differs = (counts.photos.iter())
        .filter_map(|photo| CardDiffers::of(rows.get(photo.photo.as_str())?, photo.card?.card));
    cautions.extend(differs.map(|d| LossCautionKind::CardDiffers.says(d.to_string())));
    cautions.extend(once.caution());
    Ok(SeasonFrames {
        frames,
        cautions,
        ..SeasonFrames::default()
    })
}

/// The trays taken into their frames, and what the photos' own cautions mean for these.
fn put_together(laid_out: SeasonFrames, counts: &CountsFile) -> SeasonFrames {
    let SeasonFrames {
        frames,
        mut cautions,
        ..
    } = laid_out;
    let (trays, mut frames): (Vec<_>, Vec<_>) =
        (frames.into_iter()).partition(|frame| frame.place == Some(Place::Tray));
    take_in_trays(&trays, &mut frames, &mut cautions);
    cautions.extend(of_photos(counts, &frames));
    SeasonFrames {
        frames,
        trays,
        cautions,
    }
}

/// What the photos' own cautions mean for the loss: of those that are in it.
fn of_photos(counts: &CountsFile, frames: &[FrameLoss]) -> Vec<LossCaution> {
    let laid = frames.iter().filter(|f| f.place.is_some());
    let laid: BTreeMap<&str, &FrameLoss> = laid.map(|f| (f.photo.as_str(), f)).collect();
    let with = |kind: CautionKind| -> Vec<&str> {
        (counts.photos.iter())
            .filter(|p| laid.contains_key(p.photo.as_str()))
            .filter(|p| p.cautions.iter().any(|c| c.kind == kind))
            .map(|p| p.photo.as_str())
            .collect()
    };
    let mut cautions = Vec::new();
    let same = with(CautionKind::SamePlot);
    if !same.is_empty() {
        cautions.push(LossCautionKind::SamePlot.says(format!(
            "{} to show a plot that another photo shows too, so that it counts twice: {}; if so, leave the place of one of the two empty",
            plural_does(same.len(), "photo", ("seems", "seem")),
            short_list(&same)
        )));
    }
    let odd = with(CautionKind::OddSize);
    if !odd.is_empty() {
        cautions.push(LossCautionKind::OddSize.says(format!(
            "what looks like beans is not as large as beans on {}: {}; measure the inside of the frame, for the loss goes with its area",
            plural(odd.len(), "photo"),
            short_list(&odd)
        )));
    }
    let mut heavy = with(CautionKind::HeavyResidue);
    heavy.retain(|name| laid[name].hand.beans.is_none());
    if !heavy.is_empty() {
        cautions.push(LossCautionKind::HeavyResidue.says(format!(
            "{} under heavy residue, where beans lie hidden, so that the loss reads low: {}; lift it and take another photo, or \
             count there by hand",
            plural_does(heavy.len(), "frame", ("lies", "lie")),
            short_list(&heavy)
        )));
    }
    let mut faint = with(CautionKind::FaintBeans);
    faint.retain(|name| laid[name].hand.beans.is_none() && laid[name].basis != Basis::Confirmed);
    if !faint.is_empty() {
        cautions.push(LossCautionKind::FaintBeans.says(format!(
            "beans of nearly the ground's colour, seen from too far up, on {}, where many are missed, so that the loss reads low: {}; take \
             them again from nearer, or count there by hand",
            plural(faint.len(), "photo"),
            short_list(&faint)
        )));
    }
    cautions
}

/// Puts counts, marks and sheet together. What stands in the sheet goes first: hand counts, place, check and setting
/// that were typed in on the page fill what the sheet leaves empty.
///
/// # Errors
/// [`SheetError`] when the sheet names a photo that is not among the counts.
pub fn season_frames_confirmed(
    confirmed: &ConfirmedCounts,
    sheet: Option<&Sheet>,
) -> Result<SeasonFrames, SheetError> {
    let filled = with_marks(confirmed, sheet);
    let mut season = laid_out(&confirmed.counts, filled.as_ref())?;
    let threshold = confirmed.threshold();
    for frame in &mut season.frames {
        let Some(photo) = confirmed.photos.get(&frame.photo) else {
            continue;
        };
        let standing = photo.applied.standing;
        if frame.basis != Basis::Hand && matches!(standing, Standing::Partly | Standing::Confirmed)
        {
            frame.tool_beans = photo.tool_beans;
            frame.sure_beans = photo.applied.sure_beans;
            if standing == Standing::Confirmed {
                frame.basis = Basis::Confirmed;
            }
        }
        let shifted = threshold.as_ref().and_then(|t| t.counts.get(&frame.photo));
        if let Some(shifted) = shifted.filter(|_| frame.basis != Basis::Hand) {
            frame.tool_beans = Some(shifted.tool_beans);
            frame.beans = shifted.beans;
        }
    }
    let fitted = threshold.iter().map(SeasonThreshold::words);
    let fitted = fitted.map(|line| LossCautionKind::SeasonThreshold.says(line));
    season.cautions.extend(fitted);
    let told = confirmed.cautions().into_iter();
    season
        .cautions
        .extend(told.map(|line| LossCautionKind::Marks.says(line)));
    Ok(put_together(season, &confirmed.counts))
}

/// The sheet with what was typed in on the page where it is empty; a photo without a row gets one.
fn with_marks(confirmed: &ConfirmedCounts, sheet: Option<&Sheet>) -> Option<Sheet> {
    let mut filled = sheet.cloned().unwrap_or_default();
    let mut any = sheet.is_some();
    for (name, photo) in &confirmed.photos {
        let place = &photo.place;
        if photo.hand == HandMark::default() && *place == PlaceMark::default() {
            continue;
        }
        any = true;
        let at = filled.rows.iter().position(|row| row.photo() == name);
        let at = at.unwrap_or_else(|| {
            filled.rows.push(Row::new(name));
            filled.rows.len() - 1
        });
        let typed = &mut filled.rows[at].typed;
        typed.hand.beans = typed.hand.beans.or(photo.hand.beans);
        typed.hand.pods = typed.hand.pods.or(photo.hand.pods);
        let said = place.place.as_deref().and_then(Place::of_word);
        typed.place = typed.place.or(said);
        typed.check = typed.check.take().or_else(|| place.check.clone());
        typed.setting = typed.setting.take().or_else(|| place.setting.clone());
        // The spot card is set against the cells.
        let (place, check) = (typed.place, typed.check.clone());
        let mut fill = |column: Column, said: Option<String>| {
            let cell = &mut filled.rows[at].cells[column.at()];
            if cell.is_empty() {
                *cell = said.unwrap_or_default();
            }
        };
        fill(Column::Place, place.map(|place| place.word().to_owned()));
        fill(Column::Check, check);
    }
    any.then_some(filled)
}

fn by_hand(photo: &PhotoCount, row: Option<&Row>) -> Option<FrameLoss> {
    row?.typed.hand.beans?;
    Some(FrameLoss {
        photo: photo.photo.clone(),
        area_m2: Limits::exactly(photo.frame_spec.ground().m2()),
        inside_m2: Some(photo.frame_spec.ground().m2()),
        taken: photo.meta.taken.clone(),
        position: photo.meta.position,
        basis: Basis::Hand,
        // No photo count stands beside it, so it says nothing of the ratio: see `settle`.
        ..FrameLoss::default()
    })
}

fn with_row(mut frame: FrameLoss, row: Option<&Row>) -> FrameLoss {
    if let Some(row) = row {
        let typed = row.typed.clone();
        frame.check = typed.check;
        frame.pair = typed.pair;
        frame.place = typed.place;
        frame.setting = typed.setting;
        frame.speed_kmh = typed.speed_kmh;
        frame.moisture_percent = typed.moisture_percent;
        frame.hand = typed.hand;
        frame.tray_of = typed.tray_of;
    }
    frame
}

/// One check: what was found at it, for the map and the trend. Without limits of its own.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckLoss {
    /// The check's name.
    pub check: String,
    /// The settings in force; one in the main.
    pub settings: Vec<String>,
    /// Earliest photo, as the camera says.
    pub taken: Option<String>,
    /// Middle of the photos' positions.
    pub position: Option<Position>,
    /// Frames at each place.
    pub frames: BTreeMap<Place, usize>,
    /// Mean beans on a square foot at each place.
    pub beans_per_ft2: BTreeMap<Place, f64>,
    /// Total loss with limits, bu/ac; `None` where no frame lay behind.
    pub total_bu_per_ac: Option<Limits>,
}

/// The loss of a season.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SeasonLoss {
    /// All frames together.
    pub all: SourceLoss,
    /// Each setting by itself, where there are two or more.
    pub by_setting: BTreeMap<String, SourceLoss>,
    /// Each check, by the time of its first photo.
    pub checks: Vec<CheckLoss>,
    /// What it rests on besides the counts.
    pub assumptions: Assumptions,
}

/// The loss of a season by source, by setting and by check.
///
/// # Errors
/// [`LossError`] without frames or places, or with an assumption that cannot be right.
pub fn season_loss(
    season: &SeasonFrames,
    assumptions: &Assumptions,
) -> Result<SeasonLoss, LossError> {
    let mut all = loss_by_source(&season.frames, assumptions, 0)?;
    all.cautions.splice(0..0, season.cautions.iter().cloned());
    // Settled once for all, so that every setting and check is put right by the same ratio.
    let settled = settle(&season.frames, assumptions);
    let (seeds, _) = seed_size(assumptions, &season.frames);
    let settings: BTreeSet<&String> = season
        .frames
        .iter()
        .filter_map(|f| f.setting.as_ref())
        .collect();
    let common = Common::new(assumptions, &seeds, DRAWS);
    let mut by_setting = BTreeMap::new();
    if settings.len() > 1 {
        for (number, setting) in settings.into_iter().enumerate() {
            let own = settled.only(|frame| frame.setting.as_ref() == Some(setting));
            // A setting under which no frame has a place is left out; the caution of all frames says so.
            if let Ok(loss) = loss_of_settled(&own, &seeds, assumptions, &common, 1 + number as u64)
            {
                by_setting.insert(setting.clone(), loss);
            }
        }
    }
    Ok(SeasonLoss {
        checks: checks_of(&settled, &seeds, assumptions),
        all,
        by_setting,
        assumptions: assumptions.clone(),
    })
}

fn checks_of(settled: &Settled, seeds: &SeedSize, assumptions: &Assumptions) -> Vec<CheckLoss> {
    let names: BTreeSet<&String> = settled
        .frames
        .iter()
        .filter_map(|f| f.check.as_ref())
        .collect();
    let common = Common::new(assumptions, seeds, DRAWS_A_CHECK);
    let mut checks: Vec<CheckLoss> = names
        .into_iter()
        .map(|name| {
            let own = settled.only(|frame| frame.check.as_ref() == Some(name));
            check_loss(name, &own, seeds, (assumptions, &common))
        })
        .collect();
    checks.sort_by(|a, b| {
        let names = || natural(&a.check).cmp(&natural(&b.check));
        a.taken.cmp(&b.taken).then_with(names)
    });
    checks
}

/// So that check 10 comes after check 9.
fn natural(name: &str) -> (u64, &str) {
    let digits: String = name.chars().take_while(char::is_ascii_digit).collect();
    (digits.parse().unwrap_or(u64::MAX), name)
}

fn check_loss(
    check: &str,
    own: &Settled,
    seeds: &SeedSize,
    (assumptions, common): (&Assumptions, &Common),
) -> CheckLoss {
    let frames = &own.frames;
    let mut counts: BTreeMap<Place, usize> = BTreeMap::new();
    let mut sums: BTreeMap<Place, (f64, f64)> = BTreeMap::new();
    let mut settings: Vec<String> = Vec::new();
    for frame in frames {
        if let Some(place) = frame.place {
            *counts.entry(place).or_default() += 1;
            let sum = sums.entry(place).or_default();
            sum.0 += frame.lost();
            sum.1 += frame.area_m2.estimate / M2_PER_FT2;
        }
        if let Some(setting) = frame.setting.as_ref().filter(|s| !settings.contains(s)) {
            settings.push(setting.clone());
        }
    }
    let total = loss_of_settled(own, seeds, assumptions, common, 7_777)
        .ok()
        .and_then(|loss| Some(loss.get(Source::Total)?.amount.bu_per_ac));
    CheckLoss {
        check: check.to_owned(),
        settings,
        taken: frames.iter().filter_map(|f| f.taken.clone()).min(),
        position: Position::middle(frames.iter().filter_map(|f| f.position)),
        frames: counts,
        beans_per_ft2: sums.into_iter().map(|(p, (n, a))| (p, n / a)).collect(),
        total_bu_per_ac: total,
    }
}

/// Loss by source over some of the settled frames. `None` where no frame has a place.
pub(crate) fn loss_with_limits(
    settled: &Settled,
    seeds: &SeedSize,
    assumptions: &Assumptions,
) -> Option<SourceLoss> {
    let common = Common::new(assumptions, seeds, DRAWS);
    loss_of_settled(settled, seeds, assumptions, &common, 0).ok()
}

/// The same with limits that are of no use, for one pair: the pairs' own differences give the limits.
pub(crate) fn loss_without_limits(
    settled: &Settled,
    seeds: &SeedSize,
    assumptions: &Assumptions,
) -> Option<SourceLoss> {
    let common = Common::new(assumptions, seeds, 2);
    loss_of_settled(settled, seeds, assumptions, &common, 0).ok()
}

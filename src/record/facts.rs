//! What a record says, as values: all of `record.json`, and what the two pages are made of.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::{
    Counted, Oddity, PersonCount, Redact, Redactions, SheetSaid,
    checks::checks,
    oddity::oddities,
    reckoned::{reckoned, worked},
};
use crate::{
    caution::{CautionKind, matter},
    counts::{CountsFile, Limits, ModelName, PhotoCount, Status},
    frame::FrameSpec,
    loss::{Amount, Assumptions, Basis, FrameLoss, Loss, SeasonLoss, Source},
    photo::Position,
    plan::TooFew,
    season::{LossUnit, Season},
    sheet::{Column, Place, Row, Sheet},
};

/// Version of the form of `record.json`.
pub const SCHEMA: u32 = 1;

/// All of `record.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Facts {
    /// [`SCHEMA`].
    pub schema: u32,
    /// Version of the tool that made the record.
    pub podfall: String,
    /// The model that scored.
    pub model: ModelName,
    /// When the record was made, RFC 3339, by the clock of the computer that made it.
    pub made: String,
    /// Name of the season, as its folder.
    pub title: String,
    /// What the person wrote of the field, the machine and themselves.
    pub said: Vec<Said>,
    /// First and last time that the cameras gave, as they gave it.
    pub taken: Option<[String; 2]>,
    /// What was taken out before sealing, in words; empty where nothing was.
    pub taken_out: Vec<String>,
    /// Whether the maker signed the seal.
    pub signed: bool,
    /// The answer; `None` where no loss can be told.
    pub answer: Option<Answer>,
    /// What the loss is reckoned with besides the counts.
    pub reckoned: Vec<Said>,
    /// The way from beans on a square foot to the answer, in figures.
    pub worked: Option<String>,
    /// Losses by source, where frames have places.
    pub sources: Vec<SourceFact>,
    /// What was found at each check and place.
    pub checks: Vec<CheckFact>,
    /// Every photo, in the order of time.
    pub frames: Vec<FrameFact>,
    /// Doubts about the whole.
    pub cautions: Vec<String>,
    /// Where limits say nothing, and what it takes. Follows from the rest, and is not in `record.json`.
    #[serde(skip)]
    pub too_few: TooFew,
}

/// One thing that the person wrote.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Said {
    /// What it is about, as `Field`.
    pub name: String,
    /// What stands there.
    pub value: String,
}

/// The one number that is wanted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    /// What it is of: `total`, `machine`, `header`, `pre-harvest`, or `all-frames` where frames have no places.
    pub of: String,
    /// What it means, in words that follow on the figure.
    pub says: String,
    /// Unit told first.
    pub unit: String,
    /// The figure in that unit.
    pub figure: Limits,
    /// The same in all units.
    pub amount: Amount,
}

/// One source's loss.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SourceFact {
    /// The word for it.
    pub source: String,
    /// For a person to read.
    pub title: String,
    /// Whether it is a sum of others.
    pub sum: bool,
    /// How much.
    pub amount: Amount,
}

/// What was found at one place of one check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CheckFact {
    /// The check; empty for frames that belong to none.
    pub check: String,
    /// The place; `None` where nobody said.
    pub place: Option<Place>,
    /// Settings in force, as the person wrote them.
    pub settings: Vec<String>,
    /// Frames that count.
    pub frames: usize,
    /// Of them confirmed by a person.
    pub confirmed: usize,
    /// Ground looked at, m².
    pub area_m2: f64,
    /// Beans, loose and in pods.
    pub beans: f64,
    /// Beans a square foot; no limits of its own.
    pub beans_per_ft2: f64,
    /// Middle of the positions.
    pub position: Option<Position>,
}

/// Whether an original lies in the bundle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kept {
    /// Byte for byte.
    Copied,
    /// Only its hash, as was asked for.
    HashOnly,
    /// It was not to be found when the record was made; the hash is that of the count.
    Missing,
}

/// How far a person stands behind a photo's count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Counted by hand.
    Hand,
    /// A person went through it and called it right.
    Confirmed,
    /// A person put some of it right, but did not call the whole right.
    Partly,
    /// Nobody looked at it.
    Unconfirmed,
    /// It has no count.
    NotCounted,
}

impl Standing {
    /// Whether a person stands behind the count.
    pub fn is_confirmed(self) -> bool {
        matches!(self, Self::Hand | Self::Confirmed)
    }

    /// For a person to read.
    pub fn words(self) -> &'static str {
        match self {
            Self::Hand => "counted by hand",
            Self::Confirmed => "confirmed",
            Self::Partly => "NOT CONFIRMED (partly gone through)",
            Self::Unconfirmed => "NOT CONFIRMED",
            Self::NotCounted => "no count",
        }
    }
}

/// One photo of a frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameFact {
    /// Number in this record, from 1.
    pub number: usize,
    /// File name.
    pub photo: String,
    /// SHA-256 of the file that was counted.
    pub sha256: String,
    /// Whether it lies in the bundle.
    pub original: Kept,
    /// When, as the camera said.
    pub taken: Option<String>,
    /// Where, as the camera said.
    pub position: Option<Position>,
    /// The frame laid.
    pub frame: FrameSpec,
    /// The check.
    pub check: Option<String>,
    /// Where it was laid.
    pub place: Option<Place>,
    /// The machine's setting.
    pub setting: Option<String>,
    /// What `sheet.csv` says of it besides; `None` where it has no row.
    pub sheet: Option<SheetSaid>,
    /// What became of it; where a person set the frame's edge, with that edge.
    pub status: Status,
    /// Why it was not counted.
    pub problem: Option<String>,
    /// What the tool counted: loose beans.
    pub tool_beans: Option<Limits>,
    /// What the tool counted: pods.
    pub tool_pods: Option<Limits>,
    /// What was said of it on the confirm page.
    pub person: Option<PersonCount>,
    /// How far a person stands behind it.
    pub standing: Standing,
    /// What the loss rests on: `photo`, `confirmed`, `ratio`, `hand`; `None` where the photo is not in it.
    pub rests_on: Option<Basis>,
    /// Why it is not in the loss; `None` where it is.
    pub left_out: Option<String>,
    /// Beans that the loss takes from it: loose and in pods.
    pub loss_beans: Option<f64>,
    /// Of them in pods.
    pub loss_beans_in_pods: Option<f64>,
    /// Residue cover, %.
    pub residue_percent: Option<f64>,
    /// The tool's doubts.
    pub cautions: Vec<String>,
    /// What is odd in what the camera said.
    pub oddities: Vec<Oddity>,
}

/// What the facts are taken from.
#[derive(Debug, Clone, Copy)]
pub struct Material<'a> {
    /// What the tool saw, as it goes into the bundle.
    pub counts: &'a CountsFile,
    /// The frames as the loss takes them, settled.
    pub frames: &'a [FrameLoss],
    /// Loss by source, where frames have places.
    pub loss: Option<&'a SeasonLoss>,
    /// Loss over all frames.
    pub over: Option<&'a Loss>,
    /// What the loss is reckoned with.
    pub assumptions: &'a Assumptions,
    /// `sheet.csv`.
    pub sheet: Option<&'a Sheet>,
    /// `podfall.toml`.
    pub season: &'a Season,
    /// Unit told first, and how many of it are in one bu/ac.
    pub unit: (LossUnit, f64),
    /// What persons said of photos, by file name.
    pub persons: &'a BTreeMap<String, PersonCount>,
    /// Photos counted anew with the frame's edge as a person set it, by file name.
    pub recounts: &'a BTreeMap<String, PhotoCount>,
    /// Whether each original is there, by file name.
    pub originals: &'a BTreeMap<String, Kept>,
    /// Name of the season.
    pub title: &'a str,
    /// When the record is made.
    pub now: Timestamp,
    /// The same with the offset of the place, RFC 3339.
    pub made: &'a str,
    /// What was taken out.
    pub redactions: &'a Redactions,
    /// Whether the seal will be signed.
    pub signed: bool,
}

/// Puts the facts together.
pub fn facts(material: &Material<'_>) -> Facts {
    let odd = oddities(&material.counts.photos, material.now);
    let mut photos: Vec<(&PhotoCount, Vec<Oddity>)> =
        material.counts.photos.iter().zip(odd).collect();
    photos.sort_by_key(|(photo, _)| {
        (
            photo.meta.taken.is_none(),
            photo.meta.taken.clone(),
            super::oddity::in_order(&photo.photo),
        )
    });
    let frames: Vec<FrameFact> = (photos.into_iter().enumerate())
        .map(|(at, (photo, odd))| frame(material, at + 1, photo, odd))
        .collect();
    let times = || frames.iter().filter_map(|f| f.taken.clone());
    let answer = answer(material);
    Facts {
        schema: SCHEMA,
        podfall: env!("CARGO_PKG_VERSION").to_owned(),
        model: material.counts.model.clone(),
        made: material.made.to_owned(),
        title: material.title.to_owned(),
        said: said(material),
        taken: times().min().zip(times().max()).map(|(a, b)| [a, b]),
        taken_out: material.redactions.words(),
        signed: material.signed,
        reckoned: reckoned(material),
        worked: answer.as_ref().and_then(|a| worked(material, a)),
        answer,
        sources: (material.loss.iter())
            .flat_map(|loss| &loss.all.sources)
            .map(|s| SourceFact {
                source: s.source.word().to_owned(),
                title: s.source.title().to_owned(),
                sum: !s.source.is_part(),
                amount: s.amount.clone(),
            })
            .collect(),
        checks: checks(&frames, material.frames),
        cautions: cautions(material),
        too_few: match (material.loss, material.over) {
            (Some(loss), _) => TooFew::of(&loss.all),
            (None, over) => over.map(TooFew::over).unwrap_or_default(),
        },
        frames,
    }
}

fn cautions(material: &Material<'_>) -> Vec<String> {
    let mut all: Vec<String> = match (material.loss, material.over) {
        (Some(loss), _) => loss
            .all
            .cautions
            .iter()
            .map(|c| c.matter().to_owned())
            .collect(),
        (None, Some(over)) => over
            .cautions
            .iter()
            .map(|c| c.matter().to_owned())
            .collect(),
        (None, None) => Vec::new(),
    };
    all.dedup();
    all
}

fn said(material: &Material<'_>) -> Vec<Said> {
    let season = material.season;
    let mut said = Vec::new();
    let mut say = |name: &str, value: Option<String>| {
        if let Some(value) = value {
            said.push(Said {
                name: name.to_owned(),
                value,
            });
        }
    };
    say("Field", season.field.clone());
    say("Machine", season.machine.clone());
    say("Made by", season.by.clone());
    say("Crop", season.crop.clone());
    say("Cut width", season.written.header_width.clone());
    say("Discharge width", season.written.discharge_width.clone());
    say(
        "Yield",
        season.yield_bu_per_ac.map(|v| format!("{v} bu/ac")),
    );
    say("Ground", season.area_ac.map(|v| format!("{v} ac")));
    let mut settings: Vec<&String> = material
        .frames
        .iter()
        .filter_map(|f| f.setting.as_ref())
        .collect();
    settings.sort();
    settings.dedup();
    let settings: Vec<String> = settings.into_iter().map(|s| format!("“{s}”")).collect();
    say(
        "Settings",
        (!settings.is_empty()).then(|| settings.join(", ")),
    );
    said
}

fn answer(material: &Material<'_>) -> Option<Answer> {
    let (of, says, amount) = match (material.loss, material.over) {
        (Some(loss), _) => {
            let wanted = [
                Source::Total,
                Source::Machine,
                Source::Header,
                Source::PreHarvest,
            ];
            let source = wanted.into_iter().find_map(|source| loss.all.get(source))?;
            let says = match source.source {
                Source::Total => "were left in the field, all sources together",
                Source::Machine => "were lost at header and machine",
                Source::Header => {
                    "were lost at the header; what came through the machine is not known"
                }
                _ => "fell before harvest; the rest is not known",
            };
            (source.source.word(), says, &source.amount)
        }
        (None, over) => (
            "all-frames",
            "lay in the frames taken together, from whatever source",
            &over?.amount,
        ),
    };
    let (unit, factor) = material.unit;
    Some(Answer {
        of: of.to_owned(),
        says: says.to_owned(),
        unit: unit.name().to_owned(),
        figure: crate::loss::scaled(amount.bu_per_ac, factor),
        amount: amount.clone(),
    })
}

fn frame(
    material: &Material<'_>,
    number: usize,
    photo: &PhotoCount,
    odd: Vec<Oddity>,
) -> FrameFact {
    let name = &photo.photo;
    let loss = material.frames.iter().find(|f| f.photo == *name);
    let row = (material.sheet.iter())
        .flat_map(|sheet| &sheet.rows)
        .find(|row| row.photo() == name);
    let person = material.persons.get(name);
    let seen = material.recounts.get(name).unwrap_or(photo);
    let left_out = left_out(material, photo, loss, row);
    FrameFact {
        number,
        photo: name.clone(),
        sha256: photo.meta.sha256.clone(),
        original: (material.originals.get(name))
            .copied()
            .unwrap_or(Kept::Missing),
        taken: photo.meta.taken.clone(),
        position: photo.meta.position,
        frame: photo.frame_spec,
        check: match loss {
            Some(loss) => loss.check.clone(),
            None => row.and_then(|row| row.typed.check.clone()),
        },
        place: match loss {
            Some(loss) => loss.place,
            None => row.and_then(|row| row.typed.place),
        },
        setting: match loss {
            Some(loss) => loss.setting.clone(),
            None => row.and_then(|row| row.typed.setting.clone()),
        },
        sheet: row.map(|row| in_sheet(row, material.redactions)),
        status: seen.status,
        problem: problem_told(seen),
        tool_beans: seen.counts.map(|c| c.beans),
        tool_pods: seen.counts.map(|c| c.pods),
        person: person.cloned(),
        standing: match (loss, person) {
            (Some(loss), _) if loss.basis == Basis::Hand => Standing::Hand,
            (_, Some(person)) if person.confirmed.is_some() => Standing::Confirmed,
            (None, _) if seen.counts.is_none() => Standing::NotCounted,
            (_, Some(person)) if person.marks > 0 => Standing::Partly,
            _ => Standing::Unconfirmed,
        },
        rests_on: loss.filter(|_| left_out.is_none()).map(|f| f.basis),
        loss_beans: loss.filter(|_| left_out.is_none()).map(FrameLoss::lost),
        loss_beans_in_pods: (loss.filter(|_| left_out.is_none())).map(|f| f.beans_in_pods.estimate),
        left_out,
        residue_percent: seen.ground.map(|g| g.residue_cover_pct),
        // What is the same as another photo is told among the oddities.
        cautions: (seen.cautions.iter())
            .filter(|c| !matches!(c.kind, CautionKind::SameFile | CautionKind::SamePlot))
            .map(|c| c.matter().to_owned())
            .collect(),
        oddities: odd,
    }
}

/// Why a photo was not counted, without what to do about it.
pub fn problem_told(photo: &PhotoCount) -> Option<String> {
    photo.problem.as_deref().map(|why| matter(why).to_owned())
}

fn in_sheet(row: &Row, redactions: &Redactions) -> SheetSaid {
    let note = Some(row.cell(Column::Note)).filter(|note| !note.is_empty());
    SheetSaid {
        hand: row.typed.hand,
        speed_kmh: row.typed.speed_kmh,
        moisture_percent: row.typed.moisture_percent,
        note: note
            .filter(|_| !redactions.has(Redact::Notes))
            .map(str::to_owned),
    }
}

/// Why a photo is not in the loss; `None` where it is.
fn left_out(
    material: &Material<'_>,
    photo: &PhotoCount,
    loss: Option<&FrameLoss>,
    row: Option<&Row>,
) -> Option<String> {
    if let Some(loss) = loss {
        let stands = material.loss.is_none() || loss.place.is_some();
        return (!stands).then(|| "nobody said where the frame lay (no place)".to_owned());
    }
    let twin = |other: &&FrameLoss| {
        let of = material
            .counts
            .photos
            .iter()
            .find(|p| p.photo == other.photo);
        !photo.meta.sha256.is_empty() && of.is_some_and(|p| p.meta.sha256 == photo.meta.sha256)
    };
    let is_set_aside = (material.persons.get(&photo.photo)).is_some_and(|p| p.set_aside.is_some());
    Some(if is_set_aside {
        "a person set the photo aside".to_owned()
    } else if row.is_some_and(|row| row.typed.place == Some(Place::Tray)) {
        of_tray(material, row)
    } else if let Some(twin) = material.frames.iter().find(twin) {
        format!("the same file stands in it as {}", twin.photo)
    } else {
        "it has no count".to_owned()
    })
}

/// What became of a tray's beans.
fn of_tray(material: &Material<'_>, row: Option<&Row>) -> String {
    let owner = row.and_then(|row| row.typed.tray_of.as_deref());
    let Some(owner) = owner.and_then(|name| material.frames.iter().find(|f| f.photo == name))
    else {
        return "its beans were picked up from a frame that is not told (tray_of)".to_owned();
    };
    let of_row = (material.sheet.iter().flat_map(|sheet| &sheet.rows))
        .find(|row| row.photo() == owner.photo)
        .and_then(|row| row.typed.hand.beans);
    let of_page = (material.persons.get(&owner.photo)).and_then(|p| p.hand.as_ref()?.beans);
    match of_row.or(of_page) {
        Some(_) => format!(
            "its beans were picked up from the frame of {}, which has a hand count of its own",
            owner.photo
        ),
        None => format!(
            "its beans were picked up from the frame of {}, for which they are counted",
            owner.photo
        ),
    }
}

impl FrameFact {
    /// Loose beans by the person, the count that goes before the others: by hand, else confirmed.
    pub fn person_beans(&self) -> Option<f64> {
        let person = self.person.as_ref();
        let of = |count: Option<&Counted>| count.and_then(|c| c.beans);
        (self.sheet.as_ref().and_then(|s| s.hand.beans))
            .or_else(|| of(person.and_then(|p| p.hand.as_ref())))
            .or_else(|| of(person.and_then(|p| p.confirmed.as_ref())))
    }
}

impl Facts {
    /// Photos that are in the loss.
    pub fn in_loss(&self) -> impl Iterator<Item = &FrameFact> {
        self.frames.iter().filter(|f| f.left_out.is_none())
    }

    /// Photos in the loss that no person stands behind, by their numbers.
    pub fn unconfirmed(&self) -> Vec<usize> {
        let of = self.in_loss().filter(|f| !f.standing.is_confirmed());
        of.map(|f| f.number).collect()
    }
}

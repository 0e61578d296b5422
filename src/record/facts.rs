//! What a record says, as values: all of `record.json`, and what the two pages are made of.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::{Oddity, Redactions, oddity::oddities};
use crate::{
    counts::{CountsFile, Limits, ModelName, PhotoCount, Status},
    frame::FrameSpec,
    loss::{Amount, Basis, FrameLoss, Loss, SeasonLoss, Source},
    photo::Position,
    plan::TooFew,
    season::{LossUnit, Season},
    sheet::Place,
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
    /// What became of it.
    pub status: Status,
    /// Why it was not counted.
    pub problem: Option<String>,
    /// What the tool counted: loose beans.
    pub tool_beans: Option<Limits>,
    /// What the tool counted: pods.
    pub tool_pods: Option<Limits>,
    /// What a person counted or called right.
    pub person: Option<PersonCount>,
    /// How far a person stands behind it.
    pub standing: Standing,
    /// What the loss rests on: `photo`, `confirmed`, `ratio`, `hand`; `None` where the photo is not in it.
    pub rests_on: Option<Basis>,
    /// Residue cover, %.
    pub residue_percent: Option<f64>,
    /// The tool's doubts.
    pub cautions: Vec<String>,
    /// What is odd in what the camera said.
    pub oddities: Vec<Oddity>,
}

/// What a person said of a photo.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct PersonCount {
    /// Loose beans.
    pub beans: Option<f64>,
    /// Pods.
    pub pods: Option<f64>,
    /// Objects of which a person said what they are.
    pub marks: usize,
    /// Who.
    pub who: Vec<String>,
    /// When last, RFC 3339.
    pub at: Option<String>,
    /// A note.
    pub note: Option<String>,
    /// Called right as it stands.
    pub confirmed: bool,
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
    /// `podfall.toml`.
    pub season: &'a Season,
    /// Unit told first, and how many of it are in one bu/ac.
    pub unit: (LossUnit, f64),
    /// What persons said of photos, by file name.
    pub persons: &'a BTreeMap<String, PersonCount>,
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
        answer: answer(material),
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
            .map(|c| c.message.clone())
            .collect(),
        (None, Some(over)) => over.cautions.iter().map(|c| c.message.clone()).collect(),
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
    let metres = |mm: f64| format!("{:.2} m ({:.1} ft)", mm / 1e3, mm / crate::units::MM_PER_FT);
    say("Field", season.field.clone());
    say("Machine", season.machine.clone());
    say("Made by", season.by.clone());
    say("Crop", season.crop.clone());
    say("Cut width", season.header_width_mm.map(metres));
    say("Discharge width", season.discharge_width_mm.map(metres));
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
                Source::Total => "lay on the ground after harvest, all sources together",
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
    let loss = material.frames.iter().find(|f| f.photo == photo.photo);
    let mut person = material.persons.get(&photo.photo).cloned();
    if let Some(hand) = loss.map(|f| f.hand)
        && (hand.beans.is_some() || hand.pods.is_some())
    {
        let person = person.get_or_insert_default();
        person.beans = hand.beans.or(person.beans);
        person.pods = hand.pods.or(person.pods);
    }
    let by_hand = loss.is_some_and(|f| f.basis == Basis::Hand);
    let standing = match &person {
        _ if by_hand => Standing::Hand,
        Some(person) if person.confirmed => Standing::Confirmed,
        _ if loss.is_none() => Standing::NotCounted,
        Some(person) if person.marks > 0 => Standing::Partly,
        _ => Standing::Unconfirmed,
    };
    FrameFact {
        number,
        photo: photo.photo.clone(),
        sha256: photo.meta.sha256.clone(),
        original: (material.originals.get(&photo.photo))
            .copied()
            .unwrap_or(Kept::Missing),
        taken: photo.meta.taken.clone(),
        position: photo.meta.position,
        frame: photo.frame_spec,
        check: loss.and_then(|f| f.check.clone()),
        place: loss.and_then(|f| f.place),
        setting: loss.and_then(|f| f.setting.clone()),
        status: photo.status,
        problem: photo.problem.clone(),
        tool_beans: photo.counts.map(|c| c.beans),
        tool_pods: photo.counts.map(|c| c.pods),
        person,
        standing,
        rests_on: loss.map(|f| f.basis),
        residue_percent: photo.ground.map(|g| g.residue_cover_pct),
        cautions: photo.cautions.iter().map(|c| c.message.clone()).collect(),
        oddities: odd,
    }
}

type Where<'a> = (Option<usize>, &'a str, Option<Place>);

/// Frames by check and place; checks in the order of time, frames without a check last.
fn checks(facts: &[FrameFact], losses: &[FrameLoss]) -> Vec<CheckFact> {
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
            .entry((Some(at), check, fact.place))
            .or_default()
            .push((fact, loss));
    }
    groups
        .into_iter()
        .map(|((_, check, place), of)| check_fact(check, place, &of))
        .collect()
}

fn check_fact(check: &str, place: Option<Place>, of: &[(&FrameFact, &FrameLoss)]) -> CheckFact {
    let area_m2: f64 = of.iter().map(|(_, l)| l.area_m2.estimate).sum();
    let beans: f64 = of.iter().map(|(_, l)| l.lost()).sum();
    let mut settings: Vec<String> = of.iter().filter_map(|(f, _)| f.setting.clone()).collect();
    settings.sort();
    settings.dedup();
    let positions: Vec<Position> = of.iter().filter_map(|(f, _)| f.position).collect();
    let n = positions.len() as f64;
    CheckFact {
        check: check.to_owned(),
        place,
        settings,
        frames: of.len(),
        confirmed: of.iter().filter(|(f, _)| f.standing.is_confirmed()).count(),
        area_m2,
        beans,
        beans_per_ft2: beans / (area_m2 / crate::units::M2_PER_FT2),
        position: (!positions.is_empty()).then(|| Position {
            lat_deg: positions.iter().map(|p| p.lat_deg).sum::<f64>() / n,
            lon_deg: positions.iter().map(|p| p.lon_deg).sum::<f64>() / n,
            altitude_m: None,
            error_m: None,
        }),
    }
}

impl Facts {
    /// Photos with a count that no person stands behind, by their numbers.
    pub fn unconfirmed(&self) -> Vec<usize> {
        let of = self
            .frames
            .iter()
            .filter(|f| matches!(f.standing, Standing::Unconfirmed | Standing::Partly));
        of.map(|f| f.number).collect()
    }
}

//! Photo by photo.

use super::{Block, FrameBlock, Table, position_words};
use crate::{
    counts::Limits,
    loss::Basis,
    record::{Facts, FrameFact, Kept, PersonCount, Standing},
    sheet::Place,
    units::plural,
};

/// What is odd in what the cameras said, photo by photo; those that concern nearly all are told once.
pub(super) fn oddities(facts: &Facts, blocks: &mut Vec<Block>) {
    let mut rows = Vec::new();
    let mut told = Vec::new();
    for frame in &facts.frames {
        for odd in &frame.oddities {
            let alike: Vec<usize> = (facts.frames.iter())
                .filter(|f| f.oddities.contains(odd))
                .map(|f| f.number)
                .collect();
            if alike.len() < 2 {
                rows.push(vec![
                    format!("{} {}", frame.number, frame.photo),
                    odd.says.clone(),
                ]);
            } else if !told.contains(&odd) {
                told.push(odd);
                rows.push(vec![super::words::runs(&alike), odd.says.clone()]);
            }
        }
    }
    blocks.push(Block::Heading(
        2,
        "What is odd in what the cameras said".to_owned(),
    ));
    if rows.is_empty() {
        blocks.push(Block::Text(
            "Nothing was found odd in times, offsets, order, positions and software, and no two photos seem the same."
                .to_owned(),
        ));
        return;
    }
    blocks.push(Block::Text(
        "Told so that nobody has to find it. A phone's clock can be off, and a copy sent by a messenger loses its position."
            .to_owned(),
    ));
    blocks.push(Block::Table(Table {
        says: "Oddities of time, position and software by photo".to_owned(),
        heads: vec![
            ("Photo".to_owned(), false),
            ("What is odd".to_owned(), false),
        ],
        rows,
        sums: Vec::new(),
    }));
}

/// Every photo with its picture.
pub(super) fn frames(facts: &Facts, blocks: &mut Vec<Block>) {
    blocks.push(Block::NewPage);
    blocks.push(Block::Heading(2, "Every photo".to_owned()));
    blocks.push(Block::Text(
        "In the order of time. The pictures show the marks that the tool made; evidence/annotated has them large, and \
         evidence/photos the photos as they were taken. Circle: whole bean. Square on its corner: split bean. Long box: pod. \
         Dashed: doubtful, in the count. Dotted: doubtful, left out."
            .to_owned(),
    ));
    blocks.extend(facts.frames.iter().map(|f| Block::Frame(frame(f))));
}

fn frame(frame: &FrameFact) -> FrameBlock {
    let mut rows = Vec::new();
    let mut row = |name: &str, value: Option<String>| {
        if let Some(value) = value {
            rows.push((name.to_owned(), value));
        }
    };
    row(
        "Taken",
        Some(frame.taken.clone().unwrap_or_else(|| "not said".to_owned())),
    );
    row("Position", position_words(frame));
    row("Check and place", Some(check_and_place(frame)));
    row("Setting", frame.setting.clone());
    row("Tool's count", Some(tool(frame)));
    row("Person's count", Some(person(frame.person.as_ref())));
    row("In the loss", Some(rests_on(frame.rests_on).to_owned()));
    row(
        "Residue",
        frame
            .residue_percent
            .map(|p| format!("covers {p:.0} % of the ground")),
    );
    row("Note", frame.person.as_ref().and_then(|p| p.note.clone()));
    row(
        "Original",
        match frame.original {
            Kept::Copied => None,
            Kept::HashOnly => Some("not in the bundle".to_owned()),
            Kept::Missing => Some("MISSING when this record was made".to_owned()),
        },
    );
    row("SHA-256", Some(frame.sha256.clone()));
    let problem = frame.problem.iter().map(|p| format!("Not counted: {p}."));
    let odd = frame.oddities.iter().map(|o| format!("Odd: {}.", o.says));
    FrameBlock {
        title: format!("{} · {}", frame.number, frame.photo),
        badge: frame.standing.words().to_owned(),
        photo: frame.photo.clone(),
        alt: match frame.standing {
            Standing::NotCounted => format!("{}, which was not counted", frame.photo),
            _ => format!(
                "{} with every bean and pod marked that the tool saw",
                frame.photo
            ),
        },
        facts: rows,
        notes: problem
            .chain(frame.cautions.iter().cloned())
            .chain(odd)
            .collect(),
    }
}

fn check_and_place(frame: &FrameFact) -> String {
    let check = frame.check.as_deref().unwrap_or("no check");
    format!(
        "{check}, {}",
        frame.place.map_or("place not said", Place::word)
    )
}

fn whole(limits: Limits) -> String {
    format!(
        "{:.1} ({:.0} to {:.0})",
        limits.estimate,
        limits.low.floor(),
        limits.high.ceil()
    )
}

fn tool(frame: &FrameFact) -> String {
    match (frame.tool_beans, frame.tool_pods) {
        (Some(beans), Some(pods)) => format!("{} beans, {} pods", whole(beans), whole(pods)),
        _ => "none".to_owned(),
    }
}

fn person(person: Option<&PersonCount>) -> String {
    let Some(person) = person else {
        return "none".to_owned();
    };
    let mut words: Vec<String> = Vec::new();
    words.extend(person.beans.map(|n| plural(n, "bean")));
    words.extend(person.pods.map(|n| plural(n, "pod")));
    if person.marks > 0 {
        words.push(plural(person.marks, "mark"));
    }
    if words.is_empty() {
        words.push("none".to_owned());
    }
    if !person.who.is_empty() {
        words.push(format!("by {}", person.who.join(", ")));
    }
    words.extend(person.at.as_deref().map(whole_seconds));
    words.join(", ")
}

/// RFC 3339 without the fractions of a second, which the journal keeps.
fn whole_seconds(at: &str) -> String {
    let Some((time, rest)) = at.split_once('.') else {
        return at.to_owned();
    };
    format!(
        "{time}{}",
        rest.trim_start_matches(|c: char| c.is_ascii_digit())
    )
}

fn rests_on(basis: Option<Basis>) -> &'static str {
    match basis {
        Some(Basis::Photo) => "the tool's count as it stands",
        Some(Basis::Confirmed) => "the count put right by a person's marks",
        Some(Basis::Ratio) => "the tool's count, put right by the ratio to the hand counts",
        Some(Basis::Hand) => "the hand count",
        None => "not in it",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_is_one() {
        let counted = |n: f64, marks: usize| PersonCount {
            beans: Some(n),
            pods: Some(n),
            marks,
            ..PersonCount::default()
        };
        assert_eq!(person(Some(&counted(1.0, 1))), "1 bean, 1 pod, 1 mark");
        assert_eq!(
            person(Some(&counted(2.5, 2))),
            "2.5 beans, 2.5 pods, 2 marks"
        );
        assert_eq!(person(Some(&counted(0.0, 0))), "0 beans, 0 pods");
        let said = PersonCount {
            at: Some("2026-11-26T19:41:49.5221276-06:00".to_owned()),
            ..counted(2.0, 1)
        };
        assert_eq!(
            person(Some(&said)),
            "2 beans, 2 pods, 1 mark, 2026-11-26T19:41:49-06:00"
        );
    }
}

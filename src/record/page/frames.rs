//! Photo by photo.

use super::{Block, FrameBlock, Table, position_words};
use crate::{
    counts::Limits,
    loss::{Basis, HandCounts},
    record::{Counted, EdgeSet, Facts, FrameFact, Kept, Standing},
    sheet::Place,
    units::{KMH_PER_MPH, plural},
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
    let sheet = frame.sheet.as_ref();
    let person = frame.person.as_ref();
    row(
        "Speed",
        (sheet.and_then(|s| s.speed_kmh))
            .map(|v| format!("{v:.1} km/h ({:.1} mph)", v / KMH_PER_MPH)),
    );
    row(
        "Moisture",
        sheet
            .and_then(|s| s.moisture_percent)
            .map(|v| format!("{v} %")),
    );
    row(
        "Frame's edge",
        person.and_then(|p| p.edge.as_ref()).map(edge),
    );
    row("Tool's count", Some(tool(frame)));
    let of_person = of_person(frame);
    if of_person.is_empty() {
        row("Person's count", Some("none".to_owned()));
    }
    for (name, value) in of_person {
        row(name, Some(value));
    }
    row("In the loss", Some(in_loss(frame)));
    row(
        "Residue",
        frame
            .residue_percent
            .map(|p| format!("covers {p:.0} % of the ground")),
    );
    row("Note (sheet)", sheet.and_then(|s| s.note.clone()));
    row("Note (page)", person.and_then(|p| p.note.clone()));
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
    let cautions = frame.cautions.iter().map(|c| format!("Caution: {c}."));
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
        notes: problem.chain(cautions).chain(odd).collect(),
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
    if limits.low == limits.high {
        return limits.estimate.to_string();
    }
    format!(
        "{:.1} ({:.0} to {:.0})",
        limits.estimate,
        limits.low.floor(),
        limits.high.ceil()
    )
}

fn tool(frame: &FrameFact) -> String {
    match (frame.tool_beans, frame.tool_pods) {
        (Some(beans), Some(pods)) => {
            format!("beans {}; pods {}", whole(beans), whole(pods))
        }
        _ => "none".to_owned(),
    }
}

/// What persons counted, each with who and when where that is known.
fn of_person(frame: &FrameFact) -> Vec<(&'static str, String)> {
    let mut rows = Vec::new();
    if let Some(sheet) = frame
        .sheet
        .as_ref()
        .filter(|s| s.hand != HandCounts::default())
    {
        rows.push(("Hand (sheet)", of_sheet(&sheet.hand)));
    }
    let Some(person) = &frame.person else {
        return rows;
    };
    let marks = by(
        plural(person.marks, "mark"),
        Some(person.who.join(", "))
            .filter(|who| !who.is_empty())
            .as_ref(),
        person.at.as_ref(),
    );
    rows.extend(
        person
            .hand
            .as_ref()
            .map(|count| ("Hand (page)", counted(count))),
    );
    if let Some(count) = &person.confirmed {
        rows.push(("Confirmed", counted(count)));
    }
    if person.marks > 0 {
        rows.push(("Marks", marks));
    }
    rows.extend(
        person
            .set_aside
            .as_ref()
            .map(|why| ("Set aside", why.clone())),
    );
    rows
}

/// "12 beans, 1 pod, by Jo, 2026-11-27T20:29:39+00:00".
fn counted(count: &Counted) -> String {
    let beans = count.beans.map(|n| plural(n, "bean"));
    let pods = count.pods.map(|n| plural(n, "pod"));
    let words: Vec<String> = beans.into_iter().chain(pods).collect();
    by(words.join(", "), count.who.as_ref(), count.at.as_ref())
}

fn by(what: String, who: Option<&String>, at: Option<&String>) -> String {
    let who = who.map(|who| format!(", by {who}")).unwrap_or_default();
    let at = at
        .map(|at| format!(", {}", whole_seconds(at)))
        .unwrap_or_default();
    format!("{what}{who}{at}")
}

/// The cells that are filled; the sheet keeps no time.
fn of_sheet(hand: &HandCounts) -> String {
    let hanging = [
        (hand.stubble_pods, "on stubble"),
        (hand.lodged_pods, "on lodged plants"),
        (hand.stalk_pods, "on loose stalks"),
    ];
    let ground = [
        hand.beans.map(|n| plural(n, "bean")),
        hand.pods.map(|n| plural(n, "pod")),
    ];
    let hanging = hanging.map(|(pods, at)| pods.map(|n| format!("{} {at}", plural(n, "pod"))));
    let words: Vec<String> = ground.into_iter().chain(hanging).flatten().collect();
    format!("{}; no time is kept there", words.join(", "))
}

fn edge(edge: &EdgeSet) -> String {
    let anew = if edge.counted_anew {
        "the count was made anew with it"
    } else {
        "no count was made with it"
    };
    let before = edge.before.as_ref();
    let before = before
        .map(|why| format!("; by itself the tool had not counted: {why}"))
        .unwrap_or_default();
    let who = edge.who.as_deref().unwrap_or("a person");
    let set = by(format!("set by {who}"), None, edge.at.as_ref());
    format!("{set}; {anew}{before}")
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

/// Which count the loss takes, and what comes of it; or why none.
fn in_loss(frame: &FrameFact) -> String {
    let (Some(basis), Some(beans)) = (frame.rests_on, frame.loss_beans) else {
        let why = frame.left_out.as_deref().unwrap_or("it has no count");
        return format!("NO: {why}");
    };
    let sheet = frame.sheet.as_ref().map(|s| s.hand).unwrap_or_default();
    let page = frame.person.as_ref().and_then(|p| p.hand.as_ref());
    let which = match basis {
        Basis::Photo => "the tool's count as it stands",
        Basis::Confirmed => "the confirmed count",
        Basis::Ratio => "the tool's count, times the ratio of persons' counts to the tool's",
        Basis::Hand if sheet.beans.is_some() => "the sheet's hand count",
        Basis::Hand if page.is_some_and(|p| p.beans.is_some()) => "the hand count of the page",
        Basis::Hand => "what was picked up onto a tray",
    };
    let pods_by_hand = sheet.pods.or(page.and_then(|p| p.pods)).is_some();
    let pods = match (basis, pods_by_hand) {
        (Basis::Hand, false) => "; pods as counted by photo",
        (Basis::Photo | Basis::Confirmed | Basis::Ratio, true) => "; pods by hand",
        _ => "",
    };
    let in_pods = frame.loss_beans_in_pods.unwrap_or_default();
    if in_pods > 0.0 {
        format!("{which}{pods}: {beans:.1} beans, {in_pods:.1} of them in pods")
    } else {
        format!("{which}{pods}: {beans:.1} beans")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_is_one() {
        let count = |n: f64| Counted {
            beans: Some(n),
            pods: Some(n),
            ..Counted::default()
        };
        assert_eq!(counted(&count(1.0)), "1 bean, 1 pod");
        assert_eq!(counted(&count(2.5)), "2.5 beans, 2.5 pods");
        let said = Counted {
            who: Some("A. Person".to_owned()),
            at: Some("2026-11-26T19:41:49.5221276-06:00".to_owned()),
            ..count(0.0)
        };
        assert_eq!(
            counted(&said),
            "0 beans, 0 pods, by A. Person, 2026-11-26T19:41:49-06:00"
        );
        let one = whole(Limits {
            estimate: 1.0,
            low: 1.0,
            high: 1.0,
        });
        assert_eq!(one, "1");
    }
}

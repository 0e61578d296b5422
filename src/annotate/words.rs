//! What the panel says, from the count: words only, no places.

use crate::{
    counts::{Counts, Kind, Limits, PhotoCount, Status},
    text::Style,
    units::M2_PER_FT2,
};

use super::{
    Said,
    mark::Standing,
    panel::{INK, Item, SOFT},
};

const BODY: Style = Style::regular(24.0, INK);
const SMALL: Style = Style::regular(20.0, SOFT);
const HEAD: Style = Style::bold(22.0, INK);

/// `47`, `41 to 55`: a number and its limits, in whole things.
pub(crate) fn whole(limits: Limits) -> (String, String) {
    let round = |v: f64| format!("{:.0}", v.max(0.0));
    (
        round(limits.estimate),
        format!("{} to {}", round(limits.low), round(limits.high)),
    )
}

/// `1 pod`, `2 pods`.
pub(crate) fn number_of(number: &str, one: &str, more: &str) -> String {
    format!("{number} {}", if number == "1" { one } else { more })
}

/// Why fewer or more marks stand on the picture than the number says: it is the sum of all probabilities, and of what is
/// known to be missed. Nothing where both are the same, and where a person has had a say.
pub(crate) fn marked(count: &PhotoCount, said: Option<&Said>) -> Marked {
    let counts = count.counts.filter(|_| said.is_none());
    let of = |limits: Limits, is_one: fn(Kind) -> bool, (one, more): (&str, &str)| {
        let (told, _) = whole(limits);
        let marked = (count.objects.iter())
            .filter(|object| object.counted && is_one(object.kind))
            .count()
            .to_string();
        (marked != told).then(|| {
            let are = if marked == "1" { "is" } else { "are" };
            let marked = number_of(&marked, one, more);
            format!("{marked} {are} marked as counted; doubtful and missed ones make it {told}")
        })
    };
    Marked {
        beans: counts.and_then(|c| of(c.beans, |kind| kind != Kind::Pod, ("bean", "beans"))),
        pods: counts.and_then(|c| of(c.pods, |kind| kind == Kind::Pod, ("pod", "pods"))),
    }
}

/// What is said of marks and numbers that differ.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Marked {
    /// Of loose beans.
    pub beans: Option<String>,
    /// Of pods.
    pub pods: Option<String>,
}

/// The answer for one photo.
pub(super) fn answer(
    count: &PhotoCount,
    loss_line: Option<&str>,
    said: Option<&Said>,
) -> Vec<Item> {
    let mut items = vec![
        Item::OneLine(count.photo.clone(), Style::regular(20.0, SOFT)),
        Item::Space(6.0),
    ];
    match &count.counts {
        Some(counts) => items.extend(counted(counts, marked(count, said), said)),
        None => items.extend(not_counted(count)),
    }
    if let Some(loss) = loss_line {
        items.push(Item::Space(12.0));
        items.push(Item::Text(loss.to_owned(), BODY));
    }
    items.push(Item::Space(12.0));
    if let Some(plot) = &count.plot {
        let ft2 = plot.area_m2 / M2_PER_FT2;
        let text = format!("{ft2:.2} ft² ({:.3} m²) of ground,", plot.area_m2);
        items.push(Item::Text(text, SMALL));
    }
    if let Some(ground) = &count.ground {
        let cover = ground.residue_cover_pct;
        let text = format!("{cover:.0} % under residue. What lies under residue is not seen.");
        items.push(Item::Text(text, SMALL));
    }
    items
}

fn counted(counts: &Counts, marked: Marked, said: Option<&Said>) -> Vec<Item> {
    let (beans, range) = whole(counts.beans);
    let what = if beans == "1" {
        "loose bean seen"
    } else {
        "loose beans seen"
    };
    let mut items = vec![
        Item::Text(beans, Style::bold(120.0, INK)),
        Item::Text(what.to_owned(), Style::regular(28.0, INK)),
    ];
    let (head, more) = by_whom(&range, said);
    items.push(Item::Text(head, Style::bold(28.0, INK)));
    items.extend(more.map(|text| Item::Text(text, BODY)));
    let small = |text: String| Item::Text(text, SMALL);
    items.extend(marked.beans.map(small));
    items.push(Item::Space(12.0));
    if counts.beans.high >= 0.5 {
        let text = match whole(counts.split_beans) {
            _ if counts.split_beans.high < 0.5 => "none of them split".to_owned(),
            (split, range) => format!(
                "{split} of them split{}",
                or_nothing(counts.split_beans, &range)
            ),
        };
        items.push(Item::Text(text, BODY));
    }
    if counts.pods.high < 0.5 {
        items.push(Item::Text("no pods".to_owned(), BODY));
        return items;
    }
    let (pods, range) = whole(counts.pods);
    let pods = number_of(&pods, "pod", "pods");
    let range = or_nothing(counts.pods, &range);
    items.push(Item::Text(format!("{pods}{range}"), BODY));
    let (beans, range) = whole(counts.beans_in_pods);
    let beans = number_of(&beans, "bean", "beans");
    let range = or_nothing(counts.beans_in_pods, &range);
    items.push(Item::Text(format!("holding {beans}{range}"), BODY));
    items.extend(marked.pods.map(small));
    items
}

/// Limits in brackets; nothing for a number that a person called right.
fn or_nothing(limits: Limits, range: &str) -> String {
    if limits.low == limits.high {
        String::new()
    } else {
        format!(" ({range})")
    }
}

/// Limits, or that a person called the count right; then what the tool alone saw.
fn by_whom(range: &str, said: Option<&Said>) -> (String, Option<String>) {
    let limits = format!("95 % limits: {range}");
    let Some(said) = said else {
        return (limits, None);
    };
    let tool = said.tool_beans.map(whole);
    let tool = tool.map(|(beans, range)| format!("the tool alone saw {beans} ({range})"));
    let head = if said.confirmed {
        "confirmed by a person".to_owned()
    } else {
        limits
    };
    (head, tool)
}

fn not_counted(count: &PhotoCount) -> Vec<Item> {
    let head = match count.status {
        Status::Failed => "Not read",
        _ => "Not counted",
    };
    let why = count.problem.as_deref().unwrap_or("No reason was given.");
    vec![
        Item::Text(head.to_owned(), Style::bold(52.0, INK)),
        Item::Space(10.0),
        Item::Text(capital(why), BODY),
    ]
}

/// First letter large.
pub(crate) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// The cautions in words; what must be looked at first.
pub(super) fn cautions(count: &PhotoCount) -> Vec<Item> {
    let mut items = Vec::new();
    let doubtful = count.objects.iter().filter(|o| o.doubtful).count();
    if count.counts.is_some() && (count.status == Status::Confirm || doubtful > 0) {
        let (head, text) = match (count.status, doubtful) {
            (Status::Confirm, 0) => (
                "A person should confirm this count".to_owned(),
                "No object is doubtful; the reason is said below.",
            ),
            (status, n) => (
                number_of(&n.to_string(), "doubtful object", "doubtful objects"),
                match status {
                    Status::Confirm => "A person should confirm this count.",
                    _ => "Their doubt stands in the limits.",
                },
            ),
        };
        items.push(Item::Caution(head, text.to_owned()));
    }
    for caution in &count.cautions {
        let head = capital(&caution.kind.word().replace('-', " "));
        items.push(Item::Caution(head, capital(&caution.message)));
    }
    if items.is_empty() {
        items.push(Item::Text("No cautions.".to_owned(), SMALL));
    }
    items
}

/// How to read the marks, with the scale where there is one.
pub(super) fn legend(px_per_mm: Option<f32>, said: Option<&Said>) -> Vec<Item> {
    let row = |kind, standing, text: &str| Item::Legend(kind, standing, false, text.to_owned());
    let mut items = vec![
        row(Kind::Bean, Standing::Sure, "whole bean"),
        row(Kind::SplitBean, Standing::Sure, "split bean"),
        row(Kind::Pod, Standing::Sure, "pod"),
        row(Kind::Bean, Standing::Doubtful, "dashed: doubtful, counted"),
        row(Kind::Bean, Standing::LeftOut, "dotted: doubtful, left out"),
    ];
    if said.is_some() {
        let by = |standing, text: &str| Item::Legend(Kind::Bean, standing, true, text.to_owned());
        items.push(by(
            Standing::Sure,
            "white square: a person said so, or added it",
        ));
        items.push(by(
            Standing::SaidNot,
            "cross: a person said that it is none of these",
        ));
    }
    let beside = "Beside doubtful ones: number, probability.";
    items.push(Item::Text(beside.to_owned(), Style::regular(18.0, SOFT)));
    if let Some(px_per_mm) = px_per_mm {
        items.push(Item::Space(8.0));
        items.push(Item::Text("In the middle of the frame:".to_owned(), SMALL));
        items.push(Item::Scale { px_per_mm });
    }
    items.insert(0, Item::Text("Marks".to_owned(), HEAD));
    items.insert(1, Item::Space(6.0));
    items
}

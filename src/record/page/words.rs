//! The record's fixed words.

use crate::{record::Facts, units::plural};

/// What the record is and is not.
pub(super) const STATEMENT: &str = "This is a measurement made by the grower, by counting beans in photos of a frame laid on \
the ground. It is not an appraisal. It does not say whether a loss is covered by anything or anybody: if there is \
insurance, only the insurer's adjuster decides. Report a loss as soon as it is noticed, within the policy's own limit, \
and destroy no evidence.";

/// Above what the person wrote.
pub(super) const AS_WRITTEN: &str = "As the person wrote it; podfall has not checked any of it. Times are those of the cameras' clocks.";

/// Below the map.
pub(super) const MAP: &str = "Positions are those that the cameras gave, which can be off by several metres and more. \
Names are those of the checks.";

/// Below the table of checks.
pub(super) const BY_CHECK: &str = "standing: in the standing crop, ahead of the machine: what fell before harvest. cut: in \
the strip that was cut but not yet discharged on: that and the header. behind: where the discharge fell: all of it. \
Beans are loose ones and those in pods on the ground, as the loss takes them; where a person counted, the person's.";

/// The method, in plain words.
pub(super) const METHOD: [&str; 4] = [
    "A frame of known inside size was laid on the ground and photographed from above. podfall finds the frame in the \
     photo, takes the ground inside it as seen from straight above, marks everything that may be a bean or a pod, and gives \
     each a probability, calibrated on photos whose true numbers were known. A frame's count is the sum of these \
     probabilities, with what is known to be missed added.",
    "Where a person went through a photo, or counted the frame by hand, the person's count goes before the tool's, and this \
     record says so at the photo. Where at least three frames were counted both ways, the other photos are corrected by the \
     ratio of the two (double sampling with a ratio estimator).",
    "The loss before harvest is what lies in the standing crop; the header's is what lies in the cut strip less that; the \
     machine's is what lies behind less what lies in the cut strip, brought to the cut width where the discharge falls \
     narrower. Beans are turned into bushels by the size of the seed, stated or ordinary.",
    "The limits hold the true figure 95 times in 100, as far as the frames were laid fairly. They carry the spread between \
     frames and between checks, the photos' own doubt, the ground's area and the seeds' size. Differences are not cut off \
     at zero.",
];

/// Where the method comes from.
pub(super) const SOURCES: &[&str] = &[
    "Places of the frames and the differences between them: Staton, Michigan State University Extension, 2012; Ohio State \
     University, C.O.R.N. newsletter 2019-34; University of Missouri Extension G1280, 1993.",
    "Discharge narrower than the cut: North Dakota State University, 2021.",
    "Bushels from beans: 60 lb at 13 % moisture, 43,560 ft² to the acre; Rankin, University of Wisconsin Extension.",
    "Ratio of hand and photo counts: Cochran, Sampling Techniques, double sampling.",
    "Safety and reporting of a loss: North Dakota State University, 2004; program aids of the US Department of \
     Agriculture's Risk Management Agency. Local rules and the policy's own words go first.",
];

/// What the record does not show.
pub(super) const NOT_SHOWN: &[&str] = &[
    "Beans under residue, under clods or pressed into the soil. The counts are of what can be seen from above; the residue \
     cover stands at each photo.",
    "Whether the frames were laid where loss is typical. The limits hold what the frames' own spread shows; they cannot know \
     of ground where no frame lay.",
    "Who laid the frames, when, and where: time and position are the cameras' word, and names are the person's.",
    "Why beans were lost. The source is told by where frames lay; a cause is a matter of judgement.",
    "Whether a loss is covered. This record documents what was seen.",
];

/// Where the built-in fonts lack a letter.
pub(super) const LETTERS: &str = "Letters that this page's fonts do not have are shown by their Unicode number in brackets, \
as ⟨U+5317⟩; record.html and evidence/record.json hold the letters themselves.";

/// How the seal works.
pub(super) const SEAL: [&str; 4] = [
    "The evidence was sealed first: manifest.sha256 lists the SHA-256 of every file in the folder evidence. Its own SHA-256 \
     stands on the first page. This page was made after it, so it cannot be in that list; a second list, seal.sha256, \
     is over the manifest, this page as PDF and this page as HTML. Where the maker signed, seal.sha256.sig is the signature \
     over that second list.",
    "What this proves: files that agree with the lists are byte for byte those that were sealed, if the number on a first \
     page that was handed over at the time, or the signature, is the one that is found now. Anybody can seal changed files \
     anew; then that number is another.",
    "What it does not prove: that the photos show what is said of them, or when they were taken. The marks of persons \
     stand in a journal in which each line names the SHA-256 of the line before it, so that a line cannot be taken out or \
     put in between without the rest being made anew.",
    "To check:",
];

/// At the foot of every page.
pub(super) fn running(facts: &Facts) -> String {
    let unconfirmed = facts.unconfirmed().len();
    let in_loss = plural(facts.in_loss().count(), "photo");
    if unconfirmed == 0 {
        return "A measurement by the grower, not an appraisal.".to_owned();
    }
    format!(
        "NOT CONFIRMED BY A PERSON: {unconfirmed} of {in_loss} in the loss. A measurement by the grower, not an appraisal."
    )
}

/// On the first page.
pub(super) fn unconfirmed(facts: &Facts, numbers: &[usize]) -> String {
    let in_loss = plural(facts.in_loss().count(), "photo");
    format!(
        "Not confirmed by a person: {} of {in_loss} in the loss ({} {}). Nobody called these counts right.",
        numbers.len(),
        if numbers.len() == 1 {
            "number"
        } else {
            "numbers"
        },
        runs(numbers)
    )
}

/// "1–4, 7, 9–12".
pub(super) fn runs(numbers: &[usize]) -> String {
    let mut out: Vec<String> = Vec::new();
    let mut at = 0;
    while at < numbers.len() {
        let mut end = at;
        while end + 1 < numbers.len() && numbers[end + 1] == numbers[end] + 1 {
            end += 1;
        }
        out.push(match end - at {
            0 => numbers[at].to_string(),
            1 => format!("{}, {}", numbers[at], numbers[end]),
            _ => format!("{}–{}", numbers[at], numbers[end]),
        });
        at = end + 1;
    }
    out.join(", ")
}

#[cfg(test)]
mod tests {
    #[test]
    fn numbers_are_drawn_together() {
        assert_eq!(super::runs(&[1, 2, 3, 4, 7, 9, 10]), "1–4, 7, 9, 10");
        assert_eq!(super::runs(&[]), "");
    }
}

//! Names typed in the sheet, where a slip would part what belongs together.

use std::collections::BTreeMap;

use super::{FrameLoss, LossCaution, LossCautionKind};

/// Takes settings, checks and pairs by the spelling that is typed most: neither capitals nor spaces tell two of them apart.
pub(super) fn spell_alike(frames: &mut [FrameLoss]) {
    let names: [fn(&mut FrameLoss) -> &mut Option<String>; 3] =
        [|f| &mut f.setting, |f| &mut f.check, |f| &mut f.pair];
    for name_of in names {
        let mut typed: BTreeMap<String, BTreeMap<String, usize>> = BTreeMap::new();
        for name in frames.iter_mut().filter_map(|f| name_of(f).clone()) {
            let spellings = typed.entry(folded(&name)).or_default();
            *spellings.entry(name).or_default() += 1;
        }
        for name in frames.iter_mut().filter_map(|f| name_of(f).as_mut()) {
            let spellings = &typed[&folded(name)];
            let most = spellings.iter().max_by_key(|(_, times)| **times);
            name.clone_from(most.expect("it is among them").0);
        }
    }
}

/// A name without what does not tell two apart.
pub(crate) fn folded(name: &str) -> String {
    let words: Vec<String> = name.split_whitespace().map(str::to_lowercase).collect();
    words.join(" ")
}

/// Whether two names typed are one: neither capitals nor spaces tell them apart.
#[must_use]
pub fn same_name(a: &str, b: &str) -> bool {
    folded(a) == folded(b)
}

/// Settings that look like one name with a slip in it.
pub(super) fn slips(frames: &[FrameLoss]) -> Option<LossCaution> {
    let mut names: Vec<&str> = (frames.iter())
        .filter_map(|f| f.setting.as_deref())
        .collect();
    names.sort_unstable();
    names.dedup();
    let pairs = (names.iter().enumerate())
        .flat_map(|(i, a)| names[i + 1..].iter().map(move |b| (a, b)))
        .filter(|(a, b)| is_slip(a, b));
    let told: Vec<String> = pairs.map(|(a, b)| format!("'{a}' and '{b}'")).collect();
    (!told.is_empty()).then(|| {
        LossCautionKind::SettingsAlike.says(format!(
            "settings that differ by one letter count as two: {}; if they are one, write them alike in the sheet",
            told.join(", ")
        ))
    })
}

/// Fewest letters of a word in which one of them is taken for a slip: `A` and `B` are two settings.
const FEWEST_LETTERS: usize = 4;

/// Whether one letter of one word is put in, left out or another. Another figure is another setting.
fn is_slip(a: &str, b: &str) -> bool {
    let (a, b) = (folded(a), folded(b));
    let (a, b): (Vec<&str>, Vec<&str>) = (a.split(' ').collect(), b.split(' ').collect());
    let mut unlike = a.iter().zip(&b).filter(|(x, y)| x != y);
    match (unlike.next(), unlike.next()) {
        (Some((x, y)), None) => a.len() == b.len() && is_slip_of_a_word(x, y),
        _ => false,
    }
}

fn is_slip_of_a_word(a: &str, b: &str) -> bool {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let (short, long) = if a.len() <= b.len() { (a, b) } else { (b, a) };
    if short.len() < FEWEST_LETTERS || long.len() - short.len() > 1 {
        return false;
    }
    // Two unlike words of these lengths differ somewhere in the longer one.
    let at = short.iter().zip(&long).take_while(|(x, y)| x == y).count();
    let exchanged = short.len() == long.len();
    let rest_of_short = &short[at + usize::from(exchanged)..];
    let odd = [short.get(at).filter(|_| exchanged), long.get(at)];
    rest_of_short == &long[at + 1..] && odd.into_iter().flatten().all(|c| c.is_alphabetic())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn under(settings: &[&str]) -> Vec<FrameLoss> {
        let one = |setting: &&str| FrameLoss {
            setting: Some((*setting).to_owned()),
            ..FrameLoss::default()
        };
        settings.iter().map(one).collect()
    }

    #[test]
    fn capitals_and_spaces_make_no_other_setting() {
        let mut frames = under(&[
            "Reel Slower",
            "reel  slower ",
            "as found",
            "reel slower",
            "reel slower",
        ]);
        for (at, check) in [(0, "North"), (1, "North"), (3, "north")] {
            frames[at].check = Some(check.to_owned());
        }
        spell_alike(&mut frames);
        let settings: Vec<_> = frames.iter().filter_map(|f| f.setting.as_deref()).collect();
        let all = [
            "reel slower",
            "reel slower",
            "as found",
            "reel slower",
            "reel slower",
        ];
        assert_eq!(settings, all);
        assert_eq!(frames[3].check.as_deref(), Some("North"));
    }

    #[test]
    fn a_letter_is_a_slip_and_a_figure_is_a_setting() {
        for (a, b, slip) in [
            ("reel slower", "reel slowr", true),
            ("reel slower", "reel slowers", true),
            ("reel slower", "real slower", true),
            ("rotor 800", "rotor 850", false),
            ("rotor 80", "rotor 800", false),
            ("A", "B", false),
            ("slow", "slo", false),
            ("setting A", "setting B", false),
            ("run A", "run AB", false),
            ("reel slower", "reel slower late", false),
            ("fast", "Fast ", false),
            ("reel slower", "reel faster", false),
            ("reel slower", "lower reel", false),
        ] {
            assert_eq!(is_slip(a, b), slip, "{a}, {b}");
            assert_eq!(is_slip(b, a), slip, "{b}, {a}");
        }
        let told = slips(&under(&["reel slower", "reel slowr"])).unwrap();
        assert!(told.message.contains("'reel slower' and 'reel slowr'"));
        assert_eq!(slips(&under(&["as found", "reel slower"])), None);
    }
}

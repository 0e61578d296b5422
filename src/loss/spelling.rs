//! Names typed in the sheet, where a slip would part what belongs together.

use std::collections::BTreeMap;

use super::{FrameLoss, LossCaution, LossCautionKind};

/// Takes settings, checks and pairs by their first spelling: neither capitals nor spaces tell two of them apart.
pub(super) fn spell_alike(frames: &mut [FrameLoss]) {
    for name_of in [setting_of, check_of, pair_of] {
        let mut first: BTreeMap<String, String> = BTreeMap::new();
        for name in frames.iter_mut().filter_map(|f| name_of(f).as_mut()) {
            let spelling = first.entry(folded(name)).or_insert_with(|| name.clone());
            name.clone_from(spelling);
        }
    }
}

fn setting_of(frame: &mut FrameLoss) -> &mut Option<String> {
    &mut frame.setting
}

fn check_of(frame: &mut FrameLoss) -> &mut Option<String> {
    &mut frame.check
}

fn pair_of(frame: &mut FrameLoss) -> &mut Option<String> {
    &mut frame.pair
}

fn folded(name: &str) -> String {
    let words: Vec<String> = name.split_whitespace().map(str::to_lowercase).collect();
    words.join(" ")
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

/// Fewest letters of names in which one of them is taken for a slip: `A` and `B` are two settings.
const FEWEST_LETTERS: usize = 5;

/// Whether one letter is put in, left out or another in one of the names. Another figure is another setting.
fn is_slip(a: &str, b: &str) -> bool {
    let (a, b): (Vec<char>, Vec<char>) = (folded(a).chars().collect(), folded(b).chars().collect());
    let (short, long) = if a.len() <= b.len() { (a, b) } else { (b, a) };
    if short.len() < FEWEST_LETTERS || long.len() - short.len() > 1 {
        return false;
    }
    let same = short.iter().zip(&long).take_while(|(x, y)| x == y).count();
    let same_len = long.len() == short.len();
    let rest_of_short = &short[(same + usize::from(same_len)).min(short.len())..];
    let one_letter = rest_of_short == &long[(same + 1).min(long.len())..];
    let letters = [short.get(same).filter(|_| same_len), long.get(same)];
    one_letter && letters.into_iter().flatten().all(|c| c.is_alphabetic())
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
        let mut frames = under(&["reel slower", "Reel  Slower ", "as found", "REEL SLOWER"]);
        frames[1].check = Some("North".to_owned());
        frames[3].check = Some("north".to_owned());
        spell_alike(&mut frames);
        let settings: Vec<_> = frames.iter().filter_map(|f| f.setting.as_deref()).collect();
        assert_eq!(
            settings,
            ["reel slower", "reel slower", "as found", "reel slower"]
        );
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

//! Characters that turn the order of the letters about them: a name with one may read as another name.

use std::borrow::Cow;

/// Whether it is such a character.
///
/// # Source
/// Unicode 16.0, PropList.txt: `Bidi_Control`; UAX #9 says what they do.
pub fn turns_letters(c: char) -> bool {
    matches!(c, '\u{61C}' | '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
}

/// Text as a page shows it: each such character by its number, as `⟨U+202E⟩`. Letters of scripts that run from right to
/// left stay as they are.
pub fn turning_by_number(text: &str) -> Cow<'_, str> {
    // Nearly every text is plain, and some are long.
    if text.is_ascii() || !text.contains(turns_letters) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        match turns_letters(c) {
            true => out.push_str(&format!("⟨U+{:04X}⟩", u32::from(c))),
            false => out.push(c),
        }
    }
    Cow::Owned(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_turns_is_shown_by_number() {
        assert_eq!(
            turning_by_number("a\u{202e}gpj.\u{61c}b"),
            "a⟨U+202E⟩gpj.⟨U+061C⟩b"
        );
        for plain in ["plain.jpg", "سویا שדה 大豆 é.jpg", "a\nb", ""] {
            assert!(matches!(turning_by_number(plain), Cow::Borrowed(same) if same == plain));
        }
    }
}

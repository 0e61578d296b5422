//! Letters: DejaVu Sans built in, a font of the person's for other scripts, and what is shown where no font has a letter.

use krilla::text::{Font, TextDirection};
use rustybuzz::{Direction, Face, UnicodeBuffer};

use super::PdfError;
use crate::text::turns_letters;

const REGULAR: &[u8] = include_bytes!("../fonts/DejaVuSans.ttf");
const BOLD: &[u8] = include_bytes!("../fonts/DejaVuSans-Bold.ttf");

/// Thickness of letters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Weight {
    Regular,
    Bold,
}

struct Letters<'a> {
    font: Font,
    face: Face<'a>,
}

impl<'a> Letters<'a> {
    fn new(bytes: &'a [u8]) -> Option<Self> {
        Some(Self {
            font: Font::new(bytes.to_vec().into(), 0)?,
            face: Face::from_slice(bytes, 0)?,
        })
    }

    fn has(&self, c: char) -> bool {
        self.face.glyph_index(c).is_some_and(|glyph| glyph.0 != 0)
    }
}

/// The fonts of one page.
pub(super) struct Fonts<'a> {
    regular: Letters<'a>,
    bold: Letters<'a>,
    more: Option<Letters<'a>>,
}

/// A piece of a line in one font and one direction.
#[derive(Debug, Clone)]
pub(super) struct Run {
    pub text: String,
    pub font: Font,
    pub direction: TextDirection,
    /// Width for letters of size 1.
    pub width: f32,
}

/// Scripts that run from right to left: Hebrew, Arabic and its supplements, Syriac, Thaana, N'Ko, and their forms.
fn runs_left(c: char) -> bool {
    matches!(u32::from(c), 0x0590..=0x08FF | 0xFB1D..=0xFDFF | 0xFE70..=0xFEFC | 0x10800..=0x10FFF | 0x1E800..=0x1EFFF)
}

/// What a PDF/A may not hold even where a font has it: private use, and what marks a file's beginning.
fn is_barred(c: char) -> bool {
    matches!(u32::from(c), 0xE000..=0xF8FF | 0xF0000..=0x10FFFF | 0xFEFF | 0xFFFE | 0xFFFF)
}

impl<'a> Fonts<'a> {
    /// `more`: a font file for letters that the built-in fonts lack.
    pub fn new(more: Option<&'a [u8]>) -> Result<Self, PdfError> {
        let built_in = |bytes: &'static [u8]| Letters::new(bytes).ok_or(PdfError::Font);
        Ok(Self {
            regular: built_in(REGULAR)?,
            bold: built_in(BOLD)?,
            more: more
                .map(|bytes| Letters::new(bytes).ok_or(PdfError::Font))
                .transpose()?,
        })
    }

    fn letters(&self, weight: Weight) -> &Letters<'a> {
        match weight {
            Weight::Regular => &self.regular,
            Weight::Bold => &self.bold,
        }
    }

    /// Text as it can be shown: a letter that no font has, and one that turns the letters about it, becomes its number in
    /// brackets, never nothing.
    pub fn shown(&self, text: &str, weight: Weight) -> String {
        let mut out = String::with_capacity(text.len());
        for c in text.chars() {
            let has = self.letters(weight).has(c) || self.more.as_ref().is_some_and(|m| m.has(c));
            if c.is_control() {
                out.push(' ');
            } else if has && !is_barred(c) && !turns_letters(c) {
                out.push(c);
            } else {
                out.push_str(&format!("⟨U+{:04X}⟩", u32::from(c)));
            }
        }
        out
    }

    /// Whether all of it can be shown as it is.
    pub fn has_all(&self, text: &str) -> bool {
        !self.shown(text, Weight::Regular).contains("⟨U+") || text.contains("⟨U+")
    }

    /// A line cut into runs, left to right. `text` is as [`Fonts::shown`] gives it.
    pub fn runs(&self, text: &str, weight: Weight) -> Vec<Run> {
        let mut pieces: Vec<(bool, bool, String)> = Vec::new();
        for c in text.chars() {
            let own = self.letters(weight).has(c);
            let left = runs_left(c);
            match pieces.last_mut() {
                // Blanks between two words that run leftwards stay with them.
                Some((last_own, last_left, piece)) if (own, left) == (*last_own, *last_left) => {
                    piece.push(c)
                }
                Some((last_own, true, piece)) if *last_own == own && c == ' ' => piece.push(c),
                _ => pieces.push((own, left, c.to_string())),
            }
        }
        pieces
            .into_iter()
            .map(|(own, left, text)| self.run(text, own, left, weight))
            .collect()
    }

    fn run(&self, text: String, own: bool, left: bool, weight: Weight) -> Run {
        let letters = match &self.more {
            Some(more) if !own => more,
            _ => self.letters(weight),
        };
        let mut buffer = UnicodeBuffer::new();
        buffer.push_str(&text);
        buffer.set_direction(if left {
            Direction::RightToLeft
        } else {
            Direction::LeftToRight
        });
        buffer.guess_segment_properties();
        let shaped = rustybuzz::shape(&letters.face, &[], buffer);
        let advance: i32 = shaped.glyph_positions().iter().map(|p| p.x_advance).sum();
        Run {
            font: letters.font.clone(),
            direction: if left {
                TextDirection::RightToLeft
            } else {
                TextDirection::LeftToRight
            },
            width: advance as f32 / letters.face.units_per_em() as f32,
            text,
        }
    }

    /// Width of text for letters of size 1.
    pub fn width(&self, text: &str, weight: Weight) -> f32 {
        self.runs(text, weight).iter().map(|r| r.width).sum()
    }

    /// Lines no wider than `width` at this size; a word that is wider is cut.
    pub fn lines(&self, text: &str, weight: Weight, size: f32, width: f32) -> Vec<String> {
        let text = self.shown(text, weight);
        let room = width / size;
        let blank = self.width(" ", weight);
        let (mut lines, mut line, mut used) = (Vec::new(), String::new(), 0.0);
        for word in text.split(' ').filter(|w| !w.is_empty()) {
            for (first, part) in self.parts(word, weight, room).into_iter().enumerate() {
                let wide = self.width(&part, weight);
                let gap = if first == 0 && !line.is_empty() {
                    blank
                } else {
                    0.0
                };
                if !line.is_empty() && (first > 0 || used + gap + wide > room) {
                    lines.push(std::mem::take(&mut line));
                    used = 0.0;
                } else if gap > 0.0 {
                    line.push(' ');
                    used += gap;
                }
                line.push_str(&part);
                used += wide;
            }
        }
        if !line.is_empty() || lines.is_empty() {
            lines.push(line);
        }
        lines
    }

    /// A word, cut into parts that fit.
    fn parts(&self, word: &str, weight: Weight, room: f32) -> Vec<String> {
        if self.width(word, weight) <= room {
            return vec![word.to_owned()];
        }
        let mut parts = vec![String::new()];
        let mut used = 0.0;
        for c in word.chars() {
            let wide = self.width(c.encode_utf8(&mut [0; 4]), weight);
            let last = parts.last_mut().expect("there is one");
            if used + wide > room && !last.is_empty() {
                parts.push(c.to_string());
                used = wide;
            } else {
                last.push(c);
                used += wide;
            }
        }
        parts
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_letter_is_dropped() {
        let fonts = Fonts::new(None).unwrap();
        assert_eq!(
            fonts.shown("Łódź Жуков Ωα עברית عربي ½", Weight::Bold),
            "Łódź Жуков Ωα עברית عربي ½"
        );
        assert_eq!(fonts.shown("北a\n", Weight::Regular), "⟨U+5317⟩a ");
        assert_eq!(fonts.shown("\u{e000}", Weight::Regular), "⟨U+E000⟩");
        assert_eq!(fonts.shown("a\u{202e}b", Weight::Bold), "a⟨U+202E⟩b");
        assert!(fonts.has_all("plain") && !fonts.has_all("北"));
    }

    #[test]
    fn lines_fit_and_lose_nothing() {
        let fonts = Fonts::new(None).unwrap();
        let text = "a frame 0123456789abcdef0123456789abcdef was laid on the ground عربي عربي end";
        let lines = fonts.lines(text, Weight::Regular, 10.0, 90.0);
        assert!(lines.len() > 4);
        for line in &lines {
            assert!(fonts.width(line, Weight::Regular) * 10.0 <= 90.5, "{line}");
        }
        let bare = |text: &str| text.replace(' ', "");
        assert_eq!(bare(&lines.concat()), bare(text));
    }
}

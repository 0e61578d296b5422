//! Text on pictures: DejaVu Sans, built in, so that the same picture comes out on every machine.
//!
//! Sizes are em sizes in pixels. Places are baselines: (x, y) is where the first letter stands.

mod turning;

use ab_glyph::{Font, FontRef, Glyph, PxScale, ScaleFont, point};
use image::RgbImage;

pub use turning::{turning_by_number, turns_letters};

const REGULAR: &[u8] = include_bytes!("fonts/DejaVuSans-subset.ttf");
const BOLD: &[u8] = include_bytes!("fonts/DejaVuSans-Bold-subset.ttf");

/// Stands in for a letter that the built-in fonts do not have.
const MISSING: char = '□';

/// Thickness of the letters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weight {
    /// Ordinary.
    Regular,
    /// Bold.
    Bold,
}

/// How a piece of text looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Style {
    /// Em size, pixels.
    pub size_px: f32,
    /// Thickness.
    pub weight: Weight,
    /// 8-bit sRGB.
    pub colour: [u8; 3],
}

impl Style {
    /// Ordinary letters.
    pub const fn regular(size_px: f32, colour: [u8; 3]) -> Self {
        Self {
            size_px,
            weight: Weight::Regular,
            colour,
        }
    }

    /// Bold letters.
    pub const fn bold(size_px: f32, colour: [u8; 3]) -> Self {
        Self {
            size_px,
            weight: Weight::Bold,
            colour,
        }
    }

    /// From one baseline to the next, pixels: closer for very large letters.
    pub fn line_px(self) -> f32 {
        let lead = if self.size_px > 60.0 { 1.1 } else { 1.3 };
        (self.size_px * lead).round()
    }

    /// From the top of a line to its baseline, pixels.
    pub fn baseline_px(self) -> f32 {
        (self.line_px() - self.size_px) / 2.0 + self.size_px * 0.83
    }

    /// Height of a capital letter, pixels (0.73 em in DejaVu Sans).
    pub fn capital_px(self) -> f32 {
        self.size_px * 0.73
    }
}

/// The built-in fonts, ready to measure and draw.
#[derive(Debug, Clone)]
pub struct Letters {
    regular: FontRef<'static>,
    bold: FontRef<'static>,
}

impl Letters {
    /// Opens the built-in fonts.
    ///
    /// # Panics
    /// When the fonts built in are broken, which a test rules out.
    pub fn new() -> Self {
        let open = |bytes| FontRef::try_from_slice(bytes).expect("the built-in font is sound");
        Self {
            regular: open(REGULAR),
            bold: open(BOLD),
        }
    }

    fn font(&self, weight: Weight) -> &FontRef<'static> {
        match weight {
            Weight::Regular => &self.regular,
            Weight::Bold => &self.bold,
        }
    }

    /// Lays out one line from x = 0; gives the glyphs and the width, pixels.
    fn lay(&self, text: &str, style: Style) -> (Vec<Glyph>, f32) {
        let font = self.font(style.weight);
        let em = font.units_per_em().unwrap_or(2048.0);
        let scale = PxScale::from(style.size_px * font.height_unscaled() / em);
        let scaled = font.as_scaled(scale);
        let mut x = 0.0;
        let mut glyphs = Vec::with_capacity(text.len());
        for letter in text.chars() {
            let letter = if letter.is_control() { ' ' } else { letter };
            let mut id = font.glyph_id(letter);
            if id.0 == 0 {
                id = font.glyph_id(MISSING);
            }
            glyphs.push(id.with_scale_and_position(scale, point(x, 0.0)));
            x += scaled.h_advance(id);
        }
        (glyphs, x)
    }

    /// Width of one line, pixels.
    pub fn width_px(&self, text: &str, style: Style) -> f32 {
        self.lay(text, style).1
    }

    /// Draws one line; what falls outside the picture is left off.
    pub fn draw(&self, image: &mut RgbImage, at: (f32, f32), text: &str, style: Style) {
        let font = self.font(style.weight);
        for mut glyph in self.lay(text, style).0 {
            glyph.position.x += at.0;
            glyph.position.y += at.1;
            let Some(outline) = font.outline_glyph(glyph) else {
                continue;
            };
            let corner = outline.px_bounds().min;
            outline.draw(|dx, dy, cover| {
                let x = corner.x as i64 + i64::from(dx);
                let y = corner.y as i64 + i64::from(dy);
                blend(image, (x, y), style.colour, cover);
            });
        }
    }

    /// Breaks a text into lines no wider than `width_px`, at spaces, and inside a word only
    /// where the word alone is wider.
    pub fn wrap(&self, text: &str, style: Style, width_px: f32) -> Vec<String> {
        let fits = |line: &str| self.width_px(line, style) <= width_px;
        let mut lines = Vec::new();
        let mut line = String::new();
        for word in text.split_whitespace() {
            let longer = if line.is_empty() {
                word.to_owned()
            } else {
                format!("{line} {word}")
            };
            if fits(&longer) {
                line = longer;
                continue;
            }
            if !line.is_empty() {
                lines.push(std::mem::take(&mut line));
            }
            for letter in word.chars() {
                line.push(letter);
                if !fits(&line) && line.chars().count() > 1 {
                    line.pop();
                    lines.push(std::mem::replace(&mut line, letter.to_string()));
                }
            }
        }
        if !line.is_empty() {
            lines.push(line);
        }
        lines
    }

    /// Shortens a text in its middle, with …, until it is no wider than `width_px`.
    pub fn shorten(&self, text: &str, style: Style, width_px: f32) -> String {
        if self.width_px(text, style) <= width_px {
            return text.to_owned();
        }
        let letters: Vec<char> = text.chars().collect();
        for keep in (0..letters.len()).rev() {
            let head = keep.div_ceil(2);
            let tail = letters.len() - keep / 2;
            let short: String = letters[..head]
                .iter()
                .chain(&['…'])
                .chain(&letters[tail..])
                .collect();
            if self.width_px(&short, style) <= width_px {
                return short;
            }
        }
        String::new()
    }
}

impl Default for Letters {
    fn default() -> Self {
        Self::new()
    }
}

/// Lays `colour` over the pixel at (x, y) with this share, 0..1; outside the picture nothing happens.
pub(crate) fn blend(image: &mut RgbImage, (x, y): (i64, i64), colour: [u8; 3], share: f32) {
    if x < 0 || y < 0 || x >= i64::from(image.width()) || y >= i64::from(image.height()) {
        return;
    }
    let share = (share.clamp(0.0, 1.0) * 256.0) as i32;
    let pixel = image.get_pixel_mut(x as u32, y as u32);
    for (old, new) in pixel.0.iter_mut().zip(colour) {
        let (from, to) = (i32::from(*old), i32::from(new));
        *old = (from + (((to - from) * share + 128) >> 8)) as u8;
    }
}

#[cfg(test)]
mod tests;

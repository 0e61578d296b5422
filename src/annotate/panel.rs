//! The words beside the picture: lines of text, small marks and the scale bar, set one below another.

use image::RgbImage;

use crate::{
    counts::Kind,
    text::{Letters, Style},
    units::MM_PER_IN,
};

use super::{
    canvas::{Pen, Shape, fill, line},
    mark::{DARK, LIGHT, Mark, Standing},
};

/// Paper of the panel.
pub(super) const PAPER: [u8; 3] = [250, 249, 245];
/// Words on it.
pub(super) const INK: [u8; 3] = [24, 26, 30];
/// Words that matter less; 6 to 1 against the paper.
pub(super) const SOFT: [u8; 3] = [88, 90, 96];
/// Ground behind the small marks of the legend.
const SWATCH: [u8; 3] = [128, 106, 84];

/// One thing in the panel.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Item {
    /// Words, broken into as many lines as they need.
    Text(String, Style),
    /// Words on one line, shortened in the middle where they are too long.
    OneLine(String, Style),
    /// Words with a warning sign before them: a heading and a text.
    Caution(String, String),
    /// A mark of the legend with its words; whether a person said it.
    Legend(Kind, Standing, bool, String),
    /// Empty space, pixels.
    Space(f32),
    /// A thin line across.
    Rule,
    /// How long 1 cm and 1 in are in the picture.
    Scale {
        /// Pixels of the picture to one mm of ground.
        px_per_mm: f32,
    },
}

/// Size of the words of cautions and of the legend, pixels.
const SMALL_PX: f32 = 20.0;
const SIGN_PX: f32 = 34.0;
const SWATCH_PX: f32 = 46.0;
const SCALE_TEXT: Style = Style::regular(18.0, INK);

/// Sets items one below another, and draws them where an image is given; gives the height, pixels.
pub(super) struct Setter<'a> {
    pub(super) letters: &'a Letters,
    pub(super) left: f32,
    pub(super) width: f32,
}

impl Setter<'_> {
    /// Height that the items need.
    pub(super) fn height(&self, items: &[Item]) -> f32 {
        self.set(None, items, 0.0)
    }

    /// Draws the items from `top` down; gives where they end.
    pub(super) fn draw(&self, image: &mut RgbImage, items: &[Item], top: f32) -> f32 {
        self.set(Some(image), items, top)
    }

    fn set(&self, mut image: Option<&mut RgbImage>, items: &[Item], top: f32) -> f32 {
        let mut y = top;
        for item in items {
            y = self.one(image.as_deref_mut(), item, y);
        }
        y
    }

    fn one(&self, image: Option<&mut RgbImage>, item: &Item, y: f32) -> f32 {
        match item {
            Item::Text(text, style) => self.lines(image, text, *style, 0.0, y),
            Item::OneLine(text, style) => {
                let short = self.letters.shorten(text, *style, self.width);
                self.lines(image, &short, *style, 0.0, y)
            }
            Item::Caution(head, text) => self.caution(image, head, text, y),
            Item::Legend(kind, standing, said, text) => {
                self.legend(image, (*kind, *standing, *said), text, y)
            }
            Item::Space(px) => y + px,
            Item::Rule => {
                if let Some(image) = image {
                    fill(image, [self.left, y + 12.0, self.width, 2.0], SOFT, 0.45);
                }
                y + 26.0
            }
            Item::Scale { px_per_mm } => self.scale(image, *px_per_mm, y),
        }
    }

    /// Wrapped lines from `indent` on.
    fn lines(
        &self,
        mut image: Option<&mut RgbImage>,
        text: &str,
        style: Style,
        indent: f32,
        y: f32,
    ) -> f32 {
        let lines = self.letters.wrap(text, style, self.width - indent);
        let first = y + style.baseline_px();
        for (i, text) in lines.iter().enumerate() {
            if let Some(image) = image.as_deref_mut() {
                let at = (self.left + indent, first + i as f32 * style.line_px());
                self.letters.draw(image, at, text, style);
            }
        }
        y + lines.len() as f32 * style.line_px()
    }

    fn caution(&self, mut image: Option<&mut RgbImage>, head: &str, text: &str, y: f32) -> f32 {
        if let Some(image) = image.as_deref_mut() {
            self.warning_sign(image, y);
        }
        let indent = SIGN_PX + 12.0;
        let y = self.lines(
            image.as_deref_mut(),
            head,
            Style::bold(SMALL_PX, INK),
            indent,
            y,
        );
        self.lines(image, text, Style::regular(SMALL_PX, INK), indent, y) + 12.0
    }

    /// A triangle with an exclamation mark.
    fn warning_sign(&self, image: &mut RgbImage, y: f32) {
        let (x, y) = (self.left + 2.0, y + 3.0);
        let points = [
            (x + SIGN_PX / 2.0, y),
            (x + SIGN_PX, y + SIGN_PX * 0.88),
            (x, y + SIGN_PX * 0.88),
        ];
        line(image, &points, true, &plain(INK, 3.0));
        let at = (x + SIGN_PX / 2.0 - 4.2, y + SIGN_PX * 0.8);
        self.letters.draw(image, at, "!", Style::bold(21.0, INK));
    }

    fn legend(
        &self,
        mut image: Option<&mut RgbImage>,
        (kind, standing, said): (Kind, Standing, bool),
        text: &str,
        y: f32,
    ) -> f32 {
        let indent = SWATCH_PX + 14.0;
        let style = Style::regular(SMALL_PX, INK);
        let lines = self.letters.wrap(text, style, self.width - indent).len() as f32;
        let height = (lines * style.line_px()).max(SWATCH_PX);
        if let Some(image) = image.as_deref_mut() {
            let rect = [self.left, y, SWATCH_PX, SWATCH_PX];
            fill(image, rect, SWATCH, 1.0);
            let shape = match kind {
                Kind::Bean => Shape::Circle { radius: 15.0 },
                Kind::SplitBean => Shape::diamond(12.0),
                Kind::Pod => Shape::Box {
                    half_length: 18.0,
                    half_width: 7.5,
                    angle_rad: -0.45,
                },
            };
            let centre = (self.left + SWATCH_PX / 2.0, y + SWATCH_PX / 2.0);
            let mark = Mark {
                centre,
                shape,
                kind,
                standing,
                said,
            };
            mark.draw(image, 4.0);
        }
        let text_top = y + (height - lines * style.line_px()) / 2.0;
        self.lines(image, text, style, indent, text_top);
        y + height + 8.0
    }

    /// Two bars of round length, centimetres above inches.
    fn scale(&self, image: Option<&mut RgbImage>, px_per_mm: f32, y: f32) -> f32 {
        const HEIGHT: f32 = 84.0;
        let Some(image) = image else {
            return y + HEIGHT;
        };
        let most_mm = (self.width - 70.0) / px_per_mm;
        let pick = |unit_mm: f32, sizes: &[f32]| {
            let fits = |n: &&f32| **n * unit_mm <= most_mm;
            sizes.iter().rev().find(fits).copied().unwrap_or(sizes[0])
        };
        let cm = pick(10.0, &[0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0]);
        let inches = pick(
            MM_PER_IN as f32,
            &[0.25, 0.5, 1.0, 2.0, 4.0, 6.0, 12.0, 24.0, 36.0],
        );
        let bars = [
            (cm * 10.0 * px_per_mm, format!("{cm} cm"), y + 16.0),
            (
                inches * MM_PER_IN as f32 * px_per_mm,
                format!("{inches} in"),
                y + 48.0,
            ),
        ];
        for (length, words, y) in bars {
            fill(image, [self.left, y, length, 4.0], INK, 1.0);
            fill(image, [self.left, y - 8.0, 3.0, 20.0], INK, 1.0);
            fill(
                image,
                [self.left + length - 3.0, y - 8.0, 3.0, 20.0],
                INK,
                1.0,
            );
            let at = (self.left + length + 8.0, y + 9.0);
            self.letters.draw(image, at, &words, SCALE_TEXT);
        }
        y + HEIGHT
    }
}

/// A line without a casing.
pub(super) fn plain(colour: [u8; 3], core_px: f32) -> Pen {
    Pen {
        core: colour,
        core_px,
        core_share: 1.0,
        casing: colour,
        casing_px: 0.0,
        casing_share: 0.0,
        dash: None,
    }
}

/// The frame's line: light in a dark casing.
pub(super) fn frame_pen(core_px: f32) -> Pen {
    Pen {
        core: LIGHT,
        core_px,
        core_share: 1.0,
        casing: DARK,
        casing_px: core_px * 0.7,
        casing_share: 1.0,
        dash: None,
    }
}

//! One photo with what is told of it, and the map.

use super::{
    fonts::Weight,
    lay::{BAND, BLACK, Layout, Look, NodeKind, RULE, SOFT, What},
};
use crate::record::{
    draw::{Drawing, Shape},
    page::FrameBlock,
};

/// Largest picture, points.
const PICTURE: (f32, f32) = (248.0, 184.0);
/// Room for the names of what is told.
const NAMES: f32 = 72.0;

impl Layout<'_> {
    pub(super) fn frame(&mut self, frame: &FrameBlock) {
        let picture = (self.pictures)(&frame.photo);
        let size = picture
            .as_ref()
            .map(|p| fitted(p.width_px as f32, p.height_px as f32));
        let (_, high) = size.unwrap_or((0.0, 40.0));
        let column = self.left() + PICTURE.0 + 12.0;
        let width = self.across() - PICTURE.0 - 12.0 - NAMES;
        let rows: Vec<(&str, Vec<String>)> = (frame.facts.iter())
            .map(|(name, value)| {
                (
                    name.as_str(),
                    self.fonts
                        .lines(value, Weight::Regular, Look::SMALL.size, width),
                )
            })
            .collect();
        let lines: usize = rows.iter().map(|(_, lines)| lines.len()).sum();
        let pair = high.max(lines as f32 * Look::SMALL.line() + rows.len() as f32 * 1.5);
        self.need(26.0 + pair + 10.0);
        self.title(frame);
        let top = self.y;
        self.picture(frame, picture.map(|p| p.jpeg), size);
        self.y = top;
        for (name, lines) in rows {
            let node = self.node(NodeKind::Text, None);
            self.words(Some(node), column, Look::SMALL_SOFT, &format!("{name} "));
            for line in lines {
                self.words(Some(node), column + NAMES, Look::SMALL, &format!("{line} "));
                self.y += Look::SMALL.line();
            }
            self.y += 1.5;
        }
        self.y = top + pair + 4.0;
        for note in &frame.notes {
            let node = self.node(NodeKind::Text, None);
            self.flow(node, (self.left(), self.across()), Look::SMALL, note);
        }
        self.y += 9.0;
    }

    /// Number, name, and how far a person stands behind it.
    fn title(&mut self, frame: &FrameBlock) {
        let look = Look::new(10.5, Weight::Bold, BLACK);
        let badge = self.fonts.width(&frame.badge, Weight::Bold) * Look::SMALL_BOLD.size;
        let (x, y, across) = (self.left(), self.y, self.across());
        self.put(
            None,
            What::Area {
                x,
                y,
                width: across,
                height: 0.8,
                colour: BLACK,
            },
        );
        self.y += 4.0;
        let begin = self.y;
        let node = self.node(NodeKind::Heading(3, frame.title.clone()), None);
        self.flow(node, (x, across - badge - 20.0), look, &frame.title);
        let end = self.y;
        self.y = begin;
        let from = x + across - badge - 5.0;
        self.put(
            None,
            What::Area {
                x: from - 5.0,
                y: begin - 1.0,
                width: badge + 10.0,
                height: 14.0,
                colour: BAND,
            },
        );
        let node = self.node(NodeKind::Text, None);
        self.y += 2.0;
        self.words(Some(node), from, Look::SMALL_BOLD, &frame.badge);
        self.y = end + 4.0;
    }

    fn picture(&mut self, frame: &FrameBlock, jpeg: Option<Vec<u8>>, size: Option<(f32, f32)>) {
        let (x, y) = (self.left(), self.y);
        let Some((jpeg, (width, height))) = jpeg.zip(size) else {
            let node = self.node(NodeKind::Text, None);
            self.flow(
                node,
                (x, PICTURE.0),
                Look::new(8.0, Weight::Regular, SOFT),
                "No annotated picture was found when this record was made; podfall count makes it.",
            );
            return;
        };
        let node = self.node(NodeKind::Picture(frame.alt.clone()), None);
        let photo = frame.photo.clone();
        self.put(
            Some(node),
            What::Picture {
                x,
                y,
                width,
                height,
                photo,
                jpeg,
            },
        );
    }

    /// How high a drawing is when it goes from edge to edge.
    pub(super) fn drawing_height(&self, drawing: &Drawing) -> f32 {
        drawing.height as f32 * self.across() / drawing.width as f32
    }

    pub(super) fn drawing(&mut self, drawing: &Drawing) {
        let scale = self.across() / drawing.width as f32;
        let height = self.drawing_height(drawing);
        self.need(height + 4.0);
        let (x, y) = (self.left(), self.y);
        let at = |px: f64, py: f64| (x + px as f32 * scale, y + py as f32 * scale);
        let all = |points: &[(f64, f64)]| points.iter().map(|p| at(p.0, p.1)).collect();
        let shapes = drawing.shapes.iter().map(|shape| match shape {
            Shape::Line { points, width } => What::Line {
                points: all(points),
                width: *width as f32 * scale,
                colour: BLACK,
            },
            Shape::Closed { points, fill } => What::Closed {
                points: all(points),
                fill: *fill,
            },
            Shape::Words {
                x,
                y,
                size,
                middle,
                text,
            } => {
                let size = *size as f32 * scale;
                let text = self.fonts.shown(text, Weight::Regular);
                let wide = self.fonts.width(&text, Weight::Regular) * size;
                let (x, y) = at(*x, *y);
                What::Words {
                    x: if *middle { x - wide / 2.0 } else { x },
                    y,
                    size,
                    weight: Weight::Regular,
                    colour: BLACK,
                    text: format!("{text} "),
                }
            }
        });
        let shapes: Vec<What> = shapes.collect();
        let node = self.node(NodeKind::Picture(drawing.alt.clone()), None);
        self.put(Some(node), What::Together(shapes));
        self.y += height + 6.0;
        let (x, y, width) = (self.left(), self.y - 3.0, self.across());
        self.put(
            None,
            What::Area {
                x,
                y,
                width,
                height: 0.4,
                colour: RULE,
            },
        );
    }
}

/// As large as there is room for.
fn fitted(width: f32, height: f32) -> (f32, f32) {
    let scale = (PICTURE.0 / width.max(1.0)).min(PICTURE.1 / height.max(1.0));
    (width * scale, height * scale)
}

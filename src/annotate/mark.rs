//! The shape code of the marks: what kind is told by shape, how sure by how the line is broken.
//!
//! A whole bean is ringed by a circle, a split bean by a square on its corner, a pod by a long
//! box. An unbroken line is sure; a dashed one is doubtful and in the count; a faint dotted one is
//! doubtful and left out. A small white square beside a mark: a person said so; a white cross: a person said that it is
//! none of these. Colour only repeats the kind: nothing is lost in grey or to the colour-blind.

use image::RgbImage;

use crate::{
    counts::{Kind, Object},
    geometry::Point,
    marks::Verdict,
};

use super::canvas::{Dash, Pen, Shape, fill, line, outline};

/// Casing of every line, near black.
pub(super) const DARK: [u8; 3] = [16, 16, 20];
/// Text on dark plates and the frame's line.
pub(super) const LIGHT: [u8; 3] = [255, 255, 255];

/// How an object stands in the count.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Standing {
    /// In the count, no doubt.
    Sure,
    /// In the count, a person should look.
    Doubtful,
    /// Not in the count, a person should look.
    LeftOut,
    /// Not in the count, because a person said so.
    SaidNot,
}

impl Standing {
    /// `None` for what is neither counted nor in doubt: it gets no mark.
    pub(super) fn of(object: &Object) -> Option<Self> {
        match (object.counted, object.doubtful) {
            (true, false) => Some(Self::Sure),
            (true, true) => Some(Self::Doubtful),
            (false, true) => Some(Self::LeftOut),
            (false, false) => None,
        }
    }
}

/// Colour that repeats the kind: all three light, so that the dark casing sets them off, and
/// apart in hue for the common kinds of colour-blindness (blue, yellow, rose).
pub(super) fn colour(kind: Kind) -> [u8; 3] {
    match kind {
        Kind::Bean => [112, 224, 255],
        Kind::SplitBean => [255, 216, 56],
        Kind::Pod => [255, 168, 224],
    }
}

/// One mark where it is drawn, pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Mark {
    pub(super) centre: (f32, f32),
    pub(super) shape: Shape,
    pub(super) kind: Kind,
    pub(super) standing: Standing,
    /// Whether a person said what it is.
    pub(super) said: bool,
}

/// The pen for a mark in a picture with this many pixels a millimetre.
pub(super) fn pen(kind: Kind, standing: Standing, px_per_mm: f32) -> Pen {
    let core_px = (px_per_mm * 0.55).clamp(1.3, 2.4);
    let (core_share, casing_share, dash) = match standing {
        Standing::Sure => (1.0, 0.85, None),
        Standing::Doubtful => (1.0, 0.9, Some((5.6, 0.5))),
        Standing::LeftOut => (0.9, 0.55, Some((3.6, 0.1))),
        Standing::SaidNot => (0.95, 0.9, None),
    };
    Pen {
        core: if standing == Standing::SaidNot {
            LIGHT
        } else {
            colour(kind)
        },
        core_px,
        core_share,
        casing: DARK,
        casing_px: core_px * 0.65,
        casing_share,
        dash: dash.map(|(period, drawn)| Dash {
            period_px: period * core_px.max(1.6),
            drawn,
        }),
    }
}

impl Mark {
    /// The mark about an object; `said`: what a person said of it; `place` takes plot mm to pixels of the picture.
    /// `None` where the object gets no mark.
    pub(super) fn about(
        object: &Object,
        said: Option<Verdict>,
        place: impl Fn(Point) -> Point,
    ) -> Option<Self> {
        let standing = match said {
            Some(Verdict::None) => Standing::SaidNot,
            Some(_) => Standing::Sure,
            None => Standing::of(object)?,
        };
        let angle = object.angle_deg.to_radians();
        let half = |length_mm: f64, angle: f64| {
            let (dx, dy) = (angle.cos() * length_mm / 2.0, angle.sin() * length_mm / 2.0);
            let a = place(Point::new(object.x_mm - dx, object.y_mm - dy));
            let b = place(Point::new(object.x_mm + dx, object.y_mm + dy));
            (
                a.distance(b) as f32 / 2.0,
                (b.y - a.y).atan2(b.x - a.x) as f32,
            )
        };
        let (long, angle_rad) = half(object.length_mm, angle);
        let (wide, _) = half(object.width_mm, angle + std::f64::consts::FRAC_PI_2);
        let gap = (0.3 * wide).clamp(3.0, 7.0);
        let round = (long.max(wide) + gap).max(6.0);
        let shape = match object.kind {
            Kind::Bean => Shape::Circle { radius: round },
            Kind::SplitBean => Shape::diamond(round * 0.92),
            Kind::Pod => Shape::Box {
                half_length: (long + gap).max(9.0),
                half_width: (wide + gap).max(6.0),
                angle_rad,
            },
        };
        let centre = place(Point::new(object.x_mm, object.y_mm));
        Some(Self {
            centre: (centre.x as f32, centre.y as f32),
            shape,
            kind: object.kind,
            standing,
            said: said.is_some(),
        })
    }

    /// Draws it.
    pub(super) fn draw(&self, image: &mut RgbImage, px_per_mm: f32) {
        let pen = pen(self.kind, self.standing, px_per_mm);
        let (x, y) = self.centre;
        let (wide, high) = self.shape.reach();
        if self.standing == Standing::SaidNot {
            let r = (0.7 * wide.min(high)).max(5.0);
            line(image, &[(x - r, y - r), (x + r, y + r)], false, &pen);
            line(image, &[(x + r, y - r), (x - r, y + r)], false, &pen);
            return;
        }
        outline(image, self.centre, self.shape, &pen);
        if self.said {
            // Where a round mark ends towards the upper right.
            let off = match self.shape {
                Shape::Circle { .. } => 0.74,
                Shape::Box { .. } => 0.6,
            };
            said_square(image, (x + off * wide, y - off * high), px_per_mm);
        }
    }
}

/// The sign that a person said so: a white square in a dark one, about this point.
pub(super) fn said_square(image: &mut RgbImage, (x, y): (f32, f32), px_per_mm: f32) {
    let side = (2.0 * px_per_mm).clamp(5.0, 8.0);
    let square = |image: &mut RgbImage, side: f32, colour| {
        fill(
            image,
            [x - side / 2.0, y - side / 2.0, side, side],
            colour,
            1.0,
        );
    };
    square(image, side + 4.0, DARK);
    square(image, side, LIGHT);
}

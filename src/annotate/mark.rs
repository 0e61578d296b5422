//! The shape code of the marks: what kind is told by shape, how sure by how the line is broken.
//!
//! A whole bean is ringed by a circle, a split bean by a square on its corner, a pod by a long
//! box. An unbroken line is sure; a dashed one is doubtful and in the count; a faint dotted one is
//! doubtful and left out. Colour only repeats the kind: nothing is lost in grey or to the
//! colour-blind.

use image::RgbImage;

use crate::{
    counts::{Kind, Object},
    geometry::Point,
};

use super::canvas::{Dash, Pen, Shape, outline};

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
}

/// The pen for a mark in a picture with this many pixels a millimetre.
pub(super) fn pen(kind: Kind, standing: Standing, px_per_mm: f32) -> Pen {
    let core_px = (px_per_mm * 0.55).clamp(1.3, 2.4);
    let (core_share, casing_share, dash) = match standing {
        Standing::Sure => (1.0, 0.85, None),
        Standing::Doubtful => (1.0, 0.9, Some((5.6, 0.5))),
        Standing::LeftOut => (0.9, 0.55, Some((3.6, 0.1))),
    };
    Pen {
        core: colour(kind),
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
    /// The mark about an object; `place` takes plot mm to pixels of the picture. `None` where the
    /// object gets no mark.
    pub(super) fn about(object: &Object, place: impl Fn(Point) -> Point) -> Option<Self> {
        let standing = Standing::of(object)?;
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
        })
    }

    /// Draws it.
    pub(super) fn draw(&self, image: &mut RgbImage, px_per_mm: f32) {
        let pen = pen(self.kind, self.standing, px_per_mm);
        outline(image, self.centre, self.shape, &pen);
    }
}

//! Strokes on a picture: a thin light line in a dark casing, smooth at its edges, so that it
//! shows on straw, soil and white bars alike.

use image::RgbImage;

use crate::text::blend;

/// Length of a short vector: `hypot` without its care for overflow, three times as fast.
fn length(x: f32, y: f32) -> f32 {
    (x * x + y * y).sqrt()
}

/// A closed outline about a centre, pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Shape {
    /// A circle.
    Circle {
        /// Its radius.
        radius: f32,
    },
    /// A rectangle turned by an angle from +x towards +y.
    Box {
        /// Half of its length.
        half_length: f32,
        /// Half of its width.
        half_width: f32,
        /// Angle of its length, radians.
        angle_rad: f32,
    },
}

impl Shape {
    /// A square standing on its corner.
    pub(super) fn diamond(half_side: f32) -> Self {
        Self::Box {
            half_length: half_side,
            half_width: half_side,
            angle_rad: std::f32::consts::FRAC_PI_4,
        }
    }

    /// Half width and half height of the upright rectangle about it.
    pub(super) fn reach(self) -> (f32, f32) {
        match self {
            Self::Circle { radius } => (radius, radius),
            Self::Box {
                half_length,
                half_width,
                angle_rad,
            } => {
                let (s, c) = (angle_rad.sin().abs(), angle_rad.cos().abs());
                (
                    half_length * c + half_width * s,
                    half_length * s + half_width * c,
                )
            }
        }
    }

    /// Length of the outline.
    fn round(self) -> f32 {
        match self {
            Self::Circle { radius } => std::f32::consts::TAU * radius,
            Self::Box {
                half_length,
                half_width,
                ..
            } => 4.0 * (half_length + half_width),
        }
    }

    /// The point in the shape's own axes.
    fn own_axes(self, (x, y): (f32, f32)) -> (f32, f32) {
        match self {
            Self::Circle { .. } => (x, y),
            Self::Box { angle_rad, .. } => {
                let (s, c) = angle_rad.sin_cos();
                (x * c + y * s, y * c - x * s)
            }
        }
    }

    /// Distance of a point in the shape's own axes from the outline.
    fn distance(self, (u, v): (f32, f32)) -> f32 {
        match self {
            Self::Circle { radius } => (length(u, v) - radius).abs(),
            Self::Box {
                half_length,
                half_width,
                ..
            } => {
                let (a, b) = (u.abs() - half_length, v.abs() - half_width);
                let outside = length(a.max(0.0), b.max(0.0));
                (outside + a.max(b).min(0.0)).abs()
            }
        }
    }

    /// How far round the outline the nearest point of it lies, from 0 to [`Self::round`].
    fn along(self, (u, v): (f32, f32)) -> f32 {
        match self {
            Self::Circle { radius } => {
                let angle = v.atan2(u);
                (angle + std::f32::consts::PI) * radius
            }
            Self::Box {
                half_length: l,
                half_width: w,
                ..
            } => {
                let (cu, cv) = (u.clamp(-l, l), v.clamp(-w, w));
                if u.abs() - l > v.abs() - w {
                    if u > 0.0 {
                        cv + w
                    } else {
                        2.0 * w + 2.0 * l + w - cv
                    }
                } else if v > 0.0 {
                    2.0 * w + l - cu
                } else {
                    4.0 * w + 2.0 * l + l + cu
                }
            }
        }
    }
}

/// How a line is broken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Dash {
    /// From one dash to the next, pixels; fitted so that a whole number goes round.
    pub(super) period_px: f32,
    /// Share of it that is drawn, 0..1.
    pub(super) drawn: f32,
}

/// How a line looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pen {
    /// Colour of the line.
    pub(super) core: [u8; 3],
    /// Its thickness, pixels.
    pub(super) core_px: f32,
    /// Its share over the picture, 0..1.
    pub(super) core_share: f32,
    /// Colour of the casing.
    pub(super) casing: [u8; 3],
    /// Thickness of the casing on either side, pixels.
    pub(super) casing_px: f32,
    /// Its share over the picture, 0..1.
    pub(super) casing_share: f32,
    /// Unbroken where `None`.
    pub(super) dash: Option<Dash>,
}

impl Pen {
    /// From the middle of the line to the outside of its casing, with the soft edge.
    pub(super) fn reach(&self) -> f32 {
        self.core_px / 2.0 + self.casing_px + 0.5
    }

    /// Paints one pixel whose centre lies this far from the middle of the line.
    fn touch(&self, image: &mut RgbImage, at: (i64, i64), distance: f32) {
        let cover = |half: f32| (half + 0.5 - distance).clamp(0.0, 1.0);
        let half = self.core_px / 2.0;
        let casing = cover(half + self.casing_px);
        if casing > 0.0 {
            blend(image, at, self.casing, casing * self.casing_share);
        }
        let core = cover(half);
        if core > 0.0 {
            blend(image, at, self.core, core * self.core_share);
        }
    }
}

/// Pixels whose centres may lie within `reach` of `centre`, cut to the picture's size.
fn span(centre: f32, reach: f32, size: u32) -> std::ops::Range<i64> {
    let first = ((centre - reach).floor() as i64).max(0);
    let last = ((centre + reach).ceil() as i64 + 1).min(i64::from(size));
    first..last
}

/// Draws a closed outline.
pub(super) fn outline(image: &mut RgbImage, centre: (f32, f32), shape: Shape, pen: &Pen) {
    let reach = shape.reach();
    let dash = pen.dash.map(|dash| {
        let pieces = (shape.round() / dash.period_px).round().max(5.0);
        (shape.round() / pieces, dash.drawn)
    });
    for y in span(centre.1, reach.1 + pen.reach(), image.height()) {
        for x in span(centre.0, reach.0 + pen.reach(), image.width()) {
            let from = (x as f32 + 0.5 - centre.0, y as f32 + 0.5 - centre.1);
            let own = shape.own_axes(from);
            let mut distance = shape.distance(own);
            if distance >= pen.reach() {
                continue;
            }
            if let Some((period, drawn)) = dash {
                let phase = (shape.along(own) / period).fract();
                if phase > drawn {
                    let past = (phase - drawn).min(1.0 - phase) * period;
                    distance = length(distance, past);
                }
            }
            pen.touch(image, (x, y), distance);
        }
    }
}

/// Draws a line through points, back to the first where `closed`. The points should lie close
/// together: the time goes with the square of the longest step.
pub(super) fn line(image: &mut RgbImage, points: &[(f32, f32)], closed: bool, pen: &Pen) {
    let casing_only = Pen {
        core_share: 0.0,
        ..*pen
    };
    let core_only = Pen {
        casing_share: 0.0,
        ..*pen
    };
    let steps = points.len() - usize::from(!closed);
    for pen in [casing_only, core_only] {
        for i in 0..steps {
            step(image, points[i], points[(i + 1) % points.len()], &pen);
        }
    }
}

fn step(image: &mut RgbImage, a: (f32, f32), b: (f32, f32), pen: &Pen) {
    let along = (b.0 - a.0, b.1 - a.1);
    let length2 = (along.0 * along.0 + along.1 * along.1).max(1e-6);
    let middle = ((a.0 + b.0) / 2.0, (a.1 + b.1) / 2.0);
    let reach_x = along.0.abs() / 2.0 + pen.reach();
    let reach_y = along.1.abs() / 2.0 + pen.reach();
    for y in span(middle.1, reach_y, image.height()) {
        for x in span(middle.0, reach_x, image.width()) {
            let p = (x as f32 + 0.5 - a.0, y as f32 + 0.5 - a.1);
            let share = ((p.0 * along.0 + p.1 * along.1) / length2).clamp(0.0, 1.0);
            let distance = length(p.0 - along.0 * share, p.1 - along.1 * share);
            if distance < pen.reach() {
                pen.touch(image, (x, y), distance);
            }
        }
    }
}

/// Fills an upright rectangle given by its left, top, width and height.
pub(super) fn fill(image: &mut RgbImage, rect: [f32; 4], colour: [u8; 3], share: f32) {
    let [left, top, width, height] = rect.map(|v| v.round() as i64);
    for y in top.max(0)..(top + height).min(i64::from(image.height())) {
        for x in left.max(0)..(left + width).min(i64::from(image.width())) {
            blend(image, (x, y), colour, share);
        }
    }
}

/// Darkens everything outside a closed outline to `share` of its value, so that the eye goes to the plot.
pub(super) fn darken_outside(image: &mut RgbImage, outline: &[(f32, f32)], share: f32) {
    let parts = (share.clamp(0.0, 1.0) * 256.0).round() as u16;
    let width = image.width() as usize;
    let mut crossings = Vec::new();
    for (y, row) in image.chunks_exact_mut(width * 3).enumerate() {
        let middle = y as f32 + 0.5;
        crossings.clear();
        for (i, a) in outline.iter().enumerate() {
            let b = outline[(i + 1) % outline.len()];
            if (a.1 <= middle) != (b.1 <= middle) {
                crossings.push(a.0 + (middle - a.1) / (b.1 - a.1) * (b.0 - a.0));
            }
        }
        crossings.sort_by(f32::total_cmp);
        let mut from = 0;
        let ends = crossings
            .iter()
            .map(|x| (x.round().max(0.0) as usize).min(width));
        for (i, x) in ends.chain([width]).enumerate() {
            if i % 2 == 0 && from < x {
                for v in &mut row[from * 3..x * 3] {
                    *v = ((u16::from(*v) * parts) >> 8) as u8;
                }
            }
            from = x;
        }
    }
}

//! Which part of the photo is shown, and how large.

use fast_image_resize::{
    FilterType, PixelType, ResizeAlg, ResizeOptions, Resizer,
    images::{Image, ImageRef},
};
use image::RgbImage;

use crate::{
    frame::{FoundFrame, Outline},
    geometry::Point,
};

/// A part of a picture: left, top, width and height, pixels of that picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Part {
    pub(super) left: f64,
    pub(super) top: f64,
    pub(super) width: f64,
    pub(super) height: f64,
}

/// A part of a photo at the size at which it is shown.
#[derive(Debug, Clone)]
pub(super) struct View {
    pub(super) image: RgbImage,
    part: Part,
    scale: f64,
}

impl Part {
    pub(super) fn whole(image: &RgbImage) -> Self {
        Self {
            left: 0.0,
            top: 0.0,
            width: f64::from(image.width()),
            height: f64::from(image.height()),
        }
    }

    /// The upright rectangle about points with `margin` on every side, widened to an aspect
    /// (width over height) within the bounds given, moved into the photo and cut to it.
    pub(super) fn about(
        points: &[Point],
        margin: f64,
        aspect: (f64, f64),
        photo: &RgbImage,
    ) -> Self {
        let ends = |pick: fn(&Point) -> f64| {
            points
                .iter()
                .map(pick)
                .fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(v), b.max(v)))
        };
        let ((x0, x1), (y0, y1)) = (ends(|p| p.x), ends(|p| p.y));
        let (mut width, mut height) = (x1 - x0 + 2.0 * margin, y1 - y0 + 2.0 * margin);
        width = width.max(height * aspect.0);
        height = height.max(width / aspect.1);
        let fit = |middle: f64, size: f64, whole: u32| {
            let whole = f64::from(whole);
            let size = size.clamp(1.0, whole);
            ((middle - size / 2.0).clamp(0.0, whole - size), size)
        };
        let (left, width) = fit((x0 + x1) / 2.0, width, photo.width());
        let (top, height) = fit((y0 + y1) / 2.0, height, photo.height());
        Self {
            left,
            top,
            width,
            height,
        }
    }

    pub(super) fn aspect(self) -> f64 {
        self.width / self.height
    }
}

impl View {
    /// Shows a part of a photo `width_px` wide.
    pub(super) fn new(photo: &RgbImage, part: Part, width_px: u32) -> Self {
        let scale = f64::from(width_px) / part.width;
        let height_px = (part.height * scale).round().max(1.0) as u32;
        Self {
            image: cut(photo, part, (width_px, height_px)),
            part,
            scale,
        }
    }

    /// Where a point of the photo lies in the view.
    pub(super) fn px_of_photo_px(&self, p: Point) -> Point {
        Point::new(
            (p.x - self.part.left) * self.scale,
            (p.y - self.part.top) * self.scale,
        )
    }
}

/// A part of a picture brought to a size, without aliasing when it shrinks.
pub(super) fn cut(picture: &RgbImage, part: Part, (width, height): (u32, u32)) -> RgbImage {
    let source = ImageRef::new(
        picture.width(),
        picture.height(),
        picture.as_raw(),
        PixelType::U8x3,
    )
    .expect("an RgbImage holds three bytes a pixel");
    let grows = f64::from(width) > part.width;
    let filter = if grows {
        FilterType::CatmullRom
    } else {
        FilterType::Bilinear
    };
    let options = ResizeOptions::new()
        .resize_alg(ResizeAlg::Convolution(filter))
        .crop(part.left, part.top, part.width, part.height);
    let mut target = Image::new(width, height, PixelType::U8x3);
    Resizer::new()
        .resize(&source, &mut target, &options)
        .expect("the part lies within the picture and both are three bytes a pixel");
    RgbImage::from_raw(width, height, target.into_vec()).expect("three bytes a pixel")
}

/// Points along the frame's inner edge, upright photo pixels, close enough together to follow
/// the lens's bending. Closed: the last goes on to the first.
pub(super) fn inner_edge(frame: &FoundFrame) -> Vec<Point> {
    match &frame.outline {
        Outline::Corners(corners) => {
            let straight = corners.map(|c| frame.lens.straight_px_from_photo_px(c));
            (0..4 * EDGE_STEPS)
                .map(|i| {
                    let (side, step) = (i / EDGE_STEPS, i % EDGE_STEPS);
                    let share = step as f64 / EDGE_STEPS as f64;
                    let p = straight[side].towards(straight[(side + 1) % 4], share);
                    frame.lens.photo_px_from_straight_px(p)
                })
                .collect()
        }
        Outline::Ring(ring) => (0..4 * EDGE_STEPS)
            .map(|i| {
                let turn = std::f64::consts::TAU * i as f64 / (4 * EDGE_STEPS) as f64;
                let (a, b) = (
                    ring.semi_major_px * turn.cos(),
                    ring.semi_minor_px * turn.sin(),
                );
                let (s, c) = ring.angle_rad.sin_cos();
                Point::new(
                    ring.centre_px.x + a * c - b * s,
                    ring.centre_px.y + a * s + b * c,
                )
            })
            .collect(),
    }
}

/// Points along one side of the frame.
const EDGE_STEPS: usize = 32;

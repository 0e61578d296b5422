//! One object, enlarged.

use image::RgbImage;

use crate::{counts::Object, geometry::Point, photo::Photo, plot::Plot};

use super::{
    mark::Mark,
    view::{Part, View},
};

/// Crops are drawn with the pen of a picture of this scale: 2 px thick.
const CROP_PEN_PX_PER_MM: f32 = 3.7;

/// What a crop is cut from.
#[derive(Debug, Clone, Copy)]
pub enum CropFrom<'a> {
    /// The photo as taken: what the camera saw.
    Photo(&'a Photo, &'a Plot),
    /// The plot from straight above, light evened out.
    Plot(&'a Plot),
}

/// How a crop is made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CropSettings {
    /// Sides of the crop, pixels.
    pub size_px: u32,
    /// Ground shown from side to side at least, mm. More where the object is longer. Raised: the
    /// object gets small; lowered: what lies about it, by which a person tells it, is cut off.
    pub field_mm: f64,
    /// Draws the mark about the object.
    pub outline: bool,
}

impl Default for CropSettings {
    fn default() -> Self {
        Self {
            size_px: 160,
            field_mm: 26.0,
            outline: true,
        }
    }
}

/// An enlarged, square crop about one object, moved inwards where the object lies at the edge of
/// the picture it is cut from.
pub fn crop(from: CropFrom, object: &Object, settings: &CropSettings) -> RgbImage {
    let picture = match from {
        CropFrom::Photo(photo, _) => &photo.pixels,
        CropFrom::Plot(plot) => &plot.even,
    };
    let place = |mm: Point| match from {
        CropFrom::Photo(_, plot) => plot.map.photo_px_from_plot_mm(mm),
        CropFrom::Plot(plot) => plot.plot_px_from_mm(mm),
    };
    let at = |dx, dy| place(Point::new(object.x_mm + dx, object.y_mm + dy));
    let px_per_mm = at(-5.0, 0.0).distance(at(5.0, 0.0)) / 10.0;
    let field_mm = settings.field_mm.max(object.length_mm * 1.7);
    let middle = at(0.0, 0.0);
    let part = Part::about(&[middle], field_mm * px_per_mm / 2.0, (1.0, 1.0), picture);
    let mut view = View::new(picture, part, settings.size_px);
    if settings.outline {
        let mark = Mark::about(object, None, |mm| view.px_of_photo_px(place(mm)));
        if let Some(mark) = mark {
            mark.draw(&mut view.image, CROP_PEN_PX_PER_MM);
        }
    }
    view.image
}

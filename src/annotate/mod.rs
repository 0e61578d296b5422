//! Pictures for people: the photo with its frame and marks, the plot, crops of single objects.
//!
//! Drawing only: nothing here decides or counts. What is drawn comes from the [`PhotoCount`].

use image::{Rgb, RgbImage};
use jpeg_encoder::{ColorType, Encoder, SamplingFactor};

use crate::{
    counts::{Object, PhotoCount},
    frame::Outline,
    geometry::Point,
    photo::Photo,
    plot::Plot,
    text::Letters,
};

mod canvas;
mod crop;
mod label;
mod mark;
mod panel;
mod said;
mod view;
pub(crate) mod words;

pub use crop::{CropFrom, CropSettings, crop};
pub use said::Said;

use mark::Mark;
use panel::{Item, PAPER, Setter};
use view::{Part, View};

/// Width of the panel beside the picture, pixels.
const PANEL_PX: u32 = 440;
/// Empty border inside the panel, pixels.
const BORDER: f32 = 28.0;
/// About this many pixels show the photo: enough for a bean of 6 mm in a frame of 60 cm, few
/// enough to be drawn and packed in the time of a decode.
const VIEW_AREA_PX: f64 = 1_500_000.0;
/// A view wider than this (over its height) has its panel below it, else beside it.
const WIDE: f64 = 1.4;
/// Share of its value that ground outside the frame keeps.
const OUTSIDE_SHARE: f32 = 0.62;

/// The annotated picture of one photo: the photo around the frame, the inner edge, a mark about
/// every counted or doubtful object, and a panel with the count and its limits, `loss_line`
/// where given, cautions, scale and legend.
///
/// About 1700 pixels on its longer side, up to 2000 for a wide frame. Without a frame in `count` it is [`refused_picture`].
pub fn picture(
    photo: &Photo,
    plot: &Plot,
    count: &PhotoCount,
    loss_line: Option<&str>,
) -> RgbImage {
    picture_as_said(photo, plot, count, loss_line, None)
}

/// As [`picture`], of a count that holds what a person `said`: that is told apart from what the tool saw.
pub fn picture_as_said(
    photo: &Photo,
    plot: &Plot,
    count: &PhotoCount,
    loss_line: Option<&str>,
    said: Option<&Said>,
) -> RgbImage {
    let letters = Letters::new();
    let panel = |px_per_mm| {
        [
            words::answer(count, loss_line, said),
            words::cautions(count),
            words::legend(Some(px_per_mm), said),
        ]
    };
    // The scale bar is as high at any scale, so the panel's height is known before the view.
    let least_height_px = beside(&letters, 0).height(&one_column(&panel(1.0))) + 2.0 * BORDER;
    let size = Size::Full { least_height_px };
    let shown = Shown::new(photo, plot, (count, said), size);
    let Some(mut shown) = shown.filter(|_| count.counts.is_some()) else {
        return refused_picture(photo, count);
    };
    shown.draw(label::doubt);
    let view = shown.view;
    with_panel(view.image, &letters, &panel(shown.px_per_mm))
}

/// How a [`small_picture`] is made.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SmallSettings {
    /// Pixels on its longer side, at most 2000.
    pub long_side_px: u32,
    /// Objects whose numbers are written beside their marks.
    pub numbered: Vec<u32>,
    /// What a person said, where it is in the count that is drawn.
    pub said: Option<Said>,
}

/// The photo around the frame with its marks, without the panel: for lists and reports. The
/// whole photo where there is no frame or no plot.
pub fn small_picture(
    photo: &Photo,
    plot: Option<&Plot>,
    count: &PhotoCount,
    settings: &SmallSettings,
) -> RgbImage {
    let size = Size::Long(settings.long_side_px);
    let told = (count, settings.said.as_ref());
    let Some(mut shown) = plot.and_then(|plot| Shown::new(photo, plot, told, size)) else {
        let part = Part::whole(&photo.pixels);
        return View::new(&photo.pixels, part, size.width_px(part.aspect())).image;
    };
    shown.draw(|object| {
        let numbered = settings.numbered.contains(&object.id);
        numbered.then(|| object.id.to_string())
    });
    shown.view.image
}

/// The picture of a photo that was not counted: all of it, and why, and what to do.
pub fn refused_picture(photo: &Photo, count: &PhotoCount) -> RgbImage {
    let part = Part::whole(&photo.pixels);
    let view = View::new(&photo.pixels, part, Size::full().width_px(part.aspect()));
    let mut panel = vec![words::answer(count, None, None)];
    if !count.cautions.is_empty() {
        panel.push(words::cautions(count));
    }
    with_panel(view.image, &Letters::new(), &panel)
}

/// The plot from straight above, light evened out, with the marks, about 1300 pixels on its
/// longer side.
pub fn plot_picture(plot: &Plot, count: &PhotoCount) -> RgbImage {
    let part = Part::whole(&plot.even);
    let width = Size::Long(1300).width_px(part.aspect());
    let scale = f64::from(width) / part.width;
    let mut image = View::new(&plot.even, part, width).image;
    let place = |mm: Point| {
        let p = plot.plot_px_from_mm(mm);
        Point::new(p.x * scale, p.y * scale)
    };
    let px_per_mm = (plot.px_per_mm * scale) as f32;
    let edge = plot_edge(count, place);
    canvas::darken_outside(&mut image, &edge, OUTSIDE_SHARE);
    canvas::line(&mut image, &edge, true, &panel::frame_pen(2.0));
    let marks = marks((count, None), place);
    draw_marks(&mut image, &marks, px_per_mm, label::doubt);
    image
}

/// A picture as JPEG (4:2:0), `quality` 1 to 100.
///
/// # Panics
/// When a side is 0 or above 65 535 pixels; no picture made here is.
pub fn jpeg(picture: &RgbImage, quality: u8) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(picture.as_raw().len() / 6);
    let mut encoder = Encoder::new(&mut bytes, quality.clamp(1, 100));
    encoder.set_sampling_factor(SamplingFactor::F_2_2);
    let side = |px: u32| u16::try_from(px).expect("pictures made here have short sides");
    encoder
        .encode(
            picture.as_raw(),
            side(picture.width()),
            side(picture.height()),
            ColorType::Rgb,
        )
        .expect("writing to memory cannot fail");
    bytes
}

/// How large a view is wanted.
#[derive(Clone, Copy)]
enum Size {
    /// As part of [`picture`], beside a panel of this height.
    Full { least_height_px: f32 },
    /// This many pixels on the longer side.
    Long(u32),
}

impl Size {
    fn full() -> Self {
        Self::Full {
            least_height_px: 0.0,
        }
    }

    fn width_px(self, aspect: f64) -> u32 {
        let width = match self {
            Self::Full { .. } => (VIEW_AREA_PX * aspect).sqrt(),
            Self::Long(px) => f64::from(px) * aspect.min(1.0),
        };
        width.round().clamp(1.0, 2000.0) as u32
    }
}

/// The photo around a frame with the inner edge drawn, and the marks still to be drawn.
struct Shown<'a> {
    view: View,
    marks: Vec<(Mark, &'a Object)>,
    /// Pixels of the view to one mm of ground in the middle of the frame.
    px_per_mm: f32,
    /// Places of the frame's edge that a person set, in the view.
    set_by_hand: Vec<(f32, f32)>,
}

impl<'a> Shown<'a> {
    fn new(
        photo: &Photo,
        plot: &Plot,
        (count, said): (&'a PhotoCount, Option<&Said>),
        size: Size,
    ) -> Option<Self> {
        let found = &count.frame.as_ref()?.found;
        let edge = view::inner_edge(found);
        let (width_mm, height_mm) = count.frame_spec.size_mm();
        let middle = Point::new(width_mm / 2.0, height_mm / 2.0);
        let scale = |image: &dyn Fn(Point) -> Point| {
            let (a, b) = (
                image(Point::new(middle.x - 5.0, middle.y)),
                image(Point::new(middle.x + 5.0, middle.y)),
            );
            a.distance(b) / 10.0
        };
        let photo_px_per_mm = scale(&|mm| plot.map.photo_px_from_plot_mm(mm));
        let beyond_mm = found.bar_width_mm.clamp(0.0, 60.0) * 1.2 + width_mm.min(height_mm) * 0.05;
        let about = |widest| {
            let margin = beyond_mm * photo_px_per_mm;
            Part::about(&edge, margin, (0.55, widest), &photo.pixels)
        };
        let mut part = about(2.4);
        let width_px = size.width_px(part.aspect());
        if let Size::Full { least_height_px } = size
            && part.aspect() < WIDE
        {
            // More of the surroundings rather than empty paper below the view.
            part = about(f64::from(width_px) / f64::from(least_height_px).max(1.0));
        }
        let mut view = View::new(&photo.pixels, part, width_px);
        let shown: Vec<(f32, f32)> = edge
            .iter()
            .map(|&p| view.px_of_photo_px(p))
            .map(|p| (p.x as f32, p.y as f32))
            .collect();
        canvas::darken_outside(&mut view.image, &shown, OUTSIDE_SHARE);
        let core_px = if matches!(size, Size::Full { .. }) {
            2.4
        } else {
            1.6
        };
        canvas::line(&mut view.image, &shown, true, &panel::frame_pen(core_px));
        let place = |mm| view.px_of_photo_px(plot.map.photo_px_from_plot_mm(mm));
        let px_per_mm = scale(&place) as f32;
        let marks = marks((count, said), place);
        let by_hand = said.filter(|s| s.edge).map(|_| match &found.outline {
            Outline::Corners(corners) => *corners,
            Outline::Ring(ring) => ring.axis_ends(),
        });
        let set_by_hand = by_hand
            .into_iter()
            .flatten()
            .map(|p| view.px_of_photo_px(p));
        Some(Self {
            marks,
            px_per_mm,
            set_by_hand: set_by_hand.map(|p| (p.x as f32, p.y as f32)).collect(),
            view,
        })
    }

    /// Draws the marks, and words beside those for which there are some.
    fn draw(&mut self, words: impl Fn(&Object) -> Option<String>) {
        let image = &mut self.view.image;
        for place in &self.set_by_hand {
            mark::said_square(image, *place, 4.0);
        }
        draw_marks(image, &self.marks, self.px_per_mm, words);
    }
}

/// The marks of all objects that get one, faint ones first so that sure ones lie on top.
fn marks<'a>(
    (count, said): (&'a PhotoCount, Option<&Said>),
    place: impl Fn(Point) -> Point,
) -> Vec<(Mark, &'a Object)> {
    let said = |object: &Object| said.and_then(|s| s.verdicts.get(&object.id).copied());
    let mut marks: Vec<_> = count
        .objects
        .iter()
        .filter_map(|object| Some((Mark::about(object, said(object), &place)?, object)))
        .collect();
    marks.sort_by_key(|(mark, object)| (mark.standing == mark::Standing::Sure, object.id));
    marks
}

fn draw_marks(
    image: &mut RgbImage,
    marks: &[(Mark, &Object)],
    px_per_mm: f32,
    words: impl Fn(&Object) -> Option<String>,
) {
    for (mark, _) in marks {
        mark.draw(image, px_per_mm);
    }
    label::draw_all(image, &Letters::new(), marks, words);
}

/// The frame's inner edge on the plot, closed.
fn plot_edge(count: &PhotoCount, place: impl Fn(Point) -> Point) -> Vec<(f32, f32)> {
    let (w, h) = count.frame_spec.size_mm();
    let corners = [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)].map(|(x, y)| Point::new(x, y));
    let ring = matches!(count.frame_spec, crate::frame::FrameSpec::Ring { .. });
    (0..128)
        .map(|i| {
            let p = if ring {
                let turn = std::f64::consts::TAU * f64::from(i) / 128.0;
                Point::new(w / 2.0 * (1.0 + turn.cos()), w / 2.0 * (1.0 + turn.sin()))
            } else {
                let side = i as usize / 32;
                corners[side].towards(corners[(side + 1) % 4], f64::from(i % 32) / 32.0)
            };
            let p = place(p);
            (p.x as f32, p.y as f32)
        })
        .collect()
}

/// Sets the words of a panel that stands beside a view of this width.
fn beside(letters: &Letters, view_px: u32) -> Setter<'_> {
    Setter {
        letters,
        left: view_px as f32 + BORDER,
        width: PANEL_PX as f32 - 2.0 * BORDER,
    }
}

/// Columns one below another, with lines between them.
fn one_column(columns: &[Vec<Item>]) -> Vec<Item> {
    columns.join(&Item::Rule)
}

/// Sets a view and its panel side by side, or one below the other where the view is wide. Paper
/// fills what neither needs, so that no words are ever cut off.
fn with_panel(view: RgbImage, letters: &Letters, columns: &[Vec<Item>]) -> RgbImage {
    let (width, height) = view.dimensions();
    if f64::from(width) / f64::from(height) < WIDE {
        let items = one_column(columns);
        let setter = beside(letters, width);
        let needed = setter.height(&items) + 2.0 * BORDER;
        let mut whole = on_paper(&view, (width + PANEL_PX, height.max(needed.ceil() as u32)));
        setter.draw(&mut whole, &items, BORDER);
        return whole;
    }
    let number = columns.len() as f32;
    let column_px = (width as f32 - BORDER * (number + 1.0)) / number;
    let setter = |i: usize| Setter {
        letters,
        left: BORDER + i as f32 * (column_px + BORDER),
        width: column_px,
    };
    let heights = columns.iter().map(|items| setter(0).height(items));
    let needed = heights.fold(0.0, f32::max);
    let top = height as f32 + BORDER;
    let mut whole = on_paper(&view, (width, (top + needed + BORDER).ceil() as u32));
    for (i, items) in columns.iter().enumerate() {
        setter(i).draw(&mut whole, items, top);
    }
    whole
}

/// Lays a picture at the top left of a larger sheet of paper.
fn on_paper(view: &RgbImage, (width, height): (u32, u32)) -> RgbImage {
    let mut sheet = RgbImage::from_pixel(width, height, Rgb(PAPER));
    let (from, to) = (view.width() as usize * 3, width as usize * 3);
    for (row, sheet_row) in view.chunks_exact(from).zip(sheet.chunks_exact_mut(to)) {
        sheet_row[..from].copy_from_slice(row);
    }
    sheet
}

#[cfg(test)]
pub(crate) mod tests;

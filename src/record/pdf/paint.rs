//! Draws what was laid out.

use krilla::{
    color::rgb,
    geom::{PathBuilder, Point, Rect, Size, Transform},
    image::Image,
    paint::{Fill, Stroke},
    surface::Surface,
    tagging::{Artifact, ArtifactType, ContentTag, SpanTag},
};

use super::{
    PdfError,
    fonts::{Fonts, Weight},
    lay::{BLACK, Node, Sheet, What},
};

/// Draws one page, and notes what was drawn of each part.
pub(super) fn sheet(
    surface: &mut Surface<'_>,
    sheet: &Sheet,
    fonts: &Fonts<'_>,
    nodes: &mut [Node],
) -> Result<(), PdfError> {
    for item in &sheet.items {
        let tag = match (item.node, &item.what) {
            (None, _) => ContentTag::Artifact(Artifact::with_kind(ArtifactType::Other)),
            (Some(_), What::Words { .. }) => ContentTag::Span(SpanTag::empty()),
            (Some(_), _) => ContentTag::Other,
        };
        let id = surface.start_tagged(tag);
        let drawn = draw(surface, &item.what, fonts);
        surface.end_tagged();
        drawn?;
        if let Some(node) = item.node {
            nodes[node].content.push(id);
        }
    }
    Ok(())
}

fn colour(rgb: [u8; 3]) -> rgb::Color {
    rgb::Color::new(rgb[0], rgb[1], rgb[2])
}

fn fill(rgb: [u8; 3]) -> Option<Fill> {
    Some(Fill {
        paint: colour(rgb).into(),
        ..Fill::default()
    })
}

fn stroke(rgb: [u8; 3], width: f32) -> Option<Stroke> {
    Some(Stroke {
        paint: colour(rgb).into(),
        width,
        ..Stroke::default()
    })
}

fn draw(surface: &mut Surface<'_>, what: &What, fonts: &Fonts<'_>) -> Result<(), PdfError> {
    match what {
        What::Words {
            x,
            y,
            size,
            weight,
            colour,
            text,
        } => {
            words(surface, (*x, *y), (*size, *weight, *colour), text, fonts);
        }
        What::Area {
            x,
            y,
            width,
            height,
            colour,
        } => {
            let mut path = PathBuilder::new();
            if let Some(rect) = Rect::from_xywh(*x, *y, *width, *height) {
                path.push_rect(rect);
            }
            paint(surface, path, fill(*colour), None);
        }
        What::Closed { points, fill: rgb } => {
            paint(
                surface,
                through(points, true),
                fill(*rgb),
                stroke(BLACK, 0.9),
            );
        }
        What::Line {
            points,
            width,
            colour,
        } => {
            paint(
                surface,
                through(points, false),
                None,
                stroke(*colour, *width),
            );
        }
        What::Picture {
            x,
            y,
            width,
            height,
            photo,
            jpeg,
        } => {
            let failed = |what: String| PdfError::Picture {
                photo: photo.clone(),
                what,
            };
            let image = Image::from_jpeg(jpeg.clone().into(), false).map_err(failed)?;
            let size =
                Size::from_wh(*width, *height).ok_or_else(|| failed("no size".to_owned()))?;
            surface.push_transform(&Transform::from_translate(*x, *y));
            surface.draw_image(image, size);
            surface.pop();
        }
        What::Together(all) => {
            for one in all {
                draw(surface, one, fonts)?;
            }
        }
    }
    Ok(())
}

fn through(points: &[(f32, f32)], closed: bool) -> PathBuilder {
    let mut path = PathBuilder::new();
    for (at, &(x, y)) in points.iter().enumerate() {
        if at == 0 {
            path.move_to(x, y);
        } else {
            path.line_to(x, y);
        }
    }
    if closed {
        path.close();
    }
    path
}

fn paint(surface: &mut Surface<'_>, path: PathBuilder, fill: Option<Fill>, stroke: Option<Stroke>) {
    if let Some(path) = path.finish() {
        surface.set_fill(fill);
        surface.set_stroke(stroke);
        surface.draw_path(&path);
    }
}

fn words(
    surface: &mut Surface<'_>,
    (mut x, y): (f32, f32),
    (size, weight, rgb): (f32, Weight, [u8; 3]),
    text: &str,
    fonts: &Fonts<'_>,
) {
    surface.set_fill(fill(rgb));
    surface.set_stroke(None);
    for run in fonts.runs(text, weight) {
        surface.draw_text(
            Point::from_xy(x, y),
            run.font,
            size,
            &run.text,
            false,
            run.direction,
        );
        x += run.width * size;
    }
}

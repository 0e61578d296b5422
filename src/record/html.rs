//! The record as one self-contained HTML page: the same blocks as the PDF, no script, opens offline, prints.

use std::fmt::Write;

use serde_json::{Value as Json, json};

use super::{
    draw::{Drawing, Shape},
    page::{Block, FrameBlock, Page, Table},
    pdf::PagePicture,
};
use crate::report::{base64::encode, fill::fill, loss_svg::escaped};

/// Why the page could not be made.
#[derive(Debug, thiserror::Error)]
#[error(
    "the record's HTML page could not be filled in; this is a fault of the tool, please report it"
)]
pub struct HtmlError(#[from] minijinja::Error);

/// The page as HTML. `pictures(photo)`: the picture of a photo.
///
/// # Errors
/// [`HtmlError`] when the template does not fit its values, which a test rules out.
pub fn html(
    page: &Page,
    pictures: &dyn Fn(&str) -> Option<PagePicture>,
) -> Result<String, HtmlError> {
    let blocks: Vec<Json> = page.blocks.iter().map(|b| block(b, pictures)).collect();
    let view = json!({
        "title": page.title,
        "running": page.running,
        "manifest": page.manifest_sha256,
        "style": include_str!("record.css"),
        "blocks": blocks,
    });
    Ok(fill("record.html", include_str!("record.html"), view)?)
}

fn block(block: &Block, pictures: &dyn Fn(&str) -> Option<PagePicture>) -> Json {
    match block {
        Block::Heading(level, text) => json!({ "kind": "heading", "level": level, "text": text }),
        Block::Text(text) => json!({ "kind": "text", "text": text }),
        Block::Notice(text) => json!({ "kind": "notice", "text": text }),
        Block::Figure { figure, under } => {
            json!({ "kind": "figure", "figure": figure, "under": under })
        }
        Block::List(points) => json!({ "kind": "list", "points": points }),
        Block::Table(table) => of_table(table),
        Block::Hash { name, hash } => json!({ "kind": "hash", "name": name, "hash": hash }),
        Block::Drawing(drawing) => json!({ "kind": "drawing", "svg": svg(drawing) }),
        Block::Frame(frame) => of_frame(frame, pictures(&frame.photo)),
        Block::NewPage => json!({ "kind": "new-page" }),
    }
}

fn of_table(table: &Table) -> Json {
    let rows: Vec<Json> = (table.rows.iter().enumerate())
        .map(|(at, row)| {
            let cells: Vec<Json> = (row.iter().zip(&table.heads))
                .map(|(cell, (_, number))| json!({ "text": cell, "number": number }))
                .collect();
            json!({ "cells": cells, "sum": table.sums.contains(&at) })
        })
        .collect();
    let heads: Vec<Json> = (table.heads.iter())
        .map(|(head, number)| json!({ "text": head, "number": number }))
        .collect();
    json!({ "kind": "table", "says": table.says, "heads": heads, "rows": rows })
}

fn of_frame(frame: &FrameBlock, picture: Option<PagePicture>) -> Json {
    json!({
        "kind": "frame",
        "title": frame.title,
        "badge": frame.badge,
        "alt": frame.alt,
        "picture": picture.map(|p| format!("data:image/jpeg;base64,{}", encode(&p.jpeg))),
        "facts": frame.facts,
        "notes": frame.notes,
    })
}

fn svg(drawing: &Drawing) -> String {
    let mut out = format!(
        "<svg viewBox=\"0 0 {:.0} {:.0}\" role=\"img\" aria-label=\"{}\" font-size=\"14\">",
        drawing.width,
        drawing.height,
        escaped(&drawing.alt)
    );
    let path = |points: &[(f64, f64)]| {
        let parts: Vec<String> = points
            .iter()
            .map(|(x, y)| format!("{x:.1} {y:.1}"))
            .collect();
        format!("M{}", parts.join("L"))
    };
    for shape in &drawing.shapes {
        let _ = match shape {
            Shape::Line { points, width } => write!(
                out,
                "<path d=\"{}\" fill=\"none\" stroke=\"#181a1e\" stroke-width=\"{width}\"/>",
                path(points)
            ),
            Shape::Closed {
                points,
                fill: [r, g, b],
            } => write!(
                out,
                "<path d=\"{}Z\" fill=\"#{r:02x}{g:02x}{b:02x}\" stroke=\"#181a1e\" stroke-width=\"1.2\"/>",
                path(points)
            ),
            Shape::Words {
                x,
                y,
                size,
                middle,
                text,
            } => write!(
                out,
                "<text x=\"{x:.1}\" y=\"{y:.1}\" font-size=\"{size}\"{}>{}</text>",
                if *middle {
                    " text-anchor=\"middle\""
                } else {
                    ""
                },
                escaped(text)
            ),
        };
    }
    out + "</svg>"
}

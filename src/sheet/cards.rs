//! Spot cards: a word and a QR code to lay beside the frame, so that a photo tells its place and check.

use crate::card::{Card, MODULE_MM, PLACES, QUIET_MODULES, SIDE_MODULES};

/// Which cards to print.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CardPage {
    /// Number of the first check.
    pub first: usize,
    /// Checks.
    pub checks: usize,
}

/// The most checks on one set of cards.
pub const MOST_CHECKS: usize = 200;

/// A page of cards to print and cut: for every check one for each place on the ground. Checks beyond
/// [`crate::card::MOST_CHECK`] get none.
pub fn cards_html(page: &CardPage) -> String {
    let mut html = String::from(HEAD);
    let last = page.first + page.checks.min(MOST_CHECKS);
    for check in page.first..last {
        for card in PLACES
            .into_iter()
            .filter_map(|place| Card::new(place, check))
        {
            html.push_str(&format!(
                "<section class=\"card\"><p class=\"place\">{}</p>{}<p class=\"check\">check {check}</p></section>\n",
                card.place.word().to_uppercase(),
                code_svg(card),
            ));
        }
    }
    html.push_str("</main>\n</body>\n</html>\n");
    html
}

/// The code as one path of squares with its quiet zone, in mm.
fn code_svg(card: Card) -> String {
    let mut path = String::new();
    for (at, dark) in card.modules().into_iter().enumerate() {
        if dark {
            let (x, y) = (at % SIDE_MODULES, at / SIDE_MODULES);
            path.push_str(&format!(
                "M{} {}h1v1h-1z",
                x + QUIET_MODULES,
                y + QUIET_MODULES
            ));
        }
    }
    let whole = SIDE_MODULES + 2 * QUIET_MODULES;
    let side_mm = whole as f64 * MODULE_MM;
    format!(
        "<svg viewBox=\"0 0 {whole} {whole}\" width=\"{side_mm}mm\" height=\"{side_mm}mm\" role=\"img\" aria-label=\"code {}\" \
         shape-rendering=\"crispEdges\"><rect width=\"{whole}\" height=\"{whole}\" fill=\"#fff\"/><path d=\"{path}\" \
         fill=\"#000\"/></svg>",
        card.text()
    )
}

const HEAD: &str = "<!DOCTYPE html>
<html lang=\"en\">
<head>
<meta charset=\"utf-8\">
<title>Spot cards</title>
<style>
@page { margin: 10mm; }
body { margin: 0; font: 5mm/1.3 sans-serif; color: #000; background: #fff; }
.how { max-width: 180mm; margin: 8mm; }
main { display: flex; flex-wrap: wrap; }
main { max-width: 190mm; }
.card { box-sizing: border-box; width: 62mm; height: 84mm; padding: 1.5mm 1mm; border: 0.3mm dashed #777; text-align: center; break-inside: avoid; }
.card svg { display: block; margin: 0 auto; }
.card p { margin: 0; }
.place { font-size: 9mm; line-height: 10mm; font-weight: 700; letter-spacing: 0.3mm; }
.check { font-size: 8mm; line-height: 9mm; }
@media print { .how { display: none; } }
</style>
</head>
<body>
<p class=\"how\">Print at full size on white paper, not glossy, and cut along the dashed lines. Lay the card of the place and check beside the \
frame, a hand's width off, flat and face up, all of it in the photo, nothing on it. podfall count reads it and podfall sheet \
fills place and check in by it; a card that cannot be read does no harm. \
Engine off and key out before anybody goes in front of, under or behind the machine.</p>
<main>
";

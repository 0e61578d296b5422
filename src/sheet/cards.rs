//! Spot cards: a word and a QR code to lay beside the frame, so that a photo tells its place and check.

use qrcode::{EcLevel, QrCode};

use super::Place;

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

/// What a card's code says: capitals, digits and slashes only, which keeps the code coarse.
pub fn card_text(place: Place, check: usize) -> String {
    format!("PODFALL/{}/{check}", place.word().to_uppercase())
}

/// A page of cards to print and cut: for every check one for each place on the ground.
///
/// # Panics
/// Never: what a card says always fits a code.
pub fn cards_html(page: &CardPage) -> String {
    let mut html = String::from(HEAD);
    let last = page.first + page.checks.min(MOST_CHECKS);
    for check in page.first..last {
        for place in [Place::Standing, Place::Cut, Place::Behind] {
            html.push_str(&format!(
                "<section class=\"card\"><p class=\"place\">{}</p>{}<p class=\"check\">check {check}</p></section>\n",
                place.word().to_uppercase(),
                code_svg(&card_text(place, check)),
            ));
        }
    }
    html.push_str("</main>\n</body>\n</html>\n");
    html
}

/// The code as one path of squares, with the quiet zone of four modules that ISO/IEC 18004 asks for.
fn code_svg(text: &str) -> String {
    let code =
        QrCode::with_error_correction_level(text, EcLevel::Q).expect("a card's text fits a code");
    let side = code.width();
    let mut path = String::new();
    for (at, colour) in code.to_colors().into_iter().enumerate() {
        if colour == qrcode::Color::Dark {
            path.push_str(&format!("M{} {}h1v1h-1z", at % side + 4, at / side + 4));
        }
    }
    let whole = side + 8;
    format!(
        "<svg viewBox=\"0 0 {whole} {whole}\" role=\"img\" aria-label=\"code {text}\" shape-rendering=\"crispEdges\">\
         <rect width=\"{whole}\" height=\"{whole}\" fill=\"#fff\"/><path d=\"{path}\" fill=\"#000\"/></svg>"
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
.card { box-sizing: border-box; width: 92mm; height: 128mm; padding: 5mm; border: 0.3mm dashed #777; text-align: center; break-inside: avoid; }
.card svg { width: 78mm; height: 78mm; }
.card p { margin: 0; }
.place { font-size: 12mm; font-weight: 700; letter-spacing: 0.5mm; }
.check { font-size: 9mm; }
@media print { .how { display: none; } }
</style>
</head>
<body>
<p class=\"how\">Print at full size, cut along the dashed lines, and lay the card beside the frame, outside of it, face up and flat. \
Engine off and key out before anybody goes in front of, under or behind the machine.</p>
<main>
";

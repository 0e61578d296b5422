use image::{Rgb, RgbImage};

use super::*;

const INK: Style = Style::regular(20.0, [0, 0, 0]);

fn paper(width: u32, height: u32) -> RgbImage {
    RgbImage::from_pixel(width, height, Rgb([255; 3]))
}

#[test]
fn fonts_are_small_and_hold_the_signs_we_write() {
    assert!(REGULAR.len() + BOLD.len() <= 80_000);
    let letters = Letters::new();
    for font in [&letters.regular, &letters.bold] {
        for sign in "Az09 %°±²½×–—…’“”≤≥≈éßøžŁ□".chars() {
            assert_ne!(font.glyph_id(sign).0, 0, "{sign} is missing");
        }
    }
}

#[test]
fn width_agrees_with_the_font_file() {
    // Advance widths of DejaVu Sans 2.37 as fontTools 4 lists them (hmtx): H 1540, i 569 of 2048.
    let width = Letters::new().width_px("Hi", Style::regular(2048.0, [0; 3]));
    assert!((width - (1540.0 + 569.0)).abs() < 0.5, "{width}");
}

#[test]
fn draws_within_the_width_it_measured() {
    let letters = Letters::new();
    let mut image = paper(300, 40);
    letters.draw(&mut image, (10.0, 28.0), "47 beans ±6 %", INK);
    let right = 10.0 + letters.width_px("47 beans ±6 %", INK);
    let inked: Vec<u32> = image
        .enumerate_pixels()
        .filter(|(_, _, p)| p.0[0] < 128)
        .map(|(x, _, _)| x)
        .collect();
    assert!(inked.len() > 200);
    assert!(inked.iter().all(|&x| x >= 10 && (x as f32) < right));
}

#[test]
fn what_leaves_the_picture_is_left_off() {
    let mut image = paper(20, 20);
    Letters::new().draw(&mut image, (-15.0, 3.0), "Wide words", INK);
    Letters::new().draw(&mut image, (10.0, 300.0), "Far below", INK);
    assert_eq!(image.dimensions(), (20, 20));
}

#[test]
fn wraps_and_shortens_to_the_width_asked() {
    let letters = Letters::new();
    let text = "lift the residue and take another_photo_with_a_name_without_any_space_in_it.jpg";
    let lines = letters.wrap(text, INK, 180.0);
    assert!(lines.len() > 4);
    assert!(lines.iter().all(|l| letters.width_px(l, INK) <= 180.0));
    assert_eq!(lines.concat().replace(' ', ""), text.replace(' ', ""));
    let short = letters.shorten(text, INK, 180.0);
    assert!(letters.width_px(&short, INK) <= 180.0);
    assert!(short.starts_with("lift") && short.ends_with(".jpg") && short.contains('…'));
    assert_eq!(letters.shorten("short", INK, 180.0), "short");
}

#[test]
fn letters_it_does_not_have_still_show() {
    let letters = Letters::new();
    assert!(letters.width_px("田\u{7}", INK) > 10.0);
}

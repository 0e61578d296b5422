//! Turning a picture upright by its EXIF orientation.

use image::RgbImage;

/// Side of the square tiles in which a picture is laid on its side, pixels. Much larger: every
/// write misses the cache; much smaller: the loops cost more than the copying.
const TILE_PX: usize = 32;

/// Bands in which a picture that is laid on its side is given back. More: less memory at the peak, more calls.
const BANDS: usize = 16;

/// Turns a picture as its EXIF orientation asks: 1 to 8; any other value leaves it as it is.
///
/// Orientations 2 to 4 are done in place; 5 to 8 fill a second picture while the first is given back
/// band by band, so that both together take little more than one.
///
/// # Source
/// CIPA DC-008, tag 0x0112: where the 0th row and 0th column of the stored picture lie.
pub fn upright(stored: RgbImage, orientation: u8) -> RgbImage {
    match orientation {
        2 => mirrored(stored),
        3 => upside_down(stored),
        4 => upside_down(mirrored(stored)),
        // 0th row at the left (5, 8) or right (6, 7), 0th column at the top (5, 6) or bottom (7, 8).
        5 => on_its_side(stored, false, false),
        6 => on_its_side(stored, true, false),
        7 => on_its_side(stored, true, true),
        8 => on_its_side(stored, false, true),
        _ => stored,
    }
}

/// Left and right changed over.
fn mirrored(mut picture: RgbImage) -> RgbImage {
    let row_bytes = picture.width() as usize * 3;
    if row_bytes > 0 {
        for row in picture.chunks_exact_mut(row_bytes) {
            reverse_pixels(row);
        }
    }
    picture
}

/// Turned by 180°.
fn upside_down(mut picture: RgbImage) -> RgbImage {
    reverse_pixels(&mut picture);
    picture
}

/// Reverses the order of three-byte pixels.
fn reverse_pixels(bytes: &mut [u8]) {
    let (pixels, _) = bytes.as_chunks_mut::<3>();
    pixels.reverse();
}

/// Rows become columns: stored row `r` becomes column `r` (`from_right`: counted from the right),
/// stored column `c` becomes row `c` (`from_bottom`: counted from the bottom).
fn on_its_side(stored: RgbImage, from_right: bool, from_bottom: bool) -> RgbImage {
    let (w, h) = (stored.width() as usize, stored.height() as usize);
    let mut turned = RgbImage::new(stored.height(), stored.width());
    let (to, _) = turned.as_chunks_mut::<3>();
    let mut stored = stored.into_raw();
    let band = h.div_ceil(BANDS).max(1).next_multiple_of(TILE_PX);
    // From the last band up: what has been copied is given back. The new picture's memory is only taken as it
    // is written to.
    for first in (0..h).step_by(band).rev() {
        copy_band(&stored, to, (w, h, first), (from_right, from_bottom));
        stored.truncate(first * w * 3);
        stored.shrink_to_fit();
    }
    turned
}

/// Copies the stored rows from `first` to the end.
fn copy_band(
    stored: &[u8],
    to: &mut [[u8; 3]],
    (w, h, first): (usize, usize, usize),
    (from_right, from_bottom): (bool, bool),
) {
    let (from, _) = stored.as_chunks::<3>();
    let last = from.len() / w.max(1);
    for tile_row in (first..last).step_by(TILE_PX) {
        for tile_column in (0..w).step_by(TILE_PX) {
            for c in tile_column..(tile_column + TILE_PX).min(w) {
                let y = if from_bottom { w - 1 - c } else { c };
                for r in tile_row..(tile_row + TILE_PX).min(last) {
                    let x = if from_right { h - 1 - r } else { r };
                    to[y * h + x] = from[r * w + c];
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A 2 × 3 picture whose pixels are numbered: `1 2 / 3 4 / 5 6`.
    fn numbered() -> RgbImage {
        RgbImage::from_fn(2, 3, |x, y| image::Rgb([(1 + x + 2 * y) as u8, 0, 9]))
    }

    fn rows(picture: &RgbImage) -> Vec<Vec<u8>> {
        picture
            .rows()
            .map(|row| row.map(|p| p.0[0]).collect())
            .collect()
    }

    #[test]
    fn all_eight_by_the_letter_of_the_standard() {
        let turned = |o| rows(&upright(numbered(), o));
        assert_eq!(turned(1), [[1, 2], [3, 4], [5, 6]]);
        assert_eq!(turned(2), [[2, 1], [4, 3], [6, 5]]);
        assert_eq!(turned(3), [[6, 5], [4, 3], [2, 1]]);
        assert_eq!(turned(4), [[5, 6], [3, 4], [1, 2]]);
        assert_eq!(turned(5), [[1, 3, 5], [2, 4, 6]]);
        assert_eq!(turned(6), [[5, 3, 1], [6, 4, 2]]);
        assert_eq!(turned(7), [[6, 4, 2], [5, 3, 1]]);
        assert_eq!(turned(8), [[2, 4, 6], [1, 3, 5]]);
        assert_eq!(turned(0), turned(1));
        assert_eq!(turned(9), turned(1));
    }

    #[test]
    fn tiles_give_what_pixel_by_pixel_gives() {
        let stored = RgbImage::from_fn(70, 45, |x, y| image::Rgb([x as u8, y as u8, 7]));
        let slow: [RgbImage; 4] = [
            image::imageops::rotate270(&image::imageops::flip_horizontal(&stored)),
            image::imageops::rotate90(&stored),
            image::imageops::rotate90(&image::imageops::flip_horizontal(&stored)),
            image::imageops::rotate270(&stored),
        ];
        for (orientation, expected) in (5..=8).zip(slow) {
            assert_eq!(
                upright(stored.clone(), orientation),
                expected,
                "{orientation}"
            );
        }
    }
}

//! The photo made small, in colours that tell a bar from the ground.

use image::RgbImage;

use crate::wide::wide;

/// How many numbers describe a colour here.
pub(super) const CHANNELS: usize = 3;

/// A colour: lightness, red against green, yellow against blue; 8-bit steps of gamma-coded sRGB.
pub(super) type Colour = [f32; CHANNELS];

/// A picture of opponent colours.
pub(super) struct Small {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Photo pixels a side of one of these pixels.
    pub factor: usize,
    /// Row by row.
    pub colours: Vec<Colour>,
}

/// Lightness and two colour differences of an sRGB pixel, gamma-coded.
pub(super) fn opponent(rgb: [f32; 3]) -> Colour {
    let [r, g, b] = rgb;
    [(r + g + b) / 3.0, r - g, (r + g) / 2.0 - b]
}

/// The sRGB pixel that has these opponent colours.
pub(super) fn srgb_of(colour: Colour) -> [u8; 3] {
    let [light, red_green, yellow_blue] = colour;
    // b = l - 2/3 yb and r + g = 3 l - b follow from the definitions above.
    let b = light - yellow_blue * 2.0 / 3.0;
    let half_sum = (3.0 * light - b) / 2.0;
    [half_sum + red_green / 2.0, half_sum - red_green / 2.0, b]
        .map(|v| v.round().clamp(0.0, 255.0) as u8)
}

/// Shrinks by whole-pixel boxes so that the long side is at most `long_side`.
pub(super) fn reduce(pixels: &RgbImage, long_side: usize) -> Small {
    let (full_w, full_h) = (pixels.width() as usize, pixels.height() as usize);
    let factor = full_w.max(full_h).div_ceil(long_side).clamp(1, 257);
    let (width, height) = ((full_w / factor).max(1), (full_h / factor).max(1));
    let raw = pixels.as_raw();
    let used = (width * factor).min(full_w) * 3;
    // Sixteen bits hold 257 rows of 255; photos of 200 000 pixels a side are not read.
    let mut sums = vec![0_u16; full_w * 3];
    let mut colours = Vec::with_capacity(width * height);
    for y in 0..height {
        let rows = (y * factor)..((y + 1) * factor).min(full_h);
        let share = 1.0 / (rows.len() * factor.min(full_w)) as f32;
        sums.fill(0);
        for row in rows {
            add_row(&mut sums, &raw[row * full_w * 3..][..used]);
        }
        colours.extend(sums[..used].chunks(factor * 3).map(|block| {
            let mut rgb = [0_u32; 3];
            for pixel in block.chunks_exact(3) {
                for (total, &value) in rgb.iter_mut().zip(pixel) {
                    *total += u32::from(value);
                }
            }
            opponent(rgb.map(|v| v as f32 * share))
        }));
    }
    Small {
        width,
        height,
        factor,
        colours,
    }
}

impl Small {
    /// Colour at the pixel that holds a point (small pixels, corner origin); `None` outside.
    pub fn at(&self, x: f64, y: f64) -> Option<Colour> {
        if x < 0.0 || y < 0.0 {
            return None;
        }
        let (column, row) = (x as usize, y as usize);
        (column < self.width && row < self.height).then(|| self.colours[row * self.width + column])
    }

    /// Blurred with the 3 × 3 binomial kernel; the outermost pixels along one axis only.
    pub fn smoothed(mut self) -> Self {
        let n = self.width * CHANNELS;
        let rows = self.colours.as_flattened_mut();
        let mut line = vec![0.0; n];
        if self.width > 2 {
            for row in rows.chunks_mut(n) {
                line.copy_from_slice(row);
                let (left, right) = (&line[..n - 2 * CHANNELS], &line[2 * CHANNELS..]);
                let here = &line[CHANNELS..n - CHANNELS];
                blend(&mut row[CHANNELS..n - CHANNELS], left, here, right);
            }
        }
        // The rows above and here as they were.
        let mut above = rows[..n].to_vec();
        for y in 1..self.height.saturating_sub(1) {
            let (here, below) = rows[y * n..].split_at_mut(n);
            line.copy_from_slice(here);
            blend(here, &above, &line, &below[..n]);
            std::mem::swap(&mut above, &mut line);
        }
        self
    }
}

wide! {
    fn add_row(sums: &mut [u16], line: &[u8]) {
        for (sum, &value) in sums.iter_mut().zip(line) {
            *sum += u16::from(value);
        }
    }
}

wide! {
    /// A quarter, a half and a quarter of three rows.
    fn blend(out: &mut [f32], before: &[f32], here: &[f32], after: &[f32]) {
        for (((out, a), b), c) in out.iter_mut().zip(before).zip(here).zip(after) {
            *out = (a + 2.0 * b + c) / 4.0;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn boxes_are_averaged() {
        let photo = RgbImage::from_fn(7, 5, |x, y| {
            image::Rgb([(x * 10) as u8, (y * 10) as u8, 90])
        });
        let small = reduce(&photo, 4);
        assert_eq!((small.width, small.height, small.factor), (3, 2, 2));
        // Columns 2 and 3, rows 2 and 3 give red 25, green 25.
        assert_eq!(small.colours[4], opponent([25.0, 25.0, 90.0]));
    }

    #[test]
    fn opponent_colours_lead_back() {
        assert_eq!(srgb_of(opponent([238.0, 98.0, 28.0])), [238, 98, 28]);
        assert_eq!(srgb_of(opponent([3.0, 250.0, 128.0])), [3, 250, 128]);
    }

    #[test]
    fn one_bright_pixel_becomes_the_kernel() {
        let photo = RgbImage::from_fn(6, 5, |x, y| {
            image::Rgb([if (x, y) == (3, 2) { 160 } else { 0 }; 3])
        });
        let small = reduce(&photo, 6).smoothed();
        let light = |x: usize, y: usize| small.colours[y * 6 + x][0].round();
        assert_eq!([2, 3, 4].map(|x| light(x, 1)), [10.0, 20.0, 10.0]);
        assert_eq!([2, 3, 4].map(|x| light(x, 2)), [20.0, 40.0, 20.0]);
        assert_eq!([2, 3, 4].map(|x| light(x, 3)), [10.0, 20.0, 10.0]);
        assert_eq!([light(1, 2), light(3, 0), light(3, 4)], [0.0; 3]);
    }

    #[test]
    fn a_flat_picture_stays_flat() {
        let flat = reduce(&RgbImage::from_pixel(9, 9, image::Rgb([50, 60, 70])), 9);
        let colour = flat.colours[0];
        assert!(flat.smoothed().colours.iter().all(|&c| c == colour));
    }
}

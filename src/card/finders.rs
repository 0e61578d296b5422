//! The three corner marks of a code: squares in squares, dark, light and dark as 1 : 1 : 3 : 1 : 1 on every line
//! through the middle (ISO/IEC 18004, section 6.3.3).

use image::RgbImage;

use crate::{geometry::Point, wide::wide};

/// A place that looks like a corner mark.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mark {
    pub middle_px: Point,
    /// Rows on which it was seen.
    pub seen: usize,
    /// Its width along the rows, pixels.
    size_px: f64,
}

/// The most places that are looked at further; a photo of a code shows three.
const MOST_MARKS: usize = 60;
/// How far a stripe's width may be from its share, modules. Raised: more chance likenesses; lowered: blurred marks lost.
const STRIPE_OFF: f64 = 0.65;
/// The same for the middle stripe, three modules wide.
const MIDDLE_OFF: f64 = 1.1;

/// Light of a pixel, about in proportion to what came in (0 to 255): blur evens out light, not its gamma-coded number,
/// and dark stripes would seem to lose width to light ones.
#[inline(always)]
fn light_of(p: &[u8]) -> f32 {
    let coded = f32::from(u16::from(p[0]) + 2 * u16::from(p[1]) + u16::from(p[2])) / 4.0;
    coded * coded / 255.0
}

/// Places that look like corner marks of about this size (as wide as seven modules), pixels.
pub(super) fn marks(photo: &RgbImage, size_px: f64) -> Vec<Mark> {
    let (width, height) = (photo.width() as usize, photo.height() as usize);
    let step = ((size_px / 28.0) as usize).max(1);
    let every = ((size_px / 8.0) as usize).max(1);
    let mut found: Vec<Mark> = Vec::new();
    for y in (every / 2..height).step_by(every) {
        let row = row_lights(photo, y, step, width);
        let dark = darker_than_about(&row, 1.3 * size_px / step as f64);
        for (middle, size) in stripes(&dark) {
            let at = Point::new((middle * step as f64).min(width as f64 - 1.0), y as f64);
            let across = size * step as f64;
            if !(0.5 * size_px..2.0 * size_px).contains(&across) {
                continue;
            }
            if let Some(mark) = checked(photo, at, across) {
                join(&mut found, mark);
            }
        }
    }
    found.sort_by(|a, b| {
        b.seen
            .cmp(&a.seen)
            .then(a.middle_px.x.total_cmp(&b.middle_px.x))
    });
    found.truncate(MOST_MARKS);
    found
}

wide! {
    fn put_lights(row: &[[u8; 3]], lights: &mut [f32]) {
        for (light, p) in lights.iter_mut().zip(row) {
            *light = light_of(p);
        }
    }
}

/// Light of a row, averaged over `step` pixels along it.
fn row_lights(photo: &RgbImage, y: usize, step: usize, width: usize) -> Vec<f32> {
    let row = photo.as_raw()[y * width * 3..][..width * 3]
        .as_chunks::<3>()
        .0;
    let mut lights = vec![0.0; width];
    put_lights(row, &mut lights);
    (lights.chunks_exact(step))
        .map(|block| block.iter().sum::<f32>() / step as f32)
        .collect()
}

/// Which values are darker than the mean over `reach` values to either side.
fn darker_than_about(values: &[f32], reach: f64) -> Vec<bool> {
    let reach = (reach as usize).max(2);
    let mut sums = Vec::with_capacity(values.len() + 1);
    let mut sum = 0.0_f64;
    sums.push(0.0);
    for &v in values {
        sum += f64::from(v);
        sums.push(sum);
    }
    (values.iter().enumerate())
        .map(|(i, &v)| {
            let (from, to) = (i.saturating_sub(reach), (i + reach + 1).min(values.len()));
            f64::from(v) < (sums[to] - sums[from]) / (to - from) as f64
        })
        .collect()
}

/// Middles and widths of every dark-light-dark-light-dark run whose parts are as 1 : 1 : 3 : 1 : 1.
fn stripes(dark: &[bool]) -> Vec<(f64, f64)> {
    let mut ends = vec![0];
    for i in 1..dark.len() {
        if dark[i] != dark[i - 1] {
            ends.push(i);
        }
    }
    ends.push(dark.len());
    let mut found = Vec::new();
    for five in ends.windows(6) {
        let dark_first = dark.get(five[0]).copied().unwrap_or(false);
        let widths = [0, 1, 2, 3, 4].map(|k| (five[k + 1] - five[k]) as f64);
        if dark_first && are_stripes(widths) {
            let middle = (five[2] + five[3]) as f64 / 2.0;
            found.push((middle, (five[5] - five[0]) as f64));
        }
    }
    found
}

fn are_stripes(widths: [f64; 5]) -> bool {
    let module = widths.iter().sum::<f64>() / 7.0;
    let near = |k: usize| (widths[k] - module).abs() <= STRIPE_OFF * module;
    // Blur and glare widen light against dark alike on both sides: set against the module they may be off, against
    // each other hardly.
    module >= 1.0
        && [0, 1, 3, 4].into_iter().all(near)
        && (widths[2] - 3.0 * module).abs() <= MIDDLE_OFF * module
}

/// The same down the column and along the row through its middle.
fn checked(photo: &RgbImage, at: Point, size_px: f64) -> Option<Mark> {
    let (down, height) = through(photo, at, size_px, (0.0, 1.0))?;
    if !(0.6..1.7).contains(&(height / size_px)) {
        return None;
    }
    let at = Point::new(at.x, at.y + down);
    let (right, width) = through(photo, at, size_px, (1.0, 0.0))?;
    Some(Mark {
        middle_px: Point::new(at.x + right, at.y),
        seen: 1,
        size_px: width,
    })
}

/// How far the middle of the stripes lies from `at` along a direction, and how wide they are.
fn through(photo: &RgbImage, at: Point, size_px: f64, along: (f64, f64)) -> Option<(f64, f64)> {
    let reach = (0.9 * size_px) as i64;
    let lights: Vec<f32> = (-reach..=reach)
        .map(|t| light_at(photo, at.x + t as f64 * along.0, at.y + t as f64 * along.1))
        .collect::<Option<_>>()?;
    // Against the middle of what is seen within the mark itself, which has both dark and light.
    let own = &lights[(reach as usize) - (0.4 * size_px) as usize..][..(0.8 * size_px) as usize];
    let (low, high) = own
        .iter()
        .fold((f32::MAX, f32::MIN), |(a, b), &v| (a.min(v), b.max(v)));
    if high - low < 0.15 * high.max(2.0) {
        return None;
    }
    let threshold = (low + high) / 2.0;
    let dark: Vec<bool> = lights.iter().map(|&v| v < threshold).collect();
    stripes(&dark)
        .into_iter()
        .map(|(middle, width)| (middle - reach as f64, width))
        .filter(|(off, _)| off.abs() < 0.25 * size_px)
        .min_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))
}

/// Light of the pixel that holds a point; `None` outside.
pub(super) fn light_at(photo: &RgbImage, x: f64, y: f64) -> Option<f32> {
    let inside =
        x >= 0.0 && y >= 0.0 && x < f64::from(photo.width()) && y < f64::from(photo.height());
    inside.then(|| light_of(&photo.get_pixel(x as u32, y as u32).0))
}

fn join(found: &mut Vec<Mark>, mark: Mark) {
    let near = |m: &&mut Mark| m.middle_px.distance(mark.middle_px) < 0.4 * mark.size_px;
    match found.iter_mut().find(near) {
        Some(m) => {
            m.seen += 1;
            m.middle_px = m.middle_px.towards(mark.middle_px, 1.0 / m.seen as f64);
        }
        None => found.push(mark),
    }
}

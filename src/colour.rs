//! sRGB, linear light and CIE L*a*b* (D65): a table version for pictures, a plain one to check it by.
//!
//! # Source
//! sRGB: IEC 61966-2-1. CIE L*a*b*: CIE 15:2004, 2° observer, white point D65 as
//! (0.95047, 1, 1.08883).

use std::sync::LazyLock;

use image::RgbImage;

use crate::wide::wide;

/// Linear RGB (D65) to XYZ, rows X, Y, Z.
///
/// # Source
/// IEC 61966-2-1, rounded to six decimals as most libraries have it.
const XYZ_FROM_LINEAR: [[f64; 3]; 3] = [
    [0.412_453, 0.357_580, 0.180_423],
    [0.212_671, 0.715_160, 0.072_169],
    [0.019_334, 0.119_193, 0.950_227],
];

/// White point D65, 2° observer, Y = 1.
const WHITE_XYZ: [f64; 3] = [0.950_47, 1.0, 1.088_83];

/// A colour in CIE L*a*b* (D65): L* 0..100, a* and b* about -128..128.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Lab {
    /// Lightness L*.
    pub l: f32,
    /// Green to red, a*.
    pub a: f32,
    /// Blue to yellow, b*.
    pub b: f32,
}

/// A picture in CIE L*a*b*, one plane a channel, rows from the top.
#[derive(Debug, Clone)]
pub struct LabPlanes {
    /// Width, pixels.
    pub width: usize,
    /// Height, pixels.
    pub height: usize,
    /// L*, 0..100.
    pub l: Vec<f32>,
    /// a*.
    pub a: Vec<f32>,
    /// b*.
    pub b: Vec<f32>,
}

/// Linear light (0..1) of an sRGB value (0..1).
pub fn linear_from_srgb(v: f64) -> f64 {
    if v <= 0.040_45 {
        v / 12.92
    } else {
        ((v + 0.055) / 1.055).powf(2.4)
    }
}

/// sRGB value (0..1) of linear light (0..1).
pub fn srgb_from_linear(v: f64) -> f64 {
    if v <= 0.003_130_8 {
        v * 12.92
    } else {
        1.055 * v.powf(1.0 / 2.4) - 0.055
    }
}

/// L*a*b* of an 8-bit sRGB colour, in `f64` by the formulas: slow, the reference for [`lab_from_srgb8`].
pub fn lab_from_srgb8_exact(rgb: [u8; 3]) -> [f64; 3] {
    let linear = rgb.map(|v| linear_from_srgb(f64::from(v) / 255.0));
    let f: [f64; 3] = std::array::from_fn(|i| {
        let row = XYZ_FROM_LINEAR[i];
        lab_root((row[0] * linear[0] + row[1] * linear[1] + row[2] * linear[2]) / WHITE_XYZ[i])
    });
    [
        116.0 * f[1] - 16.0,
        500.0 * (f[0] - f[1]),
        200.0 * (f[1] - f[2]),
    ]
}

/// The cube root of CIE L*a*b* with its straight foot.
fn lab_root(t: f64) -> f64 {
    if t > 0.008_856 {
        t.cbrt()
    } else {
        7.787 * t + 16.0 / 116.0
    }
}

/// Steps of the cube-root table over 0..1. Fewer: errors above 0.001 in dark colours; more: leaves the cache.
const ROOT_STEPS: usize = 4096;
/// Places in that table: one beyond its end is read, with a weight of nothing.
const ROOTS: usize = ROOT_STEPS + 2;
/// Steps of the table from linear light to 8-bit sRGB.
const SRGB_STEPS: usize = 4096;

struct Tables {
    linear: [f32; 256],
    root: [f32; ROOTS],
    srgb8: [u8; SRGB_STEPS + 1],
    /// XYZ over white from linear light.
    xyz: [[f32; 3]; 3],
}

/// Built once, never changed: the same for every caller.
static TABLES: LazyLock<Tables> = LazyLock::new(|| Tables {
    linear: std::array::from_fn(|i| linear_from_srgb(i as f64 / 255.0) as f32),
    root: std::array::from_fn(|i| lab_root(i as f64 / ROOT_STEPS as f64) as f32),
    srgb8: std::array::from_fn(|i| {
        (srgb_from_linear(i as f64 / SRGB_STEPS as f64) * 255.0).round() as u8
    }),
    xyz: std::array::from_fn(|i| {
        std::array::from_fn(|j| (XYZ_FROM_LINEAR[i][j] / WHITE_XYZ[i]) as f32)
    }),
});

/// Linear light (0..1) of an 8-bit sRGB value, by table.
pub fn linear_from_srgb8(v: u8) -> f32 {
    TABLES.linear[usize::from(v)]
}

/// Linear light of all 256 sRGB values: for loops over many pixels.
pub fn linear_table() -> &'static [f32; 256] {
    &TABLES.linear
}

/// 8-bit sRGB of linear light, by table, within one level; light outside 0..1 is cut off.
pub fn srgb8_from_linear(v: f32) -> u8 {
    Srgb8::get().of(v)
}

/// [`srgb8_from_linear`] for loops over many pixels.
#[derive(Debug, Clone, Copy)]
pub struct Srgb8(&'static [u8; SRGB_STEPS + 1]);

impl Srgb8 {
    /// The table.
    pub fn get() -> Self {
        Self(&TABLES.srgb8)
    }

    /// 8-bit sRGB of linear light.
    #[inline(always)]
    pub fn of(self, linear: f32) -> u8 {
        let at = (linear.clamp(0.0, 1.0) * SRGB_STEPS as f32 + 0.5) as usize;
        self.0[at.min(SRGB_STEPS)]
    }
}

/// Relative luminance (0..1) of an 8-bit sRGB colour.
pub fn luminance_from_srgb8(rgb: [u8; 3]) -> f32 {
    let t = &TABLES.linear;
    0.212_671 * t[usize::from(rgb[0])]
        + 0.715_160 * t[usize::from(rgb[1])]
        + 0.072_169 * t[usize::from(rgb[2])]
}

/// L*a*b* of an 8-bit sRGB colour by table, within 0.02 of [`lab_from_srgb8_exact`].
pub fn lab_from_srgb8(rgb: [u8; 3]) -> Lab {
    lab_by_table(&TABLES, rgb)
}

#[inline(always)]
fn lab_by_table(t: &Tables, rgb: [u8; 3]) -> Lab {
    let (r, g, b) = (
        t.linear[usize::from(rgb[0])],
        t.linear[usize::from(rgb[1])],
        t.linear[usize::from(rgb[2])],
    );
    let root = |row: &[f32; 3]| {
        let at = ((row[0] * r + row[1] * g + row[2] * b) * ROOT_STEPS as f32)
            .clamp(0.0, ROOT_STEPS as f32);
        let i = (at as usize).min(ROOT_STEPS);
        let (low, high) = (t.root[i], t.root[i + 1]);
        low + (high - low) * (at - i as f32)
    };
    let (fx, fy, fz) = (root(&t.xyz[0]), root(&t.xyz[1]), root(&t.xyz[2]));
    Lab {
        l: 116.0 * fy - 16.0,
        a: 500.0 * (fx - fy),
        b: 200.0 * (fy - fz),
    }
}

/// L*a*b* of a whole picture, by table.
pub fn lab_planes(picture: &RgbImage) -> LabPlanes {
    let t = &*TABLES;
    let (pixels, _) = picture.as_raw().as_chunks::<3>();
    let none = || vec![0.0; pixels.len()];
    let (mut l, mut a, mut b) = (none(), none(), none());
    fill_planes(t, pixels, &mut l, &mut a, &mut b);
    LabPlanes {
        width: picture.width() as usize,
        height: picture.height() as usize,
        l,
        a,
        b,
    }
}

wide! {
    fn fill_planes(t: &Tables, pixels: &[[u8; 3]], l: &mut [f32], a: &mut [f32], b: &mut [f32]) {
        let planes = l.iter_mut().zip(a).zip(b);
        for (rgb, ((l, a), b)) in pixels.iter().zip(planes) {
            let lab = lab_by_table(t, *rgb);
            (*l, *a, *b) = (lab.l, lab.a, lab.b);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// skimage.color.rgb2lab of scikit-image 0.26.0 on 8-bit sRGB (D65, 2° observer).
    const SCIKIT_IMAGE_0_26: [([u8; 3], [f64; 3]); 11] = [
        ([0, 0, 0], [0.0, 0.0, 0.0]),
        ([255, 255, 255], [100.0, -0.0025, 0.0047]),
        ([128, 128, 128], [53.585, -0.0015, 0.0028]),
        ([255, 0, 0], [53.2406, 80.0923, 67.2028]),
        ([0, 255, 0], [87.7351, -86.183, 83.1797]),
        ([0, 0, 255], [32.2957, 79.1856, -107.8573]),
        ([214, 186, 132], [76.7286, 2.466, 31.0818]),
        ([92, 76, 61], [33.5235, 4.1927, 11.442]),
        ([62, 54, 48], [23.2571, 2.3441, 5.0685]),
        ([172, 146, 116], [62.1605, 5.2079, 19.5386]),
        ([3, 2, 1], [0.5869, 0.1224, 0.4706]),
    ];

    #[test]
    fn agrees_with_a_reference_library() {
        for (rgb, want) in SCIKIT_IMAGE_0_26 {
            let got = lab_from_srgb8_exact(rgb);
            for (g, w) in got.iter().zip(want) {
                assert!((g - w).abs() < 1e-3, "{rgb:?}: {got:?}, not {want:?}");
            }
        }
    }

    #[test]
    fn the_table_agrees_with_the_formulas() {
        let mut worst = 0.0_f64;
        for r in (0..=255).step_by(5) {
            for g in (0..=255).step_by(5) {
                for b in (0..=255).step_by(5) {
                    let rgb = [r as u8, g as u8, b as u8];
                    let (fast, slow) = (lab_from_srgb8(rgb), lab_from_srgb8_exact(rgb));
                    for (f, s) in [fast.l, fast.a, fast.b].iter().zip(slow) {
                        worst = worst.max((f64::from(*f) - s).abs());
                    }
                }
            }
        }
        assert!(worst < 0.02, "off by {worst}");
    }

    #[test]
    fn linear_light_and_back_is_the_same_level() {
        for v in 0..=255_u8 {
            let back = srgb8_from_linear(linear_from_srgb8(v));
            assert!(back.abs_diff(v) <= 1, "{v} came back as {back}");
            let exact = srgb_from_linear(linear_from_srgb(f64::from(v) / 255.0)) * 255.0;
            assert!((exact - f64::from(v)).abs() < 1e-3);
        }
    }
}

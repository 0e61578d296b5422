//! Reads photos with their truth, and takes more windows of ground beside the frame.

use std::path::{Path, PathBuf};

use anyhow::{Context, Result};
use image::{ImageDecoder, RgbImage};
use podfall::{
    frame::{Ellipse, FoundFrame, FrameSpec, HowFound, Outline},
    geometry::{LensBend, Point},
    plot::{self, Plot, PlotSettings},
};
use serde::Deserialize;

use super::labels::{Sample, sample};

/// Truth of one photo: what of it is read here.
#[derive(Debug, Deserialize)]
pub(super) struct Truth {
    pub photo: String,
    #[serde(default)]
    pub conditions: Conditions,
    pub frame: TrueFrame,
    pub beans: Vec<TruePiece>,
    #[serde(default)]
    pub pods: Option<Vec<TruePiece>>,
}

#[derive(Debug, Default, Deserialize)]
pub(super) struct Conditions {
    #[serde(default)]
    pub k1: f64,
    pub residue_cover_in_frame_measured: Option<f64>,
}

#[derive(Debug, Deserialize)]
pub(super) struct TrueFrame {
    pub inner_mm: [f64; 2],
    pub inner_corners_px: Option<[Point; 4]>,
    pub inner_ring_px: Option<Vec<Point>>,
}

/// A bean or a pod of the truth.
#[derive(Debug, Deserialize)]
pub(super) struct TruePiece {
    pub x_px: f64,
    pub y_px: f64,
    #[serde(default)]
    pub radius_px: f64,
    #[serde(default)]
    pub length_px: f64,
    #[serde(default)]
    pub angle_deg: f64,
    pub visible: f64,
    pub inside: bool,
    #[serde(default)]
    pub half: bool,
    #[serde(default)]
    pub beans: u32,
}

pub(super) fn read_all(dirs: &[PathBuf]) -> Result<Vec<Sample>> {
    let mut samples = Vec::new();
    let mut photo = 0;
    for (set, dir) in dirs.iter().enumerate() {
        let mut files: Vec<PathBuf> = std::fs::read_dir(dir)
            .with_context(|| dir.display().to_string())?
            .filter_map(|e| e.ok().map(|e| e.path()))
            .filter(|p| p.extension().is_some_and(|e| e == "json"))
            .collect();
        files.sort();
        for file in files {
            let text = std::fs::read_to_string(&file)?;
            let Ok(truth) = serde_json::from_str::<Truth>(&text) else {
                continue;
            };
            if truth.frame.inner_corners_px.is_none() && truth.frame.inner_ring_px.is_none() {
                continue;
            }
            read_one(&file, &truth, photo, set, &mut samples)
                .with_context(|| file.display().to_string())?;
            photo += 1;
        }
    }
    Ok(samples)
}

pub(super) fn upright(path: &Path) -> Result<RgbImage> {
    let mut decoder = image::ImageReader::open(path)?.into_decoder()?;
    let orientation = decoder.orientation()?;
    let mut picture = image::DynamicImage::from_decoder(decoder)?;
    picture.apply_orientation(orientation);
    Ok(picture.to_rgb8())
}

pub(super) fn read_one(
    file: &Path,
    truth: &Truth,
    photo: usize,
    set: usize,
    samples: &mut Vec<Sample>,
) -> Result<()> {
    let pixels = upright(&file.with_file_name(&truth.photo))?;
    let (frame, spec) = true_frame(truth, &pixels);
    let settings = PlotSettings::default();
    let plot = plot::flatten(&pixels, &frame, spec, &settings)?;
    for (window, window_spec) in windows(&plot, spec, &pixels) {
        let beside = FoundFrame {
            outline: Outline::Corners(window),
            ..frame.clone()
        };
        let beside = plot::flatten(&pixels, &beside, window_spec, &settings)?;
        samples.push(sample(&beside, truth, photo, set, false));
    }
    samples.push(sample(&plot, truth, photo, set, true));
    Ok(())
}

/// The frame of the truth as if it had been found. The bar's colour is taken just outside its inner edge.
pub(super) fn true_frame(truth: &Truth, pixels: &RgbImage) -> (FoundFrame, FrameSpec) {
    let mut lens = LensBend::none(pixels.width(), pixels.height());
    lens.k1 = truth.conditions.k1;
    let [width_mm, height_mm] = truth.frame.inner_mm;
    let (outline, spec) = match (&truth.frame.inner_corners_px, &truth.frame.inner_ring_px) {
        (Some(corners), _) => (
            Outline::Corners(*corners),
            FrameSpec::Rectangle {
                width_mm,
                height_mm,
            },
        ),
        (None, ring) => (
            Outline::Ring(ellipse(ring.as_deref().unwrap_or_default())),
            FrameSpec::Ring {
                diameter_mm: width_mm,
            },
        ),
    };
    let bar_srgb = match &outline {
        Outline::Corners(corners) => bar_colour(corners, pixels),
        Outline::Ring(_) => [0; 3],
    };
    let frame = FoundFrame {
        outline,
        lens,
        how: HowFound::Given,
        confidence: 1.0,
        corner_error_px: 0.5,
        edge_seen: 1.0,
        tilt_deg: None,
        bar_srgb,
        bar_width_mm: 0.0,
    };
    (frame, spec)
}

pub(super) fn bar_colour(corners: &[Point; 4], pixels: &RgbImage) -> [u8; 3] {
    let centre = corners[0].towards(corners[2], 0.5);
    let mut seen: [Vec<u8>; 3] = Default::default();
    for i in 0..4 {
        for k in 1..20 {
            let p = corners[i].towards(corners[(i + 1) % 4], f64::from(k) / 20.0);
            let p = centre.towards(p, 1.0 + 18.0 / centre.distance(p));
            if let Some(c) = pixels.get_pixel_checked(p.x.max(0.0) as u32, p.y.max(0.0) as u32) {
                seen.iter_mut().zip(c.0).for_each(|(s, v)| s.push(v));
            }
        }
    }
    seen.map(|mut v| {
        v.sort_unstable();
        v.get(v.len() / 2).copied().unwrap_or(0)
    })
}

/// The ellipse with the second moments of points spread evenly round it.
pub(super) fn ellipse(points: &[Point]) -> Ellipse {
    let n = points.len().max(1) as f64;
    let mean = |f: &dyn Fn(&Point) -> f64| points.iter().map(f).sum::<f64>() / n;
    let (mx, my) = (mean(&|p| p.x), mean(&|p| p.y));
    let xx = mean(&|p| (p.x - mx).powi(2));
    let yy = mean(&|p| (p.y - my).powi(2));
    let xy = mean(&|p| (p.x - mx) * (p.y - my));
    let (mid, half) = ((xx + yy) / 2.0, ((xx - yy) / 2.0).hypot(xy));
    Ellipse {
        centre_px: Point::new(mx, my),
        semi_major_px: (2.0 * (mid + half)).sqrt(),
        semi_minor_px: (2.0 * (mid - half)).max(0.0).sqrt(),
        angle_rad: 0.5 * (2.0 * xy).atan2(xx - yy),
    }
}

/// Side of the windows beside the frame, mm, their distance from it and how many are taken at most.
pub(super) const WINDOW_MM: f64 = 180.0;
pub(super) const BESIDE_MM: f64 = 50.0;
pub(super) const MOST_WINDOWS: usize = 8;

/// Squares of ground beside the frame, whole in the photo: more ground to learn from.
pub(super) fn windows(
    plot: &Plot,
    spec: FrameSpec,
    pixels: &RgbImage,
) -> Vec<([Point; 4], FrameSpec)> {
    let (width_mm, height_mm) = spec.size_mm();
    let (w, h) = (f64::from(pixels.width()), f64::from(pixels.height()));
    let mut out = Vec::new();
    for row in -4_i32..=4 {
        for column in -4_i32..=4 {
            let place = |k: i32, side: f64| match k {
                ..0 => f64::from(k) * WINDOW_MM - BESIDE_MM,
                _ => {
                    f64::from(k) * WINDOW_MM
                        + if f64::from(k) * WINDOW_MM >= side {
                            BESIDE_MM
                        } else {
                            0.0
                        }
                }
            };
            let (x, y) = (place(column, width_mm), place(row, height_mm));
            let apart = x + WINDOW_MM <= -BESIDE_MM
                || y + WINDOW_MM <= -BESIDE_MM
                || x >= width_mm + BESIDE_MM
                || y >= height_mm + BESIDE_MM;
            let corners = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)].map(|(i, j)| {
                plot.map
                    .photo_px_from_plot_mm(Point::new(x + i * WINDOW_MM, y + j * WINDOW_MM))
            });
            let within = corners
                .iter()
                .all(|c| c.x > 4.0 && c.y > 4.0 && c.x < w - 4.0 && c.y < h - 4.0);
            if apart && within && out.len() < MOST_WINDOWS {
                out.push((
                    corners,
                    FrameSpec::Rectangle {
                        width_mm: WINDOW_MM,
                        height_mm: WINDOW_MM,
                    },
                ));
            }
        }
    }
    out
}

//! Fits the first scorer to photos with known truth, and says how well it does on photos left out.

use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use image::{ImageDecoder, RgbImage};
use podfall::{
    candidate::{self, Candidate},
    frame::{Ellipse, FoundFrame, FrameSpec, HowFound, Outline},
    geometry::{LensBend, Point},
    ground,
    plot::{self, Plot, PlotSettings},
    score::{
        calibrate::Calibration,
        features::{self, Measured},
        first::{self, FirstModel, Question},
        trees::{GrowSettings, Trees, grow},
    },
};
use serde::Deserialize;

/// Arguments of `podfall fit`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folders of photos with their truth beside them (form: DEVELOPERS.md).
    #[arg(required = true)]
    pub dirs: Vec<PathBuf>,
    /// Where to write the model.
    #[arg(long, default_value = "models/first-v1.json")]
    pub out: PathBuf,
    /// Parts into which the photos are divided to judge each by a model that never saw it.
    #[arg(long, default_value_t = 5)]
    pub folds: usize,
}

/// Truth of one photo: what of it is read here.
#[derive(Debug, Deserialize)]
struct Truth {
    photo: String,
    #[serde(default)]
    conditions: Conditions,
    frame: TrueFrame,
    beans: Vec<TrueBean>,
}

#[derive(Debug, Default, Deserialize)]
struct Conditions {
    #[serde(default)]
    k1: f64,
    residue_cover_in_frame_measured: Option<f64>,
}

#[derive(Debug, Deserialize)]
struct TrueFrame {
    inner_mm: [f64; 2],
    inner_corners_px: Option<[Point; 4]>,
    inner_ring_px: Option<Vec<Point>>,
}

#[derive(Debug, Deserialize)]
struct TrueBean {
    x_px: f64,
    y_px: f64,
    radius_px: f64,
    visible: f64,
    inside: bool,
    half: bool,
}

/// What a candidate is in truth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Label {
    Bean,
    Split,
    Other,
    /// Neither right nor wrong: hardly to be seen, or a second time the same bean.
    Open,
}

/// One plot's candidates with their measurements and labels.
struct Sample {
    photo: usize,
    set: usize,
    name: String,
    /// The frame itself, not a window beside it.
    real: bool,
    candidates: Vec<Candidate>,
    measured: Vec<Measured>,
    labels: Vec<Label>,
    /// Beans to be found, and of them those with a candidate.
    beans: usize,
    reached: usize,
}

/// Runs `podfall fit`.
///
/// # Errors
/// When a folder or photo cannot be read, or the model not written.
pub fn run(args: &Args) -> Result<()> {
    let samples = read_all(&args.dirs)?;
    if samples.is_empty() {
        bail!("no photo with truth in the folders given");
    }
    let odds = held_back(&samples, args.folds);
    report(&samples, &odds, args);
    let model = fit(&samples, |_| true, Some(&odds));
    let text = serde_json::to_string(&model)?;
    std::fs::write(&args.out, text).with_context(|| args.out.display().to_string())?;
    Ok(())
}

fn read_all(dirs: &[PathBuf]) -> Result<Vec<Sample>> {
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

fn upright(path: &Path) -> Result<RgbImage> {
    let mut decoder = image::ImageReader::open(path)?.into_decoder()?;
    let orientation = decoder.orientation()?;
    let mut picture = image::DynamicImage::from_decoder(decoder)?;
    picture.apply_orientation(orientation);
    Ok(picture.to_rgb8())
}

fn read_one(file: &Path, truth: &Truth, photo: usize, set: usize, samples: &mut Vec<Sample>) -> Result<()> {
    let pixels = upright(&file.with_file_name(&truth.photo))?;
    let (frame, spec) = true_frame(truth, &pixels);
    let settings = PlotSettings::default();
    let plot = plot::flatten(&pixels, &frame, spec, &settings)?;
    for (window, window_spec) in windows(&plot, spec, &pixels) {
        let beside = FoundFrame { outline: Outline::Corners(window), ..frame.clone() };
        let beside = plot::flatten(&pixels, &beside, window_spec, &settings)?;
        samples.push(sample(&beside, truth, photo, set, false));
    }
    samples.push(sample(&plot, truth, photo, set, true));
    Ok(())
}

/// The frame of the truth as if it had been found. The bar's colour is taken just outside its inner edge.
fn true_frame(truth: &Truth, pixels: &RgbImage) -> (FoundFrame, FrameSpec) {
    let mut lens = LensBend::none(pixels.width(), pixels.height());
    lens.k1 = truth.conditions.k1;
    let [width_mm, height_mm] = truth.frame.inner_mm;
    let (outline, spec) = match (&truth.frame.inner_corners_px, &truth.frame.inner_ring_px) {
        (Some(corners), _) => (Outline::Corners(*corners), FrameSpec::Rectangle { width_mm, height_mm }),
        (None, ring) => (
            Outline::Ring(ellipse(ring.as_deref().unwrap_or_default())),
            FrameSpec::Ring { diameter_mm: width_mm },
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

fn bar_colour(corners: &[Point; 4], pixels: &RgbImage) -> [u8; 3] {
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
fn ellipse(points: &[Point]) -> Ellipse {
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
const WINDOW_MM: f64 = 260.0;
const BESIDE_MM: f64 = 60.0;
const MOST_WINDOWS: usize = 6;

/// Squares of ground beside the frame, whole in the photo: more ground to learn from.
fn windows(plot: &Plot, spec: FrameSpec, pixels: &RgbImage) -> Vec<([Point; 4], FrameSpec)> {
    let (width_mm, height_mm) = spec.size_mm();
    let (w, h) = (f64::from(pixels.width()), f64::from(pixels.height()));
    let mut out = Vec::new();
    for row in -4_i32..=4 {
        for column in -4_i32..=4 {
            let place = |k: i32, side: f64| match k {
                ..0 => f64::from(k) * WINDOW_MM - BESIDE_MM,
                _ => f64::from(k) * WINDOW_MM + if f64::from(k) * WINDOW_MM >= side { BESIDE_MM } else { 0.0 },
            };
            let (x, y) = (place(column, width_mm), place(row, height_mm));
            let apart = x + WINDOW_MM <= -BESIDE_MM || y + WINDOW_MM <= -BESIDE_MM
                || x >= width_mm + BESIDE_MM || y >= height_mm + BESIDE_MM;
            let corners = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)]
                .map(|(i, j)| plot.map.photo_px_from_plot_mm(Point::new(x + i * WINDOW_MM, y + j * WINDOW_MM)));
            let within = corners.iter().all(|c| c.x > 4.0 && c.y > 4.0 && c.x < w - 4.0 && c.y < h - 4.0);
            if apart && within && out.len() < MOST_WINDOWS {
                out.push((corners, FrameSpec::Rectangle { width_mm: WINDOW_MM, height_mm: WINDOW_MM }));
            }
        }
    }
    out
}

fn sample(plot: &Plot, truth: &Truth, photo: usize, set: usize, real: bool) -> Sample {
    let ground = ground::classify(plot, &Default::default());
    if let (true, Some(cover)) = (real, truth.conditions.residue_cover_in_frame_measured) {
        println!("cover {} {:.1} {:.1}", truth.photo, 100.0 * cover, ground.shares.residue_cover_pct);
    }
    let candidates = candidate::candidates(plot, &ground, &Default::default());
    let measured = first::measure(plot, &ground, &candidates);
    let w = plot.inside.width();
    let beans: Vec<(Point, f64, &TrueBean, bool)> = truth
        .beans
        .iter()
        .map(|b| {
            let at = plot.map.plot_mm_from_photo_px(Point::new(b.x_px, b.y_px));
            let rim = plot.map.plot_mm_from_photo_px(Point::new(b.x_px + b.radius_px, b.y_px));
            let px = plot.plot_px_from_mm(at);
            let in_window = px.x >= 0.0 && px.y >= 0.0 && (px.x as u32) < w && (px.y as u32) < plot.inside.height()
                && plot.inside.get_pixel(px.x as u32, px.y as u32).0[0] != 0;
            (at, at.distance(rim), b, if real { b.inside } else { in_window })
        })
        .collect();
    let sure = |b: &(Point, f64, &TrueBean, bool)| b.3 && b.2.visible >= 0.5;
    let mut labels = vec![Label::Other; candidates.len()];
    let to_find: Vec<_> = beans.iter().filter(|b| sure(b)).collect();
    let hazy: Vec<_> = beans.iter().filter(|b| !sure(b)).collect();
    let mut reached = 0;
    for (i, k) in pairs(&candidates, &to_find) {
        labels[i] = if to_find[k].2.half { Label::Split } else { Label::Bean };
    }
    for b in &to_find {
        let near = candidates.iter().any(|c| c.centre_mm.distance(b.0) <= 0.6 * b.1);
        reached += usize::from(near);
    }
    for (i, c) in candidates.iter().enumerate() {
        let again = beans.iter().any(|b| b.2.visible > 0.1 && c.centre_mm.distance(b.0) <= b.1);
        if labels[i] == Label::Other && again {
            labels[i] = Label::Open;
        }
    }
    let rest: Vec<usize> = (0..candidates.len()).filter(|i| labels[*i] == Label::Other).collect();
    let others: Vec<Candidate> = rest.iter().map(|i| candidates[*i].clone()).collect();
    for (i, _) in pairs(&others, &hazy) {
        labels[rest[i]] = Label::Open;
    }
    Sample { photo, set, name: truth.photo.clone(), real, beans: to_find.len(), reached, candidates, measured, labels }
}

/// One to one, the nearest first, within 1.2 radii.
fn pairs(candidates: &[Candidate], beans: &[&(Point, f64, &TrueBean, bool)]) -> Vec<(usize, usize)> {
    let mut near = Vec::new();
    for (i, c) in candidates.iter().enumerate() {
        for (k, b) in beans.iter().enumerate() {
            let far = c.centre_mm.distance(b.0) / (1.2 * b.1).max(0.5);
            if far <= 1.0 {
                near.push((far, i, k));
            }
        }
    }
    near.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)).then(a.2.cmp(&b.2)));
    let (mut used_i, mut used_k) = (vec![false; candidates.len()], vec![false; beans.len()]);
    near.retain(|(_, i, k)| {
        let free = !used_i[*i] && !used_k[*k];
        if free {
            used_i[*i] = true;
            used_k[*k] = true;
        }
        free
    });
    near.into_iter().map(|(_, i, k)| (i, k)).collect()
}

/// Log odds of each candidate from models that never saw its photo.
struct Odds {
    bean: Vec<Vec<f32>>,
    split: Vec<Vec<f32>>,
}

fn held_back(samples: &[Sample], folds: usize) -> Odds {
    let mut odds = Odds {
        bean: samples.iter().map(|s| vec![0.0; s.labels.len()]).collect(),
        split: samples.iter().map(|s| vec![0.0; s.labels.len()]).collect(),
    };
    for fold in 0..folds {
        let model = fit(samples, |photo| photo % folds != fold, None);
        for (k, s) in samples.iter().enumerate().filter(|(_, s)| s.photo % folds == fold) {
            for (i, m) in s.measured.iter().enumerate() {
                odds.bean[k][i] = model.bean.trees.log_odds(m);
                odds.split[k][i] = model.split.trees.log_odds(m);
            }
        }
    }
    odds
}

/// Fits to the photos that `take` says; calibrates by the held-back odds where given.
fn fit(samples: &[Sample], take: impl Fn(usize) -> bool, odds: Option<&Odds>) -> FirstModel {
    let used: Vec<&Sample> = samples.iter().filter(|s| take(s.photo)).collect();
    let bean = trees(&used, &GrowSettings { trees: 48, ..Default::default() }, |l| match l {
        Label::Bean | Label::Split => Some(true),
        Label::Other => Some(false),
        Label::Open => None,
    });
    let split_settings = GrowSettings { trees: 12, leaves: 6, least_weight: 2.0, ..Default::default() };
    let split = trees(&used, &split_settings, |l| match l {
        Label::Split => Some(true),
        Label::Bean => Some(false),
        _ => None,
    });
    let (mut for_bean, mut for_split) = (Calibration::default(), Calibration::default());
    if let Some(odds) = odds {
        for_bean = Calibration::fit(&standing_odds(samples, &odds.bean, &odds.bean, |l| match l {
            Label::Bean | Label::Split => Some(true),
            Label::Other => Some(false),
            Label::Open => None,
        }));
        for_split = Calibration::fit(&standing_odds(samples, &odds.bean, &odds.split, |l| match l {
            Label::Split => Some(true),
            Label::Bean => Some(false),
            _ => None,
        }));
    }
    FirstModel {
        name: "first-v1".to_owned(),
        features: features::NAMES.iter().map(|n| (*n).to_owned()).collect(),
        bean: Question { trees: bean, calibration: for_bean },
        split: Question { trees: split, calibration: for_split },
    }
}

fn trees(used: &[&Sample], settings: &GrowSettings, answer: impl Fn(Label) -> Option<bool>) -> Trees {
    let (mut rows, mut yes): (Vec<&[f32]>, Vec<bool>) = (Vec::new(), Vec::new());
    for s in used {
        for (m, l) in s.measured.iter().zip(&s.labels) {
            if let Some(y) = answer(*l) {
                rows.push(m);
                yes.push(y);
            }
        }
    }
    grow(&rows, &yes, &vec![1.0; rows.len()], settings)
}

fn standing_odds(
    samples: &[Sample],
    rank: &[Vec<f32>],
    odds: &[Vec<f32>],
    answer: impl Fn(Label) -> Option<bool>,
) -> Vec<(f32, bool)> {
    let mut out = Vec::new();
    for (k, s) in samples.iter().enumerate() {
        let stands = first::standing(&s.candidates, &rank[k]);
        for i in (0..s.labels.len()).filter(|i| stands[*i]) {
            if let Some(y) = answer(s.labels[i]) {
                out.push((odds[k][i], y));
            }
        }
    }
    out
}

/// Prints what was reached on photos left out, set by set. Each photo's probabilities come from a calibration without its own fold.
fn report(samples: &[Sample], odds: &Odds, args: &Args) {
    for (set, dir) in args.dirs.iter().enumerate() {
        let (mut tp, mut fp, mut beans, mut reached, mut n) = (0, 0, 0, 0, 0);
        let mut bins = [(0.0, 0.0, 0.0); 10];
        for fold in 0..args.folds {
            let keep: Vec<usize> = (0..samples.len()).filter(|k| samples[*k].photo % args.folds != fold).collect();
            let mut scored = Vec::new();
            for k in keep {
                scored.extend(standing_odds(&samples[k..=k], &odds.bean[k..=k], &odds.bean[k..=k], |l| match l {
                    Label::Bean | Label::Split => Some(true),
                    Label::Other => Some(false),
                    Label::Open => None,
                }));
            }
            let calibration = Calibration::fit(&scored);
            for (k, s) in samples.iter().enumerate().filter(|(_, s)| s.set == set && s.real && s.photo % args.folds == fold) {
                let stands = first::standing(&s.candidates, &odds.bean[k]);
                let (mut t, mut f) = (0, 0);
                for i in (0..s.labels.len()).filter(|i| stands[*i] && s.labels[*i] != Label::Open) {
                    let p = calibration.probability(odds.bean[k][i]);
                    let yes = s.labels[i] != Label::Other;
                    if p >= 0.5 {
                        t += usize::from(yes);
                        f += usize::from(!yes);
                    }
                    if p >= 0.05 {
                        let b = &mut bins[((p * 10.0) as usize).min(9)];
                        *b = (b.0 + 1.0, b.1 + p, b.2 + f64::from(u8::from(yes)));
                    }
                }
                println!("  {} found {t} wrong {f} of {} reached {} candidates {}", s.name, s.beans, s.reached, s.candidates.len());
                tp += t;
                fp += f;
                beans += s.beans;
                reached += s.reached;
                n += 1;
            }
        }
        let total: f64 = bins.iter().map(|b| b.0).sum();
        let ece: f64 = bins.iter().map(|b| (b.1 - b.2).abs()).sum::<f64>() / total.max(1.0);
        let f1 = 2.0 * tp as f64 / (tp + fp + beans).max(1) as f64;
        println!(
            "{}: {n} photos, candidate recall {:.3}, precision {:.3}, recall {:.3}, F1 {f1:.3}, ECE {ece:.3}",
            dir.display(),
            reached as f64 / beans.max(1) as f64,
            tp as f64 / (tp + fp).max(1) as f64,
            tp as f64 / beans.max(1) as f64,
        );
    }
}

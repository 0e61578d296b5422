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
        features,
        first::{self, Evidence, FirstModel, Question},
        pod_features,
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
    beans: Vec<TruePiece>,
    #[serde(default)]
    pods: Option<Vec<TruePiece>>,
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

/// A bean or a pod of the truth.
#[derive(Debug, Deserialize)]
struct TruePiece {
    x_px: f64,
    y_px: f64,
    #[serde(default)]
    radius_px: f64,
    #[serde(default)]
    length_px: f64,
    visible: f64,
    inside: bool,
    #[serde(default)]
    half: bool,
    #[serde(default)]
    beans: u32,
}

/// Within what distance a candidate is this piece (as the scoring has it), on the plot.
struct Target<'a> {
    at: Point,
    within_mm: f64,
    /// Seen by half or more, inside.
    sure: bool,
    piece: &'a TruePiece,
}

/// What a candidate is in truth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Label {
    Bean,
    Split,
    Pod,
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
    measured: Vec<Evidence>,
    labels: Vec<Label>,
    /// Beans to be found, and of them those with a candidate.
    beans: usize,
    reached: usize,
    /// Pods to be found.
    pods: usize,
    /// Length as measured and beans in it, of the pods reached.
    pod_lengths: Vec<(f64, f64)>,
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
    let mut model = fit(&samples, |_| true);
    for (asked, question) in [
        (Asked::Bean, &mut model.bean),
        (Asked::Split, &mut model.split),
        (Asked::Pod, &mut model.pod),
    ] {
        question.calibration = Calibration::fit(&standing_odds(&samples, &odds, asked, |_| true));
    }
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

fn read_one(
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
fn true_frame(truth: &Truth, pixels: &RgbImage) -> (FoundFrame, FrameSpec) {
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
const WINDOW_MM: f64 = 180.0;
const BESIDE_MM: f64 = 50.0;
const MOST_WINDOWS: usize = 8;

/// Squares of ground beside the frame, whole in the photo: more ground to learn from.
fn windows(plot: &Plot, spec: FrameSpec, pixels: &RgbImage) -> Vec<([Point; 4], FrameSpec)> {
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

fn sample(plot: &Plot, truth: &Truth, photo: usize, set: usize, real: bool) -> Sample {
    let ground = ground::classify(plot, &Default::default());
    if let (true, Some(cover)) = (real, truth.conditions.residue_cover_in_frame_measured) {
        let seen = 100.0 - ground.shares.soil_pct;
        println!("cover {} {:.1} {seen:.1}", truth.photo, 100.0 * cover);
    }
    let candidates = candidate::candidates(plot, &ground, &Default::default());
    let measured = first::measure(plot, &ground, &candidates);
    let beans = targets(plot, &truth.beans, real, |b| (1.2 * b.radius_px).max(3.0));
    let pods = targets(plot, truth.pods.as_deref().unwrap_or_default(), real, |p| {
        (0.45 * p.length_px).max(4.0)
    });
    let mut labels = vec![Label::Other; candidates.len()];
    if truth.pods.is_none() {
        for (l, c) in labels.iter_mut().zip(&candidates) {
            if c.pod_shaped {
                *l = Label::Open;
            }
        }
    }
    label(&candidates, &beans, false, &mut labels);
    label(&candidates, &pods, true, &mut labels);
    let sure = beans.iter().filter(|b| b.sure);
    let reached = sure.clone().filter(|b| {
        (candidates.iter())
            .any(|c| !c.pod_shaped && c.centre_mm.distance(b.at) <= 0.5 * b.within_mm)
    });
    let lengths = pairs(
        &candidates,
        &pods.iter().filter(|p| p.sure).collect::<Vec<_>>(),
        true,
    )
    .into_iter()
    .map(|(i, k)| {
        (
            candidates[i].length_mm,
            f64::from(
                pods.iter()
                    .filter(|p| p.sure)
                    .nth(k)
                    .map_or(0, |p| p.piece.beans),
            ),
        )
    })
    .collect();
    Sample {
        photo,
        set,
        name: truth.photo.clone(),
        real,
        beans: sure.clone().count(),
        pods: pods.iter().filter(|p| p.sure).count(),
        reached: reached.count(),
        pod_lengths: lengths,
        candidates,
        measured,
        labels,
    }
}

fn targets<'a>(
    plot: &Plot,
    pieces: &'a [TruePiece],
    real: bool,
    within_px: impl Fn(&TruePiece) -> f64,
) -> Vec<Target<'a>> {
    let (w, h) = plot.inside.dimensions();
    pieces
        .iter()
        .map(|piece| {
            let at = plot
                .map
                .plot_mm_from_photo_px(Point::new(piece.x_px, piece.y_px));
            let rim = Point::new(piece.x_px + within_px(piece), piece.y_px);
            let px = plot.plot_px_from_mm(at);
            let in_window = px.x >= 0.0
                && px.y >= 0.0
                && (px.x as u32) < w
                && (px.y as u32) < h
                && plot.inside.get_pixel(px.x as u32, px.y as u32).0[0] != 0;
            Target {
                at,
                within_mm: at.distance(plot.map.plot_mm_from_photo_px(rim)),
                sure: piece.visible >= 0.5 && if real { piece.inside } else { in_window },
                piece,
            }
        })
        .collect()
}

/// Labels candidates of one shape as the scoring would.
fn label(candidates: &[Candidate], targets: &[Target], pod: bool, labels: &mut [Label]) {
    let to_find: Vec<&Target> = targets.iter().filter(|t| t.sure).collect();
    let hazy: Vec<&Target> = targets.iter().filter(|t| !t.sure).collect();
    for (i, k) in pairs(candidates, &to_find, pod) {
        labels[i] = match (pod, to_find[k].piece.half) {
            (true, _) => Label::Pod,
            (false, true) => Label::Split,
            (false, false) => Label::Bean,
        };
    }
    // A second candidate on the same piece says nothing: of two, judging keeps the better one.
    for (i, c) in candidates.iter().enumerate() {
        let again =
            |t: &Target| t.piece.visible > 0.1 && c.centre_mm.distance(t.at) <= 0.83 * t.within_mm;
        if c.pod_shaped == pod && labels[i] == Label::Other && targets.iter().any(again) {
            labels[i] = Label::Open;
        }
    }
    for (i, _) in pairs(candidates, &hazy, pod) {
        if labels[i] == Label::Other {
            labels[i] = Label::Open;
        }
    }
}

/// One to one, the nearest first.
fn pairs(candidates: &[Candidate], targets: &[&Target], pod: bool) -> Vec<(usize, usize)> {
    let mut near = Vec::new();
    for (i, c) in candidates
        .iter()
        .enumerate()
        .filter(|(_, c)| c.pod_shaped == pod)
    {
        for (k, t) in targets.iter().enumerate() {
            let far = c.centre_mm.distance(t.at) / t.within_mm.max(0.5);
            if far <= 1.0 {
                near.push((far, i, k));
            }
        }
    }
    near.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)).then(a.2.cmp(&b.2)));
    let (mut used_i, mut used_k) = (vec![false; candidates.len()], vec![false; targets.len()]);
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
    /// Of being a bean, or a pod where pod-shaped.
    any: Vec<Vec<f32>>,
    /// Of being split, if a bean.
    split: Vec<Vec<f32>>,
}

/// The questions asked: what counts as yes and as no.
#[derive(Clone, Copy)]
enum Asked {
    Bean,
    Split,
    Pod,
}

impl Asked {
    fn answer(self, label: Label, pod_shaped: bool) -> Option<bool> {
        match (self, label) {
            (_, Label::Open) => None,
            (Self::Bean, _) if pod_shaped => None,
            (Self::Bean, l) => Some(l != Label::Other),
            (Self::Split, Label::Split) => Some(true),
            (Self::Split, Label::Bean) => Some(false),
            (Self::Split, _) => None,
            (Self::Pod, _) if !pod_shaped => None,
            (Self::Pod, l) => Some(l == Label::Pod),
        }
    }

    /// Sixty trees in all.
    fn settings(self) -> GrowSettings {
        let base = GrowSettings::default();
        match self {
            Self::Bean => GrowSettings { trees: 40, ..base },
            Self::Split => GrowSettings {
                trees: 8,
                leaves: 6,
                rate: 0.25,
                ..base
            },
            Self::Pod => GrowSettings {
                trees: 12,
                leaves: 8,
                rate: 0.25,
                ..base
            },
        }
    }
}

fn row(e: &Evidence) -> &[f32] {
    match e {
        Evidence::Bean(m) => &m[..],
        Evidence::Pod(m) => &m[..],
    }
}

fn held_back(samples: &[Sample], folds: usize) -> Odds {
    let empty = || samples.iter().map(|s| vec![0.0; s.labels.len()]).collect();
    let mut odds = Odds {
        any: empty(),
        split: empty(),
    };
    for fold in 0..folds {
        let model = fit(samples, |photo| photo % folds != fold);
        for (k, s) in samples
            .iter()
            .enumerate()
            .filter(|(_, s)| s.photo % folds == fold)
        {
            for (i, m) in s.measured.iter().enumerate() {
                odds.any[k][i] = model.log_odds(m);
                odds.split[k][i] = match m {
                    Evidence::Bean(m) => model.split.trees.log_odds(&m[..]),
                    Evidence::Pod(_) => 0.0,
                };
            }
        }
    }
    odds
}

/// Fits to the photos that `take` says, not yet calibrated.
fn fit(samples: &[Sample], take: impl Fn(usize) -> bool) -> FirstModel {
    let used: Vec<&Sample> = samples.iter().filter(|s| take(s.photo)).collect();
    let names = |n: &[&str]| n.iter().map(|n| (*n).to_owned()).collect();
    let question = |asked| Question {
        trees: trees(&used, asked),
        calibration: Calibration::default(),
    };
    FirstModel {
        name: "first-v1".to_owned(),
        features: names(&features::NAMES),
        pod_features: names(&pod_features::POD_NAMES),
        bean: question(Asked::Bean),
        split: question(Asked::Split),
        pod: question(Asked::Pod),
        beans_by_pod_length: line(&used),
    }
}

/// Beans in a pod against its length: least squares.
fn line(used: &[&Sample]) -> [f64; 2] {
    let all: Vec<(f64, f64)> = used
        .iter()
        .flat_map(|s| s.pod_lengths.iter().copied())
        .collect();
    let n = all.len().max(1) as f64;
    let (mx, my) = (
        all.iter().map(|p| p.0).sum::<f64>() / n,
        all.iter().map(|p| p.1).sum::<f64>() / n,
    );
    let xx: f64 = all.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let xy: f64 = all.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    if all.len() < 10 || xx <= 0.0 {
        // Handbook: 2.5 seeds a pod.
        return [2.5, 0.0];
    }
    [my - xy / xx * mx, xy / xx]
}

fn trees(used: &[&Sample], asked: Asked) -> Trees {
    let (mut rows, mut yes): (Vec<&[f32]>, Vec<bool>) = (Vec::new(), Vec::new());
    for s in used {
        for ((m, l), c) in s.measured.iter().zip(&s.labels).zip(&s.candidates) {
            if let Some(y) = asked.answer(*l, c.pod_shaped) {
                rows.push(row(m));
                yes.push(y);
            }
        }
    }
    grow(&rows, &yes, &vec![1.0; rows.len()], &asked.settings())
}

/// Held-back log odds with their answers, of candidates that stand.
fn standing_odds(
    samples: &[Sample],
    odds: &Odds,
    asked: Asked,
    take: impl Fn(&Sample) -> bool,
) -> Vec<(f32, bool)> {
    let mut out = Vec::new();
    for (k, s) in samples.iter().enumerate().filter(|(_, s)| take(s)) {
        let stands = first::standing(&s.candidates, &odds.any[k]);
        let worth = if matches!(asked, Asked::Split) {
            &odds.split[k]
        } else {
            &odds.any[k]
        };
        for i in (0..s.labels.len()).filter(|i| stands[*i]) {
            if let Some(y) = asked.answer(s.labels[i], s.candidates[i].pod_shaped) {
                out.push((worth[i], y));
            }
        }
    }
    out
}

/// Right, wrong and to be found; and objects by probability.
#[derive(Default)]
struct Figures {
    right: usize,
    wrong: usize,
    to_find: usize,
    bins: [(f64, f64, f64); 10],
}

impl Figures {
    fn add(&mut self, p: f64, yes: bool, counted_from: f64) {
        if p >= counted_from {
            self.right += usize::from(yes);
            self.wrong += usize::from(!yes);
        }
        if p >= LISTED_FROM {
            let b = &mut self.bins[((p * 10.0) as usize).min(9)];
            *b = (b.0 + 1.0, b.1 + p, b.2 + f64::from(u8::from(yes)));
        }
    }
    fn f1(&self) -> f64 {
        2.0 * self.right as f64 / (self.right + self.wrong + self.to_find).max(1) as f64
    }
    fn ece(&self) -> f64 {
        let total: f64 = self.bins.iter().map(|b| b.0).sum();
        self.bins.iter().map(|b| (b.1 - b.2).abs()).sum::<f64>() / total.max(1.0)
    }
}

/// Objects below it are not listed.
const LISTED_FROM: f64 = 0.05;
/// From here on counted.
const COUNTED_FROM: f64 = 0.4;

/// Prints what was reached on photos left out, set by set. Each photo's probabilities come from a calibration without its own fold.
fn report(samples: &[Sample], odds: &Odds, args: &Args) {
    for (set, dir) in args.dirs.iter().enumerate() {
        let (mut beans, mut pods) = (Figures::default(), Figures::default());
        let (mut reached, mut photos) = (0, 0);
        for fold in 0..args.folds {
            let others = |s: &Sample| s.photo % args.folds != fold;
            let [for_beans, for_pods] = [Asked::Bean, Asked::Pod]
                .map(|asked| Calibration::fit(&standing_odds(samples, odds, asked, others)));
            for (k, s) in samples
                .iter()
                .enumerate()
                .filter(|(_, s)| s.set == set && s.real && !others(s))
            {
                let before = (beans.right, beans.wrong);
                let stands = first::standing(&s.candidates, &odds.any[k]);
                for i in (0..s.labels.len()).filter(|i| stands[*i] && s.labels[*i] != Label::Open) {
                    if s.candidates[i].pod_shaped {
                        pods.add(
                            for_pods.probability(odds.any[k][i]),
                            s.labels[i] == Label::Pod,
                            COUNTED_FROM,
                        );
                    } else {
                        beans.add(
                            for_beans.probability(odds.any[k][i]),
                            s.labels[i] != Label::Other,
                            COUNTED_FROM,
                        );
                    }
                }
                println!(
                    "  {} right {} wrong {} of {} reached {} candidates {}",
                    s.name,
                    beans.right - before.0,
                    beans.wrong - before.1,
                    s.beans,
                    s.reached,
                    s.candidates.len()
                );
                beans.to_find += s.beans;
                pods.to_find += s.pods;
                reached += s.reached;
                photos += 1;
            }
        }
        println!(
            "{}: {photos} photos, candidate recall {:.3}, beans: precision {:.3} recall {:.3} F1 {:.3} ECE {:.3}; pods: {} right {} wrong of {}, F1 {:.3}",
            dir.display(),
            reached as f64 / beans.to_find.max(1) as f64,
            beans.right as f64 / (beans.right + beans.wrong).max(1) as f64,
            beans.right as f64 / beans.to_find.max(1) as f64,
            beans.f1(),
            beans.ece(),
            pods.right,
            pods.wrong,
            pods.to_find,
            pods.f1(),
        );
    }
}

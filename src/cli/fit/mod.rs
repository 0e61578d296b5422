//! Fits the first scorer to photos with known truth, and says how well it does on photos left out.

use std::path::PathBuf;

use anyhow::{Context, Result, bail};
use podfall::score::{
    calibrate::Calibration,
    features,
    first::{self, Evidence, FirstModel, Question},
    pod_features,
    trees::{GrowSettings, Trees, grow},
};

mod figures;
mod labels;
mod truth;

use labels::{Label, Sample};

/// Fit the first scorer to photos with known truth, and say how well it does on photos left out.
///
/// For developers: no count rests on it any more; the network gives the probabilities. DEVELOPERS.md tells its place.
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

/// Runs `podfall fit`.
///
/// # Errors
/// When a folder or photo cannot be read, or the model not written.
pub fn run(args: &Args) -> Result<()> {
    let samples = truth::read_all(&args.dirs)?;
    if samples.is_empty() {
        bail!("no photo with truth in the folders given");
    }
    let odds = held_back(&samples, args.folds);
    figures::report(&samples, &odds, args);
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
                least_weight: 1.0,
                pull: 1.0,
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

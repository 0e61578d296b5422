//! Figures on photos left out.

use podfall::score::{calibrate::Calibration, first};

use super::{
    Args, Asked, Odds,
    labels::{Label, Sample},
    standing_odds,
};

/// Right, wrong and to be found; and objects by probability.
#[derive(Default)]
pub(super) struct Figures {
    pub right: usize,
    pub wrong: usize,
    pub to_find: usize,
    pub bins: [(f64, f64, f64); 10],
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
pub(super) const LISTED_FROM: f64 = 0.05;
/// From here on counted.
pub(super) const COUNTED_FROM: f64 = 0.4;

/// Prints what was reached on photos left out, set by set. Each photo's probabilities come from a calibration without its own fold.
pub(super) fn report(samples: &[Sample], odds: &Odds, args: &Args) {
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

//! Progress on stderr: a bar with the time left on a terminal, plain lines in a pipe.

use std::{
    io::IsTerminal,
    sync::atomic::{AtomicUsize, Ordering},
    time::{Duration, Instant},
};

use indicatif::{ProgressBar, ProgressStyle};
use podfall::{
    batch::Step,
    counts::{PhotoCount, Status},
    units::plural,
};

use super::shown;

/// A run shorter than this is not worth a word on the time left.
const WORTH_TELLING: Duration = Duration::from_secs(10);

/// Tells how far a batch is. May be called from any thread.
pub struct Progress {
    /// `None` in a pipe.
    bar: Option<ProgressBar>,
    of: usize,
    done: AtomicUsize,
    /// Photos counted in this run: finished work takes no time and says nothing of what is left.
    counted: AtomicUsize,
    start: Instant,
}

impl Progress {
    /// For this many photos. The bar has no colours, so `NO_COLOR` asks nothing of it.
    pub fn new(of: usize) -> Self {
        let bar = std::io::stderr().is_terminal().then(|| {
            let style = ProgressStyle::with_template("{pos} of {len} {wide_bar} {msg}")
                .expect("the template is a fixed text");
            ProgressBar::new(of as u64).with_style(style)
        });
        Self {
            bar,
            of,
            done: AtomicUsize::new(0),
            counted: AtomicUsize::new(0),
            start: Instant::now(),
        }
    }

    /// One photo is done.
    pub fn step(&self, step: Step<'_>) {
        let done = self.done.fetch_add(1, Ordering::Relaxed) + 1;
        let counted = self
            .counted
            .fetch_add(usize::from(!step.reused), Ordering::Relaxed)
            + usize::from(!step.reused);
        let left = time_left(self.start.elapsed(), counted, self.of - done);
        let line = format!(
            "{} {}{}",
            shown(&step.count.photo),
            in_words(step.count),
            if step.reused {
                " (finished earlier)"
            } else {
                ""
            }
        );
        match &self.bar {
            Some(bar) => {
                bar.set_message(left.unwrap_or_default());
                bar.inc(1);
                // Only what needs a person; the rest stands in the table at the end.
                if matches!(step.count.status, Status::Refused | Status::Failed) {
                    bar.println(line);
                }
            }
            None => {
                let left = left.map(|left| format!("  [{left}]")).unwrap_or_default();
                tell!("{done} of {}  {line}{left}", self.of);
            }
        }
    }

    /// Takes the bar away.
    pub fn finish(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

/// `about 3 min left`.
fn time_left(elapsed: Duration, counted: usize, left: usize) -> Option<String> {
    if counted == 0 || left == 0 || elapsed < WORTH_TELLING {
        return None;
    }
    let seconds = elapsed.as_secs_f64() / counted as f64 * left as f64;
    Some(if seconds < 60.0 {
        "less than 1 min left".to_owned()
    } else {
        format!("about {:.0} min left", seconds / 60.0)
    })
}

/// What became of a photo, in a few words.
pub fn in_words(count: &PhotoCount) -> String {
    let problem = || shown(count.problem.as_deref().unwrap_or("no reason given"));
    match count.status {
        Status::Failed => format!("failed: {}", problem()),
        Status::Refused => format!("not counted: {}", problem()),
        Status::Counted | Status::Confirm => {
            let mut words = match &count.counts {
                Some(counts) => format!(
                    "{} ({:.0} to {:.0}), {}",
                    plural(counts.beans.estimate.round() as usize, "bean"),
                    counts.beans.low.floor(),
                    counts.beans.high.ceil(),
                    plural(counts.pods.estimate.round() as usize, "pod")
                ),
                None => "no count".to_owned(),
            };
            if count.status == Status::Confirm {
                words.push_str(", confirm");
            }
            let cautions: Vec<&str> = count.own_cautions().map(|c| c.kind.word()).collect();
            if !cautions.is_empty() {
                words.push_str(&format!(" [{}]", cautions.join(" ")));
            }
            words
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_left_comes_from_the_photos_of_this_run() {
        let seconds = Duration::from_secs;
        assert_eq!(time_left(seconds(5), 1, 50), None);
        assert_eq!(time_left(seconds(20), 0, 50), None);
        assert_eq!(time_left(seconds(20), 10, 0), None);
        assert_eq!(
            time_left(seconds(20), 10, 20).unwrap(),
            "less than 1 min left"
        );
        assert_eq!(time_left(seconds(20), 10, 90).unwrap(), "about 3 min left");
    }
}

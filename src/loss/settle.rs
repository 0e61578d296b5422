//! Which count stands for each frame: the photo's, the hand's, or the photo's put right by the hand's.

use serde::{Deserialize, Serialize};

use super::{
    Assumptions, Basis, FrameLoss, LossCaution, LossCautionKind, amount::times, frame::sd_of,
};
use crate::{
    counts::Limits,
    stats::{RatioEstimate, ratio_of_counts},
};

/// Frames with the count that stands, and what all the photos have in common.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Settled {
    /// Frames.
    pub frames: Vec<FrameLoss>,
    /// Standard deviation of each frame's count that it shares with all photos, beans.
    pub shared_sd: Vec<f64>,
    /// Hand count (or confirmed count) for one bean of the photo's, where at least `FEWEST_BOTH` frames were counted
    /// both ways.
    pub ratio: Option<RatioEstimate>,
    /// What is to be said about it.
    pub cautions: Vec<LossCaution>,
}

/// Fewest frames counted both ways from which a ratio is taken.
pub const FEWEST_BOTH: usize = 3;

/// Settles which count stands for each frame.
///
/// Loose beans counted by hand take the photo's place; where at least `FEWEST_BOTH` frames were
/// counted both ways, the other photos' loose beans are multiplied by the ratio of the two. Where not enough were
/// counted by hand but at least `FEWEST_BOTH` photos were confirmed, these give the ratio. A hand count is of the ground
/// inside the frame, a photo's of what is seen through it.
pub fn settle(frames: &[FrameLoss], assumptions: &Assumptions) -> Settled {
    let mut cautions = Vec::new();
    let mut frames = frames.to_vec();
    let ratio = ratio_of(&frames).map(|(ratio, by)| {
        cautions.push(put_right(&ratio, by, &frames));
        ratio
    });
    cautions.extend(hand_far_off(&frames));
    let share = assumptions.shared_photo_variance.max(0.0).sqrt();
    let mut shared_sd = Vec::with_capacity(frames.len());
    for frame in &mut frames {
        let pods_sd = share * sd_of(&frame.beans_in_pods);
        let mut beans_sd = share * sd_of(&frame.beans);
        let inside_m2 = frame.inside_m2();
        if let Some(beans) = frame.hand.beans {
            // The pods of the photo lie on the ground that it sees, of which this is a part.
            let of_seen = inside_m2 / frame.area_m2.estimate;
            frame.pods = times(frame.pods, of_seen);
            frame.beans_in_pods = times(frame.beans_in_pods, of_seen);
            frame.area_m2 = Limits::exactly(inside_m2);
            frame.beans = Limits::exactly(beans);
            frame.basis = Basis::Hand;
            beans_sd = 0.0;
        } else if frame.basis == Basis::Confirmed {
            beans_sd = 0.0;
        } else if let Some(ratio) = &ratio {
            // What a person said of single objects stays as it is; the rest is the tool's.
            let sure = frame.sure_beans.min(frame.beans.estimate);
            beans_sd = (frame.beans.estimate - sure) * ratio.ratio_se;
            frame.beans = plus(times(plus(frame.beans, -sure), ratio.ratio), sure);
            frame.basis = Basis::Ratio;
        }
        let pods_sd = if let Some(pods) = frame.hand.pods {
            let beans_per_pod = if frame.pods.estimate > 0.0 && frame.beans_in_pods.estimate > 0.0 {
                frame.beans_in_pods.estimate / frame.pods.estimate
            } else {
                assumptions.beans_per_pod()
            };
            let pods = pods * frame.area_m2.estimate / inside_m2;
            frame.pods = Limits::exactly(pods);
            frame.beans_in_pods = Limits::exactly(pods * beans_per_pod);
            0.0
        } else {
            pods_sd
        };
        shared_sd.push(beans_sd + pods_sd);
    }
    Settled {
        frames,
        shared_sd,
        ratio,
        cautions,
    }
}

/// What the photos were set against.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Against {
    /// Hand counts of the same frames.
    Hand,
    /// The same photos, confirmed.
    Marks,
}

fn put_right(ratio: &RatioEstimate, against: Against, frames: &[FrameLoss]) -> LossCaution {
    let by = format!(
        "the other photos' beans are multiplied by {:.3} (standard error {:.3})",
        ratio.ratio, ratio.ratio_se
    );
    if against == Against::Marks {
        return LossCautionKind::PutRightByMarks.says(format!(
            "{} photos were confirmed by a person; {by}. It takes the others to be miscounted in like measure, which is \
             surest where photos of every place and kind of ground were confirmed",
            ratio.both
        ));
    }
    let confirmed = (frames.iter())
        .filter(|f| f.basis == Basis::Confirmed && f.hand.beans.is_none())
        .count();
    let confirmed = if confirmed > 0 {
        format!("; {confirmed} confirmed photos stand as they are and hold only what can be seen")
    } else {
        String::new()
    };
    LossCautionKind::PutRightByHand.says(format!(
        "{} frames were counted both by photo and by hand; {by}{confirmed}",
        ratio.both
    ))
}

/// How many times off the others' a frame's hand count may be, for one bean of the photo's, and lie outside the photo's own
/// limits, before it is asked about. Common practice, no source. Raised: a frame typed into another's row goes unseen;
/// lowered: frames with much residue are asked about.
const FAR_OFF_TIMES: f64 = 1.6;

/// Hand counts that look mistyped, or as of another frame: by one of them all the other photos may be multiplied.
fn hand_far_off(frames: &[FrameLoss]) -> Option<LossCaution> {
    let both: Vec<(&FrameLoss, Limits, f64)> = (frames.iter())
        .filter(|frame| frame.basis != Basis::Hand)
        .filter_map(|frame| Some((frame, frame.by_tool(), frame.hand_beans_seen()?)))
        .collect();
    // Half a bean more on both sides, so that none against one is not without end.
    let times = |tool: &Limits, hand: f64| (hand + 0.5) / (tool.estimate + 0.5);
    let mut all: Vec<f64> = both
        .iter()
        .map(|(_, tool, hand)| times(tool, *hand))
        .collect();
    all.sort_by(f64::total_cmp);
    let usual = if all.len() < FEWEST_BOTH {
        1.0
    } else {
        all[all.len() / 2]
    };
    let far: Vec<String> = (both.iter())
        .filter(|(_, tool, hand)| {
            let off = times(tool, *hand) / usual;
            !(tool.low..=tool.high).contains(hand)
                && !(1.0 / FAR_OFF_TIMES..=FAR_OFF_TIMES).contains(&off)
        })
        .map(|(frame, tool, hand)| {
            format!(
                "{} ({} by hand, {:.0} by photo, {:.0} to {:.0})",
                frame.photo,
                frame.hand.beans.unwrap_or(*hand),
                tool.estimate,
                tool.low,
                tool.high
            )
        })
        .collect();
    (!far.is_empty()).then(|| {
        LossCautionKind::HandFarOff.says(format!(
            "a hand count is far from its photo's: {}; see whether it was typed right and is of that frame (podfall contrast \
             --hand shows the pictures)",
            far.join(", ")
        ))
    })
}

/// By hand counts where there are enough, for they hold what lies hidden too; else by confirmed photos.
fn ratio_of(frames: &[FrameLoss]) -> Option<(RatioEstimate, Against)> {
    // A frame that was only ever counted by hand has no photo count to set beside it.
    let seen = |frame: &&FrameLoss| frame.basis != Basis::Hand;
    let by_hand = |f: &FrameLoss| Some((f.by_tool().estimate, f.hand_beans_seen()?));
    let by_marks = |f: &FrameLoss| {
        (f.basis == Basis::Confirmed).then(|| (f.by_tool().estimate, f.beans.estimate))
    };
    let hand: Vec<(f64, f64)> = frames.iter().filter(seen).filter_map(by_hand).collect();
    let marks: Vec<(f64, f64)> = frames.iter().filter_map(by_marks).collect();
    // Photos that nobody counted again: without any there is nothing to put right.
    let others =
        (frames.iter().filter(seen)).any(|f| f.hand.beans.is_none() && f.basis != Basis::Confirmed);
    if !others {
        return None;
    }
    let hand = ratio_from(&hand).map(|ratio| (ratio, Against::Hand));
    hand.or_else(|| Some((ratio_from(&marks)?, Against::Marks)))
}

fn ratio_from(both: &[(f64, f64)]) -> Option<RatioEstimate> {
    if both.len() < FEWEST_BOTH {
        return None;
    }
    ratio_of_counts(both).filter(|ratio| ratio.ratio > 0.0)
}

fn plus(limits: Limits, more: f64) -> Limits {
    Limits {
        estimate: limits.estimate + more,
        low: limits.low + more,
        high: limits.high + more,
    }
}

impl Settled {
    /// The frames that `keep` says, with what belongs to them.
    pub fn only(&self, keep: impl Fn(&FrameLoss) -> bool) -> Self {
        let (frames, shared_sd) = (self.frames.iter().zip(&self.shared_sd))
            .filter(|(frame, _)| keep(frame))
            .map(|(frame, sd)| (frame.clone(), *sd))
            .unzip();
        Self {
            frames,
            shared_sd,
            ratio: self.ratio,
            cautions: Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(tool: f64, confirmed: Option<f64>, hand: Option<f64>) -> FrameLoss {
        let beans = |n: f64| Limits {
            estimate: n,
            low: 0.8 * n,
            high: 1.2 * n,
        };
        let mut frame = FrameLoss {
            beans: beans(tool),
            area_m2: Limits::exactly(0.09),
            ..FrameLoss::default()
        };
        frame.hand.beans = hand;
        if let Some(n) = confirmed {
            frame.tool_beans = Some(frame.beans);
            frame.beans = Limits::exactly(n);
            frame.sure_beans = n;
            frame.basis = Basis::Confirmed;
        }
        frame
    }

    /// Tool 10, 20, 30 and confirmed 12, 22, 38 of three photos: ratio 72/60 = 1.2 by hand; residuals −0, −2, 2;
    /// its standard error √((0² + 2² + 2²)/2/3)/20 = 0.0577 (Cochran 1977, section 6.4).
    #[test]
    fn photos_that_nobody_confirmed_are_put_right_by_the_confirmed_ones() {
        let frames = [
            frame(10.0, Some(12.0), None),
            frame(20.0, Some(22.0), None),
            frame(30.0, Some(38.0), None),
            frame(40.0, None, None),
        ];
        let settled = settle(&frames, &Assumptions::default());
        let ratio = settled.ratio.unwrap();
        assert!((ratio.ratio - 1.2).abs() < 1e-12);
        assert!((ratio.ratio_se - 0.057_735).abs() < 1e-6);
        let last = &settled.frames[3];
        assert_eq!(last.basis, Basis::Ratio);
        assert!((last.beans.estimate - 48.0).abs() < 1e-9);
        assert!((settled.shared_sd[3] - 40.0 * ratio.ratio_se).abs() < 1e-9);
        assert_eq!(settled.frames[0].basis, Basis::Confirmed);
        assert_eq!(settled.frames[0].beans, Limits::exactly(12.0));
        assert_eq!(settled.shared_sd[0], 0.0);
        assert_eq!(settled.cautions[0].kind, LossCautionKind::PutRightByMarks);
    }

    #[test]
    fn two_confirmed_photos_put_nothing_else_right() {
        let frames = [
            frame(10.0, Some(20.0), None),
            frame(20.0, Some(40.0), None),
            frame(40.0, None, None),
        ];
        let settled = settle(&frames, &Assumptions::default());
        assert_eq!(settled.ratio, None);
        assert_eq!(settled.frames[2].beans.estimate, 40.0);
        assert_eq!(settled.frames[2].basis, Basis::Photo);
    }

    /// Hand counts hold what lies hidden too: where there are enough, they give the ratio, to the tool's own counts.
    #[test]
    fn hand_counts_go_before_confirmed_photos() {
        let frames = [
            frame(10.0, Some(11.0), Some(15.0)),
            frame(20.0, None, Some(30.0)),
            frame(30.0, None, Some(45.0)),
            frame(40.0, Some(41.0), None),
            frame(50.0, Some(50.0), None),
            frame(60.0, None, None),
        ];
        let settled = settle(&frames, &Assumptions::default());
        assert!((settled.ratio.unwrap().ratio - 1.5).abs() < 1e-12);
        let beans: Vec<f64> = settled.frames.iter().map(|f| f.beans.estimate).collect();
        assert_eq!(beans, [15.0, 30.0, 45.0, 41.0, 50.0, 90.0]);
        assert_eq!(settled.frames[0].basis, Basis::Hand);
        assert!(
            settled.cautions[0]
                .message
                .contains("2 confirmed photos stand")
        );
    }

    /// One typing error of five takes the ratio from 1.06 to 1.46: it is named, and the others are not.
    #[test]
    fn a_hand_count_that_looks_mistyped_is_named() {
        let mut frames: Vec<FrameLoss> = [(17.0, 19.0), (20.0, 22.0), (12.0, 11.0), (50.0, 53.0)]
            .iter()
            .map(|&(tool, hand)| frame(tool, None, Some(hand)))
            .collect();
        assert!(settle(&frames, &Assumptions::default()).cautions.is_empty());
        frames.push(FrameLoss {
            photo: "typo.jpg".to_owned(),
            ..frame(35.0, None, Some(90.0))
        });
        let cautions = settle(&frames, &Assumptions::default()).cautions;
        let [only] = cautions.as_slice() else {
            panic!("{cautions:?}");
        };
        assert_eq!(only.kind, LossCautionKind::HandFarOff);
        assert!(
            only.message
                .contains("typo.jpg (90 by hand, 35 by photo, 28 to 42)"),
            "{}",
            only.message
        );
    }

    /// Half of a partly marked photo's beans are certain; only the rest is the tool's to be put right.
    #[test]
    fn what_was_said_of_single_objects_is_not_multiplied() {
        let mut frames = vec![
            frame(10.0, Some(20.0), None),
            frame(10.0, Some(20.0), None),
            frame(10.0, Some(20.0), None),
            frame(10.0, None, None),
        ];
        frames[3].sure_beans = 5.0;
        let settled = settle(&frames, &Assumptions::default());
        assert!((settled.frames[3].beans.estimate - (5.0 + 2.0 * 5.0)).abs() < 1e-9);
    }
}

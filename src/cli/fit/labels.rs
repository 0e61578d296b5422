//! What each candidate is in truth, as the scoring would have it.

use podfall::{
    candidate::{self, Candidate},
    geometry::Point,
    ground,
    plot::Plot,
    score::first::{self, Evidence},
};

use super::truth::{TruePiece, Truth};

/// Within what distance a candidate is this piece (as the scoring has it), on the plot.
pub(super) struct Target<'a> {
    pub at: Point,
    pub within_mm: f64,
    /// Its long axis on the plot; of no meaning for a bean.
    pub angle_rad: f64,
    /// Seen by half or more, inside.
    pub sure: bool,
    pub piece: &'a TruePiece,
}

/// What a candidate is in truth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Label {
    Bean,
    Split,
    Pod,
    Other,
    /// Neither right nor wrong: hardly to be seen, or a second time the same bean.
    Open,
}

/// One plot's candidates with their measurements and labels.
pub(super) struct Sample {
    pub photo: usize,
    pub set: usize,
    pub name: String,
    /// The frame itself, not a window beside it.
    pub real: bool,
    pub candidates: Vec<Candidate>,
    pub measured: Vec<Evidence>,
    pub labels: Vec<Label>,
    /// Beans to be found, and of them those with a candidate.
    pub beans: usize,
    pub reached: usize,
    /// Pods to be found.
    pub pods: usize,
    /// Length as measured and beans in it, of the pods reached.
    pub pod_lengths: Vec<(f64, f64)>,
}

pub(super) fn sample(plot: &Plot, truth: &Truth, photo: usize, set: usize, real: bool) -> Sample {
    let ground = ground::classify(plot, &Default::default());
    if let (true, Some(cover)) = (real, truth.conditions.residue_cover_in_frame_measured) {
        let seen = ground.shares.residue_cover_pct;
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

pub(super) fn targets<'a>(
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
            let (sin, cos) = piece.angle_deg.to_radians().sin_cos();
            let tip = Point::new(piece.x_px + 10.0 * cos, piece.y_px + 10.0 * sin);
            let tip = plot.map.plot_mm_from_photo_px(tip);
            Target {
                angle_rad: (tip.y - at.y).atan2(tip.x - at.x),
                at,
                within_mm: at.distance(plot.map.plot_mm_from_photo_px(rim)),
                sure: piece.visible >= 0.5 && if real { piece.inside } else { in_window },
                piece,
            }
        })
        .collect()
}

/// Labels candidates of one shape as the scoring would.
pub(super) fn label(candidates: &[Candidate], targets: &[Target], pod: bool, labels: &mut [Label]) {
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
pub(super) fn pairs(
    candidates: &[Candidate],
    targets: &[&Target],
    pod: bool,
) -> Vec<(usize, usize)> {
    let mut near = Vec::new();
    for (i, c) in candidates
        .iter()
        .enumerate()
        .filter(|(_, c)| c.pod_shaped == pod)
    {
        for (k, t) in targets.iter().enumerate() {
            let far = c.centre_mm.distance(t.at) / t.within_mm.max(0.5);
            // Something else across a pod is not the pod.
            let along = !pod || (c.angle_rad - t.angle_rad).cos().abs() > 0.8;
            if far <= 1.0 && along {
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

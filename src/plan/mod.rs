//! How many more frames, and where to lay them.

mod tell;
mod too_few;

use serde::Serialize;

use crate::{
    loss::{Evidence, SourceLoss},
    range::{RangeError, in_range},
    sheet::Place,
    stats::{frames_needed_gamma_poisson, frames_needed_poisson, student_t_quantile},
    units::MM_PER_FT,
};

pub use tell::{SourcePlan, Wish, plan_sources};
pub use too_few::{TOO_FEW, TooFew};

/// What frames are planned from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Counts {
    /// Mean beans in a frame, above 0.
    pub mean: f64,
    /// Dispersion k of a frame within its check; `None`: Poisson.
    pub k: Option<f64>,
    /// Coefficient of variation between checks, 0 where it is not known.
    pub between_cv: f64,
    /// Frames laid at one place of one check.
    pub frames_per_check: usize,
}

impl Counts {
    /// Variance of a frame within its check over the mean squared.
    fn within(&self) -> f64 {
        1.0 / self.mean + self.k.map_or(0.0, f64::recip)
    }
}

/// How many frames for how sure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Plan {
    /// Relative half-width wished, 0.25 for ±25 %.
    pub half_width: f64,
    /// What it is planned from.
    pub from: Counts,
    /// Frames needed at one place, if checks did not differ and with Student's t for that many.
    pub frames: usize,
    /// The same by the plain formula with t = 1.96.
    pub frames_by_formula: f64,
    /// The same if counts were Poisson: the least there can be.
    pub frames_poisson: f64,
    /// Checks needed, when checks differ as they do.
    pub checks: usize,
    /// The half-width that cannot be gone below with one check, however many frames: checks differ.
    pub floor_of_one_check: f64,
}

/// The most frames or checks that are told; beyond it the wish is out of reach.
pub const MOST: usize = 100_000;

/// Plans frames for a wished relative half-width of the 95 % limits of one place's mean.
///
/// Frames of one check are alike, so it is checks that must be many: with f frames a check,
/// variance of a check's mean over the mean squared is CV² + (1/m + 1/k)/f.
///
/// # Errors
/// [`RangeError`] that names the number.
///
/// # Source
/// Krebs, *Ecological Methodology*, ch. 7 (from memory), for the frames; two-stage sampling with checks as
/// first stage: Cochran, *Sampling Techniques*, ch. 10.
pub fn plan(from: &Counts, half_width: f64) -> Result<Plan, RangeError> {
    in_range("half-width", half_width, 0.0, 2.0)?;
    in_range("mean count in a frame", from.mean, 0.0, 1e5)?;
    in_range("k", from.k.unwrap_or(1.0), 0.0, 1e9)?;
    in_range("spread between checks", from.between_cv, -1e-9, 10.0)?;
    in_range("frames a check", from.frames_per_check as f64, 0.0, 1e4)?;
    let k = from.k.unwrap_or(f64::INFINITY);
    let within = from.within();
    let per_check = from.between_cv.powi(2) + within / from.frames_per_check as f64;
    Ok(Plan {
        half_width,
        from: *from,
        frames: checks_for(within, half_width),
        frames_by_formula: frames_needed_gamma_poisson(from.mean, k, half_width, 1.96),
        frames_poisson: frames_needed_poisson(from.mean, half_width, 1.96),
        checks: checks_for(per_check, half_width),
        floor_of_one_check: 1.96 * from.between_cv,
    })
}

/// Least n with t(n − 1) √(variance / n) within the half-width.
fn checks_for(relative_variance: f64, half_width: f64) -> usize {
    least(|n| {
        let n = n as f64;
        student_t_quantile(0.975, n - 1.0) * (relative_variance / n).sqrt() <= half_width
    })
}

/// Least n from 2 that is enough, [`MOST`] at most; more than enough is enough.
fn least(enough: impl Fn(usize) -> bool) -> usize {
    let (mut low, mut high) = (1, 2);
    while !enough(high) {
        if high >= MOST {
            return MOST;
        }
        low = high;
        high = (2 * high).min(MOST);
    }
    while high - low > 1 {
        let middle = (low + high) / 2;
        if middle > 1 && enough(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    high
}

/// What a season's own frames at one place say to plan from.
pub fn from_season(loss: &SourceLoss, place: Place) -> Option<Counts> {
    let of: &Evidence = loss.places.iter().find(|e| e.place == place)?;
    let frames = of.frames as f64;
    Some(Counts {
        mean: (of.beans / frames).max(0.5 / frames),
        k: Some(of.k),
        between_cv: of.between_cv.unwrap_or(0.0),
        frames_per_check: of.frames.div_ceil(of.checks.max(1)),
    })
}

/// Where to lay the frames of one check.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Layout {
    /// Width of the header, m.
    pub header_width_m: f64,
    /// Middles of the frames across the header, m from its left end, for each place.
    pub across_m: Vec<(Place, Vec<f64>)>,
}

/// Lays frames systematically across the header's width: equal strips, one frame in each, at the same
/// share of the strip, which a start between 0 and 1 says.
///
/// The places take starts a third of a strip apart, so that a row missed by one is met by another.
///
/// # Source
/// At least 4 across the header: Staton, MSU Extension 2012. Systematic with a start by chance: Cochran,
/// *Sampling Techniques*, ch. 8.
pub fn layout(header_width_m: f64, frames: usize, start: f64) -> Layout {
    let strip = header_width_m / frames.max(1) as f64;
    let places = [Place::Standing, Place::Cut, Place::Behind];
    let across_m = places
        .into_iter()
        .enumerate()
        .map(|(number, place)| {
            let share = (start + number as f64 / 3.0).fract();
            (
                place,
                (0..frames).map(|i| (i as f64 + share) * strip).collect(),
            )
        })
        .collect();
    Layout {
        header_width_m,
        across_m,
    }
}

/// Depth in inches of one long frame as wide as the header that holds 10 ft²: 120 over the width in ft.
///
/// # Source
/// Missouri Extension G1280, rev. 1993.
pub fn long_frame_depth_in(header_width_ft: f64) -> f64 {
    120.0 / header_width_ft
}

/// The map for one check as SVG, from above: the machine's way goes up.
pub fn layout_svg(layout: &Layout) -> String {
    let scale = 560.0 / layout.header_width_m;
    let mut svg = String::from(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 640 470\" role=\"img\" font-family=\"sans-serif\" \
         font-size=\"15\"><title>Where to lay the frames of one check</title>\
         <rect width=\"640\" height=\"470\" fill=\"#fff\"/>",
    );
    let bands = [
        (Place::Standing, 20.0, "#dfe8d0", "standing crop, ahead"),
        (
            Place::Cut,
            190.0,
            "#f3ead6",
            "cut strip, within a machine length of where the header stopped",
        ),
        (
            Place::Behind,
            330.0,
            "#e9dccb",
            "behind, where the discharge fell",
        ),
    ];
    for (place, top, fill, words) in bands {
        svg.push_str(&format!(
            "<rect x=\"40\" y=\"{top}\" width=\"560\" height=\"110\" fill=\"{fill}\" stroke=\"#665\"/>\
             <text x=\"46\" y=\"{:.0}\" fill=\"#333\">{words}</text>",
            top + 22.0
        ));
        let across = layout
            .across_m
            .iter()
            .find(|a| a.0 == place)
            .map_or(&[][..], |a| &a.1);
        for &x_m in across {
            let x = (40.0 + x_m * scale).clamp(64.0, 576.0);
            svg.push_str(&format!(
                "<rect x=\"{:.1}\" y=\"{:.0}\" width=\"28\" height=\"28\" fill=\"#fff\" stroke=\"#000\" stroke-width=\"3\"/>\
                 <text x=\"{x:.1}\" y=\"{:.0}\" text-anchor=\"middle\" font-size=\"13\">{:.1} ft</text>\
                 <text x=\"{x:.1}\" y=\"{:.0}\" text-anchor=\"middle\" font-size=\"11\" fill=\"#333\">{x_m:.1} m</text>",
                x - 14.0,
                top + 34.0,
                top + 79.0,
                x_m * 1e3 / MM_PER_FT,
                top + 96.0,
            ));
        }
    }
    svg.push_str(&format!(
        "<rect x=\"40\" y=\"140\" width=\"560\" height=\"14\" fill=\"#555\"/><text x=\"320\" y=\"174\" \
         text-anchor=\"middle\">where the header stopped, {:.1} m wide; back up before laying frames</text></svg>",
        layout.header_width_m
    ));
    svg
}

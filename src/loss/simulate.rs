//! Seasons with known truth, to see how often the limits hold it.

use serde::Serialize;

use super::{
    Assumptions, FrameLoss, HandCounts, LossError, Seeds, Source, Spread,
    by_source::loss_of_settled, draws::Common, seed_size, settle,
};
use crate::{
    counts::Limits,
    sheet::Place,
    stats::{Chance, gamma_quantile},
    units::M2_PER_FT2,
};

/// A season to be simulated: frames of 1 ft², at each of the three places of each check.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Design {
    /// Checks.
    pub checks: usize,
    /// Frames laid at each place of a check.
    pub frames_per_check: usize,
    /// Dispersion k of a frame within its check.
    pub k: f64,
    /// Coefficient of variation between checks, of each source by itself.
    pub between_cv: f64,
    /// Beans on a square foot before harvest, shattered at the header, through the machine.
    pub truth: [f64; 3],
    /// Pods on a square foot that hang on stubble, lodged plants and loose stalks, counted in the frames of the cut strip;
    /// `None` where nobody looked for them.
    pub hanging: Option<[f64; 3]>,
}

/// How often the 95 % limits held the truth.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Coverage {
    /// The season.
    pub design: Design,
    /// Seasons simulated.
    pub seasons: usize,
    /// Share in which the limits of the total held it.
    pub total: f64,
    /// Share in which the limits of the header's loss held it.
    pub header: f64,
    /// Share in which the limits of the machine's loss held it.
    pub through: f64,
    /// Share of all limits of pods that hang, of the three kinds together, that held them.
    pub hanging: Option<f64>,
    /// Median half-width of the total's limits over the truth.
    pub total_half_width: f64,
}

/// One season's frames, and the densities that they are drawn about: [`Design::truth`], then [`Design::hanging`].
///
/// With one check these are that check's own, because one stop says nothing of the field.
pub fn simulate(design: &Design, chance: &mut Chance) -> (Vec<FrameLoss>, [f64; 3], [f64; 3]) {
    let mut frames = Vec::new();
    let (mut truth, mut truly_hanging) = (design.truth, design.hanging.unwrap_or_default());
    for check in 0..design.checks {
        let mut of_check = |mean: f64| mean * gamma_about_one(design.between_cv, chance);
        let own = design.truth.map(&mut of_check);
        let own_hanging = design.hanging.map(|means| means.map(&mut of_check));
        if design.checks == 1 {
            truth = own;
            truly_hanging = own_hanging.unwrap_or_default();
        }
        let on_ground = [own[0], own[0] + own[1], own[0] + own[1] + own[2]];
        for (place, density) in [Place::Standing, Place::Cut, Place::Behind]
            .iter()
            .zip(on_ground)
        {
            for _ in 0..design.frames_per_check {
                let mut counted = |mean: f64| {
                    poisson(
                        mean * gamma_about_one(1.0 / design.k.sqrt(), chance),
                        chance,
                    )
                };
                let beans = Limits::exactly(counted(density));
                let pods = own_hanging.filter(|_| *place == Place::Cut);
                let [stubble_pods, lodged_pods, stalk_pods] =
                    pods.map_or([None; 3], |means| means.map(|mean| Some(counted(mean))));
                frames.push(FrameLoss {
                    check: Some(check.to_string()),
                    place: Some(*place),
                    beans,
                    hand: HandCounts {
                        stubble_pods,
                        lodged_pods,
                        stalk_pods,
                        ..HandCounts::default()
                    },
                    area_m2: Limits::exactly(M2_PER_FT2),
                    ..FrameLoss::default()
                });
            }
        }
    }
    (frames, truth, truly_hanging)
}

/// How often the limits hold the truth over many simulated seasons.
///
/// # Errors
/// [`LossError`] when the design has no frames.
pub fn coverage(design: &Design, seasons: usize, seed: u64) -> Result<Coverage, LossError> {
    let mut chance = Chance::new(seed);
    // The seeds' size is taken as known: its doubt would only widen the limits about the same truth.
    let assumptions = Assumptions {
        seeds: Seeds::PerLb(Spread {
            value: 2_904.0,
            sd: 0.0,
        }),
        ..Assumptions::default()
    };
    let (seeds, _) = seed_size(&assumptions, &[]);
    // Fewer draws than a season gets: what chance that adds, it adds to the limits of single seasons.
    let common = Common::new(&assumptions, &seeds, 1_000);
    let mut held = [0_usize; 6];
    let mut widths = Vec::with_capacity(seasons);
    for _ in 0..seasons {
        let (frames, [pre, shattered, through], pods) = simulate(design, &mut chance);
        let hanging = pods.map(|pods| pods * assumptions.beans_per_pod());
        let header = shattered + hanging.iter().sum::<f64>();
        let settled = settle(&frames, &assumptions);
        let loss = loss_of_settled(&settled, &seeds, &assumptions, &common, 0)?;
        let wanted = [
            (Source::Total, pre + header + through),
            (Source::Header, header),
            (Source::Through, through),
            (Source::Stubble, hanging[0]),
            (Source::Lodged, hanging[1]),
            (Source::LooseStalks, hanging[2]),
        ];
        for (held, (source, truth)) in held.iter_mut().zip(wanted) {
            let Some(found) = loss.get(source) else {
                continue;
            };
            let limits = found.amount.beans_per_ft2;
            *held += usize::from(limits.low <= truth && truth <= limits.high);
            if source == Source::Total {
                widths.push((limits.high - limits.low) / 2.0 / truth);
            }
        }
    }
    let share = |held: usize| held as f64 / seasons as f64;
    Ok(Coverage {
        design: *design,
        seasons,
        total: share(held[0]),
        header: share(held[1]),
        through: share(held[2]),
        hanging: (design.hanging).map(|_| share(held[3] + held[4] + held[5]) / 3.0),
        total_half_width: crate::stats::median(&mut widths).unwrap_or(0.0),
    })
}

/// A gamma number about 1 with the given coefficient of variation.
fn gamma_about_one(cv: f64, chance: &mut Chance) -> f64 {
    let draw = chance.uniform();
    if cv <= 0.0 {
        return 1.0;
    }
    let shape = 1.0 / (cv * cv);
    gamma_quantile(draw, shape) / shape
}

/// A Poisson number, by inversion.
fn poisson(mean: f64, chance: &mut Chance) -> f64 {
    let draw = chance.uniform();
    let mut mass = (-mean).exp();
    let (mut sum, mut count) = (mass, 0.0);
    // Beyond a thousand the tail is below what a double holds for any mean used here.
    while sum < draw && count < 1_000.0 {
        count += 1.0;
        mass *= mean / count;
        sum += mass;
    }
    count
}

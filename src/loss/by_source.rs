//! Loss by source: before harvest, at the header, through the machine.

use super::{
    Amount, Assumptions, Evidence, FrameLoss, LossCaution, LossCautionKind, LossError, RestsOn,
    SeedSize, Settled, Source, SourceAmount, SourceLoss,
    amount::bu_per_ac_per_bean_ft2,
    draws::{Common, DRAWS, Density, by_check, densities},
    over::FEWEST_FRAMES,
    part::{Part, poisson_variance},
    seed_size, settle,
    source::{Drawn, MadeOf, ON_GROUND},
    too_wide,
};
use crate::{
    sheet::{Column, Place},
    stats::{CheckSum, normal_cdf, season_mean},
    units::{plural, short_list},
};

/// Loss by source.
///
/// With a frame's mean count on the ground s (standing), b (cut) and c (behind), in beans per ft²:
/// shatter = b − s; header = b − s + what hangs on stubble, lodged and loose stalks; through the
/// machine = (c − b) / (cut width / discharge width); total = all of it. None is cut off at zero.
///
/// - `salt`: tells streams of chance apart, so that two losses that are compared are drawn apart.
///
/// # Errors
/// [`LossError`] without frames or places, or with an assumption that cannot be right.
///
/// # Source
/// Staton, MSU Extension 2012; narrow discharge: North Dakota State Univ. 2021 and the small-grains guide of 2003.
pub fn loss_by_source(
    frames: &[FrameLoss],
    assumptions: &Assumptions,
    salt: u64,
) -> Result<SourceLoss, LossError> {
    let assumptions = assumptions.clone().checked()?;
    if frames.is_empty() {
        return Err(LossError::NoFrames { photos: 0 });
    }
    let settled = settle(frames, &assumptions);
    let (seeds, caution) = seed_size(&assumptions, frames);
    let common = Common::new(&assumptions, &seeds, DRAWS);
    let mut loss = loss_of_settled(&settled, &seeds, &assumptions, &common, salt)?;
    loss.cautions
        .splice(0..0, settled.cautions.into_iter().chain(caution));
    Ok(loss)
}

/// Loss by source over frames that are settled already, with seeds whose size is settled.
///
/// # Errors
/// [`LossError::NoPlaces`] where no frame has a place on the ground.
pub(crate) fn loss_of_settled(
    settled: &Settled,
    seeds: &SeedSize,
    assumptions: &Assumptions,
    common: &Common,
    salt: u64,
) -> Result<SourceLoss, LossError> {
    let on_ground = densities(settled, &ON_GROUND.map(Some), common, salt);
    if on_ground.iter().all(Option::is_none) {
        return Err(LossError::NoPlaces);
    }
    let mut cautions = Vec::new();
    let places = evidence(settled, &on_ground, assumptions.level, &mut cautions);
    let parts = parts(
        settled,
        &on_ground,
        assumptions,
        (common, salt),
        &mut cautions,
    );
    let total = parts.iter().find(|p| p.0 == Source::Total).map(|p| &p.1);
    let sources: Vec<SourceAmount> = (parts.iter())
        .map(|(source, part)| SourceAmount {
            rests_on: part.rests_on(settled),
            counting_variance: part.counting_variance(settled),
            ..source_amount(*source, part, total, assumptions, seeds, common)
        })
        .collect();
    cautions.extend(pods_widen(&parts, assumptions, seeds, common));
    for s in &sources {
        if s.amount.bu_per_ac.estimate < 0.0 {
            cautions.push(LossCautionKind::BelowZero.says(format!(
                "{}: {:.2} bu/ac is below zero: chance, or the places lay on unlike ground; lay more frames",
                s.source.title(),
                s.amount.bu_per_ac.estimate
            )));
        }
    }
    Ok(SourceLoss {
        sources,
        places,
        seeds: *seeds,
        ratio: settled.ratio,
        cautions,
    })
}

/// How many times farther the total's upper limit may lie from its estimate for the pods that hang before it is said why.
/// Common practice, no source.
const PODS_WIDEN_TIMES: f64 = 1.5;

/// Pods that hang lie in clumps, and few frames without any rule little out: where they make the total's upper limit, it is said.
fn pods_widen(
    parts: &[(Source, Part)],
    assumptions: &Assumptions,
    seeds: &SeedSize,
    common: &Common,
) -> Option<LossCaution> {
    let per_bean = bu_per_ac_per_bean_ft2(assumptions, seeds.per_lb.value);
    let told = |part: &Part| part.limits((&common.bu_per_bean_ft2, per_bean), assumptions.level);
    let up = |part: &Part| {
        let limits = told(part);
        limits.high - limits.estimate
    };
    let of = |wanted| parts.iter().find(|(source, _)| *source == wanted);
    let total = &of(Source::Total)?.1;
    let ground = total.on_ground()?;
    if up(total) <= PODS_WIDEN_TIMES * up(&ground) {
        return None;
    }
    let hanging = [Source::Stubble, Source::Lodged, Source::LooseStalks];
    let (source, widest) =
        (hanging.into_iter().filter_map(of)).max_by(|a, b| up(&a.1).total_cmp(&up(&b.1)))?;
    let ground = told(&ground);
    let without = if too_wide(&ground, ground.estimate) {
        String::new()
    } else {
        format!(
            "; what lies on the ground is {:.1} ({:.1} to {:.1}) bu/ac",
            ground.estimate, ground.low, ground.high
        )
    };
    Some(LossCautionKind::PodsWiden.says(format!(
        "the total's upper limit comes from pods that hang ({}), looked for in {} only{without}; look for them in more frames",
        source.title(),
        plural(widest.hand_pods, "frame"),
    )))
}

fn evidence(
    settled: &Settled,
    on_ground: &[Option<Density>],
    level: f64,
    cautions: &mut Vec<LossCaution>,
) -> Vec<Evidence> {
    let mut all = Vec::new();
    for (place, density) in ON_GROUND.into_iter().zip(on_ground) {
        let Some(density) = density else { continue };
        let frames: Vec<&FrameLoss> = (settled.frames.iter())
            .filter(|f| f.place == Some(place))
            .collect();
        if frames.len() < FEWEST_FRAMES {
            cautions.push(LossCautionKind::FewFrames.says(format!(
                "{}: {} only; lay at least {FEWEST_FRAMES} across the width of the header",
                place.word(),
                plural(frames.len(), "frame")
            )));
        }
        if density.mean.checks == 1 && frames.len() > 1 {
            cautions.push(LossCautionKind::OneCheck.says(format!(
                "{}: all frames are of one check; the limits hold for that stop, not for the field",
                place.word()
            )));
        }
        all.push(Evidence {
            place,
            beans_per_ft2: density.limits(level),
            frames: frames.len(),
            checks: density.mean.checks,
            area_m2: frames.iter().map(|f| f.area_m2.estimate).sum(),
            beans: frames.iter().map(|f| f.lost()).sum(),
            k: density.mean.k,
            between_cv: density.mean.between_cv,
            rests_on: RestsOn::count(frames.into_iter()),
        });
    }
    let unplaced: Vec<&str> = (settled.frames.iter().filter(|f| f.place.is_none()))
        .map(|f| f.photo.as_str())
        .collect();
    if !unplaced.is_empty() {
        cautions.push(LossCautionKind::NoPlace.says(format!(
            "{} without a place in the sheet left out: {}; write standing, cut or behind, unless another photo shows the same plot",
            plural(unplaced.len(), "photo"),
            short_list(&unplaced)
        )));
    }
    all
}

/// Every source that can be told.
fn parts(
    settled: &Settled,
    on_ground: &[Option<Density>],
    assumptions: &Assumptions,
    (common, salt): (&Common, u64),
    cautions: &mut Vec<LossCaution>,
) -> Vec<(Source, Part)> {
    let ground = |at: usize| {
        on_ground[at]
            .as_ref()
            .map(|density| Part::of(density.estimate, density.draws.clone(), MadeOf::place(at)))
    };
    let (standing, cut, behind) = (ground(0), ground(1), ground(2));
    say_what_is_missing(
        standing.is_some(),
        cut.is_some(),
        behind.is_some(),
        cautions,
    );
    let concentration = assumptions.concentration();
    let mut all = Vec::new();
    let mut header = None;
    if let Some(cut) = &cut {
        let shatter = standing
            .as_ref()
            .map_or(cut.clone(), |s| cut.mix(1.0, s, -1.0));
        all.push((Source::Shatter, shatter.clone()));
        let mut sum = shatter;
        for (source, part) in hanging(settled, assumptions, (common, salt), cautions) {
            sum = sum.and_pods(&part);
            all.push((source, part));
        }
        all.push((Source::Header, sum.clone()));
        header = Some(sum);
    }
    let through = cut
        .as_ref()
        .zip(behind.as_ref())
        .map(|(cut, behind)| behind.mix(1.0 / concentration, cut, -1.0 / concentration));
    let machine = match (&header, &through, &standing, &behind) {
        (Some(header), Some(through), ..) => Some(header.mix(1.0, through, 1.0)),
        (None, None, Some(standing), Some(behind)) => Some(behind.mix(1.0, standing, -1.0)),
        _ => None,
    };
    let total = match (&standing, &machine, &behind) {
        (Some(standing), Some(machine), _) => Some(standing.mix(1.0, machine, 1.0)),
        (None, Some(machine), _) => Some(machine.clone()),
        (_, None, Some(behind)) => Some(behind.clone()),
        _ => None,
    };
    if concentration > 1.0 && cut.is_none() && behind.is_some() {
        cautions.push(LossCautionKind::NarrowUncorrected.says(format!(
            "the discharge fell {concentration:.2} times denser than over the whole cut, but without frames in the cut \
             strip it cannot be corrected; the total is too high"
        )));
    }
    all.extend(standing.map(|part| (Source::PreHarvest, part)));
    all.extend(through.map(|part| (Source::Through, part)));
    all.extend(machine.map(|part| (Source::Machine, part)));
    all.extend(total.map(|part| (Source::Total, part)));
    all.sort_by_key(|p| p.0);
    all
}

fn say_what_is_missing(standing: bool, cut: bool, behind: bool, cautions: &mut Vec<LossCaution>) {
    if !standing {
        cautions.push(LossCautionKind::NoStanding.says(
            "no frames in the standing crop: what fell before harvest is counted to what came after; lay some ahead of \
             the machine",
        ));
    }
    if !cut {
        cautions.push(LossCautionKind::NoCut.says(
            "no frames in the cut strip: header and machine cannot be told apart; back up a machine length and lay some",
        ));
    }
    if !behind {
        cautions.push(LossCautionKind::NoBehind.says(
            "no frames behind the machine: what goes through it is not known, and there is no total",
        ));
    }
}

/// Beans in pods that still hang: from the hand columns of the frames laid in the cut strip or behind.
fn hanging(
    settled: &Settled,
    assumptions: &Assumptions,
    (common, salt): (&Common, u64),
    cautions: &mut Vec<LossCaution>,
) -> Vec<(Source, Part)> {
    type Counted = fn(&FrameLoss) -> Option<f64>;
    let columns: [(Source, Column, Counted); 3] = [
        (Source::Stubble, Column::StubblePods, |f| {
            f.hand.stubble_pods
        }),
        (Source::Lodged, Column::LodgedPods, |f| f.hand.lodged_pods),
        (Source::LooseStalks, Column::StalkPods, |f| {
            f.hand.stalk_pods
        }),
    ];
    let mut found = Vec::new();
    let mut empty = Vec::new();
    for (number, (source, column, counted)) in columns.into_iter().enumerate() {
        let frames: Vec<(&FrameLoss, f64, f64)> = (settled.frames.iter())
            .filter(|f| matches!(f.place, Some(Place::Cut | Place::Behind)))
            .filter_map(|f| Some((f, counted(f)?, f.inside_m2())))
            .collect();
        let hand_pods = frames.len();
        let sums: Vec<CheckSum> = by_check(frames.into_iter())
            .into_iter()
            .map(|c| c.1)
            .collect();
        let (pods, area_ft2) = sums.iter().fold((0.0, 0.0), |(pods, area), sum| {
            (
                pods + sum.counts.iter().sum::<f64>(),
                area + sum.areas.iter().sum::<f64>(),
            )
        });
        // The spread is that of the pods: beans of one pod stay together.
        let Some(mean) = season_mean(&sums) else {
            empty.push(column.word());
            continue;
        };
        let beans = assumptions.beans_per_pod();
        let z = common.normals(1_000_000 + 10 * salt + number as u64);
        let draws = (z.into_iter())
            .map(|z| mean.quantile(normal_cdf(z)) * beans)
            .collect();
        let variance = beans * beans * poisson_variance(pods, area_ft2);
        let part = Part::of(mean.estimate * beans, draws, MadeOf::hanging(number))
            .hanging(hand_pods, variance);
        found.push((source, part));
    }
    if !empty.is_empty() {
        cautions.push(LossCautionKind::PodsOnStalksNotCounted.says(format!(
            "nothing stands in the sheet under {}, and no photo from above shows these pods: the header's loss is without \
             them; count pods within the frame and write 0 where there are none",
            empty.join(", ")
        )));
    }
    found
}

fn source_amount(
    source: Source,
    part: &Part,
    total: Option<&Part>,
    assumptions: &Assumptions,
    seeds: &SeedSize,
    common: &Common,
) -> SourceAmount {
    let level = assumptions.level;
    let per_bean = bu_per_ac_per_bean_ft2(assumptions, seeds.per_lb.value);
    let bu_draws: Vec<f64> = part
        .draws
        .iter()
        .zip(&common.bu_per_bean_ft2)
        .map(|(d, b)| d * b)
        .collect();
    let percent = (assumptions
        .yield_bu_per_ac
        .zip(common.yield_bu_per_ac.as_ref()))
    .zip(total)
    .map(|((yielded, draws), total)| {
        let of_bean = &common.bu_per_bean_ft2;
        let factors: Vec<f64> = (0..common.draws())
            .map(|i| 100.0 * of_bean[i] / (draws[i] + total.draws[i] * of_bean[i]))
            .collect();
        let whole = yielded.value + total.estimate * per_bean;
        part.limits((&factors, 100.0 * per_bean / whole), level)
    });
    SourceAmount {
        source,
        amount: Amount::of(
            assumptions,
            part.limits((&vec![1.0; common.draws()], 1.0), level),
            part.limits((&common.bu_per_bean_ft2, per_bean), level),
            percent,
        ),
        rests_on: RestsOn::default(),
        made_of: part.made_of,
        counting_variance: 0.0,
        draws: Drawn {
            beans_ft2: part.draws.clone(),
            bu: bu_draws,
        },
    }
}

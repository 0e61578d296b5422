//! What the loss is reckoned with besides the counts, so that it can be reckoned again from beans on a square foot.

use super::{Answer, Material, Said};
use crate::{
    loss::{Assumptions, SeedSize, SeedsFrom},
    units::{FT2_PER_AC, MM_PER_FT, grouped},
};

/// Each thing and its value.
pub(super) fn reckoned(material: &Material<'_>) -> Vec<Said> {
    let Some(seeds) = seeds(material) else {
        return Vec::new();
    };
    let with = material.assumptions;
    let standard = with.standard_moisture_percent();
    let mut all = vec![
        ("Seeds in a pound", seeds_words(&seeds)),
        (
            "Seeds' moisture when weighed",
            match with.moisture_percent {
                Some(percent) => format!("{percent} %"),
                None => format!("not told; taken as the bushel's {standard} %"),
            },
        ),
        (
            "A bushel",
            format!("{} lb at {standard} % moisture", with.bushel_lb()),
        ),
        (
            "Beans in a pod",
            format!(
                "of pods on a photo as many as are told with it; of others {}{}",
                with.beans_per_pod(),
                of_table(with.beans_per_pod.is_none())
            ),
        ),
        ("Bar's inner edge over the ground", bar_heights(material)),
        ("Cut and discharge", widths(with)),
    ];
    if let Some(harvested) = with.yield_bu_per_ac {
        all.push((
            "% of yield",
            format!(
                "of {} bu/ac harvested and the total loss together",
                harvested.value
            ),
        ));
    }
    all.push((
        "Limits",
        format!(
            "{} %; {} % of the variance of a photo's count is taken to be common to all photos",
            100.0 * with.level,
            100.0 * with.shared_photo_variance
        ),
    ));
    let said = |(name, value): (&str, String)| Said {
        name: name.to_owned(),
        value,
    };
    all.into_iter().map(said).collect()
}

fn seeds(material: &Material<'_>) -> Option<SeedSize> {
    let of_loss = material.loss.map(|loss| loss.all.seeds);
    of_loss.or_else(|| material.over.map(|over| over.seeds))
}

fn seeds_words(seeds: &SeedSize) -> String {
    let from = match seeds.from {
        SeedsFrom::CropTable => "the crop table's ordinary value, not weighed",
        SeedsFrom::Weighed => "as the person gave it",
        SeedsFrom::Photos => "judged from the beans' size on the photos",
    };
    format!(
        "{}, standard deviation {}; {from} ({:.1} g a thousand)",
        plain(seeds.per_lb.value),
        plain(seeds.per_lb.sd),
        seeds.thousand_seed_weight_g
    )
}

fn of_table(is_ordinary: bool) -> &'static str {
    if is_ordinary {
        " (the crop table's)"
    } else {
        ""
    }
}

/// With which heights the photos were counted.
fn bar_heights(material: &Material<'_>) -> String {
    let mut words: Vec<String> = (material.counts.photos.iter())
        .filter(|photo| photo.counts.is_some())
        .map(|photo| match photo.bar_height_mm {
            Some(mm) => format!("{mm} mm"),
            None => "not told, so that the ground is known less well".to_owned(),
        })
        .collect();
    words.sort();
    words.dedup();
    if words.is_empty() {
        return "no photo was counted".to_owned();
    }
    words.join("; ")
}

fn widths(with: &Assumptions) -> String {
    let metres = |m: f64| format!("{m:.2} m ({:.1} ft)", m * 1e3 / MM_PER_FT);
    match (with.header_width_m, with.discharge_width_m) {
        (Some(cut), Some(discharge)) if with.concentration() > 1.0 => format!(
            "{} cut, discharge over {}: what came through the machine is divided by {:.3}",
            metres(cut),
            metres(discharge),
            with.concentration()
        ),
        (Some(cut), Some(_)) => format!(
            "{} cut, and the discharge falls over all of it",
            metres(cut)
        ),
        (Some(cut), None) => format!(
            "{} cut; the discharge is taken to fall over all of it",
            metres(cut)
        ),
        (None, _) => {
            "widths not told; the discharge is taken to fall over the whole cut".to_owned()
        }
    }
}

/// Two places at most, thousands parted.
fn plain(value: f64) -> String {
    let text = grouped(value, 2);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The way from beans on a square foot to the answer in bu/ac, in figures as they can be typed into a calculator; `None` where
/// these figures do not give the answer as it is printed.
pub(super) fn worked(material: &Material<'_>, answer: &Answer) -> Option<String> {
    let (with, seeds) = (material.assumptions, seeds(material)?);
    let printed = |bu: f64| format!("{bu:.2}");
    let bu_per_ac = printed(answer.amount.bu_per_ac.estimate);
    let round =
        |value: f64, places: i32| (value * 10_f64.powi(places)).round() / 10_f64.powi(places);
    let per_lb = round(seeds.per_lb.value, 2);
    let found = answer.amount.beans_per_ft2.estimate;
    let places = (1..=4).find(|&places| {
        let lb_per_ac = round(found, places) * FT2_PER_AC / per_lb;
        printed(lb_per_ac / with.bushel_lb() * with.standard_lb_per_weighed_lb()) == bu_per_ac
    })?;
    let dry = match with.moisture_percent {
        Some(percent) if percent != with.standard_moisture_percent() => format!(
            " × (100 − {percent}) / (100 − {})",
            with.standard_moisture_percent()
        ),
        _ => String::new(),
    };
    Some(format!(
        "{} beans/ft² × {} ft² in an acre / {} beans in a pound / {} lb in a bushel{dry} = {bu_per_ac} bu/ac",
        grouped(found, places as usize),
        grouped(FT2_PER_AC, 0),
        plain(per_lb),
        with.bushel_lb(),
    ))
}

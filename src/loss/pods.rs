//! What of the total lies in pods on the ground.

use super::{Assumptions, FrameLoss, Source, SourceLoss, amount::bu_per_ac_per_bean_ft2};

/// Of the total the beans in closed pods on the ground, bu/ac: the share in pods of the frames of each place, in the total as
/// [`super::loss_by_source`] puts it together. Pods that hang are sources of their own. `None` without a total.
///
/// - `frames`: the settled frames that the loss was reckoned from.
pub fn total_in_pods(
    loss: &SourceLoss,
    frames: &[FrameLoss],
    assumptions: &Assumptions,
) -> Option<f64> {
    let total = loss.get(Source::Total)?;
    let in_pods_per_ft2 = |place| {
        let found = loss.places.iter().find(|p| p.place == place)?;
        let (mut pods, mut all) = (0.0, 0.0);
        for frame in frames.iter().filter(|f| f.place == Some(place)) {
            pods += frame.beans_in_pods.estimate;
            all += frame.lost();
        }
        let share = if all > 0.0 { pods / all } else { 0.0 };
        Some(found.beans_per_ft2.estimate * share)
    };
    let of_places = total.made_of.ground();
    let per_ft2: f64 = of_places
        .filter_map(|(place, share)| Some(share * in_pods_per_ft2(place)?))
        .sum();
    Some(per_ft2 * bu_per_ac_per_bean_ft2(assumptions, loss.seeds.per_lb.value))
}

#[cfg(test)]
mod tests {
    use super::super::loss_by_source;
    use super::*;
    use crate::{counts::Limits, sheet::Place, units::M2_PER_FT2};

    fn frames(place: Place, loose: f64, in_pods: f64) -> Vec<FrameLoss> {
        let one = |i| FrameLoss {
            photo: format!("{place:?}{i}.jpg"),
            place: Some(place),
            area_m2: Limits::exactly(M2_PER_FT2),
            beans: Limits::exactly(loose),
            beans_in_pods: Limits::exactly(in_pods),
            ..FrameLoss::default()
        };
        (0..4).map(one).collect()
    }

    /// 6 of 10 beans behind and 1 of 5 in the cut strip are in pods; 3,000 seeds a pound and 60 pounds a bushel make
    /// 43,560 / 180,000 = 0.242 bu/ac of a bean on a square foot.
    #[test]
    fn the_share_in_pods_goes_the_way_of_the_total() {
        let all = [
            frames(Place::Cut, 4.0, 1.0),
            frames(Place::Behind, 4.0, 6.0),
        ]
        .concat();
        let of = |assumptions: &Assumptions, frames: &[FrameLoss]| {
            let loss = loss_by_source(frames, assumptions, 0).unwrap();
            total_in_pods(&loss, frames, assumptions)
        };
        let wide = Assumptions::default();
        assert!((of(&wide, &all).unwrap() - 6.0 * 0.242).abs() < 1e-9);
        let narrow = Assumptions {
            header_width_m: Some(10.0),
            discharge_width_m: Some(5.0),
            ..Assumptions::default()
        };
        assert!((of(&narrow, &all).unwrap() - (1.0 + 5.0 / 2.0) * 0.242).abs() < 1e-9);
        assert!((of(&wide, &all[4..]).unwrap() - 6.0 * 0.242).abs() < 1e-9);
        assert_eq!(of(&wide, &all[..4]), None, "there is no total");
    }
}

//! Only what is put together alike is set against each other, and a hand count belongs to the ground inside the frame.

use podfall::{
    contrast::{
        Contrast, ContrastError, Manner, Verdict, contrast, photo_against_hand, settings_of,
    },
    counts::Limits,
    loss::{
        Assumptions, FrameLoss, LossCautionKind, SeasonFrames, SeasonLoss, Seeds, Source, Spread,
        loss_by_source, season_loss, settle,
    },
    next::next,
    sheet::Place,
    units::M2_PER_FT2,
};

/// Four frames of a square foot at one place of a check.
fn four(setting: &str, check: &str, place: Place, beans: f64) -> Vec<FrameLoss> {
    let one = |i| FrameLoss {
        photo: format!("{setting}-{check}-{}-{i}.jpg", place.word()),
        setting: Some(setting.to_owned()),
        check: Some(check.to_owned()),
        place: Some(place),
        beans: Limits::exactly(beans),
        area_m2: Limits::exactly(M2_PER_FT2),
        ..FrameLoss::default()
    };
    (0..4).map(one).collect()
}

/// Frames ahead, in the cut strip and behind under both settings, two checks each, all alike.
fn both_settings() -> Vec<FrameLoss> {
    let mut frames = Vec::new();
    for (setting, check) in [("A", "1"), ("A", "2"), ("B", "3"), ("B", "4")] {
        for (place, beans) in [
            (Place::Standing, 1.0),
            (Place::Cut, 6.0),
            (Place::Behind, 12.0),
        ] {
            frames.extend(four(setting, check, place, beans));
        }
    }
    frames
}

fn loss_of(frames: &[FrameLoss], assumptions: &Assumptions) -> SeasonLoss {
    let all = SeasonFrames {
        frames: frames.to_vec(),
        ..SeasonFrames::default()
    };
    season_loss(&all, assumptions).unwrap()
}

fn compared(frames: &[FrameLoss], assumptions: &Assumptions) -> Result<Contrast, ContrastError> {
    contrast(frames, &loss_of(frames, assumptions), "A", "B")
}

fn sources(found: &Contrast) -> Vec<Source> {
    found.sources.iter().map(|s| s.source).collect()
}

#[test]
fn a_setting_without_a_place_is_not_found_better_for_it() {
    let narrow = Assumptions {
        header_width_m: Some(12.0),
        discharge_width_m: Some(4.0),
        ..Assumptions::default()
    };
    let mut frames = both_settings();
    let all = compared(&frames, &narrow).unwrap();
    assert!(sources(&all).contains(&Source::Total) && all.warnings.is_empty());
    // Without frames in the cut strip the narrow discharge cannot be put right: its total is another number.
    frames.retain(|f| f.setting.as_deref() == Some("A") || f.place != Some(Place::Cut));
    let found = compared(&frames, &narrow).unwrap();
    assert_eq!(sources(&found), [Source::PreHarvest]);
    let told = found.warnings.join(" ");
    for left_out in [
        "Through the machine",
        "Total",
        "lay frames at the same places",
    ] {
        assert!(told.contains(left_out), "{left_out}: {told}");
    }
    // As wide as the cut, the total is what lies behind, with the cut strip or without.
    let wide = compared(&frames, &Assumptions::default()).unwrap();
    let kept = [Source::PreHarvest, Source::Machine, Source::Total];
    assert_eq!(sources(&wide), kept);
}

#[test]
fn pods_counted_under_one_setting_only_make_no_difference() {
    let mut frames = both_settings();
    for frame in frames.iter_mut().filter(|f| f.place == Some(Place::Cut)) {
        if frame.setting.as_deref() == Some("A") {
            frame.hand.stubble_pods = Some(2.0);
        }
    }
    let found = compared(&frames, &Assumptions::default()).unwrap();
    let told = found.warnings.join(" ");
    assert!(!sources(&found).contains(&Source::Total), "{told}");
    assert!(
        told.contains("or other pods counted") && told.contains("Total"),
        "{told}"
    );
    assert!(sources(&found).contains(&Source::Through));
}

/// Three pairs of one frame, 0 beans and 1: by chance alone that is one time in eight.
#[test]
fn pairs_that_are_alike_by_chance_have_limits_all_the_same() {
    let mut frames = Vec::new();
    for pair in ["x", "y", "z"] {
        for (setting, beans) in [("A", 0.0), ("B", 1.0)] {
            let check = format!("{pair}{setting}");
            let mut one = four(setting, &check, Place::Behind, beans);
            one.truncate(1);
            one[0].pair = Some(pair.to_owned());
            frames.extend(one);
        }
    }
    let found = compared(&frames, &Assumptions::default()).unwrap();
    let total = found.sources.last().unwrap();
    assert_eq!(
        (total.source, total.manner),
        (Source::Total, Manner::Paired)
    );
    assert_eq!(total.verdict, Verdict::NotToldApart, "{total:?}");
    assert!(total.p > 0.05, "{}", total.p);
}

#[test]
fn losses_of_pairs_are_told_over_the_pairs_and_a_check_is_no_pair() {
    let mut frames = Vec::new();
    for pair in ["1", "2", "3"] {
        for setting in ["A", "B"] {
            let mut four = four(setting, &format!("p{pair}{setting}"), Place::Behind, 4.0);
            four.iter_mut().for_each(|f| f.pair = Some(pair.to_owned()));
            frames.extend(four);
        }
        // A check by itself, whose name reads as the pair does.
        frames.extend(four("A", pair, Place::Behind, 20.0));
    }
    let found = compared(&frames, &Assumptions::default()).unwrap();
    let total = found.sources.last().unwrap();
    assert_eq!(total.change_bu_per_ac.estimate, 0.0, "{total:?}");
    let (from, to) = (
        total.first_bu_per_ac.estimate,
        total.second_bu_per_ac.estimate,
    );
    assert!(
        (from - to).abs() < 1e-12 && (from - 4.0 * 0.242).abs() < 1e-9,
        "{from} {to}"
    );
}

/// Pods counted in one pair of three: the header of that pair holds them, that of the others does not.
#[test]
fn pairs_that_hold_other_things_than_the_whole_are_not_averaged() {
    let mut frames = Vec::new();
    for pair in ["x", "y", "z"] {
        for (setting, beans) in [("A", 20.0), ("B", 10.0)] {
            let mut four = four(setting, &format!("{pair}{setting}"), Place::Cut, beans);
            for frame in &mut four {
                frame.pair = Some(pair.to_owned());
                frame.hand.stubble_pods =
                    (pair == "x").then_some(if setting == "A" { 8.0 } else { 2.0 });
            }
            frames.extend(four);
        }
    }
    let found = compared(&frames, &Assumptions::default()).unwrap();
    let of = |source| found.sources.iter().find(|s| s.source == source).unwrap();
    let manner = |source| of(source).manner;
    assert_eq!(
        (manner(Source::Shatter), manner(Source::Header)),
        (Manner::Paired, Manner::Apart)
    );
    let change = |source| of(source).change_bu_per_ac.estimate;
    let parts = change(Source::Shatter) + change(Source::Stubble);
    assert!((change(Source::Header) - parts).abs() < 1e-9, "{parts}");
}

#[test]
fn a_setting_is_found_however_it_is_spelled() {
    let frames = both_settings();
    let loss = loss_of(&frames, &Assumptions::default());
    let found = contrast(&frames, &loss, " a", "b").unwrap();
    assert_eq!((found.first.as_str(), found.second.as_str()), ("A", "B"));
}

/// 20 beans counted inside one square foot are 20 on a square foot, however much more the photo shows.
#[test]
fn a_hand_count_is_of_the_ground_inside_the_frame() {
    let mut frames = four("A", "1", Place::Behind, 21.2);
    for frame in &mut frames {
        frame.inside_m2 = Some(M2_PER_FT2);
        frame.area_m2 = Limits::exactly(1.06 * M2_PER_FT2);
    }
    let per_ft2 = |frames: &[FrameLoss]| {
        let loss = loss_by_source(frames, &Assumptions::default(), 0).unwrap();
        loss.get(Source::Total)
            .unwrap()
            .amount
            .beans_per_ft2
            .estimate
    };
    assert!((per_ft2(&frames) - 20.0).abs() < 1e-9);
    for frame in frames.iter_mut().take(3) {
        frame.hand.beans = Some(20.0);
    }
    let settled = settle(&frames, &Assumptions::default());
    assert!(
        (settled.ratio.unwrap().ratio - 1.0).abs() < 1e-9,
        "the photos count right"
    );
    let both = photo_against_hand(&frames).unwrap();
    assert!(both.agreement.mean_difference.abs() < 1e-9 && both.frames[0].by_hand == 20.0);
    assert!((per_ft2(&frames) - 20.0).abs() < 1e-9);
    // Pods on the ground by hand beside a photo's beans, as many for each square foot.
    let mut pods = four("A", "1", Place::Behind, 0.0);
    for frame in &mut pods {
        frame.inside_m2 = Some(M2_PER_FT2);
        frame.area_m2 = Limits::exactly(1.06 * M2_PER_FT2);
        frame.hand.pods = Some(2.0);
    }
    let beans_per_pod = Assumptions::default().beans_per_pod();
    assert!((per_ft2(&pods) - 2.0 * beans_per_pod).abs() < 1e-9);
}

/// Two parts that are known closely, in seeds that are not: their sum is as doubtful as each of them.
#[test]
fn the_seeds_doubt_is_one_for_all_parts() {
    let assumptions = Assumptions {
        seeds: Seeds::PerLb(Spread {
            value: 3_000.0,
            sd: 600.0,
        }),
        ..Assumptions::default()
    };
    let mut frames = Vec::new();
    for check in 0..70 {
        let mut cut = four("A", &check.to_string(), Place::Cut, 100.0);
        let in_pods = 100.0 / assumptions.beans_per_pod();
        cut.iter_mut()
            .for_each(|f| f.hand.stubble_pods = Some(in_pods));
        frames.extend(cut);
    }
    let loss = loss_by_source(&frames, &assumptions, 0).unwrap();
    let bu = |source| loss.get(source).unwrap().amount.bu_per_ac;
    let (one, sum) = (bu(Source::Shatter), bu(Source::Header));
    assert!((sum.estimate / one.estimate - 2.0).abs() < 1e-6);
    for (of_one, of_sum) in [(one.low, sum.low), (one.high, sum.high)] {
        assert!(
            (of_sum / of_one / 2.0 - 1.0).abs() < 0.03,
            "{one:?} {sum:?}"
        );
    }
}

/// Without frames in the cut strip the machine's loss is told as one, and no advice is of what fell before.
#[test]
fn header_and_machine_together_come_before_what_fell_by_itself() {
    let mut frames = both_settings();
    frames.retain(|f| f.place != Some(Place::Cut));
    let found = next(
        &loss_of(&frames, &Assumptions::default()),
        &Default::default(),
    )
    .unwrap();
    assert_eq!(found.source, Source::Machine);
    assert!(
        found.how_sure.contains("these frames do not tell"),
        "{}",
        found.how_sure
    );
    assert!(found.look_at[0].what.contains("cut strip"));
}

#[test]
fn pods_looked_for_in_few_frames_are_told_to_make_the_limits() {
    let mut frames = both_settings();
    frames[4].hand.lodged_pods = Some(0.0);
    let told = |frames: &[FrameLoss]| {
        let loss = loss_by_source(frames, &Assumptions::default(), 0).unwrap();
        let kinds: Vec<LossCautionKind> = loss.cautions.iter().map(|c| c.kind).collect();
        kinds.contains(&LossCautionKind::PodsWiden)
    };
    assert!(told(&frames), "one frame of sixteen in the cut strip");
    // Looked for in all of them, one kind in one: that one is named.
    for frame in frames.iter_mut().filter(|f| f.place == Some(Place::Cut)) {
        frame.hand.stubble_pods = Some(0.0);
    }
    let loss = loss_by_source(&frames, &Assumptions::default(), 0).unwrap();
    let caution = loss
        .cautions
        .iter()
        .find(|c| c.kind == LossCautionKind::PodsWiden);
    let words = "(Header: on lodged plants), looked for in 1 frame only";
    assert!(caution.unwrap().message.contains(words), "{caution:?}");
    for frame in &mut frames {
        frame.hand.lodged_pods = (frame.place == Some(Place::Cut)).then_some(0.0);
    }
    assert!(!told(&frames), "all of them");
}

#[test]
fn settings_come_in_the_order_of_their_photos() {
    let mut frames = [
        four("plain reel", "1", Place::Cut, 1.0),
        four("air reel", "2", Place::Cut, 1.0),
        four("untimed", "3", Place::Cut, 1.0),
    ]
    .concat();
    for (i, frame) in frames.iter_mut().take(8).enumerate() {
        frame.taken = Some(format!("2026-10-0{}T10:00:00", i + 1));
    }
    assert_eq!(settings_of(&frames), ["plain reel", "air reel", "untimed"]);
}

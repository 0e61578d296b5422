//! Contrast, plan, payback, next, and the loss page.

use std::collections::BTreeMap;

use podfall::{
    caution::{Caution, CautionKind},
    contrast::{Manner, Verdict, contrast, photo_against_hand},
    counts::Limits,
    loss::{
        Assumptions, Basis, FrameLoss, LossCautionKind, SeasonFrames, SeasonLoss, Source, Spread,
        season_frames, season_loss, settle,
    },
    next::next,
    payback::{Offer, payback},
    photo::Position,
    plan::{Counts, layout, layout_svg, long_frame_depth_in, plan},
    report::hand::{HandPage, PhotoPicture, hand_html},
    report::loss::{LossPage, checks_geojson, loss_csv, loss_html, loss_json},
    season::LossUnit,
    sheet::{Place, Sheet},
    units::M2_PER_FT2,
};

/// What a photo's own doubt means for the loss is told with it, of photos that are in it and were not counted by hand.
#[test]
fn photos_that_read_low_are_told_with_the_loss() {
    for (kind, told) in [
        (CautionKind::HeavyResidue, LossCautionKind::HeavyResidue),
        (CautionKind::FaintBeans, LossCautionKind::FaintBeans),
    ] {
        let mut counts = crate::readers::three_counted().clone();
        for photo in &mut counts.photos {
            photo.meta.sha256.clone_from(&photo.photo);
            photo.cautions.push(Caution {
                kind,
                measured: 20.0,
                bound: 28.0,
                message: "as measured".to_owned(),
            });
        }
        let rows = "photo,place,hand_beans\na.jpg,cut,\nb.jpg,cut,7\nc.jpg,,\n";
        let sheet = Sheet::read(rows.as_bytes()).unwrap();
        let season = season_frames(&counts, Some(&sheet)).unwrap();
        let caution = season.cautions.iter().find(|c| c.kind == told);
        let message = &caution.expect("one photo is in the loss").message;
        assert!(
            message.contains("so that the loss reads low: a.jpg; "),
            "{message}"
        );
    }
}

/// Six pairs of checks; the second setting sheds fewer beans at the header.
fn season() -> (Vec<FrameLoss>, SeasonLoss) {
    let mut frames = Vec::new();
    for pair in 0..6 {
        for (setting, header) in [("<fast> & loose", 6.0), ("slow", 3.0)] {
            for (place, more) in [
                (Place::Standing, 0.0),
                (Place::Cut, 1.0),
                (Place::Behind, 1.5_f64),
            ] {
                for n in 0..4 {
                    let wobble = f64::from((pair * 5 + n * 3) % 4);
                    let beans: f64 = 1.0 + more * header + wobble * more;
                    frames.push(FrameLoss {
                        photo: format!("{pair}-{header}-{}-{n}.jpg", place.word()),
                        check: Some(format!("{pair}{setting}")),
                        pair: Some(pair.to_string()),
                        place: Some(place),
                        setting: Some(setting.to_owned()),
                        beans: Limits {
                            estimate: beans,
                            low: (beans - 1.0).max(0.0),
                            high: beans + 2.0,
                        },
                        area_m2: Limits::exactly(M2_PER_FT2),
                        taken: Some(format!("2026-10-0{}T10:00:00", pair + 1)),
                        position: Some(Position {
                            lat_deg: 44.0 + 0.001 * f64::from(pair),
                            lon_deg: -94.0,
                            altitude_m: None,
                            error_m: None,
                        }),
                        speed_kmh: Some(if setting == "slow" { 4.0 } else { 5.5 }),
                        ..FrameLoss::default()
                    });
                }
            }
        }
    }
    let assumptions = Assumptions {
        price_per_bu: Some(10.0),
        area_ac: Some(100.0),
        ..Assumptions::default()
    };
    let all = SeasonFrames {
        frames: frames.clone(),
        ..SeasonFrames::default()
    };
    let loss = season_loss(&all, &assumptions).unwrap();
    (frames, loss)
}

#[test]
fn pairs_are_used_as_pairs_and_the_speed_is_pointed_out() {
    let (frames, loss) = season();
    let found = contrast(&frames, &loss, "<fast> & loose", "slow").unwrap();
    let header = found
        .sources
        .iter()
        .find(|s| s.source == Source::Header)
        .unwrap();
    assert_eq!(
        (header.manner, found.pairs, header.verdict),
        (Manner::Paired, 6, Verdict::Less)
    );
    // Three beans fewer on a square foot are 3 / 4.132 bu/ac.
    assert!((header.change_bu_per_ac.estimate + 3.0 * 43_560.0 / 3_000.0 / 60.0).abs() < 1e-9);
    let pre = found
        .sources
        .iter()
        .find(|s| s.source == Source::PreHarvest)
        .unwrap();
    assert_eq!(pre.verdict, Verdict::NotToldApart);
    assert!(
        found.warnings[0].contains("ground speed differs too"),
        "{:?}",
        found.warnings
    );
    let error = contrast(&frames, &loss, "slow", "medium")
        .unwrap_err()
        .to_string();
    assert!(error.contains("'medium' is not a setting"), "{error}");
}

#[test]
fn photo_and_hand_that_disagree_are_named() {
    let (mut frames, _) = season();
    assert!(
        photo_against_hand(&frames)
            .unwrap_err()
            .to_string()
            .contains("0 frames")
    );
    for frame in frames.iter_mut().take(8) {
        frame.hand.beans = Some(frame.beans.estimate + 1.0);
    }
    frames[3].hand.beans = Some(40.0);
    let found = photo_against_hand(&frames).unwrap();
    assert_eq!(
        (found.frames.len(), found.frames[0].photo.as_str()),
        (8, frames[3].photo.as_str())
    );
    assert!(found.frames[0].disagrees && !found.frames[7].disagrees);
    assert!((found.within_limits - 7.0 / 8.0).abs() < 1e-12);
}

/// Two pairs are too few to go by, and that is said: else the pair column seems to be passed over.
#[test]
fn a_pair_column_that_is_not_used_is_told() {
    let (mut frames, _) = season();
    let says = |frames: &[FrameLoss]| {
        let all = SeasonFrames {
            frames: frames.to_vec(),
            ..SeasonFrames::default()
        };
        let loss = season_loss(&all, &Assumptions::default()).unwrap();
        let found = contrast(frames, &loss, "<fast> & loose", "slow").unwrap();
        (found.pairs, found.warnings.join("; "))
    };
    let (pairs, warnings) = says(&frames);
    assert!(
        pairs == 6 && !warnings.contains("3 are needed"),
        "{warnings}"
    );
    for frame in &mut frames {
        frame.pair = frame.pair.take().filter(|pair| pair < &"2".to_owned());
    }
    let (pairs, warnings) = says(&frames);
    assert_eq!(pairs, 0);
    assert!(
        warnings.contains("only 2 pairs of checks join one setting with the other, 3 are needed"),
        "{warnings}"
    );
}

/// Krebs, Ecological Methodology, ch. 7 (from memory): 41.0 and 10.2 frames for m = 6, k = 2, ±25 %.
/// G1280: depth of a long frame with 10 ft² (read).
#[test]
fn plan_follows_the_formula_and_the_table() {
    let from = Counts {
        mean: 6.0,
        k: Some(2.0),
        between_cv: 0.3,
        frames_per_check: 4,
    };
    let told = plan(&from, 0.25).unwrap();
    assert!(
        (told.frames_by_formula - 41.0).abs() < 0.05 && (told.frames_poisson - 10.2).abs() < 0.05
    );
    // Student's t takes a little more than 1.96 does.
    assert!((41..=46).contains(&told.frames), "{told:?}");
    // CV² + (1/6 + 1/2)/4 = 0.2567: 1.96² × 0.2567 / 0.0625 = 15.8 checks and a little more.
    assert!((16..=19).contains(&told.checks), "{told:?}");
    assert!(plan(&Counts { mean: 0.0, ..from }, 0.25).is_err());
    for (feet, inches) in [
        (8.0, 15.0),
        (10.0, 12.0),
        (12.0, 10.0),
        (15.0, 8.0),
        (16.0, 7.5),
        (20.0, 6.0),
        (24.0, 5.0),
    ] {
        assert_eq!(long_frame_depth_in(feet), inches);
    }
    let map = layout(10.0, 5, 0.5);
    assert_eq!(map.across_m[0].1, [1.0, 3.0, 5.0, 7.0, 9.0]);
    for (_, across) in &map.across_m {
        assert!(across.iter().all(|x| (0.0..10.0).contains(x)));
    }
    assert!(layout_svg(&map).starts_with("<svg xmlns"));
}

/// Present values: numpy-financial's definitions, worked by hand.
#[test]
fn payback_by_hand() {
    // A half bushel on a 35 ft header's 1,000 acres at 10: 5,000 a year (practice, handbook, section 3).
    let offer = Offer {
        gain_bu_per_ac: Limits {
            estimate: 0.5,
            low: 0.1,
            high: 0.9,
        },
        acres: 1_000.0,
        price_per_bu: 10.0,
        cost: 12_000.0,
        yearly_cost: 1_000.0,
        years: 5,
        discount_percent: 10.0,
        salvage: 2_000.0,
    };
    let found = payback(&offer).unwrap();
    assert_eq!(
        found.yearly_value,
        Limits {
            estimate: 5_000.0,
            low: 1_000.0,
            high: 9_000.0
        }
    );
    // Annuity of 5 years at 10 %: 3.790787; 2,000 in 5 years is worth 1,241.84 now.
    assert!(
        (found.net_present_value.estimate - (4_000.0 * 3.790_787 + 1_241.84 - 12_000.0)).abs()
            < 0.1
    );
    assert_eq!(found.payback_years, Some(3.0));
    // 4,000 a year at 10 %: −ln(1 − 0.3)/ln 1.1 = 3.742 years.
    assert!((found.discounted_payback_years.unwrap() - 3.742_2).abs() < 1e-3);
    // Needed a year: (12,000 − 1,241.84)/3.790787 + 1,000 = 3,837.97: a gain of 0.3838, or 767.6 acres.
    assert!((found.break_even_gain_bu_per_ac - 0.383_80).abs() < 1e-4);
    assert!((found.break_even_acres.unwrap() - 767.6).abs() < 0.1);
    // 0.1162 below the gain; the limits' half-width is 0.4: z = 0.5694, chance 0.7155.
    assert!(
        (found.chance_that_it_pays - 0.715_5).abs() < 2e-3,
        "{found:?}"
    );
    let lost = Offer {
        gain_bu_per_ac: Limits::exactly(-0.2),
        ..offer.clone()
    };
    let lost = payback(&lost).unwrap();
    assert_eq!(
        (
            lost.payback_years,
            lost.break_even_acres,
            lost.chance_that_it_pays
        ),
        (None, None, 0.0)
    );
    assert!(
        payback(&Offer {
            acres: 0.0,
            ..offer
        })
        .unwrap_err()
        .to_string()
        .contains("acres is 0")
    );
}

#[test]
fn next_points_at_the_largest_source_and_at_safety() {
    let (_, loss) = season();
    let next = next(&loss, &BTreeMap::new()).unwrap();
    assert_eq!(next.source, Source::Shatter);
    assert!(next.look_at[0].what.contains("drive slower"));
    assert!(next.safety[0].starts_with("Engine off, key out"));
}

#[test]
fn the_page_is_whole_and_the_same_every_time() {
    let (frames, loss) = season();
    let next = next(&loss, &BTreeMap::new());
    let contrasts = [contrast(&frames, &loss, "<fast> & loose", "slow").unwrap()];
    let page = LossPage {
        season: &loss,
        frames: &frames,
        next: next.as_ref(),
        contrasts: &contrasts,
        unit: LossUnit::KgPerHa,
        title: "north & <south>",
    };
    let html = loss_html(&page).unwrap();
    assert_eq!(html, loss_html(&page).unwrap());
    assert!(
        html.contains("north &amp; &lt;south&gt;") && html.contains("&lt;fast&gt; &amp; loose")
    );
    assert!(!html.contains("<fast>") && !html.contains("<script") && !html.contains("http"));
    assert!(html.contains("kg/ha") && html.contains("the second loses less"));
    assert!(
        html.matches("<svg").count() >= 4,
        "bars, settings, map, trend"
    );
    assert!(!html.contains("NaN") && !html.contains("inf "));
    assert!(
        html.contains("under stubble_pods, lodged_pods, stalk_pods,"),
        "columns as the sheet calls them"
    );
    let (_, again) = season();
    assert_eq!(loss_json(&loss, None), loss_json(&again, None));
}

/// One position hundreds of kilometres off would leave nothing of the field to see.
#[test]
fn a_check_far_off_or_without_a_position_is_named_beside_the_map() {
    let (frames, mut loss) = season();
    let page = |loss: &podfall::loss::SeasonLoss| {
        loss_html(&LossPage {
            season: loss,
            frames: &frames,
            next: None,
            contrasts: &[],
            unit: LossUnit::BuPerAc,
            title: "north",
        })
        .unwrap()
    };
    let scale = |html: &str| {
        let (before, _) = html.split_once(" m</text><path d=\"M770").unwrap();
        before.rsplit('>').next().unwrap().to_owned()
    };
    let whole = page(&loss);
    assert!(!whole.contains("Not on the map"));
    loss.checks[3].position.as_mut().unwrap().lat_deg += 3.0;
    loss.checks[5].position = None;
    let html = page(&loss);
    let says = format!(
        "Not on the map: check {}, which lies 333 km from the middle of the others; check {}, which has no position.",
        loss.checks[3].check, loss.checks[5].check
    );
    assert!(html.contains(&says), "{says}");
    assert_eq!(scale(&html), scale(&whole), "the field is still to be seen");
}

/// The total is what lies behind: it rests on these 48 frames alone, of which 2 were confirmed and 6 counted by hand.
#[test]
fn the_answer_says_who_counted_and_what_it_is_a_share_of() {
    let (mut frames, _) = season();
    for (n, frame) in frames.iter_mut().enumerate().take(30) {
        frame.beans_in_pods = Limits::exactly(1.0);
        if n < 10 {
            frame.basis = Basis::Confirmed;
        } else {
            frame.hand.beans = Some(frame.beans.estimate);
        }
    }
    let assumptions = Assumptions {
        yield_bu_per_ac: Some(Spread {
            value: 50.0,
            sd: 0.0,
        }),
        ..Assumptions::default()
    };
    let all = SeasonFrames {
        frames: frames.clone(),
        ..SeasonFrames::default()
    };
    let loss = season_loss(&all, &assumptions).unwrap();
    let html = loss_html(&LossPage {
        season: &loss,
        frames: &settle(&frames, &assumptions).frames,
        next: None,
        contrasts: &[],
        unit: LossUnit::BuPerAc,
        title: "north",
    })
    .unwrap();
    for words in [
        "It rests on 48 frames, 40 by the tool alone and put right by the ratio, 2 confirmed by a person, 6 counted by hand.",
        "% of yield and loss together",
        "<th>% of yield and loss</th>",
        "Of it in pods on the ground: ",
    ] {
        assert!(html.contains(words), "{words}");
    }
    let bu = loss.all.get(Source::Total).unwrap().amount.clone();
    let (bu, percent) = (bu.bu_per_ac.estimate, bu.percent_of_yield.unwrap().estimate);
    assert!((percent - 100.0 * bu / (50.0 + bu)).abs() < 1e-9);
}

#[test]
fn files_for_scripts() {
    let (_, loss) = season();
    let csv = loss_csv(&loss);
    let lines: Vec<&str> = csv.lines().collect();
    assert!(
        lines[0].starts_with("setting,source,beans_per_ft2,beans_per_ft2_low,beans_per_ft2_high,")
    );
    assert_eq!(lines.len(), 1 + 3 * loss.all.sources.len());
    // RFC 7946, sections 3 and 3.1.1: a FeatureCollection; longitude before latitude.
    let geo: serde_json::Value = serde_json::from_str(&checks_geojson(&loss)).unwrap();
    assert_eq!(geo["type"], "FeatureCollection");
    assert_eq!(geo["features"].as_array().unwrap().len(), 12);
    let first = &geo["features"][0];
    assert_eq!(
        (&first["type"], &first["geometry"]["type"]),
        (&"Feature".into(), &"Point".into())
    );
    assert_eq!(first["geometry"]["coordinates"][0], -94.0);
    assert_eq!(first["geometry"]["coordinates"][1], 44.0);
    let json: serde_json::Value = serde_json::from_str(&loss_json(&loss, None)).unwrap();
    assert_eq!(json["schema"], 1);
    assert!(json["season"]["all"]["sources"][0]["amount"]["bu_per_ac"]["estimate"].is_number());
}

#[test]
fn frames_that_disagree_stand_on_a_page_with_their_pictures_worst_first() {
    let frame = |photo: &str, by_photo: f64, by_hand: f64| FrameLoss {
        photo: photo.to_owned(),
        beans: Limits {
            estimate: by_photo,
            low: by_photo - 2.0,
            high: by_photo + 2.0,
        },
        area_m2: Limits::exactly(M2_PER_FT2),
        hand: podfall::loss::HandCounts {
            beans: Some(by_hand),
            ..Default::default()
        },
        ..FrameLoss::default()
    };
    let frames = [
        frame("near.jpg", 10.0, 11.0),
        frame("off <b>.jpg", 12.0, 18.0),
        frame("alike.jpg", 7.0, 7.0),
        frame("far.jpg", 20.0, 31.0),
    ];
    let found = photo_against_hand(&frames).unwrap();
    let picture = |photo: &str| {
        Some(PhotoPicture {
            small_jpeg: photo.as_bytes()[..3].to_vec(),
            link: Some("annotated/x.jpg".to_owned()),
        })
    };
    let page = hand_html(&HandPage {
        found: &found,
        title: "north & south",
        picture: &picture,
    })
    .unwrap();
    assert!(page.contains("2 of 4 frames disagree") && page.contains("north &amp; south"));
    assert_eq!(page.matches("<figure>").count(), 2);
    assert_eq!(page.matches("data:image/jpeg;base64,").count(), 2);
    let at = |text: &str| page.find(text).unwrap();
    assert!(at("<b>far.jpg</b>") < at("<b>off &lt;b&gt;.jpg</b>"));
    assert!(!page.contains("<script") && !page.contains("http"));
    // Each frame stands in the table, with its picture or without.
    assert_eq!(page.matches("<tr><td>").count(), 4);
}

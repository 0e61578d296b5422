use super::*;
use crate::{
    counts::PlotSize,
    frame::{FoundFrame, FrameSpec, HowFound, Outline},
    geometry::LensBend,
    marks::{Act, Entry, Journal, PhotoMarks, Said, SeasonMarks, line_of},
    photo::PhotoMeta,
};

const SETTINGS: MarkSettings = MarkSettings {
    bean_shift_logit: 0.0,
    pod_shift_logit: 0.0,
    home_mm: HOME_MM,
};

/// A photo of a 100 × 100 mm frame, 10 px to the mm, whose corners lie at (0, 0) and (1000, 1000), with beans at these
/// places (mm) and chances.
fn photo(beans: &[(f64, f64, f64)]) -> PhotoCount {
    let spec = FrameSpec::Rectangle {
        width_mm: 100.0,
        height_mm: 100.0,
    };
    let corners = [[0.0, 0.0], [1000.0, 0.0], [1000.0, 1000.0], [0.0, 1000.0]].map(Point::from);
    let found = FoundFrame {
        outline: Outline::Corners(corners),
        lens: LensBend::none(1000, 1000),
        how: HowFound::Bars,
        confidence: 1.0,
        corner_error_px: 1.0,
        edge_seen: 1.0,
        tilt_deg: None,
        bar_srgb: [0; 3],
        bar_width_mm: 0.0,
    };
    let objects: Vec<Object> = (beans.iter().zip(1..))
        .map(|(&(x, y, p), id)| bean_at(id, Point::new(x, y), Point::new(10.0 * x, 10.0 * y), p))
        .collect();
    let sum: f64 = beans.iter().map(|b| b.2).sum();
    PhotoCount {
        photo: "a.jpg".to_owned(),
        status: Status::Confirm,
        problem: None,
        meta: PhotoMeta {
            sha256: "ab".to_owned(),
            ..PhotoMeta::default()
        },
        frame_spec: spec,
        frame: Some(found.into()),
        plot: Some(PlotSize {
            photo_px_per_mm: 10.0,
            plot_px_per_mm: 3.0,
            area_m2: 0.01,
            area_low_m2: 0.01,
            area_high_m2: 0.01,
        }),
        ground: None,
        looks: None,
        bar_height_mm: None,
        card: None,
        objects,
        counts: Some(Counts {
            beans: Limits {
                // One bean more than the list holds: those that are missed.
                estimate: sum + 1.0,
                low: 0.0,
                high: 2.0 * sum + 4.0,
            },
            ..Counts::default()
        }),
        cautions: Vec::new(),
    }
}

fn marks(acts: &[Act]) -> PhotoMarks {
    let mut journal = Journal::new();
    for act in acts {
        let entry: Entry = journal.next(
            Said {
                at: "2026-10-01T19:04:05+02:00",
                who: "me",
                photo: ("a.jpg", "ab"),
            },
            act.clone(),
        );
        journal.push(entry).unwrap();
    }
    let text: String = journal.entries.iter().map(line_of).collect();
    let journal = Journal::read(text.as_bytes()).unwrap();
    let season = SeasonMarks::replay(&journal);
    season.of("a.jpg", "ab").cloned().unwrap_or_default()
}

fn verdict(count: &PhotoCount, id: usize, verdict: Verdict) -> Act {
    Act::Verdict {
        object: Named::of(&count.objects[id - 1]),
        verdict,
        before: None,
    }
}

fn add(x: f64, y: f64) -> Act {
    add_as(x, y, Verdict::Bean)
}

fn add_as(x: f64, y: f64, verdict: Verdict) -> Act {
    Act::Add {
        object: Named {
            id: 0,
            added: None,
            x_mm: x,
            y_mm: y,
            x_px: 10.0 * x,
            y_px: 10.0 * y,
        },
        verdict,
    }
}

fn beans(applied: &Applied) -> Limits {
    applied.count.counts.unwrap().beans
}

#[test]
fn nothing_said_changes_nothing() {
    let count = photo(&[(20.0, 20.0, 0.9), (50.0, 50.0, 0.5)]);
    let applied = apply(&count, &PhotoMarks::default(), &SETTINGS);
    assert_eq!(applied.count, count);
    assert_eq!(applied.standing, Standing::Untouched);
}

#[test]
fn a_marked_object_is_certain_and_the_rest_keeps_its_doubt() {
    let count = photo(&[(20.0, 20.0, 0.9), (50.0, 50.0, 0.5), (80.0, 80.0, 0.5)]);
    let yes = apply(
        &count,
        &marks(&[verdict(&count, 2, Verdict::Bean)]),
        &SETTINGS,
    );
    assert!((beans(&yes).estimate - (1.9 + 1.0 + 0.5)).abs() < 1e-9);
    assert_eq!(yes.standing, Standing::Partly);
    assert_eq!(yes.sure_beans, 1.0);
    let no = apply(
        &count,
        &marks(&[verdict(&count, 2, Verdict::None)]),
        &SETTINGS,
    );
    assert!((beans(&no).estimate - (0.9 + 0.0 + 0.5 + 1.0)).abs() < 1e-9);
    assert!(!no.count.objects[1].counted);
    assert_eq!(no.count.objects[2], count.objects[2]);
}

#[test]
fn one_added_is_one_of_those_that_were_missed() {
    let count = photo(&[(20.0, 20.0, 1.0)]);
    let one = apply(&count, &marks(&[add(60.0, 60.0)]), &SETTINGS);
    assert!(
        (beans(&one).estimate - 2.0).abs() < 1e-9,
        "the missed one was found"
    );
    let two = apply(
        &count,
        &marks(&[add(60.0, 60.0), add(80.0, 60.0)]),
        &SETTINGS,
    );
    assert!((beans(&two).estimate - 3.0).abs() < 1e-9);
    let object = two.shown[2].named;
    let taken = marks(&[add(60.0, 60.0), add(80.0, 60.0), Act::Take { object }]);
    assert!((beans(&apply(&count, &taken, &SETTINGS)).estimate - 2.0).abs() < 1e-9);
}

/// What is missed are loose beans: a pod that was added is none of them, and what was taken back for none is not either.
#[test]
fn an_added_pod_takes_no_loose_bean_away() {
    let count = photo(&[(20.0, 20.0, 1.0)]);
    for other in [Verdict::Pod { beans: Some(2) }, Verdict::None] {
        let said = marks(&[add_as(60.0, 60.0, other)]);
        let applied = apply(&count, &said, &SETTINGS);
        assert!((beans(&applied).estimate - 2.0).abs() < 1e-9, "{other:?}");
    }
    let said = marks(&[add_as(60.0, 60.0, Verdict::Pod { beans: Some(2) })]);
    let counts = apply(&count, &said, &SETTINGS).count.counts.unwrap();
    assert!((counts.beans_in_pods.estimate - 2.0).abs() < 1e-9);
}

#[test]
fn a_confirmed_count_has_no_limits_left_and_any_mark_after_it_opens_it_again() {
    let count = photo(&[(20.0, 20.0, 0.9), (50.0, 50.0, 0.3), (80.0, 80.0, 0.5)]);
    let mut acts = vec![verdict(&count, 2, Verdict::Split)];
    let counts = apply(&count, &marks(&acts), &SETTINGS).if_confirmed;
    acts.push(Act::Confirm {
        counts,
        frame_spec: count.frame_spec,
        corners_px: None,
    });
    let done = apply(&count, &marks(&acts), &SETTINGS);
    assert_eq!(done.standing, Standing::Confirmed);
    let l = beans(&done);
    assert_eq!((l.estimate, l.low, l.high), (3.0, 3.0, 3.0));
    assert_eq!(done.count.counts.unwrap().split_beans.estimate, 1.0);
    assert!(
        done.count
            .objects
            .iter()
            .all(|o| [0.0, 1.0].contains(&o.probability))
    );
    assert!(!done.differs);
    acts.push(verdict(&count, 1, Verdict::None));
    assert_eq!(
        apply(&count, &marks(&acts), &SETTINGS).standing,
        Standing::Partly
    );
    acts.push(Act::Undo { seq: 3 });
    assert_eq!(
        apply(&count, &marks(&acts), &SETTINGS).standing,
        Standing::Confirmed
    );
}

#[test]
fn marks_find_their_objects_when_the_counts_are_made_anew() {
    let old = photo(&[(20.0, 20.0, 0.5), (50.0, 50.0, 0.5), (80.0, 80.0, 0.5)]);
    let said = marks(&[
        verdict(&old, 1, Verdict::None),
        verdict(&old, 2, Verdict::Bean),
        verdict(&old, 3, Verdict::Bean),
        add(60.0, 20.0),
    ]);
    // Another number, moved by 2 mm; the second is gone; a new one lies where the person had added one.
    let new = photo(&[(61.0, 20.0, 0.7), (80.0, 82.0, 0.5), (20.0, 21.0, 0.5)]);
    let applied = apply(&new, &said, &SETTINGS);
    let of = |at: usize| applied.shown[at].verdict;
    assert_eq!(
        of(0),
        Some(Verdict::Bean),
        "the added one is not there twice"
    );
    assert_eq!(of(1), Some(Verdict::Bean));
    assert_eq!(of(2), Some(Verdict::None));
    assert_eq!(applied.shown.len(), 3);
    assert_eq!(applied.homeless.len(), 1);
    assert_eq!(applied.homeless[0].object.id, 2);
}

#[test]
fn of_two_marks_at_one_place_the_later_one_stands_and_neither_takes_a_neighbour() {
    let count = photo(&[(20.0, 20.0, 0.5), (22.9, 20.0, 0.5)]);
    let moved = photo(&[(20.2, 20.0, 0.5), (22.9, 20.0, 0.5)]);
    let said = marks(&[
        verdict(&count, 1, Verdict::Bean),
        verdict(&moved, 1, Verdict::None),
    ]);
    let applied = apply(&count, &said, &SETTINGS);
    assert_eq!(applied.shown[0].verdict, Some(Verdict::None));
    assert!(applied.homeless.is_empty());
}

/// With corners drawn in, what lies outside them does not count; pixels of the photo name an object whatever the
/// corners are.
#[test]
fn other_corners_leave_marks_at_their_places() {
    let old = photo(&[(20.0, 20.0, 0.5)]);
    let said = marks(&[verdict(&old, 1, Verdict::Bean), add(5.0, 5.0)]);
    let mut new = photo(&[(12.5, 12.5, 0.5)]);
    let corners = [
        [100.0, 100.0],
        [900.0, 100.0],
        [900.0, 900.0],
        [100.0, 900.0],
    ];
    new.frame.as_mut().unwrap().found.outline = Outline::Corners(corners.map(Point::from));
    new.objects[0].x_px = 200.0;
    new.objects[0].y_px = 200.0;
    let applied = apply(&new, &said, &SETTINGS);
    assert_eq!(applied.shown.len(), 1);
    assert_eq!(applied.shown[0].verdict, Some(Verdict::Bean));
    assert_eq!(
        applied.homeless.len(),
        1,
        "added where the frame no longer is"
    );
}

#[test]
fn a_confirmed_count_stands_when_counted_anew_and_says_so() {
    let old = photo(&[(20.0, 20.0, 0.9)]);
    let said = marks(&[Act::Confirm {
        counts: apply(&old, &PhotoMarks::default(), &SETTINGS).if_confirmed,
        frame_spec: old.frame_spec,
        corners_px: None,
    }]);
    let new = photo(&[(20.0, 20.0, 0.9), (70.0, 70.0, 0.9)]);
    let applied = apply(&new, &said, &SETTINGS);
    assert_eq!(beans(&applied).estimate, 1.0);
    assert!(applied.differs);
    // For another frame it was not confirmed.
    let mut other = new;
    other.frame_spec = FrameSpec::Ring { diameter_mm: 100.0 };
    let lapsed = apply(&other, &said, &SETTINGS);
    assert_eq!(lapsed.standing, Standing::Untouched);
    assert_eq!(lapsed.lapsed, Some(Lapsed::OtherFrame));
    assert_eq!(beans(&lapsed), other.counts.unwrap().beans);
    assert_eq!(applied.lapsed, None);
}

#[test]
fn a_confirmed_count_that_does_not_stand_is_told() {
    let old = photo(&[(20.0, 20.0, 0.9)]);
    let confirm = Act::Confirm {
        counts: apply(&old, &PhotoMarks::default(), &SETTINGS).if_confirmed,
        frame_spec: old.frame_spec,
        corners_px: None,
    };
    let mut refused = old.clone();
    refused.status = Status::Refused;
    refused.counts = None;
    let lapsed = apply(&refused, &marks(std::slice::from_ref(&confirm)), &SETTINGS);
    assert_eq!(lapsed.lapsed, Some(Lapsed::NotCounted));
    assert_eq!(lapsed.standing, Standing::Untouched);
    // Set aside: nothing is to be done about it.
    let aside = Act::Unusable {
        why: "blurred".to_owned(),
    };
    let aside = apply(&refused, &marks(&[confirm, aside]), &SETTINGS);
    assert_eq!((aside.lapsed, aside.standing), (None, Standing::Unusable));
}

#[test]
fn an_unusable_photo_has_no_count() {
    let count = photo(&[(20.0, 20.0, 0.9)]);
    let said = marks(&[Act::Unusable {
        why: "blurred".to_owned(),
    }]);
    let applied = apply(&count, &said, &SETTINGS);
    assert_eq!(applied.standing, Standing::Unusable);
    assert_eq!(applied.count.counts, None);
}

/// The limits of a partly marked photo: 20 fair coins, of which 10 were called beans, leave 10 + binomial(10, ½):
/// 12 and 18 (scipy 1.15 binom.ppf(0.025, 10, 0.5) = 2, ppf(0.975) = 8).
#[test]
fn limits_are_those_of_what_is_left() {
    let places: Vec<(f64, f64, f64)> = (0..20)
        .map(|i| {
            (
                5.0 + 9.0 * f64::from(i % 10),
                20.0 + 40.0 * f64::from(i / 10),
                0.5,
            )
        })
        .collect();
    let mut count = photo(&places);
    count.counts.as_mut().unwrap().beans.estimate = 10.0;
    let acts: Vec<Act> = (1..=10)
        .map(|id| verdict(&count, id, Verdict::Bean))
        .collect();
    let l = beans(&apply(&count, &marks(&acts), &SETTINGS));
    assert_eq!((l.estimate, l.low, l.high), (15.0, 12.0, 18.0));
}

//! Staged photos with known beans, counted by the tool as it is: one question a folder.
//!
//! How many may be missed is what was measured, and one more where several were: a few beans in 1440 x 1080 px are
//! few pixels each, and the last one lies near the threshold. Objects are counted from a probability of 0.4, so that one
//! or two wrong ones among ten are to be expected; each must be marked doubtful.

use image::{Rgb, RgbImage, imageops};
use podfall::{caution::CautionKind, counts::Status};

use crate::case::{Case, Run};

const ONE_FOOT: &str = "12x12in";

fn counted<'a>(case: &'a Case, frame: &str) -> Run<'a> {
    let run = case.count(frame);
    assert!(
        matches!(run.count.status, Status::Counted | Status::Confirm),
        "{:?}",
        run.count.problem
    );
    run
}

fn cautioned(run: &Run, kind: CautionKind) -> bool {
    run.count.cautions.iter().any(|c| c.kind == kind)
}

/// Refused, with a message that says what was measured, what was needed and what to do.
fn refused(name: &'static str, what_to_do: &str) {
    let case = Case::open(name);
    let run = case.count(ONE_FOOT);
    assert_eq!(run.count.status, Status::Refused, "{name}");
    assert!(run.count.counts.is_none() && run.count.objects.is_empty());
    let problem = run.count.problem.unwrap();
    assert!(problem.contains(what_to_do), "{problem}");
    assert!(problem.contains("needs"), "{problem}");
    assert!(problem.chars().any(|c| c.is_ascii_digit()), "{problem}");
}

#[test]
fn without_a_frame_there_is_no_count() {
    refused("no-frame", "lay the whole frame in the picture");
}

#[test]
fn a_frame_that_runs_out_of_the_picture_is_refused() {
    refused("frame-cut-off", "lay the whole frame in the picture");
}

/// Every pixel the mean of so many to its right: the phone moved.
fn moved(photo: &RgbImage, by_px: u32) -> RgbImage {
    let (w, h) = photo.dimensions();
    RgbImage::from_fn(w, h, |x, y| {
        let sum = (0..by_px).fold([0_u32; 3], |sum, d| {
            let p = photo.get_pixel((x + d).min(w - 1), y).0;
            std::array::from_fn(|k| sum[k] + u32::from(p[k]))
        });
        image::Rgb(sum.map(|v| (v / by_px) as u8))
    })
}

/// Such a photo once gave none of ten beans, with limits from 0 to 3 and without a word on blur.
#[test]
fn a_photo_blurred_beyond_counting_is_refused_and_says_so() {
    let sharp = || Case::open("ten-beans-in-the-open");
    assert!(!cautioned(&sharp().count(ONE_FOOT), CautionKind::Blur));
    let spoilt: [&dyn Fn(&RgbImage) -> RgbImage; 2] = [
        &|p: &RgbImage| image::imageops::blur(p, 8.0),
        &|p: &RgbImage| moved(p, 24),
    ];
    for spoil in spoilt {
        let case = sharp().spoilt(spoil);
        let count = case.count(ONE_FOOT).count;
        assert_eq!(count.status, Status::Refused, "{:?}", count.counts);
        let problem = count.problem.unwrap();
        assert!(
            problem.contains("too blurred") && problem.contains("hold the phone still"),
            "{problem}"
        );
    }
}

#[test]
fn ten_beans_in_the_open_are_all_found() {
    let case = Case::open("ten-beans-in-the-open");
    let run = counted(&case, ONE_FOOT);
    run.corners_within_a_hundredth();
    run.beans_match(0, 1);
    run.limits_hold();
    run.cover_is_right();
}

#[test]
fn no_bean_is_made_up_on_bare_ground() {
    let case = Case::open("bare-ground-no-beans");
    let run = counted(&case, ONE_FOOT);
    run.corners_within_a_hundredth();
    run.beans_match(0, 0);
    run.limits_hold();
    run.cover_is_right();
}

/// The same photo with two thirds of its contrast taken off: beans of nearly the ground's colour, few pixels wide.
#[test]
fn beans_that_hardly_stand_out_from_far_up_are_cautioned() {
    let faint = Case::open("forty-beans-some-touching").spoilt(|photo| {
        let ground = [80.0, 66.0, 50.0];
        RgbImage::from_fn(photo.width(), photo.height(), |x, y| {
            let seen = photo.get_pixel(x, y).0;
            Rgb([0, 1, 2].map(|i| (ground[i] + 0.34 * (f64::from(seen[i]) - ground[i])) as u8))
        })
    });
    let cautions = counted(&faint, ONE_FOOT).count.cautions;
    let told = cautions.iter().find(|c| c.kind == CautionKind::FaintBeans);
    let told = told.unwrap_or_else(|| panic!("{cautions:?}"));
    assert!(told.measured < told.bound, "{told:?}");
    assert!(
        told.message
            .contains("so near that the frame fills the picture")
    );
    let case = Case::open("forty-beans-some-touching");
    let clear = counted(&case, ONE_FOOT);
    assert!(
        !cautioned(&clear, CautionKind::FaintBeans),
        "the same beans, clear"
    );
}

/// A frame of half or twice, or of half as much again, the size that was said: the number is wrong, and the photo says so.
#[test]
fn a_frame_of_another_size_than_was_said_is_noticed() {
    // Drawn twice as large, so that a photo of the larger frames would not be too coarse.
    let case = Case::open("forty-beans-some-touching").spoilt(|photo| {
        let (w, h) = photo.dimensions();
        imageops::resize(photo, 2 * w, 2 * h, imageops::FilterType::Lanczos3)
    });
    for wrong in ["6x6in", "8x8in", "18x18in", "24x24in"] {
        let run = case.count(wrong);
        assert!(
            cautioned(&run, CautionKind::OddSize),
            "{wrong}: {:?} {:?}",
            run.count.counts,
            run.count.cautions
        );
    }
    for right in [
        "ten-beans-in-the-open",
        "forty-beans-some-touching",
        "bare-ground-no-beans",
        "low-sun-over-residue",
    ] {
        let case = Case::open(right);
        let run = counted(&case, "12x12in");
        assert!(
            !cautioned(&run, CautionKind::OddSize),
            "{right}: {:?}",
            run.count.cautions
        );
    }
}

/// A weak point: where beans lie thick, two things that are none are taken for beans without a doubt. All beans are found.
#[test]
fn beans_that_touch_are_counted_apart() {
    let case = Case::open("forty-beans-some-touching");
    let run = counted(&case, ONE_FOOT);
    run.corners_within_a_hundredth();
    run.beans_match_but(2, 5, 2);
    run.limits_hold();
    run.cover_is_right();
}

#[test]
fn a_photo_stored_turned_is_counted_upright() {
    let case = Case::open("stored-turned");
    let run = counted(&case, ONE_FOOT);
    run.corners_within_a_hundredth();
    run.beans_match(1, 2);
    run.limits_hold();
    run.cover_is_right();
}

/// A weak point: a third of the beans are missed where half the ground lies in shadow. The limits say so.
#[test]
fn half_in_shadow_is_cautioned_and_its_limits_hold() {
    let case = Case::open("half-in-shadow");
    let run = counted(&case, ONE_FOOT);
    run.corners_within_a_hundredth();
    run.beans_match(5, 1);
    run.limits_hold();
    run.cover_is_right();
    assert!(cautioned(&run, CautionKind::DeepShadow));
}

/// A weak point: a third of the beans are missed among straw in low sun. The limits say so.
#[test]
fn low_sun_over_residue_has_limits_that_hold() {
    let case = Case::open("low-sun-over-residue");
    let run = counted(&case, ONE_FOOT);
    run.corners_within_a_hundredth();
    run.beans_match(5, 1);
    run.limits_hold();
    run.cover_is_right();
}

/// A weak point, kept in view: beans a few pixels wide on pale soil. A third is missed and the limits
/// hardly reach the 13 that can be seen; what is asked is that the photo is cautioned as too coarse.
#[test]
fn a_coarse_ring_on_pale_soil_is_cautioned() {
    let case = Case::open("ring-on-pale-soil");
    let run = counted(&case, "ring:16in");
    run.ring_within_a_hundredth();
    run.beans_match(5, 1);
    run.cover_is_right();
    assert!(cautioned(&run, CautionKind::CoarseScale));
}

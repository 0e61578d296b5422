//! From counts to what a person looks at: annotated pictures, the confidence report with its answer first.

use std::collections::BTreeMap;

use crate::{
    annotate::{self, Said, words::capital},
    caution::{Caution, CautionKind},
    counts::{CountsFile, Limits, PhotoCount},
    loss::{Amount, Assumptions, FrameLoss, Loss, SeasonFrames, loss_over, seed_size},
    marks::{ConfirmedCounts, SeasonThreshold},
    photo,
    pipeline::{Picture, Settings},
    plan::TooFew,
    report::html::{
        self, Crop, Figure, PhotoPart, PictureSettings, Pictures, Setting, Summary, Table,
    },
    units::{GroundM2, plural},
};

/// JPEG quality of an annotated picture.
const PICTURE_QUALITY: u8 = 85;

/// The pictures of one photo, packed as JPEG.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Drawing {
    /// The annotated picture.
    pub annotated_jpeg: Vec<u8>,
    /// What the confidence report shows.
    pub for_report: ReportPictures,
}

/// The pictures of one photo in the confidence report.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ReportPictures {
    /// The photo with its marks, small.
    pub small_jpeg: Vec<u8>,
    /// Doubtful objects enlarged: number within the photo, and the JPEG.
    pub crops: Vec<(u32, Vec<u8>)>,
}

/// Draws a photo. `photos`: number of photos in the batch, by which the report's pictures get smaller.
pub fn draw(picture: &Picture, count: &PhotoCount, settings: &Settings, photos: usize) -> Drawing {
    draw_as_said(picture, (count, None), &settings.assumptions, photos)
}

/// As [`draw`], of a count that holds what a person said.
pub fn draw_as_said(
    picture: &Picture,
    (count, said): (&PhotoCount, Option<&Said>),
    assumptions: &Assumptions,
    photos: usize,
) -> Drawing {
    let Picture { photo, plot } = picture;
    let line = loss_line(count, assumptions);
    let annotated = match plot {
        Some(plot) => annotate::picture_as_said(photo, plot, count, line.as_deref(), said),
        None => annotate::refused_picture(photo, count),
    };
    let size = PictureSettings::for_photos(photos);
    let small = html::pictures(photo, plot.as_ref(), (count, said), &size);
    Drawing {
        annotated_jpeg: photo::marked_as_drawn(annotate::jpeg(&annotated, PICTURE_QUALITY)),
        for_report: ReportPictures {
            small_jpeg: small.small_jpeg,
            crops: small.crops.into_iter().map(|c| (c.id, c.jpeg)).collect(),
        },
    }
}

/// The loss that this one frame stands for, in words, with the limits of its count: it is no loss of the field.
fn loss_line(count: &PhotoCount, assumptions: &Assumptions) -> Option<String> {
    let frame = FrameLoss::of_photo(count)?;
    let ft2 = GroundM2::new(frame.area_m2.estimate)?.ft2();
    let lost = frame.lost_limits();
    let (seeds, _) = seed_size(assumptions, &[frame]);
    let [estimate, low, high] = [lost.estimate, lost.low, lost.high]
        .map(|beans| Amount::exactly(assumptions, &seeds, beans / ft2));
    let with_limits = |of: fn(&Amount) -> Limits, places: usize| {
        let [estimate, low, high] = [&estimate, &low, &high].map(|a| of(a).estimate);
        if low == high {
            return format!("{estimate:.places$}");
        }
        format!("{estimate:.places$} ({low:.places$} to {high:.places$})")
    };
    Some(format!(
        "Loose and in pods: {} beans/ft², which is {} bu/ac for this frame alone",
        with_limits(|a| a.beans_per_ft2, 1),
        with_limits(|a| a.bu_per_ac, 2),
    ))
}

/// The loss over all counted photos together; `None` where none was counted or an assumption cannot be right.
pub fn loss_over_photos(counts: &CountsFile, assumptions: &Assumptions) -> Option<Loss> {
    let frames: Vec<FrameLoss> = counts
        .photos
        .iter()
        .filter(|photo| !photo.is_copy())
        .filter_map(FrameLoss::of_photo)
        .collect();
    loss_over(&frames, assumptions).ok()
}

/// The confidence report, one HTML page.
///
/// - `pictures(name)`: what [`draw`] made for the report of this photo.
///
/// # Errors
/// [`html::HtmlError`] when the page cannot be filled in, which a test rules out.
pub fn report(
    counts: &CountsFile,
    settings: &Settings,
    pictures: &dyn Fn(&str) -> Option<ReportPictures>,
) -> Result<String, html::HtmlError> {
    let loss = loss_over_photos(counts, &settings.assumptions);
    let parts = counts.photos.iter().map(|count| PhotoPart {
        count,
        pictures: with_objects(pictures(&count.photo).unwrap_or_default(), count),
        said: None,
    });
    html::confidence_report(
        &summary(counts, loss.as_ref(), settings),
        &counts.model,
        parts,
    )
}

/// The confidence report with what a person said.
///
/// - `frames`: the season's frames with the marks in them.
/// - `pictures(name)`: what [`draw_as_said`] made for the report of this photo, or [`draw`] where nothing was said of it.
///
/// # Errors
/// As [`report`].
pub fn report_as_said(
    confirmed: &ConfirmedCounts,
    frames: &SeasonFrames,
    settings: &Settings,
    pictures: &dyn Fn(&str) -> Option<ReportPictures>,
) -> Result<String, html::HtmlError> {
    let counts = &confirmed.counts;
    let loss = loss_over(&frames.frames, &settings.assumptions).ok();
    let parts = counts.photos.iter().map(|count| PhotoPart {
        count,
        pictures: with_objects(pictures(&count.photo).unwrap_or_default(), count),
        said: confirmed.photos.get(&count.photo).and_then(Said::of),
    });
    let mut summary = summary(counts, loss.as_ref(), settings);
    summary.title = "Beans on the ground, with what a person said".to_owned();
    summary
        .settings
        .extend(confirmed.threshold().as_ref().and_then(own_threshold));
    let told = (frames.cautions.iter()).map(|c| sentence(c.message.clone()));
    let first = summary.notes.len().min(1);
    summary.notes.splice(first..first, told);
    html::confidence_report(&summary, &counts.model, parts)
}

/// The threshold of the season's own, where it is used.
fn own_threshold(threshold: &SeasonThreshold) -> Option<Setting> {
    let value = format!(
        "{:.0} %, for photos that nobody confirmed; every probability is moved with it",
        100.0 * threshold.counts_from
    );
    threshold.applied.then(|| Setting {
        name: "this season's own threshold, by which the beans are reckoned".to_owned(),
        value,
    })
}

fn with_objects(pictures: ReportPictures, count: &PhotoCount) -> Pictures {
    let crop = |(id, jpeg): (u32, Vec<u8>)| {
        let object = count.objects.iter().find(|o| o.id == id)?;
        Some(Crop {
            id,
            kind: object.kind,
            probability: object.probability,
            counted: object.counted,
            jpeg,
        })
    };
    Pictures {
        small_jpeg: pictures.small_jpeg,
        crops: pictures.crops.into_iter().filter_map(crop).collect(),
    }
}

fn summary(counts: &CountsFile, loss: Option<&Loss>, settings: &Settings) -> Summary {
    Summary {
        title: "Beans on the ground, frame by frame".to_owned(),
        made: format!("podfall {}", counts.podfall),
        headline: loss.map(headline),
        figures: loss.map(figures).unwrap_or_default(),
        table: loss.map(rests_on).unwrap_or_default(),
        notes: loss.map(|l| notes(counts, l)).unwrap_or_default(),
        settings: settings_in_words(settings),
    }
}

/// Cautions that no look at a single photo settles, told once for all of them, each by the photo that it weighs most on.
pub fn told_once(photos: &[PhotoCount]) -> Vec<String> {
    let mut worst: BTreeMap<CautionKind, (usize, &Caution)> = BTreeMap::new();
    for caution in photos.iter().flat_map(|photo| &photo.cautions) {
        if !caution.kind.asks_for_a_person() {
            let (n, most) = worst.entry(caution.kind).or_insert((0, caution));
            *n += 1;
            if caution.measured > most.measured {
                *most = caution;
            }
        }
    }
    (worst.values())
        .map(|(n, most)| match *n {
            // The only photo that there is needs no counting; of one among several nothing is "at most".
            1 if photos.len() == 1 => most.message.clone(),
            1 => format!("{} (1 photo)", most.message),
            n => format!(
                "{} ({}, this is the worst)",
                most.message,
                plural(n, "photo")
            ),
        })
        .collect()
}

fn figure(name: &str, limits: Limits, unit: &str, decimals: usize) -> Figure {
    Figure {
        name: name.to_owned(),
        limits,
        unit: unit.to_owned(),
        decimals,
        too_few: None,
    }
}

/// A mean over frames of all places is no loss: it is told as beans.
fn headline(loss: &Loss) -> Figure {
    Figure {
        too_few: TooFew::over(loss).words(&loss.amount),
        ..figure(
            "Loose and in pods, mean of all frames, whatever their place",
            loss.amount.beans_per_ft2,
            "beans/ft²",
            1,
        )
    }
}

fn figures(loss: &Loss) -> Vec<Figure> {
    let amount = &loss.amount;
    vec![Figure {
        too_few: TooFew::over(loss).short(amount).map(str::to_owned),
        ..figure("the same", amount.beans_per_m2, "beans/m²", 0)
    }]
}

/// Said first, for this figure and the loss page's are not the same.
const NO_LOSS: &str = "This is no loss of the field: frames in the standing crop, in the cut strip and behind the machine are taken \
                       together here. The loss, by source and in bu/ac, stands in loss.html, which podfall loss writes once the sheet \
                       says where each frame lay (podfall sheet).";

fn notes(counts: &CountsFile, loss: &Loss) -> Vec<String> {
    let cautions = loss.cautions.iter().map(|c| c.message.clone());
    let told = cautions.chain(told_once(&counts.photos));
    (std::iter::once(NO_LOSS.to_owned()))
        .chain(told.map(sentence))
        .collect()
}

fn sentence(text: String) -> String {
    capital(text.trim_end_matches('.')) + "."
}

fn rests_on(loss: &Loss) -> Table {
    let row = |name: &str, value: String| vec![name.to_owned(), value];
    Table {
        heads: vec!["It rests on".to_owned(), String::new()],
        rows: vec![
            row("frames counted", loss.frames.to_string()),
            row("ground looked at", format!("{:.2} m²", loss.area_m2)),
            row(
                "beans counted, loose and in pods",
                format!("{:.0}", loss.beans),
            ),
        ],
    }
}

fn settings_in_words(settings: &Settings) -> Vec<Setting> {
    let frame = &settings.frame;
    let height = frame
        .bar_height_mm
        .map_or("not told".to_owned(), |mm| format!("{mm} mm"));
    [
        ("frame, inside", frame.spec.in_words()),
        ("height of the bar", height),
        (
            "marked as counted from a probability of",
            format!("{:.0} %, the model's", 100.0 * settings.count.counted_from),
        ),
    ]
    .into_iter()
    .map(|(name, value)| Setting {
        name: name.to_owned(),
        value,
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{counts::Counts, frame::FrameSettings, pipeline::failed};

    fn photos(of_unknown_height: &[f64]) -> Vec<PhotoCount> {
        let spec = "12x12in".parse().unwrap();
        let settings = Settings::new(FrameSettings::new(spec));
        let one = |&measured: &f64| {
            let mut photo = failed("a.jpg", &settings, String::new());
            if measured > 0.0 {
                photo.cautions.push(Caution {
                    kind: CautionKind::BarHeightUnknown,
                    measured,
                    bound: 0.0,
                    message: format!("{measured} % more"),
                });
            }
            photo
        };
        of_unknown_height.iter().map(one).collect()
    }

    /// 10 loose beans (7 to 14) and 3 in pods (3 to 6) on one square foot, 3,000 seeds a pound: 0.242 bu/ac a bean.
    #[test]
    fn the_loss_of_one_frame_has_limits_and_says_what_is_in_it() {
        let limits = |estimate, low, high| Limits {
            estimate,
            low,
            high,
        };
        let mut count = photos(&[0.0]).remove(0);
        count.counts = Some(Counts {
            beans: limits(10.0, 7.0, 14.0),
            beans_in_pods: limits(3.0, 3.0, 6.0),
            ..Counts::default()
        });
        let line = |count: &PhotoCount| loss_line(count, &Assumptions::default()).unwrap();
        assert_eq!(
            line(&count),
            "Loose and in pods: 13.0 (10.0 to 18.0) beans/ft², which is 3.15 (2.42 to 4.36) bu/ac for this frame alone"
        );
        let sure = |n| limits(n, n, n);
        count.counts = Some(Counts {
            beans: sure(10.0),
            ..Counts::default()
        });
        assert!(line(&count).starts_with("Loose and in pods: 10.0 beans/ft², which is 2.42 bu/ac"));
    }

    /// The model's threshold and the season's own stand under their own names, and the latter only where it is used.
    #[test]
    fn the_settings_tell_both_thresholds_apart() {
        let settings = Settings::new(FrameSettings::new("12x12in".parse().unwrap()));
        let all = settings_in_words(&settings);
        let of_model = all.iter().find(|s| s.name.contains("probability")).unwrap();
        assert_eq!(of_model.value, "40 %, the model's");
        let mut own = SeasonThreshold {
            photos: 6,
            doubtful: 30,
            shift_logit: -0.5,
            counts_from: 0.526,
            held_back: None,
            applied: true,
            counts: BTreeMap::new(),
        };
        assert!(own_threshold(&own).unwrap().value.starts_with("53 %, for"));
        own.applied = false;
        assert_eq!(own_threshold(&own), None);
    }

    #[test]
    fn a_single_photo_is_not_counted_and_the_worst_of_several_is_told() {
        assert_eq!(told_once(&photos(&[8.5])), ["8.5 % more"]);
        assert_eq!(told_once(&photos(&[8.5, 0.0])), ["8.5 % more (1 photo)"]);
        assert_eq!(
            told_once(&photos(&[8.5, 9.0, 0.0])),
            ["9 % more (2 photos, this is the worst)"]
        );
    }
}

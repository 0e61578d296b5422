//! The one place that knows the order of the stages.

use crate::{
    candidate::{BlobSettings, Middles},
    card,
    count::{
        self, CountSettings,
        cautions::{Seen, cautions},
    },
    counts::{FrameFound, PhotoCount, PlotSize, Status},
    frame::{self, FrameError, FrameSettings},
    ground::{self, GroundSettings},
    likeness::Thumbnail,
    loss::Assumptions,
    model::Model,
    photo::{self, Photo, PhotoLimits, PhotoMeta, Spare},
    plot::{self, Plot, PlotError, PlotSettings},
    report::html::PictureSettings,
    score::{
        bean_mm,
        learned::{self, Hilltops},
        likeness_measures, look_near,
        net::{Memory, NetError},
    },
};

/// Everything that a photo's count and its pictures depend on besides the photo and the model.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// What is known of the frame.
    pub frame: FrameSettings,
    /// What a photo may cost.
    pub photo: PhotoLimits,
    /// How ground is sorted.
    pub ground: GroundSettings,
    /// How blobs are found.
    pub blobs: BlobSettings,
    /// How objects become a count.
    pub count: CountSettings,
    /// Crop, machine and market. No count depends on them; the loss that is written into a picture does.
    pub assumptions: Assumptions,
}

impl Settings {
    /// Ordinary settings for this frame.
    pub fn new(frame: FrameSettings) -> Self {
        Self {
            frame,
            photo: PhotoLimits::default(),
            ground: GroundSettings::default(),
            blobs: BlobSettings::default(),
            count: CountSettings::default(),
            assumptions: Assumptions::default(),
        }
    }

    /// Everything here that a count depends on, in words. Two settings with the same words give the
    /// same count.
    pub fn count_key(&self) -> String {
        format!(
            "{:?} {:?} {:?} {:?} {:?}",
            self.frame, self.photo, self.ground, self.blobs, self.count
        )
    }

    /// Everything here that a picture depends on besides the count, in words. `photos`: number
    /// of photos in the batch, by which pictures for the report get smaller.
    pub fn drawing_key(&self, photos: usize) -> String {
        format!(
            "{:?} {:?}",
            self.assumptions,
            PictureSettings::for_photos(photos)
        )
    }
}

/// A photo's result, with what is needed to draw it.
#[derive(Debug)]
pub struct Counted {
    /// The result.
    pub count: PhotoCount,
    /// The plot drawn small, to tell whether it was photographed twice; `None` without a plot.
    pub thumbnail: Option<Thumbnail>,
    /// Photo and plot, kept for drawing only; `None` when the photo could not be read.
    pub picture: Option<Picture>,
}

/// Pixels kept for drawing.
#[derive(Debug)]
pub struct Picture {
    /// The photo.
    pub photo: Photo,
    /// The plot; `None` when there is none.
    pub plot: Option<Plot>,
}

/// Why a good photo could not be counted.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CountError {
    /// No frame.
    #[error(transparent)]
    Frame(#[from] FrameError),
    /// No plot.
    #[error(transparent)]
    Plot(#[from] PlotError),
    /// Blurred beyond counting.
    #[error(
        "the photo is too blurred to count (sharpness {sharpness:.2}, at least {least_sharpness:.2} is needed; evenness over \
         the directions {evenness:.2}, at least {least_evenness:.2}): hold the phone still, tap to focus, and take it again, or \
         count the frame by hand"
    )]
    Blurred {
        /// Fine detail beside coarse, 0..1.
        sharpness: f64,
        /// Least that is counted.
        least_sharpness: f64,
        /// Sharpness of the blurriest direction over that of the sharpest, 0..1.
        evenness: f64,
        /// Least that is counted.
        least_evenness: f64,
    },
    /// The model did not run.
    #[error(transparent)]
    Score(#[from] NetError),
}

/// Counts one photo: all the stages in their order. A pure function of its arguments.
///
/// What goes wrong with the photo is in the result's `status` and `problem`, never a panic.
pub fn count_photo(bytes: &[u8], file_name: &str, settings: &Settings, model: &Model) -> Counted {
    let memory = (&Spare::default(), &mut Memory::default());
    count_photo_into(bytes, file_name, (settings, model), memory)
}

/// As [`count_photo`], with memory of photos before: for pixels, and for the network.
pub fn count_photo_into(
    bytes: &[u8],
    file_name: &str,
    (settings, model): (&Settings, &Model),
    (spare, looks): (&Spare, &mut Memory),
) -> Counted {
    let photo = match photo::read_into(bytes, file_name, &settings.photo, spare) {
        Ok(photo) => photo,
        Err(error) => {
            let meta = photo::file_only(bytes);
            return not_counted(file_name, settings, meta, Status::Failed, &error);
        }
    };
    match count(&photo, (settings, model), looks) {
        Ok((count, plot)) => Counted {
            thumbnail: Some(Thumbnail::of(&plot)),
            count,
            picture: Some(Picture {
                photo,
                plot: Some(plot),
            }),
        },
        Err(error) => {
            let meta = photo.meta.clone();
            Counted {
                picture: Some(Picture { photo, plot: None }),
                ..not_counted(file_name, settings, meta, Status::Refused, &error)
            }
        }
    }
}

/// The whole pipeline, from pixels to a count.
fn count(
    photo: &Photo,
    (settings, model): (&Settings, &Model),
    looks: &mut Memory,
) -> Result<(PhotoCount, Plot), CountError> {
    let spec = settings.frame.spec;
    let frame = frame::find(
        &photo.pixels,
        &settings.frame,
        photo.meta.focal_length_35mm_mm,
    )?;
    let plot = plot::flatten(
        &photo.pixels,
        &frame,
        spec,
        &plot_settings(photo, settings, model),
    )?;
    sharp_enough(&plot, &settings.count)?;
    // First of all that look at the plot: it takes the most memory, which the others then need not hold beside their own.
    let maps = learned::look(&plot, (&model.net, &model.card), looks)?;
    let hilltops = Hilltops::of(&maps, &plot, &model.card);
    let near = look_near(
        &photo.pixels,
        &plot,
        &hilltops,
        (&model.net, &model.card),
        looks,
    )?;
    let ground = ground::classify(&plot, &settings.ground);
    let middles = Middles::find(&plot, &ground, &settings.blobs);
    let judged = learned::judge(
        &plot,
        &ground,
        &middles,
        (&maps, &hilltops, near.as_deref()),
        &model.card,
    );
    let allowances = model.card.allowances(judged.around, near.is_some());
    let (objects, counts) = count::tally(&judged.scored, &plot, spec, &allowances, &settings.count);
    let bean_mm = bean_mm(&plot, &judged.scored, &model.net, looks)?;
    let looks = likeness_measures(&plot);
    let cautions = cautions(&Seen {
        frame: &frame,
        plot: &plot,
        shares: &ground.shares,
        bean_mm,
        scored: &judged.scored,
        distance: model.card.known.distance(&looks),
        bar_height_mm: settings.frame.bar_height_mm,
        colours: photo.meta.colour_profile.as_ref(),
    });
    let confirm =
        cautions.iter().any(|c| c.kind.asks_for_a_person()) || objects.iter().any(|o| o.doubtful);
    let count = PhotoCount {
        photo: photo.file_name.clone(),
        status: if confirm {
            Status::Confirm
        } else {
            Status::Counted
        },
        problem: None,
        meta: photo.meta.clone(),
        frame_spec: spec,
        bar_height_mm: settings.frame.bar_height_mm,
        frame: Some(FrameFound::from(frame)),
        plot: Some(PlotSize::of(&plot)),
        ground: Some(ground.shares),
        card: card::find(&photo.pixels, &plot.map, plot.photo_px_per_mm),
        looks: Some(looks.map(|v| (v * 1e3).round() / 1e3)),
        objects,
        counts: Some(counts),
        cautions,
    };
    Ok((count, plot))
}

/// Passes a plot that is sharp enough to be counted.
fn sharp_enough(plot: &Plot, least: &CountSettings) -> Result<(), CountError> {
    let plot::Light {
        sharpness,
        evenness,
        ..
    } = plot.light;
    if sharpness >= least.least_sharpness && evenness >= least.least_evenness {
        return Ok(());
    }
    Err(CountError::Blurred {
        sharpness,
        least_sharpness: least.least_sharpness,
        evenness,
        least_evenness: least.least_evenness,
    })
}

/// A photo and its plot for drawing a count that is there already; nothing is scored. `None` where the photo cannot be
/// read.
pub fn picture_of(bytes: &[u8], count: &PhotoCount, spare: &Spare) -> Option<Picture> {
    let photo = photo::read_into(bytes, &count.photo, &PhotoLimits::default(), spare).ok()?;
    let settings = PlotSettings {
        focal_length_35mm_mm: photo.meta.focal_length_35mm_mm,
        even_light: false,
        ..PlotSettings::default()
    };
    let plot = count.frame.as_ref().and_then(|frame| {
        plot::flatten(&photo.pixels, &frame.found, count.frame_spec, &settings).ok()
    });
    Some(Picture { photo, plot })
}

fn plot_settings(photo: &Photo, settings: &Settings, model: &Model) -> PlotSettings {
    PlotSettings {
        px_per_mm: model.card.px_per_mm,
        bar_height_mm: settings.frame.bar_height_mm,
        focal_length_35mm_mm: photo.meta.focal_length_35mm_mm,
        ..PlotSettings::default()
    }
}

/// The result of a photo for which there is no count.
fn not_counted(
    file_name: &str,
    settings: &Settings,
    meta: PhotoMeta,
    status: Status,
    error: &dyn std::error::Error,
) -> Counted {
    let count = PhotoCount {
        meta,
        status,
        ..failed(file_name, settings, with_causes(error))
    };
    Counted {
        count,
        thumbnail: None,
        picture: None,
    }
}

/// The result of a photo of which nothing could be read.
pub fn failed(file_name: &str, settings: &Settings, problem: String) -> PhotoCount {
    PhotoCount {
        photo: file_name.to_owned(),
        status: Status::Failed,
        problem: Some(problem),
        meta: PhotoMeta::default(),
        frame_spec: settings.frame.spec,
        bar_height_mm: settings.frame.bar_height_mm,
        frame: None,
        plot: None,
        ground: None,
        looks: None,
        card: None,
        objects: Vec::new(),
        counts: None,
        cautions: Vec::new(),
    }
}

/// An error and what caused it, on one line.
pub fn with_causes(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        let why = error.to_string();
        // Others' errors often say their cause in their own text.
        if !text.ends_with(&why) {
            text.push_str(": ");
            text.push_str(&why);
        }
        cause = error.source();
    }
    text
}

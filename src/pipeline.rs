//! The one place that knows the order of the stages.

use crate::{
    candidate::{self, BlobSettings},
    count::{
        self, CountSettings,
        cautions::{Seen, cautions},
    },
    counts::{CountsFile, FrameFound, ModelName, PhotoCount, PlotSize, Status},
    frame::{self, FrameError, FrameSettings},
    ground::{self, GroundSettings},
    likeness::Thumbnail,
    photo::{self, Photo, PhotoLimits, PhotoMeta},
    plot::{self, Plot, PlotError, PlotSettings},
    score::{
        card::Card,
        learned, likeness_measures,
        net::{Net, NetError},
    },
    season::Season,
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
    /// What `podfall.toml` says of crop and machine. No count depends on it; the loss that is
    /// written into a picture does.
    pub season: Season,
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
            season: Season::default(),
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
    pub fn drawing_key(&self, _photos: usize) -> String {
        format!("{:?} {:?}", self.season.seed, self.season.bushel_weight_lb)
    }
}

/// The model that scores: a network and its card.
#[derive(Debug)]
pub struct Model {
    net: Net,
    card: Card,
}

/// Why a model could not be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ModelError {
    /// The network cannot be read.
    #[error(transparent)]
    Net(#[from] NetError),
    /// The card cannot be read.
    #[error("the model's card (the .toml beside the model file) cannot be read")]
    Card(#[source] toml::de::Error),
    /// The network is not the one that the card is of.
    #[error(
        "the model file has SHA-256 {found}, its card says {needed}; take file and card from the same place"
    )]
    Checksum {
        /// Of the file.
        found: String,
        /// On the card.
        needed: String,
    },
}

impl Model {
    /// The model that comes with podfall.
    ///
    /// # Panics
    /// Never, as long as the tests pass: the model in the binary is checked by one.
    pub fn built_in() -> Self {
        Self::from_bytes(
            include_bytes!("../models/beans-v1.onnx").to_vec(),
            include_str!("../models/beans-v1.toml"),
        )
        .expect("the model in the binary is whole")
    }

    /// A model from the bytes of its network and the text of its card.
    ///
    /// # Errors
    /// [`ModelError`] when either cannot be read or they do not belong together.
    pub fn from_bytes(network: Vec<u8>, card: &str) -> Result<Self, ModelError> {
        let card: Card = toml::from_str(card).map_err(ModelError::Card)?;
        let found = photo::sha256_hex(&network);
        if found != card.sha256 {
            return Err(ModelError::Checksum {
                found,
                needed: card.sha256,
            });
        }
        Ok(Self {
            net: Net::from_bytes(network)?,
            card,
        })
    }

    /// Its name and SHA-256.
    pub fn name(&self) -> ModelName {
        ModelName {
            name: self.card.name.clone(),
            sha256: self.card.sha256.clone(),
        }
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
    /// The model did not run.
    #[error(transparent)]
    Score(#[from] NetError),
}

/// Counts one photo: all the stages in their order. A pure function of its arguments.
///
/// What goes wrong with the photo is in the result's `status` and `problem`, never a panic.
pub fn count_photo(bytes: &[u8], file_name: &str, settings: &Settings, model: &Model) -> Counted {
    let photo = match photo::read(bytes, file_name, &settings.photo) {
        Ok(photo) => photo,
        Err(error) => {
            let meta = photo::file_only(bytes);
            return not_counted(file_name, settings, meta, Status::Failed, &error);
        }
    };
    match count(&photo, settings, model) {
        Ok((count, plot)) => Counted {
            thumbnail: Some(Thumbnail::of(&plot)),
            count,
            picture: Some(Picture {
                photo,
                plot: Some(plot),
            }),
        },
        Err(error) => not_counted(file_name, settings, photo.meta, Status::Refused, &error),
    }
}

/// The whole pipeline, from pixels to a count.
fn count(
    photo: &Photo,
    settings: &Settings,
    model: &Model,
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
    let ground = ground::classify(&plot, &settings.ground);
    let candidates = candidate::candidates(&plot, &ground, &settings.blobs);
    let scored = learned::judge(&plot, &candidates, &model.net, &model.card)?;
    let (objects, counts) =
        count::tally(&scored, &plot, spec, &model.card.allowance, &settings.count);
    let cautions = cautions(&Seen {
        frame: &frame,
        plot: &plot,
        shares: &ground.shares,
        distance: model.card.known.distance(&likeness_measures(&plot)),
        bar_height_known: settings.frame.bar_height_mm.is_some(),
    });
    let confirm = !cautions.is_empty() || objects.iter().any(|o| o.doubtful);
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
        frame: Some(FrameFound::from(frame)),
        plot: Some(PlotSize::of(&plot)),
        ground: Some(ground.shares),
        objects,
        counts: Some(counts),
        cautions,
    };
    Ok((count, plot))
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
        frame: None,
        plot: None,
        ground: None,
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
        text.push_str(": ");
        text.push_str(&error.to_string());
        cause = error.source();
    }
    text
}

/// Draws a photo. `photos`: number of photos in the batch. `None` when there is nothing to draw.
pub fn draw(
    _picture: &Picture,
    _count: &PhotoCount,
    _settings: &Settings,
    _photos: usize,
) -> Option<Drawing> {
    None
}

/// The confidence report, one HTML page. `None` when there is none to write.
///
/// - `pictures(name)`: what [`draw`] made for the report of this photo.
pub fn report(
    _counts: &CountsFile,
    _settings: &Settings,
    _pictures: &dyn Fn(&str) -> Option<ReportPictures>,
) -> Option<String> {
    None
}

//! The one place that knows the order of the stages.

use crate::{
    counts::{CountsFile, ModelName, PhotoCount, Status},
    frame::FrameSettings,
    likeness::Thumbnail,
    photo::{self, Photo, PhotoLimits, PhotoMeta},
    plot::Plot,
    season::Season,
};

/// Everything that a photo's count and its pictures depend on besides the photo and the model.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// What is known of the frame.
    pub frame: FrameSettings,
    /// What a photo may cost.
    pub photo: PhotoLimits,
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
            season: Season::default(),
        }
    }

    /// Everything here that a count depends on, in words. Two settings with the same words give the
    /// same count.
    pub fn count_key(&self) -> String {
        format!("{:?} {:?}", self.frame, self.photo)
    }

    /// Everything here that a picture depends on besides the count, in words. `photos`: number
    /// of photos in the batch, by which pictures for the report get smaller.
    pub fn drawing_key(&self, _photos: usize) -> String {
        format!("{:?} {:?}", self.season.seed, self.season.bushel_weight_lb)
    }
}

/// The model that scores.
#[derive(Debug, Clone, PartialEq)]
pub struct Model {
    name: ModelName,
}

/// Why a model file could not be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ModelError {
    /// No stage here scores with a model yet.
    #[error("no stage scores with a model yet; count without --model")]
    NoScorer,
}

impl Model {
    /// The model that comes with podfall.
    pub fn built_in() -> Self {
        Self {
            name: ModelName {
                name: "none".to_owned(),
                sha256: String::new(),
            },
        }
    }

    /// A model from the bytes of its file.
    ///
    /// # Errors
    /// [`ModelError`] when the bytes are no model.
    pub fn from_bytes(_bytes: &[u8]) -> Result<Self, ModelError> {
        Err(ModelError::NoScorer)
    }

    /// Its name and SHA-256.
    pub fn name(&self) -> ModelName {
        self.name.clone()
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

/// Counts one photo: all the stages in their order. A pure function of its arguments.
///
/// What goes wrong with the photo is in the result's `status` and `problem`, never a panic.
pub fn count_photo(bytes: &[u8], file_name: &str, settings: &Settings, _model: &Model) -> Counted {
    let photo = match photo::read(bytes, file_name, &settings.photo) {
        Ok(photo) => photo,
        Err(error) => {
            let meta = photo::file_only(bytes);
            return not_counted(file_name, settings, meta, Status::Failed, &error);
        }
    };
    not_counted(
        file_name,
        settings,
        photo.meta,
        Status::Refused,
        &ModelError::NoScorer,
    )
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

//! The pictures of one photo in the report, made once and kept packed.

use crate::{
    annotate::{self, CropFrom, CropSettings, Said, SmallSettings},
    counts::{Kind, Object, PhotoCount},
    photo::Photo,
    plot::Plot,
};

/// The pictures of one photo, packed as JPEG.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Pictures {
    /// The photo around the frame with its marks; empty when the file could not be read.
    pub small_jpeg: Vec<u8>,
    /// The most doubtful objects, most doubtful first.
    pub crops: Vec<Crop>,
}

/// One doubtful object, enlarged.
#[derive(Debug, Clone, PartialEq)]
pub struct Crop {
    /// Its number within the photo.
    pub id: u32,
    /// What it is thought to be.
    pub kind: Kind,
    /// The probability of that, 0..1.
    pub probability: f64,
    /// Whether it is in the count.
    pub counted: bool,
    /// Its picture.
    pub jpeg: Vec<u8>,
}

/// How large the pictures are, and so the report.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PictureSettings {
    /// Longer side of the photo's picture, pixels. Raised: a larger report; lowered: marks of
    /// beans in a large frame run together.
    pub small_px: u32,
    /// Side of a crop, pixels.
    pub crop_px: u32,
    /// Most crops a photo.
    pub most_crops: usize,
    /// JPEG quality, 1 to 100.
    pub quality: u8,
}

impl PictureSettings {
    /// Settings that keep a report over this many photos below about 15 MB, down to the least
    /// that can still be read.
    pub fn for_photos(photos: usize) -> Self {
        let (small_px, quality) = match photos {
            0..=30 => (900, 72),
            31..=70 => (720, 66),
            71..=150 => (560, 60),
            _ => (440, 55),
        };
        Self {
            small_px,
            crop_px: 144,
            most_crops: 12,
            quality,
        }
    }
}

impl Default for PictureSettings {
    fn default() -> Self {
        Self::for_photos(60)
    }
}

/// Makes the pictures of one photo. Without a plot (a refused photo) it is the photo alone.
pub fn pictures(
    photo: &Photo,
    plot: Option<&Plot>,
    (count, said): (&PhotoCount, Option<&Said>),
    settings: &PictureSettings,
) -> Pictures {
    let cropped: Vec<&Object> = most_doubtful(count)
        .into_iter()
        .take(settings.most_crops)
        .collect();
    let small = SmallSettings {
        long_side_px: settings.small_px,
        numbered: cropped.iter().map(|o| o.id).collect(),
        said: said.cloned(),
    };
    let small = annotate::small_picture(photo, plot, count, &small);
    let how = CropSettings {
        size_px: settings.crop_px,
        ..CropSettings::default()
    };
    let one = |object: &Object, plot| Crop {
        id: object.id,
        kind: object.kind,
        probability: object.probability,
        counted: object.counted,
        jpeg: annotate::jpeg(
            &annotate::crop(CropFrom::Photo(photo, plot), object, &how),
            settings.quality.saturating_add(8).min(100),
        ),
    };
    Pictures {
        small_jpeg: annotate::jpeg(&small, settings.quality),
        crops: plot.map_or_else(Vec::new, |plot| {
            cropped
                .into_iter()
                .map(|object| one(object, plot))
                .collect()
        }),
    }
}

/// The doubtful objects, those nearest to even chances first.
pub(super) fn most_doubtful(count: &PhotoCount) -> Vec<&Object> {
    let mut objects: Vec<&Object> = count.objects.iter().filter(|o| o.doubtful).collect();
    let off = |o: &Object| (o.probability - 0.5).abs();
    objects.sort_by(|a, b| off(a).total_cmp(&off(b)).then(a.id.cmp(&b.id)));
    objects
}

//! Finished work on one photo, kept so that a stopped run goes on where it was.

use std::{fs, path::Path};

use serde::{Deserialize, Serialize};

use super::BatchError;
use crate::{
    caution::Caution, counts::PhotoCount, files, likeness::Thumbnail, present::ReportPictures,
};

/// One photo, finished.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Record {
    /// What the count depended on besides the photo.
    pub key: String,
    /// The result, without what concerns two photos.
    pub count: PhotoCount,
    /// The plot drawn small.
    pub thumbnail: Option<Thumbnail>,
    /// What was drawn.
    pub drawn: Drawn,
}

/// What was drawn of a photo.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Drawn {
    /// No picture was wanted.
    NotAsked,
    /// There is nothing to draw.
    Nothing,
    /// Drawn.
    With {
        /// What the pictures depended on besides the count.
        key: String,
        /// Cautions in it that came from other photos.
        cautions: Vec<Caution>,
        /// Sizes of the annotated picture and of the report's pictures, bytes: a power cut may have
        /// left less.
        sizes_bytes: [u64; 2],
    },
}

impl Record {
    /// A result that is not kept.
    pub fn bare(count: PhotoCount) -> Self {
        Self {
            key: String::new(),
            count,
            thumbnail: None,
            drawn: Drawn::Nothing,
        }
    }

    /// Reads finished work. `None` where there is none that can be read: then the photo is
    /// counted, which is always right.
    pub fn load(path: &Path) -> Option<Self> {
        serde_json::from_slice(&fs::read(path).ok()?).ok()
    }

    /// Keeps it.
    pub fn save(&self, path: &Path) -> Result<(), BatchError> {
        let bytes = serde_json::to_vec(self).expect("a record is plain data");
        put(path, &bytes)
    }
}

/// Writes one file of the batch that can be made again.
pub(super) fn put(path: &Path, bytes: &[u8]) -> Result<(), BatchError> {
    files::write_replaceable(path, bytes).map_err(BatchError::writing(path))
}

/// Pictures for the report as one file: each as its number (the small picture: 0), its length, both
/// little-endian, and its bytes.
pub(super) fn packed(pictures: &ReportPictures) -> Vec<u8> {
    let small = (0, &pictures.small_jpeg);
    let crops = pictures.crops.iter().map(|(id, jpeg)| (*id, jpeg));
    let mut bytes = Vec::new();
    for (id, jpeg) in std::iter::once(small).chain(crops) {
        let length = u32::try_from(jpeg.len()).expect("a small picture is below 4 GB");
        bytes.extend(id.to_le_bytes());
        bytes.extend(length.to_le_bytes());
        bytes.extend(jpeg);
    }
    bytes
}

/// The way back; `None` for anything that [`packed`] does not make.
pub(super) fn unpacked(mut bytes: &[u8]) -> Option<ReportPictures> {
    let mut pictures = ReportPictures::default();
    let mut first = true;
    while !bytes.is_empty() {
        let (id, rest) = bytes.split_first_chunk::<4>()?;
        let (length, rest) = rest.split_first_chunk::<4>()?;
        let length = usize::try_from(u32::from_le_bytes(*length)).ok()?;
        let (jpeg, rest) = rest.split_at_checked(length)?;
        match (first, u32::from_le_bytes(*id)) {
            (true, 0) => pictures.small_jpeg = jpeg.to_vec(),
            (false, id) => pictures.crops.push((id, jpeg.to_vec())),
            (true, _) => return None,
        }
        first = false;
        bytes = rest;
    }
    (!first).then_some(pictures)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pictures_come_back_as_they_were_and_cut_ones_do_not() {
        let pictures = ReportPictures {
            small_jpeg: vec![1, 2, 3],
            crops: vec![(7, vec![4]), (9, Vec::new())],
        };
        let bytes = packed(&pictures);
        assert_eq!(unpacked(&bytes), Some(pictures));
        assert_eq!(unpacked(&bytes[..bytes.len() - 9]), None);
        assert_eq!(unpacked(b""), None);
        assert_eq!(unpacked(&[0xFF; 30]), None);
    }
}

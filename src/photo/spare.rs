//! Pixels of photos that are done with, used again.

use std::sync::{Mutex, PoisonError};

use image::RgbImage;

/// Largest memory that is kept, bytes: a photo of 13 million pixels. Raised: a batch of large photos holds memory that nobody
/// counts; lowered: the system must make fresh memory for each ordinary photo, which takes as long as a third of its decoding.
const MOST_BYTES: usize = 40_000_000;

/// Memory for pixels. What was in it before is never seen again.
///
/// Each photo that is read takes one memory out, whether it has a use for it or not, and puts one in when it is done: there is
/// never more than of the photos that were read at the same time.
#[derive(Debug, Default)]
pub struct Spare(Mutex<Vec<Vec<u8>>>);

/// Memory that was taken.
#[derive(Debug, Default)]
pub(super) struct Taken(Vec<u8>);

impl Spare {
    /// Memory of a photo before, if there is any.
    pub(super) fn take(&self) -> Taken {
        Taken(self.kept().pop().unwrap_or_default())
    }

    /// Takes the memory of a photo that is done with.
    pub fn give_back(&self, pixels: RgbImage) {
        let memory = pixels.into_raw();
        if memory.capacity() <= MOST_BYTES {
            self.kept().push(memory);
        }
    }

    /// Memory is whole even where a thread that held it panicked.
    fn kept(&self) -> std::sync::MutexGuard<'_, Vec<Vec<u8>>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Taken {
    /// So many bytes, all zero.
    pub fn zeros(self, bytes: usize) -> Vec<u8> {
        let Self(mut memory) = self;
        if memory.capacity() < bytes {
            drop(memory);
            return vec![0; bytes];
        }
        memory.clear();
        memory.resize(bytes, 0);
        memory
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photo::{PhotoLimits, markers::survey, read_into};

    #[test]
    fn nothing_of_the_photo_before_is_left() {
        let spare = Spare::default();
        let before = || RgbImage::from_pixel(40, 30, image::Rgb([7, 8, 9]));
        spare.give_back(before());
        let memory = spare.take().zeros(2000);
        assert!(memory.capacity() >= 3600, "the same memory");
        assert_eq!(memory, vec![0; 2000]);
        spare.give_back(before());
        assert_eq!(spare.take().zeros(5000), vec![0; 5000]);
    }

    /// A JPEG with a scan for each channel.
    fn apart() -> Vec<u8> {
        let mut bytes = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut bytes, 90);
        encoder.set_optimized_huffman_tables(true);
        let colours: Vec<u8> = (0..40 * 30 * 3).map(|i| (i * 7 % 251) as u8).collect();
        (encoder.encode(&colours, 40, 30, jpeg_encoder::ColorType::Rgb)).unwrap();
        assert!(survey(&bytes).unwrap().apart);
        bytes
    }

    /// However a photo is decoded.
    #[test]
    fn there_is_never_more_than_of_one_photo() {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures");
        let mut photos = vec![apart()];
        for name in [
            "photo-decoded/plain.jpg",
            "photo-decoded/progressive.jpg",
            "photo-formats/small-16.png",
            "photo-formats/small-p3.webp",
            #[cfg(feature = "heic")]
            "photo-formats/small.heic",
            "photo-decoded/plain.jpg",
        ] {
            photos.push(std::fs::read(folder.join(name)).unwrap());
        }
        let spare = Spare::default();
        for bytes in photos {
            let photo = read_into(&bytes, "photo", &PhotoLimits::default(), &spare).unwrap();
            assert_eq!(spare.kept().len(), 0, "{}", photo.meta.format);
            spare.give_back(photo.pixels);
            assert_eq!(spare.kept().len(), 1, "{}", photo.meta.format);
        }
    }
}

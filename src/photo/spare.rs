//! Pixels of photos that are done with, used again.

use std::sync::{Mutex, PoisonError};

use image::RgbImage;

/// Largest memory that is kept, bytes: a photo of 13 million pixels. Raised: a batch of large photos holds memory that nobody
/// counts; lowered: the system must make fresh memory for each ordinary photo, which takes as long as a third of its decoding.
const MOST_BYTES: usize = 40_000_000;

/// Memory for pixels. What was in it before is never seen again.
#[derive(Debug, Default)]
pub struct Spare(Mutex<Vec<Vec<u8>>>);

impl Spare {
    /// So many bytes, all zero.
    pub(super) fn take(&self, bytes: usize) -> Vec<u8> {
        if bytes > MOST_BYTES {
            return vec![0; bytes];
        }
        let mut memory = self.kept().pop().unwrap_or_default();
        if memory.capacity() < bytes {
            return vec![0; bytes];
        }
        memory.clear();
        memory.resize(bytes, 0);
        memory
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_of_the_photo_before_is_left() {
        let spare = Spare::default();
        spare.give_back(RgbImage::from_pixel(40, 30, image::Rgb([7, 8, 9])));
        let memory = spare.take(2000);
        assert!(memory.capacity() >= 3600, "the same memory");
        assert_eq!(memory, vec![0; 2000]);
        assert_eq!(spare.take(5000), vec![0; 5000]);
    }
}

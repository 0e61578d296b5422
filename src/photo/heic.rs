//! HEIC, the form in which phones save by default: HEVC pictures, mostly as a grid of tiles, in boxes.

use heifer::heifer_isobmff::{
    HeifFile, ItemId,
    boxes::{ColorInfo, Property},
};
use image::RgbImage;

use super::{PhotoError, PhotoLimits, check_opaque_share, profile};

/// Bytes a pixel while decoding: the picture with its alpha channel, and the same again while it is turned.
const DECODE_BYTES_A_PIXEL: u64 = 8;

/// Decodes the primary picture, cropped, turned and mirrored as its boxes say, and tells its colours. EXIF's
/// orientation must not be applied as well.
///
/// # Source
/// ISO/IEC 23008-12 (HEIF): 6.5.10 `irot`, 6.5.12 `imir`, 6.6.2.3 `grid`.
pub(super) fn decode(
    bytes: &[u8],
    limits: &PhotoLimits,
) -> Result<(RgbImage, profile::Said), PhotoError> {
    let file = HeifFile::parse(bytes).map_err(|error| damaged(error.into()))?;
    let id = file.primary_id;
    let size = file.image_size(id).map_err(|error| damaged(error.into()))?;
    let (w, h) = size.unwrap_or_default();
    let pixels = limits.check_pixels(w, h)?;
    limits.check_memory(DECODE_BYTES_A_PIXEL * pixels)?;
    // Threads run across photos, never inside a stage.
    let options = heifer::Options {
        max_threads: 1,
        max_pixels: limits.most_pixels,
    };
    let picture = heifer::decode_rgba8(bytes, &options).map_err(damaged)?;
    // What decodes must be what was checked.
    limits.check_pixels(picture.width, picture.height)?;
    if picture.has_alpha {
        let see_through = picture.data.chunks_exact(4).filter(|p| p[3] < u8::MAX);
        check_opaque_share(see_through.count(), picture.width, picture.height)?;
    }
    let (w, h) = (picture.width, picture.height);
    let rgb = RgbImage::from_raw(w, h, without_alpha(picture.data))
        .ok_or(PhotoError::DecoderGaveUp { format: "HEIC" })?;
    Ok((rgb, colours(&file, id)))
}

/// Memory for decoding; `None` where the file does not say its size.
pub(super) fn decode_bytes(bytes: &[u8]) -> Option<u64> {
    let file = HeifFile::parse(bytes).ok()?;
    let (w, h) = file.image_size(file.primary_id).ok()??;
    Some(DECODE_BYTES_A_PIXEL * u64::from(w) * u64::from(h))
}

fn damaged(source: heifer::Error) -> PhotoError {
    PhotoError::DamagedHeic {
        source: Box::new(source),
    }
}

/// RGBA to RGB in the same memory.
fn without_alpha(mut data: Vec<u8>) -> Vec<u8> {
    let pixels = data.len() / 4;
    for k in 0..pixels {
        data.copy_within(4 * k..4 * k + 3, 3 * k);
    }
    data.truncate(3 * pixels);
    data.shrink_to_fit();
    data
}

/// An ICC profile goes before code points; the tiles' stand for a grid that has none of its own.
fn colours(file: &HeifFile<'_>, id: ItemId) -> profile::Said {
    let tile = file.referenced_items(id, b"dimg").first().copied();
    for item in [Some(id), tile].into_iter().flatten() {
        if let Ok(Some(icc)) = file.icc_profile(item) {
            return profile::Said::Icc(icc.to_vec());
        }
        let codes = file.item_properties(item).ok().and_then(|mut properties| {
            properties.find_map(|property| match property {
                Property::Color(ColorInfo::Nclx {
                    primaries,
                    transfer,
                    ..
                }) => Some((*primaries, *transfer)),
                _ => None,
            })
        });
        if let Some((primaries, transfer)) = codes {
            return profile::Said::Codes {
                primaries,
                transfer,
            };
        }
    }
    profile::Said::Nothing
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn alpha_is_dropped_in_place() {
        assert_eq!(
            without_alpha(vec![1, 2, 3, 255, 4, 5, 6, 255]),
            [1, 2, 3, 4, 5, 6]
        );
        assert_eq!(without_alpha(Vec::new()), Vec::<u8>::new());
    }
}

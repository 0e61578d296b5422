//! A picture's own colours turned into sRGB.
//!
//! Phones write Display P3 as an ICC profile; its numbers taken for sRGB would make every colour paler than
//! it was, and colour tells beans from straw.

use image::RgbImage;
use moxcms::{
    CicpColorPrimaries, CicpProfile, ColorProfile, DataColorSpace, Layout, MatrixCoefficients,
    ProfileText, TransferCharacteristics, Transform8BitExecutor, TransformOptions,
};

use super::{ColourProfile, meta::MOST_TEXT};

/// Greatest difference, levels of 255, at which a profile is taken for sRGB itself and the pixels are left as
/// they are. Raised: faint casts stay; lowered: every phone's own way of writing sRGB costs a pass.
const SAME_LEVELS: u8 = 2;

/// Steps a channel in the colours by which a profile is compared with sRGB.
const PROBE_STEPS: u8 = 6;

/// What a file says of its colours.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Said {
    /// Nothing: sRGB is taken, as every viewer does.
    Nothing,
    /// An ICC profile.
    Icc(Vec<u8>),
    /// Code points of ITU-T H.273; only a HEIC has them.
    #[cfg_attr(not(feature = "heic"), allow(dead_code))]
    Codes {
        /// Colour primaries.
        primaries: u16,
        /// Transfer characteristics.
        transfer: u16,
    },
}

impl From<Option<Vec<u8>>> for Said {
    fn from(icc: Option<Vec<u8>>) -> Self {
        icc.map_or(Self::Nothing, Self::Icc)
    }
}

/// Turns the pixels into sRGB in place and tells which profile they had. A profile that cannot be applied
/// leaves them as they are, and says so.
///
/// # Source
/// ICC.1:2022 (profiles); ITU-T H.273 (2021), tables 2 and 3 (code points).
pub(super) fn to_srgb(pixels: &mut RgbImage, said: &Said) -> Option<ColourProfile> {
    let (name, profile) = match said {
        Said::Nothing => return None,
        Said::Icc(bytes) => {
            let profile = ColorProfile::new_from_slice(bytes).ok();
            (profile.as_ref().and_then(name), profile)
        }
        Said::Codes {
            primaries,
            transfer,
        } => (
            Some(format!("primaries {primaries}, transfer {transfer}")),
            by_codes(*primaries, *transfer),
        ),
    };
    let transform = profile.and_then(|profile| transform(&profile));
    let applied = transform.is_some_and(|transform| apply(&*transform, pixels).is_some());
    Some(ColourProfile {
        name: name.unwrap_or_else(|| "unnamed".to_owned()),
        applied,
    })
}

/// The way to sRGB; `None` for a profile that is not of colours in red, green and blue.
fn transform(profile: &ColorProfile) -> Option<std::sync::Arc<Transform8BitExecutor>> {
    if profile.color_space != DataColorSpace::Rgb {
        return None;
    }
    profile
        .create_transform_8bit(
            Layout::Rgb,
            &ColorProfile::new_srgb(),
            Layout::Rgb,
            TransformOptions::default(),
        )
        .ok()
}

/// Row by row, through one row's memory; not at all where the profile is sRGB by another name.
fn apply(transform: &Transform8BitExecutor, pixels: &mut RgbImage) -> Option<()> {
    let probe = probe();
    let mut turned = vec![0; probe.len()];
    transform.transform(&probe, &mut turned).ok()?;
    let same = |(a, b): (&u8, &u8)| a.abs_diff(*b) <= SAME_LEVELS;
    if probe.iter().zip(&turned).all(same) {
        return Some(());
    }
    let row_bytes = 3 * pixels.width() as usize;
    let mut row = vec![0; row_bytes];
    for stored in pixels.chunks_exact_mut(row_bytes) {
        transform.transform(stored, &mut row).ok()?;
        stored.copy_from_slice(&row);
    }
    Some(())
}

/// Colours all over the cube.
fn probe() -> Vec<u8> {
    let step = |k: u8| k * (u8::MAX / (PROBE_STEPS - 1));
    let steps = || 0..PROBE_STEPS;
    let colour = |r, g| steps().flat_map(move |b| [step(r), step(g), step(b)]);
    steps()
        .flat_map(|r| steps().flat_map(move |g| colour(r, g)))
        .collect()
}

/// A profile for ordinary pictures by their code points; `None` for what needs a darkening of its own before
/// it can be shown (PQ and HLG), or for code points that are reserved.
fn by_codes(primaries: u16, transfer: u16) -> Option<ColorProfile> {
    /// "Unspecified" in H.273: sRGB's is taken.
    const UNSPECIFIED: u16 = 2;
    /// sRGB's transfer characteristics (IEC 61966-2-1).
    const SRGB: u8 = 13;
    let code = |code: u16, default: u8| match code {
        UNSPECIFIED => Some(default),
        code => u8::try_from(code).ok(),
    };
    let transfer = match code(transfer, SRGB)? {
        // BT.709, BT.601 and BT.2020 for cameras: still pictures are shown with sRGB's curve.
        1 | 6 | 14 | 15 => SRGB,
        16 | 18 => return None,
        other => other,
    };
    Some(ColorProfile::new_from_cicp(CicpProfile {
        color_primaries: CicpColorPrimaries::try_from(code(primaries, 1)?).ok()?,
        transfer_characteristics: TransferCharacteristics::try_from(transfer).ok()?,
        matrix_coefficients: MatrixCoefficients::Identity,
        full_range: true,
    }))
}

/// The profile's own name for itself.
fn name(profile: &ColorProfile) -> Option<String> {
    let text = match profile.description.as_ref()? {
        ProfileText::PlainString(text) => text.clone(),
        ProfileText::Localizable(texts) => texts.first()?.value.clone(),
        ProfileText::Description(text) => text.ascii_string.clone(),
    };
    let text: String = (text.chars().filter(|c| !c.is_control()))
        .take(MOST_TEXT)
        .collect();
    let text = text.trim();
    (!text.is_empty()).then(|| text.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(colour: [u8; 3]) -> RgbImage {
        RgbImage::from_pixel(1, 1, image::Rgb(colour))
    }

    fn icc(profile: &ColorProfile) -> Said {
        Said::Icc(profile.encode().unwrap())
    }

    /// A Display P3 colour in sRGB by W3C's CSS Color 4 (sample code, from memory): linear
    /// `[[1.2249, -0.2247, 0], [-0.0420, 1.0419, 0], [-0.0197, -0.0786, 1.0979]]`. For (200, 150, 100):
    /// linear 0.5776, 0.3050, 0.1274 to 0.6390, 0.2935, 0.1046; encoded 209.0, 147.4, 91.2.
    #[test]
    fn display_p3_becomes_srgb() {
        let expected = [209, 147, 91];
        for said in [
            icc(&ColorProfile::new_display_p3()),
            Said::Codes {
                primaries: 12,
                transfer: 13,
            },
        ] {
            let mut picture = one([200, 150, 100]);
            let told = to_srgb(&mut picture, &said).unwrap();
            assert!(told.applied, "{told:?}");
            let got = picture.get_pixel(0, 0).0;
            let near = |k: usize| got[k].abs_diff(expected[k]) <= 1;
            assert!((0..3).all(near), "{said:?}: {got:?}");
        }
    }

    #[test]
    fn srgb_by_any_name_leaves_the_pixels_as_they_are() {
        for said in [
            icc(&ColorProfile::new_srgb()),
            Said::Codes {
                primaries: 1,
                transfer: 13,
            },
            Said::Codes {
                primaries: 1,
                transfer: 1,
            },
            Said::Codes {
                primaries: 2,
                transfer: 2,
            },
        ] {
            let mut picture = one([201, 13, 99]);
            let told = to_srgb(&mut picture, &said).unwrap();
            assert!(told.applied, "{said:?}");
            assert_eq!(picture, one([201, 13, 99]), "{said:?}");
        }
    }

    #[test]
    fn what_cannot_be_applied_says_so_and_changes_nothing() {
        let bare = ColorProfile::new_gray_with_gamma(2.2);
        for said in [
            Said::Icc(b"no profile".to_vec()),
            Said::Icc(Vec::new()),
            icc(&bare),
            Said::Codes {
                primaries: 9,
                transfer: 16,
            },
            Said::Codes {
                primaries: 9,
                transfer: 999,
            },
        ] {
            let mut picture = one([201, 13, 99]);
            let told = to_srgb(&mut picture, &said).unwrap();
            assert!(!told.applied, "{said:?}");
            assert_eq!(picture, one([201, 13, 99]));
        }
        assert_eq!(to_srgb(&mut one([1, 2, 3]), &Said::Nothing), None);
    }
}

//! A plot looked at twice, as it is and mirrored: the mean of both answers errs less than either.

use image::{RgbImage, imageops};
use ndarray::{Array2, Array3, Axis, Slice};

use super::net::{Maps, Measure, Memory, Net, NetError, STEP_PX};

/// Looks at a plot as it is and mirrored left to right, and gives the mean of what the network says.
///
/// # Errors
/// [`NetError`] when the network does not run.
pub fn look_twice(net: &Net, raw: &RgbImage, memory: &mut Memory) -> Result<Maps, NetError> {
    let whole = filled(raw, STEP_PX as u32);
    let mut maps = net.look(&whole, memory)?;
    let other = mirrored(&net.look(&imageops::flip_horizontal(&whole), memory)?);
    maps.bean_heat = mean(&maps.bean_heat, &other.bean_heat);
    maps.pod_heat = mean(&maps.pod_heat, &other.pod_heat);
    maps.measures = mean(&maps.measures, &other.measures);
    Ok(maps)
}

fn mean<D: ndarray::Dimension>(
    a: &ndarray::Array<f32, D>,
    b: &ndarray::Array<f32, D>,
) -> ndarray::Array<f32, D> {
    (a + b) * 0.5
}

/// The picture with its last column and row repeated, until both sides are multiples of `step` pixels: so that the
/// mirrored picture's cells lie where the picture's own do.
fn filled(raw: &RgbImage, step: u32) -> RgbImage {
    let (w, h) = raw.dimensions();
    RgbImage::from_fn(
        w.next_multiple_of(step),
        h.next_multiple_of(step),
        |x, y| *raw.get_pixel(x.min(w - 1), y.min(h - 1)),
    )
}

/// What was said of a mirrored plot, for the plot as it is.
fn mirrored(maps: &Maps) -> Maps {
    let back = |a: &Array2<f32>| a.slice_axis(Axis(1), Slice::new(0, None, -1)).to_owned();
    let mut measures: Array3<f32> = maps
        .measures
        .slice_axis(Axis(2), Slice::new(0, None, -1))
        .to_owned();
    // an axis at angle a lies at −a when mirrored
    measures
        .index_axis_mut(Axis(0), Measure::Sin2 as usize)
        .mapv_inplace(|v| -v);
    Maps {
        bean_heat: back(&maps.bean_heat),
        pod_heat: back(&maps.pod_heat),
        measures,
    }
}

#[cfg(test)]
mod tests {
    use image::Rgb;

    use super::*;

    fn maps() -> Maps {
        Maps {
            bean_heat: Array2::from_shape_fn((4, 8), |(r, c)| (r * 8 + c) as f32),
            pod_heat: Array2::zeros((4, 8)),
            measures: Array3::from_shape_fn((7, 2, 4), |(m, r, c)| (m * 8 + r * 4 + c) as f32),
        }
    }

    #[test]
    fn mirrored_twice_is_the_same() {
        assert_eq!(mirrored(&mirrored(&maps())), maps());
        assert_eq!(mirrored(&maps()).bean_heat[[0, 0]], 7.0);
        assert_eq!(mirrored(&maps()).measures[[6, 0, 0]], -(48.0 + 3.0));
    }

    #[test]
    fn a_picture_is_filled_to_whole_cells_with_its_last_pixels() {
        let raw = RgbImage::from_fn(17, 5, |x, y| Rgb([x as u8, y as u8, 0]));
        let whole = filled(&raw, 16);
        assert_eq!(whole.dimensions(), (32, 16));
        assert_eq!(whole.get_pixel(31, 15), &Rgb([16, 4, 0]));
        assert_eq!(whole.get_pixel(3, 2), &Rgb([3, 2, 0]));
    }
}

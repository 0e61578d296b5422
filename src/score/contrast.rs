//! How far beans stand out from the ground: what has nearly its colour is missed, and nothing else on a photo tells of it.

use super::Scored;
use crate::{
    colour::{Lab, lab_from_srgb8},
    geometry::Point,
    plot::Plot,
    stats::median,
};

/// Probability from which a bean is looked at: those in doubt may be ground.
const SURE: f64 = 0.6;
/// Beans of which the median is told.
const FEWEST: usize = 10;
/// Most beans that are looked at: their median says no more after that.
const MOST: usize = 200;
/// Radius of what lies on a bean for certain, mm.
const ON_IT_MM: f64 = 1.8;
/// Ring about a bean that holds ground, mm from its middle.
const ABOUT_IT_MM: (f64, f64) = (4.0, 6.0);

/// Difference in colour between a bean and the ground about it, ΔE*ab (CIE 1976), as photographed: the median over the sure beans;
/// `None` where fewer than ten are seen.
pub fn bean_contrast(plot: &Plot, scored: &[Scored]) -> Option<f64> {
    let mut differences: Vec<f64> = (scored.iter())
        .filter(|s| s.chances.bean + s.chances.split >= SURE)
        .take(MOST)
        .filter_map(|s| contrast_at(plot, s.candidate.centre_mm))
        .collect();
    if differences.len() < FEWEST {
        return None;
    }
    median(&mut differences)
}

fn contrast_at(plot: &Plot, centre_mm: Point) -> Option<f64> {
    let centre = plot.plot_px_from_mm(centre_mm);
    let reach = (ABOUT_IT_MM.1 * plot.px_per_mm).ceil();
    let (w, h) = plot.raw.dimensions();
    let span = |middle: f64, size: u32| {
        let from = (middle - reach).max(0.0) as u32;
        from..(((middle + reach).max(0.0) as u32) + 1).min(size)
    };
    let (mut on_it, mut about_it) = (Vec::new(), Vec::new());
    for y in span(centre.y, h) {
        for x in span(centre.x, w) {
            let away = (f64::from(x) + 0.5 - centre.x).hypot(f64::from(y) + 0.5 - centre.y);
            let away_mm = away / plot.px_per_mm;
            let which = if away_mm < ON_IT_MM {
                &mut on_it
            } else if (ABOUT_IT_MM.0..ABOUT_IT_MM.1).contains(&away_mm) {
                &mut about_it
            } else {
                continue;
            };
            which.push(lab_from_srgb8(plot.raw.get_pixel(x, y).0));
        }
    }
    let (bean, ground) = (middle(&on_it)?, middle(&about_it)?);
    let squares = bean.iter().zip(ground).map(|(a, b)| (a - b).powi(2));
    Some(squares.sum::<f64>().sqrt())
}

/// The median of each of L*, a*, b*.
fn middle(colours: &[Lab]) -> Option<[f64; 3]> {
    let of = |part: fn(&Lab) -> f32| {
        let mut values: Vec<f64> = colours.iter().map(|c| f64::from(part(c))).collect();
        median(&mut values)
    };
    Some([of(|c| c.l)?, of(|c| c.a)?, of(|c| c.b)?])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        candidate::{Candidate, tests::plot_with},
        score::Chances,
    };

    fn bean_at(x: f64, y: f64, probability: f64) -> Scored {
        Scored {
            candidate: Candidate {
                centre_mm: Point::new(x, y),
                length_mm: 7.0,
                width_mm: 7.0,
                angle_rad: 0.0,
                area_mm2: 38.0,
                pod_shaped: false,
                was_touching: false,
            },
            chances: Chances {
                bean: probability,
                other: 1.0 - probability,
                ..Chances::default()
            },
            beans_in_pod: 0.0,
        }
    }

    /// By the definition of ΔE*ab (CIE 15:2004, 8.2.1), of the colours that the plot is drawn in; noise adds up to 15 to each channel.
    #[test]
    fn the_difference_is_that_of_the_two_colours() {
        let places: Vec<(f64, f64)> = (0..10)
            .map(|i| {
                (
                    12.0 + 18.0 * f64::from(i % 5),
                    20.0 + 40.0 * f64::from(i / 5),
                )
            })
            .collect();
        let on_a_bean = |x: f64, y: f64| {
            let near = |&(cx, cy): &(f64, f64)| (x - cx).hypot(y - cy) < 3.5;
            places.iter().any(near)
        };
        let plot = plot_with(on_a_bean);
        let beans: Vec<Scored> = (places.iter().map(|&(x, y)| bean_at(x, y, 0.9))).collect();
        let told = bean_contrast(&plot, &beans).unwrap();
        let [bean, ground] = [[200, 175, 125], [75, 60, 48]]
            .map(|rgb: [u8; 3]| crate::colour::lab_from_srgb8_exact(rgb.map(|v| v + 8)));
        let squares = bean.iter().zip(ground).map(|(a, b)| (a - b) * (a - b));
        let drawn = squares.sum::<f64>().sqrt();
        assert!((told - drawn).abs() < 1.5, "{told} for {drawn}");

        assert_eq!(bean_contrast(&plot, &beans[1..]), None, "nine are too few");
        let mut doubtful = beans.clone();
        doubtful[0] = bean_at(12.0, 20.0, 0.5);
        assert_eq!(
            bean_contrast(&plot, &doubtful),
            None,
            "those in doubt do not count"
        );
        // At the picture's edge, and out of it.
        let mut beyond = beans;
        beyond.push(bean_at(-9.0, -9.0, 0.9));
        beyond.push(bean_at(500.0, 500.0, 0.9));
        assert!((bean_contrast(&plot, &beyond).unwrap() - drawn).abs() < 2.5);
    }
}

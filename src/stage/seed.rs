//! Shapes of beans, split halves and closed pods, in mm.

use std::f32::consts::{FRAC_PI_2, TAU};

use super::body::Body;
use super::chance::Dice;
use super::maths::{V3, v3};
use super::noise::noise3;

/// Radius of the ball on which a bean's texture is laid, mm.
pub(super) const TEXTURE_RADIUS_MM: f32 = 3.3;

/// A bean's length, width and thickness, mm.
///
/// # Source
/// Near Kibar (2008), Int. Agrophys. 22:239, at 8 to 10 % moisture: 7.24 × 6.79 × 5.78 mm. The spread of 4.5 % and one
/// small bean in twenty are common practice.
pub(super) fn bean_size(dice: &mut Dice) -> V3 {
    let mut all = dice.factor(0.045);
    if dice.chance(0.05) {
        all *= dice.between(0.72, 0.88);
    }
    v3(
        7.2 * all * dice.factor(0.025),
        6.6 * all * dice.factor(0.025),
        5.8 * all * dice.factor(0.025),
    )
}

/// A whole bean of radius [`TEXTURE_RADIUS_MM`], to be stretched to its size; hilum at +y.
pub(super) fn bean(dice: &mut Dice) -> Body {
    let seed = dice.between(0.0, 99.0);
    let wrinkled = dice.chance(0.08);
    let egg = dice.bell(0.03);
    Body::ball(3).shaped(|p| {
        let flat = 1.0 - 0.06 * (-((p.y - 1.0) / 0.35).powi(2)).exp();
        let mut wave = 0.016 * noise3(p * 1.3 + V3::all(seed));
        if wrinkled {
            wave += 0.035 * noise3(p * 3.4 + V3::all(seed));
        }
        let p = v3(p.x * (1.0 + egg * p.z), p.y, p.z);
        p * (flat * (1.0 + wave) * TEXTURE_RADIUS_MM)
    })
}

/// Half of a bean, coat below (part 0), flat face up (part 1), of radius [`TEXTURE_RADIUS_MM`].
pub(super) fn half_bean(dice: &mut Dice) -> Body {
    let dish = dice.between(-0.02, 0.06);
    let chip = dice.direction();
    let mut body = Body::ball(3).shaped(|p| {
        let r = (p.x * p.x + p.y * p.y).sqrt();
        let mut q = p;
        if p.z > 0.0 {
            q.z = if r > 0.93 {
                0.02
            } else {
                -dish * (1.0 - r * r)
            };
        }
        let bite = (chip.dot(p) - 0.82).max(0.0);
        (q - v3(chip.x, chip.y, 0.0) * (bite * 0.8)) * TEXTURE_RADIUS_MM
    });
    for (f, part) in body.facets.iter().zip(&mut body.part) {
        let mean = f.iter().map(|k| body.corners[*k as usize].z).sum::<f32>() / 3.0;
        *part = u8::from(mean > -0.08 * TEXTURE_RADIUS_MM);
    }
    body
}

/// A closed pod and its measures.
#[derive(Debug, Clone)]
pub(super) struct PodShape {
    pub body: Body,
    /// Length of the pod's body along x and its greatest width, mm.
    pub length_mm: f32,
    pub width_mm: f32,
    /// Half of its greatest thickness, mm.
    pub half_thick_mm: f32,
}

struct PodOutline {
    /// Where the beans sit, share of the length.
    seats: Vec<f32>,
    length: f32,
    half_wide: f32,
    plump: f32,
    bow: f32,
    twist: f32,
    seed: f32,
}

impl PodOutline {
    /// Cross-section at share `t` of the length.
    fn section(&self, t: f32) -> Vec<V3> {
        const SIDES: usize = 16;
        let half_seat = 0.20 / (self.seats.len() as f32).max(1.5);
        let ends = ((t / 0.11).min((1.0 - t) / 0.14).clamp(0.0, 1.0) * FRAC_PI_2).sin();
        let seat: f32 = self
            .seats
            .iter()
            .map(|s| (-((t - s) / half_seat).powi(2)).exp())
            .sum::<f32>()
            .min(1.0);
        let wide = self.half_wide * (0.74 + 0.26 * seat) * ends + 0.5;
        let thick = (1.2 + self.plump * seat) * ends + 0.4;
        let turn = self.twist * (t - 0.5);
        let bow = self.bow * ((2.0 * t - 1.0).powi(2) - 0.33);
        (0..SIDES)
            .map(|j| {
                let a = TAU * j as f32 / SIDES as f32;
                let rough = 1.0 + 0.04 * noise3(v3(t * 14.0, a * 1.5, self.seed));
                let y = wide * a.cos() * rough;
                let z = thick * a.sin().signum() * a.sin().abs().powf(1.2) * rough;
                v3(
                    (t - 0.5) * self.length,
                    y * turn.cos() - z * turn.sin() + bow,
                    y * turn.sin() + z * turn.cos(),
                )
            })
            .collect()
    }
}

/// A closed pod with `beans` in it: bulged over each, bowed, with stalk and beak.
///
/// # Source
/// Pods of 3 to 8 cm with 2.5 beans on average: extension figures, see the handbook of the trade; widths are practice.
pub(super) fn pod(dice: &mut Dice, beans: usize) -> PodShape {
    let length = match beans {
        1 => dice.between(24.0, 31.0),
        2 => dice.between(34.0, 43.0),
        3 => dice.between(43.0, 54.0),
        _ => dice.between(52.0, 62.0),
    };
    let half_wide = dice.between(4.0, 5.6);
    let plump = dice.between(1.9, 2.5);
    let bow = dice.bell(0.08) * length;
    let outline = PodOutline {
        seats: (0..beans)
            .map(|k| match beans {
                1 => 0.5,
                _ => 0.2 + 0.6 * k as f32 / (beans - 1) as f32,
            })
            .collect(),
        length,
        half_wide,
        plump,
        bow,
        twist: dice.bell(0.3),
        seed: dice.between(0.0, 99.0),
    };
    let n = 44;
    let sections: Vec<Vec<V3>> = (0..n)
        .map(|i| outline.section(i as f32 / (n - 1) as f32))
        .collect();
    let mut body = Body::default();
    body.skin(&sections, true, |_| 0);
    let mean = |s: &[V3]| s.iter().fold(V3::ZERO, |a, p| a + *p) / s.len() as f32;
    let (first, last) = (&sections[0], &sections[n - 1]);
    let stalk = mean(first) - v3(dice.between(2.0, 5.0), 0.0, 0.0);
    let beak = mean(last) + v3(dice.between(1.5, 4.0), dice.bell(1.2), 0.0);
    body.cap(first, stalk, 0);
    body.cap(last, beak, 0);
    PodShape {
        body,
        length_mm: length,
        width_mm: 2.0 * half_wide,
        half_thick_mm: 1.6 + plump,
    }
}

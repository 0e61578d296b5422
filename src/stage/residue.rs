//! Shapes of what a soybean crop leaves on the ground, in mm along +x: stems, split stems, leaf
//! stalks, leaves, chaff, empty pod halves, stumps, flecks, stones.
//!
//! Sizes are of ordinary combine residue (common practice, no published source).

use std::f32::consts::{PI, TAU};

use super::body::Body;
use super::chance::Dice;
use super::maths::{V3, v3};
use super::noise::noise3;

/// A stem with knots, a slight bend, ridges along it and broken ends.
pub(super) fn stem(dice: &mut Dice, length: f32, radius: f32) -> Body {
    let n = ((length / 9.0) as usize).clamp(7, 26);
    let (bend, lift) = (dice.bell(0.016) * length, dice.bell(0.005) * length);
    let knots: Vec<(f32, f32)> = (0..dice.below(4))
        .map(|_| (dice.between(-0.8, 0.8), dice.bell(0.02) * length))
        .collect();
    let path: Vec<V3> = (0..n)
        .map(|i| {
            let t = 2.0 * i as f32 / (n - 1) as f32 - 1.0;
            let kinks: f32 = knots.iter().map(|k| k.1 * (t - k.0).max(0.0)).sum();
            v3(
                t * length / 2.0,
                bend * (t * t - 0.3) + kinks,
                lift * (t * t - 0.3),
            )
        })
        .collect();
    let (ridges, phase) = (2.0 + dice.below(4) as f32, dice.angle());
    let taper = dice.between(0.0, 0.18);
    let ragged: Vec<f32> = (0..2 * n).map(|_| dice.bell(1.0)).collect();
    let seed = dice.between(0.0, 99.0);
    let mut body = Body::rod(&path, 10, |i, a| {
        let t = 2.0 * i as f32 / (n - 1) as f32 - 1.0;
        let knot: f32 = knots
            .iter()
            .map(|k| 0.35 * (-((t - k.0) * length / (3.5 * radius)).powi(2)).exp())
            .sum();
        let ridge = 0.08 * (a * ridges + phase + 0.6 * t).cos();
        radius * (1.0 - taper * t + knot + ridge + 0.05 * noise3(v3(t * 4.0, a, seed)))
    });
    // Broken ends: the corners nearest the ends reach out unevenly.
    let tear = radius * dice.between(0.2, 1.1);
    for c in &mut body.corners {
        if c.x.abs() > length / 2.0 - 0.3 * radius - 0.5 {
            let k = ((c.y * 3.1 + c.z * 2.3 + c.x.signum() * 7.0) * 5.0)
                .sin()
                .abs()
                * 2.0
                * n as f32;
            c.x += c.x.signum() * tear * ragged[(k as usize).min(ragged.len() - 1)].abs();
        }
    }
    body
}

/// Part of a split stem: a curved strip with bark outside (part 0) and pith inside (part 1).
pub(super) fn split_stem(dice: &mut Dice, length: f32, radius: f32) -> Body {
    let (n, m) = (((length / 7.0) as usize).clamp(6, 20), 6);
    let arc = dice.between(0.9, 3.4);
    let wall = dice.between(0.14, 0.34);
    let (twist, bend) = (dice.bell(0.5), dice.bell(0.03) * length);
    let sections: Vec<Vec<V3>> = (0..n)
        .map(|i| {
            let t = 2.0 * i as f32 / (n - 1) as f32 - 1.0;
            let narrow = 1.0 - 0.5 * ease_end(t) * dice.unit();
            let ends = i == 0 || i == n - 1;
            (0..2 * m)
                .map(|j| {
                    let (k, r) = if j < m {
                        (j, radius)
                    } else {
                        (2 * m - 1 - j, radius * (1.0 - wall))
                    };
                    let a = (k as f32 / (m - 1) as f32 - 0.5) * arc * narrow + twist * t - PI / 2.0;
                    let jag = if ends { dice.bell(0.02) * length } else { 0.0 };
                    v3(
                        t * length / 2.0 + jag,
                        r * a.cos() + bend * (t * t - 0.3),
                        r * a.sin() + 0.5 * radius,
                    )
                })
                .collect()
        })
        .collect();
    let mut body = Body::default();
    body.skin(&sections, true, |j| u8::from(j >= m - 1));
    body
}

fn ease_end(t: f32) -> f32 {
    ((t.abs() - 0.6) / 0.4).clamp(0.0, 1.0)
}

/// A leaf stalk: thin and curved.
pub(super) fn leaf_stalk(dice: &mut Dice, length: f32, radius: f32) -> Body {
    let n = 13;
    let (b2, b3) = (dice.bell(0.11) * length, dice.bell(0.05) * length);
    let path: Vec<V3> = (0..n)
        .map(|i| {
            let t = 2.0 * i as f32 / (n - 1) as f32 - 1.0;
            v3(t * length / 2.0, b2 * (t * t - 0.3) + b3 * t * t * t, 0.0)
        })
        .collect();
    Body::rod(&path, 6, |i, _| {
        let t = 2.0 * i as f32 / (n - 1) as f32 - 1.0;
        radius * (1.0 + 0.7 * (-((t + 1.0) / 0.08).powi(2)).exp() - 0.15 * t)
    })
}

/// A piece of dead leaf, torn and curled; `radius` its half width.
pub(super) fn leaf(dice: &mut Dice, radius: f32) -> Body {
    let waves: Vec<(f32, f32)> = (2..10)
        .map(|k| (dice.bell(0.26 / k as f32), dice.angle()))
        .collect();
    let long = dice.between(0.1, 0.35);
    let (tear, tear_at, tear_wide) = (dice.between(0.0, 0.7), dice.angle(), dice.between(0.1, 0.4));
    let rim = |a: f32| {
        let mut r = 1.0 + long * (2.0 * a).cos();
        for (k, (amount, phase)) in waves.iter().enumerate() {
            r += amount * ((k + 2) as f32 * a + phase).cos();
        }
        let away = ((a - tear_at + PI).rem_euclid(TAU) - PI) / tear_wide;
        r -= tear * (-away * away).exp();
        radius * r.clamp(0.3, 1.7)
    };
    let curl = dice.bell(0.45) / radius;
    let curl_y = dice.bell(0.3) / radius;
    let cup = if dice.chance(0.4) {
        dice.between(0.2, 0.7) / radius
    } else {
        0.0
    };
    let seed = dice.between(0.0, 99.0);
    let crumple = dice.between(0.08, 0.26) * radius;
    Body::sheet(7, 24, rim, |x, y| {
        curl * x * x
            + (curl_y + cup) * y * y
            + 0.09 * y.abs()
            + crumple * noise3(v3(1.6 * x / radius, 1.6 * y / radius, seed))
            + 0.3 * crumple * noise3(v3(4.0 * x / radius, 4.0 * y / radius, seed))
    })
}

/// A bit of hull, pod wall or bark; `radius` its longer half.
pub(super) fn chaff(dice: &mut Dice, radius: f32) -> Body {
    let narrow = dice.between(0.25, 0.9);
    let waves: Vec<(f32, f32)> = (2..8)
        .map(|k| (dice.bell(0.17 / (k as f32).powf(0.6)), dice.angle()))
        .collect();
    let rim = |a: f32| {
        let ellipse = 1.0 / (a.cos().powi(2) + (a.sin() / narrow).powi(2)).sqrt();
        let wave: f32 = waves
            .iter()
            .enumerate()
            .map(|(k, (amount, phase))| amount * ((k + 2) as f32 * a + phase).cos())
            .sum();
        radius * (ellipse * (1.0 + wave)).clamp(0.2, 1.3)
    };
    let curl = dice.between(0.15, 0.75) * if dice.chance(0.33) { -1.0 } else { 1.0 } / radius;
    let seed = dice.between(0.0, 99.0);
    Body::sheet(3, 13, rim, |x, y| {
        curl * y * y + 0.08 * radius * noise3(v3(2.0 * x / radius, 2.0 * y / radius, seed))
    })
}

/// A shed seed coat: a cracked cup of a bean's own size, the hardest thing to tell from a bean.
pub(super) fn seed_coat(dice: &mut Dice) -> Body {
    let radius = dice.between(2.6, 3.6);
    let depth = dice.between(0.5, 1.1);
    let waves: Vec<(f32, f32)> = (2..7)
        .map(|k| (dice.bell(0.12), dice.angle() + k as f32))
        .collect();
    let rim = |a: f32| {
        let wave: f32 = waves
            .iter()
            .enumerate()
            .map(|(k, (amount, phase))| amount * ((k + 2) as f32 * a + phase).cos())
            .sum();
        radius * (1.0 + wave).clamp(0.45, 1.25)
    };
    Body::sheet(5, 16, rim, |x, y| {
        let r2 = (x * x + y * y) / (radius * radius);
        depth * radius * ((1.0 - r2 * 0.8).max(0.05).sqrt() - 0.6)
    })
}

/// Half of an opened pod: a boat with dents where the beans sat.
pub(super) fn husk(dice: &mut Dice) -> (Body, f32) {
    let seats = 1 + dice.below(4);
    let length = 12.0 + 10.5 * seats as f32 + dice.bell(2.0);
    let half_wide = dice.between(3.6, 5.4);
    let (n, m) = (22, 9);
    let twist = dice.bell(0.5)
        + if dice.chance(0.3) {
            dice.bell(1.2)
        } else {
            0.0
        };
    let bow = dice.bell(0.12) * length;
    let open = dice.between(0.5, 1.2);
    let sections: Vec<Vec<V3>> = (0..n)
        .map(|i| {
            let t = i as f32 / (n - 1) as f32;
            let ends = ((t / 0.14).min((1.0 - t) / 0.2).clamp(0.0, 1.0) * PI / 2.0).sin();
            let seat: f32 = (0..seats)
                .map(|k| {
                    let at = (k as f32 + 0.75) / (seats as f32 + 0.5);
                    (-((t - at) * seats as f32 * 3.0).powi(2)).exp()
                })
                .sum();
            let wide = half_wide * (0.78 + 0.22 * seat) * ends + 0.25;
            let deep = (0.8 + 1.7 * seat) * ends * open;
            let turn = twist * (t - 0.5);
            (0..m)
                .map(|j| {
                    let w = 2.0 * j as f32 / (m - 1) as f32 - 1.0;
                    let (y, z) = (w * wide, deep * (w * w - 1.0) + 0.6 * open * w * w);
                    v3(
                        (t - 0.5) * length,
                        y * turn.cos() - z * turn.sin() + bow * ((2.0 * t - 1.0).powi(2) - 0.33),
                        y * turn.sin() + z * turn.cos() + 1.5,
                    )
                })
                .collect()
        })
        .collect();
    let mut body = Body::default();
    body.skin(&sections, false, |_| 0);
    // The hollow side is the front.
    body.facets.iter_mut().for_each(|f| f.swap(1, 2));
    (body, length)
}

/// A stump of stubble standing along +z, cut on the slant.
pub(super) fn stump(dice: &mut Dice, height: f32, radius: f32) -> Body {
    let n = 8;
    let (lean_x, lean_y) = (dice.bell(0.15), dice.bell(0.15));
    let path: Vec<V3> = (0..n)
        .map(|i| {
            let z = height * i as f32 / (n - 1) as f32;
            v3(lean_x * z, lean_y * z, z)
        })
        .collect();
    let slant = dice.bell(0.6);
    let body = Body::rod(&path, 11, |i, a| {
        let t = i as f32 / (n - 1) as f32;
        radius * (1.0 + 0.5 * (-t / 0.15).exp() + 0.08 * (3.0 * a).cos())
    });
    body.shaped(|c| {
        if c.z > height * 0.93 {
            v3(c.x, c.y, c.z + slant * (c.x - lean_x * c.z))
        } else {
            c
        }
    })
}

/// A fleck of chaff too small to have a shape.
pub(super) fn fleck(dice: &mut Dice, radius: f32) -> Body {
    let narrow = dice.between(0.15, 0.75);
    let rough: Vec<f32> = (0..6).map(|_| dice.factor(0.25)).collect();
    let curl = dice.between(0.0, 0.4) / radius;
    let rim = |a: f32| {
        let k = (a / TAU * 6.0 + 0.5) as usize % 6;
        rough[k] * radius / (a.cos().powi(2) + (a.sin() / narrow).powi(2)).sqrt()
    };
    Body::sheet(1, 6, rim, |_, y| curl * y * y)
}

/// A stone, from round to angular.
pub(super) fn stone(dice: &mut Dice, radius: f32) -> Body {
    let angular = dice.between(0.1, 0.9);
    let cuts: Vec<(V3, f32)> = (0..9 + dice.below(6))
        .map(|_| (dice.direction(), dice.between(0.62, 0.95)))
        .collect();
    let stretch = v3(
        dice.between(0.8, 1.25),
        dice.between(0.7, 1.1),
        dice.between(0.6, 1.0),
    );
    let seed = dice.between(0.0, 99.0);
    let level = if radius > 3.0 { 3 } else { 2 };
    Body::ball(level).shaped(|p| {
        let mut r = 1.0f32;
        for (d, at) in &cuts {
            let c = p.dot(*d);
            if c > 0.05 {
                r = r.min(at / c);
            }
        }
        let r = 1.0 + (r - 1.0) * angular + 0.06 * noise3(p * 3.0 + V3::all(seed));
        p.times(stretch) * (r * radius)
    })
}

//! Smooth noise in two and three dimensions, from hashed lattice gradients.
//!
//! # Source
//! Perlin, K. (2002), "Improving noise", SIGGRAPH (the gradient scheme and the quintic fade).

use super::maths::{V3, v3};

fn hash(x: i32, y: i32, z: i32) -> u32 {
    let mut h = (x as u32).wrapping_mul(0x8da6_b343)
        ^ (y as u32).wrapping_mul(0xd816_3841)
        ^ (z as u32).wrapping_mul(0xcb1a_b31f);
    h ^= h >> 15;
    h = h.wrapping_mul(0x2c1b_3c6d);
    h ^= h >> 12;
    h = h.wrapping_mul(0x297a_2d39);
    h ^ (h >> 15)
}

fn fade(t: f32) -> f32 {
    t * t * t * (t * (t * 6.0 - 15.0) + 10.0)
}

fn mix(a: f32, b: f32, t: f32) -> f32 {
    a + (b - a) * t
}

fn slope3(h: u32, x: f32, y: f32, z: f32) -> f32 {
    let h = h & 15;
    let u = if h < 8 { x } else { y };
    let v = if h < 4 {
        y
    } else if h == 12 || h == 14 {
        x
    } else {
        z
    };
    (if h & 1 == 0 { u } else { -u }) + (if h & 2 == 0 { v } else { -v })
}

fn slope2(h: u32, x: f32, y: f32) -> f32 {
    const D: f32 = std::f32::consts::FRAC_1_SQRT_2;
    match h & 7 {
        0 => x,
        1 => -x,
        2 => y,
        3 => -y,
        4 => (x + y) * D,
        5 => (x - y) * D,
        6 => (y - x) * D,
        _ => (-x - y) * D,
    }
}

/// Noise on the plane, wavelength about 1, roughly −1 to 1; `layer` gives independent fields.
pub(super) fn noise2(x: f32, y: f32, layer: i32) -> f32 {
    let (fx, fy) = (x.floor(), y.floor());
    let (ix, iy) = (fx as i32, fy as i32);
    let (x, y) = (x - fx, y - fy);
    let g = |dx: i32, dy: i32| {
        slope2(
            hash(ix.wrapping_add(dx), iy.wrapping_add(dy), layer),
            x - dx as f32,
            y - dy as f32,
        )
    };
    let (u, v) = (fade(x), fade(y));
    1.5 * mix(mix(g(0, 0), g(1, 0), u), mix(g(0, 1), g(1, 1), u), v)
}

/// Noise in space, wavelength about 1, roughly −1 to 1.
pub(super) fn noise3(p: V3) -> f32 {
    let (fx, fy, fz) = (p.x.floor(), p.y.floor(), p.z.floor());
    let (ix, iy, iz) = (fx as i32, fy as i32, fz as i32);
    let (x, y, z) = (p.x - fx, p.y - fy, p.z - fz);
    let g = |dx: i32, dy: i32, dz: i32| {
        let h = hash(
            ix.wrapping_add(dx),
            iy.wrapping_add(dy),
            iz.wrapping_add(dz),
        );
        slope3(h, x - dx as f32, y - dy as f32, z - dz as f32)
    };
    let (u, v, w) = (fade(x), fade(y), fade(z));
    let low = mix(
        mix(g(0, 0, 0), g(1, 0, 0), u),
        mix(g(0, 1, 0), g(1, 1, 0), u),
        v,
    );
    let high = mix(
        mix(g(0, 0, 1), g(1, 0, 1), u),
        mix(g(0, 1, 1), g(1, 1, 1), u),
        v,
    );
    mix(low, high, w)
}

/// Several octaves of [`noise3`], each `rough` times the one before; roughly −1 to 1.
pub(super) fn rough3(p: V3, octaves: u32, rough: f32) -> f32 {
    let (mut sum, mut k, mut total, mut q) = (0.0, 1.0, 0.0, p);
    for _ in 0..octaves {
        sum += k * noise3(q);
        total += k;
        k *= rough;
        // Turned and doubled, so that no octave shows the lattice of another.
        q = v3(
            1.22 * q.x - 1.62 * q.y + 17.1,
            1.42 * q.x + 1.07 * q.y - 0.97 * q.z - 9.7,
            0.78 * q.x + 0.58 * q.y + 1.78 * q.z + 5.3,
        );
    }
    1.4 * sum / total
}

/// Several octaves of [`noise2`] from wavelength `longest` down, amplitude as wavelength to `slope`; spread near 0.35.
pub(super) fn rough2(x: f32, y: f32, longest: f32, octaves: u32, slope: f32, layer: i32) -> f32 {
    let (mut sum, mut total, mut wave, mut k) = (0.0, 0.0, longest, 1.0);
    let step = 0.5f32.powf(slope);
    for i in 0..octaves {
        let shift = 37.7 * i as f32;
        sum += k * noise2(x / wave + shift, y / wave - shift, layer * 16 + i as i32);
        total += k * k;
        wave *= 0.497;
        k *= step;
    }
    sum / total.sqrt()
}

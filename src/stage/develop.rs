//! What the camera makes of the light: fall-off, exposure, colour balance, blur, noise, tone, sharpening.

use image::RgbImage;
use rayon::prelude::*;

use super::chance::{Dice, scramble};
use super::light::Light;
use super::maths::{V3, v3};
use super::scene::{LightKind, Scene};

/// A picture of linear light, row by row.
struct Picture {
    width: usize,
    pixels: Vec<V3>,
}

/// Develops linear light into 8-bit sRGB.
pub(super) fn develop(scene: &Scene, light: &Light, pixels: Vec<V3>, dice: &mut Dice) -> RgbImage {
    let mut p = Picture {
        width: scene.width_px as usize,
        pixels,
    };
    let c = &scene.camera;
    p.fall_off(c.vignetting as f32, scene.height_px as usize);
    p.expose(scene, light, dice);
    p.blur(c.defocus_sigma_px as f32);
    p.smear(c.motion_px as f32, dice.angle());
    let dim = match scene.light {
        LightKind::Dusk => 2.2,
        LightKind::LowSun | LightKind::Overcast => 1.1,
        _ => 0.7,
    };
    p.noise(c.noise as f32 * dim, scene.seed);
    // Rebuilding full colour from the sensor's mosaic softens the noise a little.
    p.blur(0.45);
    p.tone();
    p.sharpen(c.sharpen as f32);
    p.to_bytes(scene.width_px, scene.height_px)
}

impl Picture {
    fn fall_off(&mut self, share: f32, height: usize) {
        let (w, h) = (self.width as f32, height as f32);
        let half = w.hypot(h) / 2.0;
        let width = self.width;
        self.pixels
            .par_chunks_mut(width)
            .enumerate()
            .for_each(|(j, row)| {
                for (i, p) in row.iter_mut().enumerate() {
                    let r = (i as f32 + 0.5 - w / 2.0).hypot(j as f32 + 0.5 - h / 2.0) / half;
                    *p = *p * (1.0 - share * r.powf(2.5));
                }
            });
    }

    /// Sets the middle tone and keeps the lights from burning out; balances the colour of the light, not quite.
    fn expose(&mut self, scene: &Scene, light: &Light, dice: &mut Dice) {
        let mut lum: Vec<f32> = self
            .pixels
            .iter()
            .step_by(37)
            .map(|p| p.luminance())
            .collect();
        lum.sort_by(f32::total_cmp);
        let at = |q: f32| lum[((lum.len() - 1) as f32 * q) as usize].max(1e-5);
        let mut gain = dice.between(0.125, 0.165) / at(0.5);
        let high = at(0.975) * gain;
        if high > 0.6 {
            gain *= (0.6 / high).powf(0.7);
        }
        gain *= (scene.camera.exposure_stops as f32).exp2();
        let sun = light.sun.map_or(V3::ZERO, |s| s.power * s.towards.z);
        let cast = light.mean_sky() + sun;
        let grey = (cast.x + cast.y + cast.z) / 3.0;
        let trust = if scene.light == LightKind::Dusk {
            dice.between(0.4, 0.65)
        } else {
            dice.between(0.75, 0.97)
        };
        let balance = |c: f32| (grey / c).powf(trust);
        let [red, blue] = scene.camera.white_error.map(|e| e as f32);
        let k = v3(
            balance(cast.x) * red,
            balance(cast.y),
            balance(cast.z) * blue,
        ) * gain;
        self.pixels.par_iter_mut().for_each(|p| *p = p.times(k));
    }

    fn blur(&mut self, sigma_px: f32) {
        if sigma_px < 0.15 {
            return;
        }
        let reach = (3.0 * sigma_px).ceil() as usize;
        let mut weights: Vec<f32> = (0..=reach)
            .map(|i| (-0.5 * (i as f32 / sigma_px).powi(2)).exp())
            .collect();
        let total = weights[0] + 2.0 * weights[1..].iter().sum::<f32>();
        weights.iter_mut().for_each(|w| *w /= total);
        let taps: Vec<(i32, i32, f32)> = (-(reach as i32)..=reach as i32)
            .map(|i| (i, 0, weights[i.unsigned_abs() as usize]))
            .collect();
        self.pixels = self.gathered(&taps);
        let taps: Vec<(i32, i32, f32)> = taps.iter().map(|t| (0, t.0, t.2)).collect();
        self.pixels = self.gathered(&taps);
    }

    /// Weighted sum of neighbours.
    fn gathered(&self, taps: &[(i32, i32, f32)]) -> Vec<V3> {
        let (w, n) = (self.width, self.pixels.len());
        let h = n / w;
        let mut out = vec![V3::ZERO; n];
        out.par_chunks_mut(w).enumerate().for_each(|(j, row)| {
            for &(dx, dy, k) in taps {
                let y = (j as i32 + dy).clamp(0, h as i32 - 1) as usize;
                let from = &self.pixels[y * w..(y + 1) * w];
                for (i, p) in row.iter_mut().enumerate() {
                    let x = (i as i32 + dx).clamp(0, w as i32 - 1) as usize;
                    *p += from[x] * k;
                }
            }
        });
        out
    }

    fn smear(&mut self, length_px: f32, angle: f32) {
        if length_px < 0.5 {
            return;
        }
        let n = (2.0 * length_px).ceil() as i32 + 1;
        let mut taps: Vec<(i32, i32, f32)> = Vec::new();
        for k in 0..n {
            let t = (k as f32 / (n - 1) as f32 - 0.5) * length_px;
            let (x, y) = (t * angle.cos(), t * angle.sin());
            let (fx, fy) = (x.floor(), y.floor());
            for (dx, dy) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                let wx = if dx == 0 { 1.0 - (x - fx) } else { x - fx };
                let wy = if dy == 0 { 1.0 - (y - fy) } else { y - fy };
                taps.push((fx as i32 + dx, fy as i32 + dy, wx * wy / n as f32));
            }
        }
        self.pixels = self.gathered(&taps);
    }

    /// Shot and read noise.
    fn noise(&mut self, amount: f32, seed: u64) {
        let w = self.width;
        self.pixels
            .par_chunks_mut(w)
            .enumerate()
            .for_each(|(j, row)| {
                for (i, p) in row.iter_mut().enumerate() {
                    let mut h = scramble(seed ^ scramble((j as u64) << 32 | i as u64 | 1 << 60));
                    let mut bell = |v: f32| {
                        h = scramble(h);
                        // Sum of four uniforms: near enough to a bell curve, variance 1/3.
                        let sum: u64 = (0..4).map(|k| (h >> (16 * k)) & 0xffff).sum();
                        let z = (sum as f32 / 65535.0 - 2.0) * 1.732;
                        v.max(0.0) + z * amount * (1.3e-4 * v.max(0.0) + 5e-6).sqrt()
                    };
                    *p = v3(bell(p.x), bell(p.y), bell(p.z));
                }
            });
    }

    /// From linear light to sRGB code values 0..1, with a little more colour and contrast as phones give.
    fn tone(&mut self) {
        self.pixels.par_iter_mut().for_each(|p| {
            let l = p.luminance();
            let c = V3::all(l) + (*p - V3::all(l)) * 1.09;
            *p = v3(code(c.x), code(c.y), code(c.z));
        });
    }

    fn sharpen(&mut self, amount: f32) {
        if amount <= 0.0 {
            return;
        }
        let mut soft = Picture {
            width: self.width,
            pixels: self.pixels.clone(),
        };
        soft.blur(1.1);
        self.pixels
            .par_iter_mut()
            .zip(&soft.pixels)
            .for_each(|(p, s)| *p += (*p - *s) * (1.1 * amount));
    }

    fn to_bytes(&self, width_px: u32, height_px: u32) -> RgbImage {
        let bytes: Vec<u8> = self
            .pixels
            .iter()
            .flat_map(|p| [p.x, p.y, p.z].map(|v| (v * 255.0 + 0.5).clamp(0.0, 255.0) as u8))
            .collect();
        RgbImage::from_raw(width_px, height_px, bytes).expect("a pixel for every place")
    }
}

/// Tone curve: a soft shoulder, the sRGB curve (IEC 61966-2-1), a slight S.
fn code(v: f32) -> f32 {
    let v = v.max(0.0);
    let v = if v > 0.55 {
        0.55 + 0.45 * (1.0 - (-(v - 0.55) / 0.45).exp())
    } else {
        v
    };
    let s = if v <= 0.003_130_8 {
        12.92 * v
    } else {
        1.055 * v.powf(1.0 / 2.4) - 0.055
    };
    s + 0.22 * s * (1.0 - s) * (s - 0.42)
}

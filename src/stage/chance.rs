//! Seeded chance: the same seed gives the same scene on every run and for any number of threads.

use std::f32::consts::TAU;

use super::maths::{V3, v3};

/// Scrambles 64 bits (the finaliser of SplitMix64).
///
/// # Source
/// Steele, Lea & Flood (2014), "Fast splittable pseudorandom number generators", OOPSLA.
pub(super) fn scramble(mut z: u64) -> u64 {
    z = z.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// A stream of chance.
#[derive(Debug, Clone)]
pub(super) struct Dice(u64);

impl Dice {
    /// A stream of its own for each purpose, so that a change in one does not shift the others.
    pub fn new(seed: u64, stream: u64) -> Self {
        Self(scramble(seed ^ scramble(stream)))
    }

    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        scramble(self.0)
    }

    /// 0 up to but not 1.
    pub fn unit(&mut self) -> f32 {
        (self.bits() >> 40) as f32 / (1u64 << 24) as f32
    }

    pub fn between(&mut self, lo: f32, hi: f32) -> f32 {
        lo + (hi - lo) * self.unit()
    }

    /// True `share` of the time.
    pub fn chance(&mut self, share: f32) -> bool {
        self.unit() < share
    }

    /// 0 to n − 1; 0 when n is 0.
    pub fn below(&mut self, n: usize) -> usize {
        ((self.unit() * n as f32) as usize).min(n.saturating_sub(1))
    }

    pub fn of<T: Copy>(&mut self, items: &[T]) -> T {
        items[self.below(items.len())]
    }

    /// One of several, by weight.
    pub fn weighted<T: Copy>(&mut self, items: &[(T, f32)]) -> T {
        let total: f32 = items.iter().map(|i| i.1).sum();
        let mut left = self.between(0.0, total);
        for (item, weight) in items {
            left -= weight;
            if left < 0.0 {
                return *item;
            }
        }
        items[items.len() - 1].0
    }

    /// Bell curve with mean 0 and the standard deviation given (Box & Muller 1958).
    pub fn bell(&mut self, sd: f32) -> f32 {
        let r = (-2.0 * (1.0 - self.unit()).max(1e-9).ln()).sqrt();
        sd * r * (TAU * self.unit()).cos()
    }

    /// A factor round 1: e to a bell curve.
    pub fn factor(&mut self, sd: f32) -> f32 {
        self.bell(sd).exp()
    }

    /// Sizes that get rarer as a power of their size, from `least` to `most`.
    pub fn power(&mut self, least: f32, most: f32, exponent: f32) -> f32 {
        (least * (1.0 - self.unit()).powf(-1.0 / exponent)).min(most)
    }

    pub fn angle(&mut self) -> f32 {
        self.between(0.0, TAU)
    }

    /// A colour off by a little in each channel.
    pub fn tint(&mut self, colour: V3, all: f32, each: f32) -> V3 {
        let k = self.factor(all);
        v3(
            colour.x * k * self.factor(each),
            colour.y * k * self.factor(each * 0.5),
            colour.z * k * self.factor(each),
        )
        .clamp(0.0, 0.92)
    }

    /// A direction, any.
    pub fn direction(&mut self) -> V3 {
        let (z, a) = (self.between(-1.0, 1.0), self.angle());
        let r = (1.0 - z * z).max(0.0).sqrt();
        v3(r * a.cos(), r * a.sin(), z)
    }
}

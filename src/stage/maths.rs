//! Vectors and turns in `f32`: enough for rays, nothing more.

use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub};

/// Three numbers: a place or direction (mm, x right, y up in the picture, z up), or a linear RGB colour.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct V3 {
    pub x: f32,
    pub y: f32,
    pub z: f32,
}

/// Shorthand for [`V3`].
pub(super) const fn v3(x: f32, y: f32, z: f32) -> V3 {
    V3 { x, y, z }
}

impl V3 {
    pub const ZERO: Self = v3(0.0, 0.0, 0.0);
    pub const UP: Self = v3(0.0, 0.0, 1.0);

    pub const fn all(v: f32) -> Self {
        v3(v, v, v)
    }

    pub fn dot(self, o: Self) -> f32 {
        self.x * o.x + self.y * o.y + self.z * o.z
    }

    pub fn cross(self, o: Self) -> Self {
        v3(
            self.y * o.z - self.z * o.y,
            self.z * o.x - self.x * o.z,
            self.x * o.y - self.y * o.x,
        )
    }

    pub fn length(self) -> f32 {
        self.dot(self).sqrt()
    }

    /// Length 1; straight up for a vector with no length.
    pub fn unit(self) -> Self {
        let l = self.length();
        if l > 1e-12 { self / l } else { Self::UP }
    }

    /// Component by component.
    pub fn times(self, o: Self) -> Self {
        v3(self.x * o.x, self.y * o.y, self.z * o.z)
    }

    pub fn min(self, o: Self) -> Self {
        v3(self.x.min(o.x), self.y.min(o.y), self.z.min(o.z))
    }

    pub fn max(self, o: Self) -> Self {
        v3(self.x.max(o.x), self.y.max(o.y), self.z.max(o.z))
    }

    /// `share` of the way to `o`.
    pub fn towards(self, o: Self, share: f32) -> Self {
        self + (o - self) * share
    }

    pub fn axis(self, i: usize) -> f32 {
        [self.x, self.y, self.z][i]
    }

    /// Two directions that stand square on this unit vector and on each other.
    pub fn square_on(self) -> (Self, Self) {
        let a = if self.z.abs() < 0.9 {
            Self::UP
        } else {
            v3(1.0, 0.0, 0.0)
        };
        let u = a.cross(self).unit();
        (u, self.cross(u))
    }

    /// Luminance of a linear colour (Rec. 709 weights, IEC 61966-2-1).
    pub fn luminance(self) -> f32 {
        0.2126 * self.x + 0.7152 * self.y + 0.0722 * self.z
    }

    pub fn clamp(self, lo: f32, hi: f32) -> Self {
        v3(
            self.x.clamp(lo, hi),
            self.y.clamp(lo, hi),
            self.z.clamp(lo, hi),
        )
    }
}

impl Add for V3 {
    type Output = Self;
    fn add(self, o: Self) -> Self {
        v3(self.x + o.x, self.y + o.y, self.z + o.z)
    }
}

impl AddAssign for V3 {
    fn add_assign(&mut self, o: Self) {
        *self = *self + o;
    }
}

impl Sub for V3 {
    type Output = Self;
    fn sub(self, o: Self) -> Self {
        v3(self.x - o.x, self.y - o.y, self.z - o.z)
    }
}

impl Mul<f32> for V3 {
    type Output = Self;
    fn mul(self, k: f32) -> Self {
        v3(self.x * k, self.y * k, self.z * k)
    }
}

impl Div<f32> for V3 {
    type Output = Self;
    fn div(self, k: f32) -> Self {
        self * (1.0 / k)
    }
}

impl Neg for V3 {
    type Output = Self;
    fn neg(self) -> Self {
        self * -1.0
    }
}

/// A turn: three unit columns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Turn(pub [V3; 3]);

impl Turn {
    pub const NONE: Self = Self([v3(1.0, 0.0, 0.0), v3(0.0, 1.0, 0.0), V3::UP]);

    /// Roll about x first, then pitch about y (positive: +x end goes down), then yaw about z, radians.
    pub fn roll_pitch_yaw(roll: f32, pitch: f32, yaw: f32) -> Self {
        let ((sr, cr), (sp, cp), (sy, cy)) = (roll.sin_cos(), pitch.sin_cos(), yaw.sin_cos());
        let turn = |p: V3| {
            let p = v3(p.x, p.y * cr - p.z * sr, p.y * sr + p.z * cr);
            let p = v3(p.x * cp + p.z * sp, p.y, -p.x * sp + p.z * cp);
            v3(p.x * cy - p.y * sy, p.x * sy + p.y * cy, p.z)
        };
        Self(Self::NONE.0.map(turn))
    }

    pub fn apply(&self, p: V3) -> V3 {
        self.0[0] * p.x + self.0[1] * p.y + self.0[2] * p.z
    }

    /// The way back.
    pub fn unapply(&self, p: V3) -> V3 {
        v3(self.0[0].dot(p), self.0[1].dot(p), self.0[2].dot(p))
    }
}

/// An 8-bit sRGB colour as linear light, 0 to 1 (IEC 61966-2-1).
pub(super) fn linear(r: u8, g: u8, b: u8) -> V3 {
    let f = |c: u8| {
        let c = f32::from(c) / 255.0;
        if c <= 0.04045 {
            c / 12.92
        } else {
            ((c + 0.055) / 1.055).powf(2.4)
        }
    };
    v3(f(r), f(g), f(b))
}

/// 0 below `a`, 1 above `b`, smooth between.
pub(super) fn ease(a: f32, b: f32, x: f32) -> f32 {
    let t = ((x - a) / (b - a)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// Straight-line map of `x` from a..b to c..d, held at the ends.
pub(super) fn ramp(x: f32, a: f32, b: f32, c: f32, d: f32) -> f32 {
    c + (d - c) * ((x - a) / (b - a)).clamp(0.0, 1.0)
}

//! What things are made of, and how a spot on each looks.

use super::maths::{Turn, V3, ease, linear, ramp, v3};
use super::noise::{noise3, rough3};

/// Kinds of surface.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Stuff {
    Stone,
    Stem,
    Pith,
    Leaf,
    /// Empty pod wall: pale satin inside, hairy outside.
    PodWall,
    Chaff,
    Coat,
    Cotyledon,
    Pod,
    Paint,
    Wood,
}

/// What a spot belongs to, for the truth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Label {
    Ground,
    /// Residue and stones.
    Residue,
    Frame,
    /// Index into the truth's beans.
    Bean(u32),
    /// Index into the truth's pods.
    Pod(u32),
}

/// One thing's surface.
#[derive(Debug, Clone, Copy)]
pub(super) struct Thing {
    pub stuff: Stuff,
    /// Main colour, linear.
    pub colour: V3,
    /// Hilum of a bean, soil on other things, linear.
    pub second: V3,
    /// Soil on it, 0 to 1.
    pub dirt: f32,
    /// Makes its texture its own.
    pub seed: f32,
    pub label: Label,
    /// Own directions to the world's; set when it is laid.
    pub turn: Turn,
}

/// How a spot takes the light.
#[derive(Debug, Clone, Copy)]
pub(super) struct Look {
    pub albedo: V3,
    /// Direction of the surface with its fine roughness.
    pub normal: V3,
    /// Strength of the shine, 0 to 1.
    pub shine: f32,
    /// Sharpness of the shine (exponent).
    pub gloss: f32,
}

/// Tilts a normal by the slope of a noise field.
fn bump(n: V3, p: V3, amount: f32, field: impl Fn(V3) -> f32) -> V3 {
    const E: f32 = 0.12;
    let here = field(p);
    let g = v3(
        field(p + v3(E, 0.0, 0.0)) - here,
        field(p + v3(0.0, E, 0.0)) - here,
        field(p + v3(0.0, 0.0, E)) - here,
    ) * (1.0 / E);
    (n - (g - n * g.dot(n)) * amount).unit()
}

impl Thing {
    /// The look of a spot: `p` in the thing's own mm, `n` its direction (own turn), `back` when a sheet is seen from below.
    pub fn look(&self, p: V3, n: V3, back: bool) -> Look {
        let q = p + V3::all(self.seed * 173.0);
        let matt = |albedo: V3, normal: V3| Look {
            albedo,
            normal,
            shine: 0.0,
            gloss: 8.0,
        };
        match self.stuff {
            Stuff::Stone => self.stone(q, n),
            Stuff::Stem => self.stem(q, n),
            Stuff::Pith => {
                let fibre = rough3(v3(q.x * 0.3, q.y * 2.2, q.z * 2.2), 2, 0.6);
                let c = self.colour.towards(linear(214, 198, 162), 0.5);
                matt(c * ramp(fibre, -0.5, 0.5, 0.6, 1.1), n)
            }
            Stuff::Leaf => self.leaf(q, n, back),
            Stuff::PodWall => self.pod_wall(q, n, back),
            Stuff::Chaff => {
                let streak = rough3(v3(q.x * 0.35, q.y * 1.3, q.z * 1.3), 3, 0.65);
                let c = self.soiled(self.colour * ramp(streak, -0.5, 0.5, 0.66, 1.2), q);
                Look {
                    shine: 0.12,
                    ..matt(c, n)
                }
            }
            Stuff::Coat => self.coat(p, q, n),
            Stuff::Cotyledon => {
                let grain = rough3(q * 1.6, 3, 0.6);
                let c = self.colour.towards(linear(236, 214, 158), 0.55);
                let c = self.soiled(c * ramp(grain, -0.5, 0.5, 0.82, 1.08), q);
                matt(c, bump(n, q, 0.08, |p| noise3(p * 1.6)))
            }
            Stuff::Pod => self.pod(q, n),
            Stuff::Paint => self.paint(q, n),
            Stuff::Wood => self.wood(q, n),
        }
    }

    /// Soil sticking here and there.
    fn soiled(&self, c: V3, q: V3) -> V3 {
        if self.dirt <= 0.0 {
            return c;
        }
        let patch = rough3(q * 0.45, 3, 0.7);
        let share = ease(0.0, 0.22, patch - (0.55 - 0.75 * self.dirt));
        c.towards(self.second, share * 0.8)
    }

    fn stone(&self, q: V3, n: V3) -> Look {
        let grain = rough3(q * 1.4, 3, 0.7);
        let c = self.soiled(self.colour * ramp(grain, -0.6, 0.6, 0.7, 1.25), q);
        Look {
            albedo: c,
            normal: bump(n, q, 0.1, |p| noise3(p * 1.4)),
            shine: 0.25,
            gloss: 14.0,
        }
    }

    fn stem(&self, q: V3, n: V3) -> Look {
        let f = v3(q.x * 0.045, q.y * 1.7, q.z * 1.7);
        let fibre = rough3(f, 3, 0.7);
        let patch = rough3(q * 0.07, 2, 0.6);
        let spot = rough3(v3(q.x * 0.3, q.y * 0.6, q.z * 0.6), 2, 0.6);
        let mut c =
            self.colour * (ramp(fibre, -0.6, 0.6, 0.5, 1.32) * ramp(spot, -0.5, 0.5, 0.84, 1.12));
        c = c.towards(linear(112, 104, 92), 0.55 * ease(0.05, 0.45, patch));
        c = c.towards(linear(58, 46, 36), 0.65 * ease(0.3, 0.55, spot));
        c = self.soiled(c, q);
        Look {
            albedo: c,
            normal: bump(n, q, 0.22, |p| noise3(v3(p.x * 0.06, p.y * 1.7, p.z * 1.7))),
            shine: 0.14,
            gloss: 10.0,
        }
    }

    fn leaf(&self, q: V3, n: V3, back: bool) -> Look {
        let blotch = rough3(q * 0.3, 3, 0.65);
        // Veins: a midrib along x and side veins that leave it at an angle.
        let local = q - V3::all(self.seed * 173.0);
        let side = ((local.x - local.y.abs() * 0.8) * 0.2).rem_euclid(1.0);
        let rib = ease(0.9, 0.3, local.y.abs()).max(0.7 * ease(0.09, 0.02, (side - 0.5).abs()));
        let net = ease(0.16, 0.0, noise3(q * 0.55).abs()) * 0.5;
        let mut c = self.colour * ramp(blotch, -0.6, 0.6, 0.62, 1.34) * (1.0 + 0.38 * rib.max(net));
        c = c.towards(
            linear(74, 54, 38),
            0.5 * ease(0.25, 0.5, rough3(q * 0.8, 2, 0.6)),
        );
        if back {
            c = c.towards(linear(150, 132, 108), 0.35);
        }
        Look {
            albedo: self.soiled(c, q),
            normal: bump(n, q, 0.32, |p| noise3(p * 0.3)),
            shine: 0.07,
            gloss: 8.0,
        }
    }

    fn pod_wall(&self, q: V3, n: V3, back: bool) -> Look {
        let speck = rough3(q * 0.9, 3, 0.65);
        let cloud = rough3(q * 0.15, 2, 0.5);
        if back {
            let c = self.colour * ramp(speck, -0.5, 0.5, 0.74, 1.12);
            let c = c.towards(linear(92, 74, 56), 0.45 * ease(0.1, 0.4, cloud));
            return Look {
                albedo: self.soiled(c, q),
                normal: bump(n, q, 0.08, |p| noise3(v3(p.x * 0.6, p.y * 1.3, p.z))),
                shine: 0.06,
                gloss: 8.0,
            };
        }
        let streak = rough3(v3(q.x * 0.3, q.y * 2.0, q.z), 2, 0.6);
        let c = linear(212, 190, 148).towards(self.colour, ramp(cloud, -0.2, 0.3, 0.25, 0.85));
        Look {
            albedo: self.soiled(c * ramp(streak, -0.5, 0.5, 0.82, 1.1), q),
            normal: n,
            shine: 0.22,
            gloss: 18.0,
        }
    }

    fn coat(&self, p: V3, q: V3, n: V3) -> Look {
        // `p` is on a ball of radius 3.3: the hilum lies at +y.
        let u = p * (1.0 / 3.3);
        let cloud = rough3(q * 0.4, 3, 0.6);
        let fine = noise3(q * 2.6);
        let mut c = self.colour * (ramp(cloud, -0.5, 0.5, 0.86, 1.1) * (1.0 + 0.05 * fine));
        let d = ((u.x / 0.30).powi(2) + ((u.z - 0.1) / 0.12).powi(2))
            * if u.y > 0.4 { 1.0 } else { 99.0 };
        c = c.towards(linear(186, 146, 92), 0.25 * ease(4.5, 1.2, d));
        c = c.towards(self.second, ease(1.25, 0.8, d));
        let soil = self.seed_soil();
        let patch = rough3(q * 0.75, 4, 0.72);
        let dirt = ease(0.0, 0.15, patch - (0.62 - 0.6 * self.dirt));
        c = c.towards(soil, 0.85 * dirt);
        Look {
            albedo: c,
            normal: bump(n, q, 0.06 + 0.12 * dirt, |p| noise3(p * 0.9)),
            shine: 0.34 * (1.0 - dirt),
            gloss: 22.0,
        }
    }

    /// Dry soil that sticks to a bean.
    fn seed_soil(&self) -> V3 {
        self.colour.times(v3(0.42, 0.36, 0.30))
    }

    fn pod(&self, q: V3, n: V3) -> Look {
        let hair = rough3(v3(q.x * 0.5, q.y * 1.5, q.z * 1.5), 3, 0.65);
        let cloud = rough3(q * 0.16, 2, 0.6);
        let mut c = self.colour * ramp(hair, -0.6, 0.6, 0.72, 1.2);
        c = c.towards(linear(78, 60, 45), 0.6 * ease(0.15, 0.5, cloud));
        Look {
            albedo: self.soiled(c, q),
            normal: bump(n, q, 0.10, |p| noise3(v3(p.x * 0.7, p.y * 1.6, p.z * 1.6))),
            shine: 0.09,
            gloss: 7.0,
        }
    }

    fn paint(&self, q: V3, n: V3) -> Look {
        let wear = rough3(q * 0.05, 3, 0.65);
        let scuff = rough3(q * 0.5, 3, 0.7);
        let mut c = self.colour * ramp(wear, -0.6, 0.6, 0.90, 1.04);
        let worn = ease(
            0.0,
            0.12,
            0.6 * wear + 0.5 * scuff - (0.62 - 0.5 * self.dirt),
        );
        c = c.towards(self.second, 0.75 * worn);
        c = c.towards(
            self.second,
            0.10 * self.dirt * ramp(scuff, -0.3, 0.5, 0.0, 1.0),
        );
        Look {
            albedo: c,
            normal: n,
            shine: 0.4 * (1.0 - worn),
            gloss: 30.0,
        }
    }

    fn wood(&self, q: V3, n: V3) -> Look {
        let wide = rough3(v3(q.x * 0.012, q.y * 0.35, q.z * 0.35), 3, 0.6);
        let fine = rough3(v3(q.x * 0.05, q.y * 1.6, q.z * 1.6), 2, 0.6);
        let grain = ease(-0.45, 0.45, 0.7 * wide + 0.3 * fine);
        let c = self
            .colour
            .times(v3(0.62, 0.52, 0.42))
            .towards(self.colour, grain);
        Look {
            albedo: self.soiled(c, q),
            normal: bump(n, q, 0.08, |p| noise3(v3(p.x * 0.05, p.y * 1.6, p.z * 1.6))),
            shine: 0.1,
            gloss: 10.0,
        }
    }
}

//! Sun and sky, and what stands in the sun's way outside the picture.

use super::chance::Dice;
use super::layout::{Camera, Seat};
use super::maths::{V3, ease, v3};
use super::scene::{LightKind, Scene, Shadow};

/// The sun.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sun {
    /// Towards it.
    pub towards: V3,
    /// Light sent back by a white matt surface square on to it.
    pub power: V3,
    /// Half its apparent width, radians; thin cloud widens it.
    pub spread: f32,
}

/// A rod with round ends that only throws shadow.
#[derive(Debug, Clone, Copy)]
struct Caster {
    from: V3,
    to: V3,
    radius: f32,
}

/// The light of a scene.
#[derive(Debug, Clone)]
pub(super) struct Light {
    pub sun: Option<Sun>,
    horizon: V3,
    zenith: V3,
    casters: Vec<Caster>,
    /// Light thrown back by the ground round about.
    pub bounce: V3,
    /// Elevation and compass-like azimuth of the sun in the picture, degrees.
    pub sun_deg: Option<(f32, f32)>,
}

/// What each kind of light is made of; ratios of sun to sky are practice.
struct Weather {
    /// Sun's height, from and to, degrees.
    elevation: Option<(f32, f32)>,
    power: V3,
    spread: f32,
    horizon: V3,
    zenith: V3,
}

impl Weather {
    fn of(kind: LightKind) -> Self {
        let clear = (v3(0.36, 0.41, 0.47), v3(0.19, 0.26, 0.38));
        let grey = (v3(0.31, 0.325, 0.35), v3(0.93, 0.98, 1.06));
        let warm = (v3(0.34, 0.33, 0.34), v3(0.15, 0.20, 0.31));
        let late = (v3(0.46, 0.36, 0.32), v3(0.27, 0.33, 0.46));
        let (elevation, power, spread, sky) = match kind {
            LightKind::Overcast => (None, V3::ZERO, 0.0, grey),
            LightKind::Bright => (Some((35.0, 60.0)), v3(0.40, 0.385, 0.36), 0.12, grey),
            LightKind::Sun => (Some((45.0, 65.0)), v3(1.36, 1.27, 1.12), 0.0055, clear),
            LightKind::Afternoon => (Some((25.0, 42.0)), v3(1.22, 1.05, 0.82), 0.006, clear),
            LightKind::LowSun => (Some((13.0, 22.0)), v3(1.15, 0.86, 0.55), 0.008, warm),
            LightKind::Dusk => (Some((8.0, 14.0)), v3(0.42, 0.27, 0.14), 0.03, late),
        };
        Self {
            elevation,
            power,
            spread,
            horizon: sky.0,
            zenith: sky.1,
        }
    }
}

impl Light {
    /// The light asked for.
    pub fn make(scene: &Scene, camera: &Camera, seat: &Seat, dice: &mut Dice) -> Self {
        let behind = scene.shadow == Shadow::Photographer;
        let azimuth = if behind {
            270.0 + dice.between(-22.0, 22.0)
        } else {
            270.0 + dice.of(&[-1.0, 1.0]) * dice.between(50.0, 190.0)
        };
        let Weather {
            elevation,
            power,
            spread,
            horizon,
            zenith,
        } = Weather::of(scene.light);
        let elevation = elevation.map(|(low, high)| dice.between(low, high));
        let sun = elevation.map(|e: f32| {
            let (se, ce) = e.to_radians().sin_cos();
            let (sa, ca) = f32::to_radians(azimuth).sin_cos();
            Sun {
                towards: v3(ca * ce, sa * ce, se),
                power,
                spread,
            }
        });
        let mut light = Self {
            sun,
            horizon,
            zenith,
            casters: Vec::new(),
            bounce: V3::ZERO,
            sun_deg: elevation.map(|e| (e, azimuth.rem_euclid(360.0))),
        };
        let direct = sun.map_or(V3::ZERO, |s| s.power * s.towards.z);
        light.bounce = light.mean_sky() * 0.6 + direct * 0.45;
        light.cast(scene, camera, seat, dice);
        light
    }

    fn cast(&mut self, scene: &Scene, camera: &Camera, seat: &Seat, dice: &mut Dice) {
        let Some(sun) = self.sun else { return };
        match scene.shadow {
            Shadow::None => {}
            Shadow::Photographer => self.photographer(camera),
            Shadow::Edge => self.edge(seat, sun, dice),
            Shadow::Crop => self.crop(camera, sun, dice),
        }
    }

    fn rod(&mut self, from: V3, to: V3, radius: f32) {
        self.casters.push(Caster { from, to, radius });
    }

    /// A person with a phone held out, below the picture.
    fn photographer(&mut self, camera: &Camera) {
        let feet = (camera.ground_in_view(0.0).0.1 - 90.0).min(-420.0);
        let phone = camera.at.z;
        for side in [-1.0, 1.0] {
            self.rod(
                v3(side * 105.0, feet, 0.0),
                v3(side * 88.0, feet, 850.0),
                80.0,
            );
            let elbow = v3(side * 230.0, feet + 230.0, (phone + 80.0).min(1130.0));
            self.rod(v3(side * 190.0, feet + 110.0, 1390.0), elbow, 44.0);
            self.rod(elbow, v3(side * 55.0, -25.0, phone + 12.0), 36.0);
        }
        self.rod(v3(0.0, feet, 900.0), v3(0.0, feet + 115.0, 1370.0), 165.0);
        self.rod(
            v3(0.0, feet + 170.0, 1630.0),
            v3(0.0, feet + 180.0, 1680.0),
            96.0,
        );
        self.rod(
            v3(-65.0, -40.0, phone + 14.0),
            v3(65.0, -40.0, phone + 14.0),
            16.0,
        );
    }

    /// A long round edge, as of a machine, whose shadow crosses the frame.
    fn edge(&mut self, seat: &Seat, sun: Sun, dice: &mut Dice) {
        let up = dice.between(500.0, 1100.0);
        let radius = dice.between(90.0, 260.0);
        let (w, h) = seat.size_mm();
        let off = dice.between(-0.3, 0.3);
        let through = v3(seat.centre.0 + off * w, seat.centre.1 + off * h, 0.0);
        let middle = through + sun.towards * (up / sun.towards.z);
        let a = dice.angle();
        let along = v3(a.cos(), a.sin(), 0.0) * 3000.0;
        self.rod(middle - along, middle + along, radius);
    }

    /// Plants standing on the sun's side of the picture.
    fn crop(&mut self, camera: &Camera, sun: Sun, dice: &mut Dice) {
        let (low, high) = camera.ground_in_view(20.0);
        let middle = v3((low.0 + high.0) / 2.0, (low.1 + high.1) / 2.0, 0.0);
        let away = v3(sun.towards.x, sun.towards.y, 0.0).unit();
        let reach = (high.0 - low.0).hypot(high.1 - low.1) / 2.0;
        let side = away.cross(V3::UP);
        for _ in 0..26 {
            let foot = middle
                + away * (reach + dice.between(0.0, 260.0))
                + side * dice.between(-reach, reach);
            let top = foot + v3(dice.bell(60.0), dice.bell(60.0), dice.between(550.0, 900.0));
            self.rod(foot, top, 3.5);
            for _ in 0..4 {
                let at = foot.towards(top, dice.between(0.2, 0.95));
                let tip = at + v3(dice.bell(40.0), dice.bell(40.0), dice.between(-40.0, 30.0));
                self.rod(at, tip, dice.between(2.0, 6.0));
            }
        }
    }

    /// Light of the sky from a direction.
    pub fn sky(&self, d: V3) -> V3 {
        self.horizon.towards(self.zenith, d.z.max(0.0))
    }

    /// Light sent back by a level white matt surface under the open sky.
    pub fn mean_sky(&self) -> V3 {
        self.horizon.towards(self.zenith, 2.0 / 3.0)
    }

    /// Share of the sun that what stands outside the picture leaves to `p`, 0 to 1.
    pub fn uncovered(&self, p: V3) -> f32 {
        let Some(sun) = self.sun else { return 1.0 };
        self.casters
            .iter()
            .map(|c| c.leaves(p, sun))
            .fold(1.0, f32::min)
    }
}

impl Caster {
    /// Share of the sun's disc it leaves: nearest approach of the half-line from `p` to the rod's
    /// middle line, against its radius, softened by the sun's width as seen from there.
    fn leaves(&self, p: V3, sun: Sun) -> f32 {
        let d = sun.towards;
        let e = self.to - self.from;
        let r = p - self.from;
        let (a, b, c) = (e.dot(e), e.dot(d), e.dot(r));
        let f = d.dot(r);
        let den = a - b * b;
        let s = if den > 1e-6 {
            ((c - b * f) / den).clamp(0.0, 1.0)
        } else {
            0.0
        };
        let t = b * s - f;
        if t < 0.0 {
            return 1.0;
        }
        let gap = (r + d * t - e * s).length();
        let soft = (sun.spread * t).max(0.1);
        let open = ease(self.radius - soft, self.radius + soft, gap);
        // A rod thinner than the sun looks from there hides only part of it.
        1.0 - (1.0 - open) * (2.0 * self.radius / soft).min(1.0)
    }
}

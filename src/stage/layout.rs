//! Where the camera hangs and where the frame lies.

use crate::frame::FrameSpec;
use crate::geometry::{LensBend, Point};

use super::chance::Dice;
use super::maths::{Turn, V3, v3};
use super::relief::{Ray, Relief};
use super::scene::{Bar, FrameDesign, Scene};

/// The camera as a pinhole with a bent picture.
#[derive(Debug, Clone)]
pub(super) struct Camera {
    pub at: V3,
    pub turn: Turn,
    pub focal_px: f32,
    pub bend: LensBend,
    pub width_px: u32,
    pub height_px: u32,
}

impl Camera {
    /// The line of sight of a place in the upright photo, continuous pixel coordinates.
    pub fn ray(&self, p: Point) -> Ray {
        let q = self.bend.straight_px_from_photo_px(p);
        let x = (q.x - self.bend.centre_px.x) as f32 / self.focal_px;
        let y = (self.bend.centre_px.y - q.y) as f32 / self.focal_px;
        Ray {
            from: self.at,
            dir: self.turn.apply(v3(x, y, -1.0)).unit(),
            near: 1.0,
            far: 1e5,
        }
    }

    /// Where a place in the world is seen; `None` behind the camera.
    pub fn see(&self, p: V3) -> Option<Point> {
        let c = self.turn.unapply(p - self.at);
        if c.z > -1.0 {
            return None;
        }
        let k = f64::from(self.focal_px) / f64::from(-c.z);
        Some(self.bend.photo_px_from_straight_px(Point::new(
            self.bend.centre_px.x + f64::from(c.x) * k,
            self.bend.centre_px.y - f64::from(c.y) * k,
        )))
    }

    /// Where the line of sight meets level ground at height 0.
    fn on_ground(&self, p: Point) -> (f32, f32) {
        let ray = self.ray(p);
        let t = -ray.from.z / ray.dir.z.min(-0.05);
        let q = ray.at(t);
        (q.x, q.y)
    }

    /// Low and high corner of the ground in view, with `margin_mm` round it.
    pub fn ground_in_view(&self, margin_mm: f32) -> ((f32, f32), (f32, f32)) {
        let (mut low, mut high) = ((f32::MAX, f32::MAX), (f32::MIN, f32::MIN));
        for i in 0..=12 {
            for j in 0..=12 {
                let p = Point::new(
                    f64::from(self.width_px) * f64::from(i) / 12.0,
                    f64::from(self.height_px) * f64::from(j) / 12.0,
                );
                let (x, y) = self.on_ground(p);
                low = (low.0.min(x), low.1.min(y));
                high = (high.0.max(x), high.1.max(y));
            }
        }
        (
            (low.0 - margin_mm, low.1 - margin_mm),
            (high.0 + margin_mm, high.1 + margin_mm),
        )
    }
}

/// The frame as it lies.
#[derive(Debug, Clone)]
pub(super) struct Seat {
    pub design: FrameDesign,
    pub centre: (f32, f32),
    pub yaw: f32,
    /// Height of the bars' underside: z = base + slope · (x, y − centre).
    pub base_mm: f32,
    pub slope: (f32, f32),
}

impl Seat {
    pub fn size_mm(&self) -> (f32, f32) {
        let (w, h) = self.design.spec.size_mm();
        (w as f32, h as f32)
    }

    pub fn bar_mm(&self) -> f32 {
        self.design.bar_mm as f32
    }

    pub fn is_ring(&self) -> bool {
        matches!(self.design.spec, FrameSpec::Ring { .. })
    }

    pub fn is_pipe(&self) -> bool {
        matches!(self.design.bar, Bar::WhitePipe | Bar::GreyPipe) || self.is_ring()
    }

    /// Height of the bar's innermost edge above its underside, mm: half way up a round bar, the top of a flat one.
    pub fn edge_mm(&self) -> f32 {
        if self.is_pipe() {
            self.bar_mm() / 2.0
        } else {
            self.design.height_mm as f32
        }
    }

    /// Frame's own mm, x along its width, origin in its middle.
    pub fn own(&self, x: f32, y: f32) -> (f32, f32) {
        let (dx, dy) = (x - self.centre.0, y - self.centre.1);
        let (s, c) = self.yaw.sin_cos();
        (dx * c + dy * s, -dx * s + dy * c)
    }

    /// The way back, level.
    pub fn plan(&self, u: f32, v: f32) -> (f32, f32) {
        let (s, c) = self.yaw.sin_cos();
        (self.centre.0 + u * c - v * s, self.centre.1 + u * s + v * c)
    }

    /// Height of the bars' underside there.
    pub fn underside(&self, x: f32, y: f32) -> f32 {
        self.base_mm + self.slope.0 * (x - self.centre.0) + self.slope.1 * (y - self.centre.1)
    }

    /// Place and turn of the frame's own mm in the world.
    pub fn turn(&self) -> Turn {
        let n = v3(-self.slope.0, -self.slope.1, 1.0).unit();
        let (s, c) = self.yaw.sin_cos();
        let x = v3(c, s, 0.0);
        let x = (x - n * x.dot(n)).unit();
        Turn([x, n.cross(x), n])
    }

    /// A place of the frame's own mm in the world.
    pub fn world(&self, p: V3) -> V3 {
        v3(self.centre.0, self.centre.1, self.base_mm) + self.turn().apply(p)
    }

    /// How far inside the inner edge, mm; negative under the bar and outside.
    pub fn inside_mm(&self, x: f32, y: f32) -> f32 {
        let (u, v) = self.own(x, y);
        let (w, h) = self.size_mm();
        if self.is_ring() {
            w / 2.0 - u.hypot(v)
        } else {
            (w / 2.0 - u.abs()).min(h / 2.0 - v.abs())
        }
    }

    /// Under (or over) the bar, give or take `by_mm`.
    pub fn under_bar(&self, x: f32, y: f32, by_mm: f32) -> bool {
        let d = self.inside_mm(x, y);
        d < by_mm && d > -self.bar_mm() - by_mm
    }

    /// Inner corners clockwise as seen, at a height above the underside, world.
    pub fn corners(&self, up_mm: f32) -> [V3; 4] {
        let (w, h) = self.size_mm();
        [(-1.0, 1.0), (1.0, 1.0), (1.0, -1.0), (-1.0, -1.0)]
            .map(|(u, v)| self.world(v3(u * w / 2.0, v * h / 2.0, up_mm)))
    }

    /// Points along the inner edge of a ring, at a height above the underside, world.
    pub fn ring(&self, up_mm: f32) -> Vec<V3> {
        let r = self.size_mm().0 / 2.0;
        (0..72)
            .map(|k| {
                let a = -std::f32::consts::TAU * k as f32 / 72.0;
                self.world(v3(r * a.cos(), r * a.sin(), up_mm))
            })
            .collect()
    }

    /// Fits the underside to the soil under the bars.
    pub fn settle_on(&mut self, soil: &Relief, dice: &mut Dice) {
        let points: Vec<V3> = (0..900)
            .map(|_| {
                let (x, y) = self.bar_spot(dice);
                v3(x - self.centre.0, y - self.centre.1, soil.at(x, y))
            })
            .collect();
        let n = points.len() as f32;
        let mean = points.iter().fold(V3::ZERO, |a, p| a + *p) / n;
        let mut m = [0.0f32; 5];
        for p in &points {
            let q = *p - mean;
            let add = [q.x * q.x, q.x * q.y, q.y * q.y, q.x * q.z, q.y * q.z];
            m.iter_mut().zip(add).for_each(|(m, a)| *m += a);
        }
        let det = m[0] * m[2] - m[1] * m[1];
        if det.abs() > 1e-3 {
            let sx = (m[3] * m[2] - m[4] * m[1]) / det;
            let sy = (m[4] * m[0] - m[3] * m[1]) / det;
            self.slope = (sx.clamp(-0.06, 0.06), sy.clamp(-0.06, 0.06));
        }
        let mut over: Vec<f32> = points
            .iter()
            .map(|p| p.z - self.slope.0 * p.x - self.slope.1 * p.y)
            .collect();
        over.sort_by(f32::total_cmp);
        self.base_mm = over[over.len() * 8 / 10];
    }

    /// A spot in the middle of the bar, anywhere round the frame.
    pub fn bar_spot(&self, dice: &mut Dice) -> (f32, f32) {
        let (w, h) = self.size_mm();
        let b = self.bar_mm();
        if self.is_ring() {
            let (a, r) = (dice.angle(), (w + b) / 2.0);
            return self.plan(r * a.cos(), r * a.sin());
        }
        let (w, h) = (w + b, h + b);
        let side = if dice.chance(0.5) { 0.5 } else { -0.5 };
        if dice.between(0.0, w + h) < w {
            self.plan(dice.between(-w, w) / 2.0, side * h)
        } else {
            self.plan(side * w, dice.between(-h, h) / 2.0)
        }
    }
}

/// Hangs the camera and lays the frame so that all of it is in the picture (or, where asked, runs out of it).
pub(super) fn lay_out(scene: &Scene, dice: &mut Dice) -> (Camera, Seat) {
    let c = &scene.camera;
    let long = scene.width_px.max(scene.height_px) as f32;
    let focal_px = long * c.focal_35mm_mm as f32 / 36.0;
    let (w, h) = scene.frame.spec.size_mm();
    let short = scene.width_px.min(scene.height_px) as f32;
    let share = dice.between(0.42, 0.56);
    let height = c.height_mm.map_or_else(
        || focal_px * (w.max(h) as f32) / (share * if w == h { short } else { long }),
        |h| h as f32,
    );
    let mut camera = Camera {
        at: v3(0.0, 0.0, height),
        turn: Turn::roll_pitch_yaw((c.tilt_deg as f32).to_radians(), dice.bell(0.02), 0.0),
        focal_px,
        bend: LensBend {
            k1: c.bend_k1,
            ..LensBend::none(scene.width_px, scene.height_px)
        },
        width_px: scene.width_px,
        height_px: scene.height_px,
    };
    let turn_by = if w > h && scene.height_px > scene.width_px {
        90.0
    } else {
        0.0
    };
    let mut seat = Seat {
        design: scene.frame.clone(),
        centre: (0.0, 0.0),
        yaw: (c.yaw_deg as f32 + turn_by).to_radians(),
        base_mm: 0.0,
        slope: (0.0, 0.0),
    };
    put_in_view(scene, &mut camera, &mut seat, dice);
    (camera, seat)
}

/// Shifts the frame, and raises the camera where it must, until the frame is in the picture as asked.
fn put_in_view(scene: &Scene, camera: &mut Camera, seat: &mut Seat, dice: &mut Dice) {
    for attempt in 0..400 {
        let middle = camera.on_ground(camera.bend.centre_px);
        let reach = 0.09 * camera.at.z;
        seat.centre = (
            middle.0 + dice.between(-reach, reach),
            middle.1 + dice.between(-reach, reach),
        );
        if scene.frame.cut_by_edge {
            let half = camera.at.z * scene.width_px as f32 / camera.focal_px / 2.0;
            seat.centre.0 = middle.0 + half * dice.of(&[-1.0, 1.0]);
            return;
        }
        if whole_in_view(camera, seat) {
            return;
        }
        if attempt % 20 == 19 {
            camera.at.z *= 1.04;
        }
    }
}

fn whole_in_view(camera: &Camera, seat: &Seat) -> bool {
    let (w, h) = seat.size_mm();
    let b = seat.bar_mm() + 8.0;
    let margin = 0.02 * f64::from(camera.width_px);
    [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]
        .into_iter()
        .all(|(u, v)| {
            let p = seat.world(v3(u * (w / 2.0 + b), v * (h / 2.0 + b), 10.0));
            camera.see(p).is_some_and(|q| {
                (margin..f64::from(camera.width_px) - margin).contains(&q.x)
                    && (margin..f64::from(camera.height_px) - margin).contains(&q.y)
            })
        })
}

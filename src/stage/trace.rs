//! Follows the light: one line of sight a pixel, more at edges; sun, sky and light thrown back.

use rayon::prelude::*;

use crate::geometry::Point;

use super::bvh::Tree;
use super::chance::scramble;
use super::layout::Camera;
use super::light::Light;
use super::maths::{V3, v3};
use super::relief::Ray;
use super::scatter::Strewn;
use super::soil::Ground;
use super::stuff::{Label, Look};

/// Pixels to a tile's side, and how far the smoothing of sky light reaches beyond it.
const TILE: usize = 96;
const RIM: usize = 2;
/// How far things darken each other's sky, mm. Raised: slower, deeper hollows darker.
const NEAR_MM: f32 = 90.0;

/// A scene ready to be looked at.
pub(super) struct World<'a> {
    pub ground: &'a Ground,
    pub strewn: &'a Strewn,
    pub tree: Tree,
    pub camera: &'a Camera,
    pub light: &'a Light,
    pub seed: u64,
}

/// What the tracer gives, row by row.
pub(super) struct Traced {
    /// Linear light.
    pub light: Vec<V3>,
    /// What is in the middle of each pixel.
    pub label: Vec<Label>,
}

/// A place met by a line of sight.
#[derive(Debug, Clone, Copy)]
struct Spot {
    p: V3,
    /// Faces the viewer.
    normal: V3,
    /// Index of the thing; `None`: soil.
    thing: Option<u32>,
    own: V3,
    back: bool,
}

/// Chance for one pixel.
struct Grain(u64);

impl Grain {
    fn unit(&mut self) -> f32 {
        self.0 = scramble(self.0);
        (self.0 >> 40) as f32 / (1u64 << 24) as f32
    }
}

impl World<'_> {
    /// Looks at every pixel.
    pub fn trace(&self) -> Traced {
        let (w, h) = (
            self.camera.width_px as usize,
            self.camera.height_px as usize,
        );
        let mut light = vec![V3::ZERO; w * h];
        let mut label = vec![Label::Ground; w * h];
        light
            .par_chunks_mut(w * TILE)
            .zip(label.par_chunks_mut(w * TILE))
            .enumerate()
            .for_each(|(band, (light, label))| {
                for x0 in (0..w).step_by(TILE) {
                    let tile = Tile::look(self, x0 as i64, (band * TILE) as i64);
                    for j in 0..light.len() / w {
                        for i in 0..TILE.min(w - x0) {
                            let (c, l) = tile.finish(self, i, j);
                            light[j * w + x0 + i] = c;
                            label[j * w + x0 + i] = l;
                        }
                    }
                }
            });
        Traced { light, label }
    }

    fn spot(&self, ray: &Ray) -> Option<Spot> {
        let soil = self.ground.relief.meet(ray);
        let ray_to_soil = Ray {
            far: soil.unwrap_or(ray.far),
            ..*ray
        };
        if let Some(hit) = self.tree.nearest(&ray_to_soil) {
            return Some(self.thing_spot(ray, hit));
        }
        let p = ray.at(soil?);
        Some(Spot {
            p,
            normal: self.ground.relief.normal(p.x, p.y),
            thing: None,
            own: p,
            back: false,
        })
    }

    fn thing_spot(&self, ray: &Ray, hit: super::bvh::Meeting) -> Spot {
        let pile = &self.strewn.pile;
        let k = pile.facets[hit.facet as usize].map(|k| k as usize);
        let w = [1.0 - hit.u - hit.v, hit.u, hit.v];
        let blend = |f: &[V3]| f[k[0]] * w[0] + f[k[1]] * w[1] + f[k[2]] * w[2];
        let flat = (pile.corners[k[1]] - pile.corners[k[0]])
            .cross(pile.corners[k[2]] - pile.corners[k[0]]);
        let mut n = blend(&pile.normals).unit();
        let back = flat.dot(ray.dir) > 0.0;
        if n.dot(ray.dir) > 0.0 {
            n = -n;
        }
        Spot {
            p: ray.at(hit.t),
            normal: n,
            thing: Some(pile.owner[hit.facet as usize]),
            own: blend(&pile.locals),
            back,
        }
    }

    fn look(&self, s: &Spot) -> Look {
        let Some(k) = s.thing else {
            return Look {
                albedo: self.ground.colour(s.p),
                normal: s.normal,
                shine: 0.0,
                gloss: 8.0,
            };
        };
        let thing = &self.strewn.pile.things[k as usize];
        let own = thing.turn.unapply(s.normal).unit();
        let mut look = thing.look(s.own, own, s.back);
        look.normal = thing.turn.apply(look.normal).unit();
        look
    }

    fn label(&self, s: &Spot) -> Label {
        s.thing
            .map_or(Label::Ground, |k| self.strewn.pile.things[k as usize].label)
    }

    /// Light of the sky on a spot, with what its surroundings throw back: one of 16 directions by `turn_no`.
    fn sky_on(&self, s: &Spot, turn_no: usize, grain: &mut Grain) -> V3 {
        let u = (turn_no as f32 + grain.unit()) / 16.0;
        // Radical inverse in base 2 of the direction's number (van der Corput 1935).
        let v = ((turn_no as u32).reverse_bits() >> 28) as f32 / 16.0 + grain.unit() / 16.0;
        let a = std::f32::consts::TAU * v;
        let r = u.sqrt();
        let (x, y) = s.normal.square_on();
        let dir =
            (x * (r * a.cos()) + y * (r * a.sin()) + s.normal * (1.0 - u).max(0.0).sqrt()).unit();
        let ray = Ray {
            from: s.p + s.normal * 0.05,
            dir,
            near: 0.02,
            far: NEAR_MM,
        };
        if dir.z < 0.0 || self.ground.relief.meet(&ray).is_some() {
            return self.ground.mean_colour().times(self.light.bounce);
        }
        if let Some(hit) = self.tree.any(&ray) {
            let owner = self.strewn.pile.owner[hit.facet as usize];
            return self.strewn.pile.things[owner as usize]
                .colour
                .times(self.light.bounce);
        }
        self.light.sky(dir)
    }

    /// Light of the sun on a spot, and the direction it came from.
    fn sun_on(&self, s: &Spot, normal: V3, grain: &mut Grain) -> Option<(V3, V3)> {
        let sun = self.light.sun?;
        let (x, y) = sun.towards.square_on();
        let (r, a) = (
            sun.spread * grain.unit().sqrt(),
            std::f32::consts::TAU * grain.unit(),
        );
        let dir = (sun.towards + x * (r * a.cos()) + y * (r * a.sin())).unit();
        let cos = normal.dot(dir);
        let uncovered = self.light.uncovered(s.p);
        if cos <= 0.0 || s.normal.dot(dir) <= 0.0 || uncovered <= 0.0 {
            return None;
        }
        let ray = Ray {
            from: s.p + s.normal * 0.05,
            dir,
            near: 0.02,
            far: 600.0,
        };
        if self.ground.relief.meet(&ray).is_some() || self.tree.any(&ray).is_some() {
            return None;
        }
        Some((sun.power * (cos * uncovered), dir))
    }

    /// Light sent from a spot to the camera.
    fn shade(&self, s: &Spot, ray: &Ray, sky: V3, grain: &mut Grain) -> V3 {
        let look = self.look(s);
        let lean = 0.55 + 0.45 * look.normal.dot(s.normal);
        let mut light = sky * lean;
        let sun = self.sun_on(s, look.normal, grain);
        if let Some((power, _)) = sun {
            light += power;
        }
        let mut out = look.albedo.times(light);
        if look.shine > 0.0 {
            let view = -ray.dir;
            let cos = look.normal.dot(view).max(0.0);
            let fresnel = 0.04 + 0.5 * (1.0 - cos).powi(5);
            let mirror = look.normal * (2.0 * look.normal.dot(view)) - view;
            let open = (sky.luminance() / self.light.mean_sky().luminance()).min(1.0);
            out += self.light.sky(mirror) * (look.shine * fresnel * open);
            if let Some((power, dir)) = sun {
                let half = (dir + view).unit();
                let peak = look.normal.dot(half).max(0.0).powf(look.gloss);
                out += power * (look.shine * 0.05 * (look.gloss + 8.0) / 8.0 * peak);
            }
        }
        out
    }

    fn grain(&self, x: i64, y: i64, n: u64) -> Grain {
        Grain(scramble(
            self.seed ^ scramble((x as u64) << 32 ^ (y as u64) << 8 ^ n),
        ))
    }
}

/// A tile's lines of sight with a rim round it.
struct Tile {
    x0: i64,
    y0: i64,
    spots: Vec<Option<Spot>>,
    sky: Vec<V3>,
}

const SPAN: usize = TILE + 2 * RIM;
/// Where the further lines of sight of an edge pixel go, in pixels from its middle.
const EXTRA: [(f64, f64); 3] = [(-0.28, -0.14), (0.28, -0.2), (0.02, 0.34)];

impl Tile {
    fn look(world: &World, x0: i64, y0: i64) -> Self {
        let mut spots = Vec::with_capacity(SPAN * SPAN);
        let mut sky = Vec::with_capacity(SPAN * SPAN);
        for j in 0..SPAN as i64 {
            for i in 0..SPAN as i64 {
                let (x, y) = (x0 + i - RIM as i64, y0 + j - RIM as i64);
                let ray = world.camera.ray(Point::new(x as f64 + 0.5, y as f64 + 0.5));
                let spot = world.spot(&ray);
                let turn_no = ((x & 3) + 4 * (y & 3)) as usize;
                // Neighbours look far apart.
                let turn_no = (turn_no * 7 + 3) % 16;
                let mut grain = world.grain(x, y, 1);
                sky.push(spot.map_or(V3::ZERO, |s| world.sky_on(&s, turn_no, &mut grain)));
                spots.push(spot);
            }
        }
        Self { x0, y0, spots, sky }
    }

    /// Sky light smoothed over neighbours on the same surface.
    fn smooth_sky(&self, at: usize) -> V3 {
        let Some(s) = self.spots[at] else {
            return V3::ZERO;
        };
        let (mut sum, mut total) = (V3::ZERO, 0.0);
        for dj in 0..=2 * RIM {
            for di in 0..=2 * RIM {
                let k = at + dj * SPAN + di - RIM * SPAN - RIM;
                let Some(q) = self.spots[k] else { continue };
                if q.thing != s.thing {
                    continue;
                }
                let off = s.normal.dot(q.p - s.p);
                let like = s.normal.dot(q.normal).max(0.0);
                // The outermost rows count half: each of the sixteen directions then weighs the same.
                let rim = |d: usize| if d == 0 || d == 2 * RIM { 0.5 } else { 1.0 };
                let w = rim(di) * rim(dj) * (0.05 + like) / (1.0 + 0.8 * off * off);
                sum += self.sky[k] * w;
                total += w;
            }
        }
        sum / total.max(1e-6)
    }

    fn is_edge(&self, at: usize) -> bool {
        let Some(s) = self.spots[at] else {
            return false;
        };
        [at - 1, at + 1, at - SPAN, at + SPAN].into_iter().any(|k| {
            self.spots[k].is_none_or(|q| {
                q.thing != s.thing || (s.thing.is_some() && s.normal.dot(q.normal) < 0.6)
            })
        })
    }

    /// Light and label of a pixel of the tile.
    fn finish(&self, world: &World, i: usize, j: usize) -> (V3, Label) {
        let at = (j + RIM) * SPAN + i + RIM;
        let Some(spot) = self.spots[at] else {
            return (world.light.sky(v3(0.0, 0.0, 0.3)), Label::Ground);
        };
        let (x, y) = (self.x0 + i as i64, self.y0 + j as i64);
        let mut grain = world.grain(x, y, 2);
        let middle = Point::new(x as f64 + 0.5, y as f64 + 0.5);
        let ray = world.camera.ray(middle);
        let mut sum = world.shade(&spot, &ray, self.smooth_sky(at), &mut grain);
        let label = world.label(&spot);
        if !self.is_edge(at) {
            return (sum, label);
        }
        let mut n = 1.0;
        for (dx, dy) in EXTRA {
            let ray = world.camera.ray(Point::new(middle.x + dx, middle.y + dy));
            let Some(s) = world.spot(&ray) else { continue };
            let sky = self.sky_like(world, at, &s, &mut grain);
            sum += world.shade(&s, &ray, sky, &mut grain);
            n += 1.0;
        }
        (sum / n, label)
    }

    /// Sky light for a further line of sight, from a neighbour on the same thing if there is one.
    fn sky_like(&self, world: &World, at: usize, s: &Spot, grain: &mut Grain) -> V3 {
        for k in [at, at - 1, at + 1, at - SPAN, at + SPAN] {
            if self.spots[k].is_some_and(|q| q.thing == s.thing && q.normal.dot(s.normal) > 0.5) {
                // The rim has no neighbours of its own to smooth over.
                let (i, j) = (k % SPAN, k / SPAN);
                if i >= RIM && j >= RIM && i + RIM < SPAN && j + RIM < SPAN {
                    return self.smooth_sky(k);
                }
            }
        }
        let n = (grain.unit() * 16.0) as usize % 8;
        (world.sky_on(s, n, grain) + world.sky_on(s, n + 8, grain)) * 0.5
    }
}

//! Solids and sheets as triangles, in their own millimetres, and the pile of all of them.

use std::collections::HashMap;
use std::f32::consts::TAU;

use super::maths::{Turn, V3, v3};
use super::stuff::Thing;

/// A shape of triangles. `part` tells the shell (0) from a second surface (1) such as the pith of a stem.
#[derive(Debug, Clone, Default)]
pub(super) struct Body {
    pub corners: Vec<V3>,
    pub facets: Vec<[u32; 3]>,
    pub part: Vec<u8>,
    /// Where the texture is looked up for the first corners, mm; the rest (and all, when empty): where the corner is.
    pub texture: Vec<V3>,
}

impl Body {
    fn facet(&mut self, f: [u32; 3], part: u8) {
        self.facets.push(f);
        self.part.push(part);
    }

    /// A skin over cross-sections with as many points each; `closed` joins the last point to the first.
    pub fn skin(&mut self, sections: &[Vec<V3>], closed: bool, part: impl Fn(usize) -> u8) {
        let m = sections[0].len();
        let base = self.corners.len() as u32;
        for s in sections {
            self.corners.extend_from_slice(s);
        }
        let columns = if closed { m } else { m - 1 };
        for i in 0..sections.len() - 1 {
            for j in 0..columns {
                let k = (j + 1) % m;
                let at = |i: usize, j: usize| base + (i * m + j) as u32;
                let p = part(j);
                self.facet([at(i, j), at(i, k), at(i + 1, k)], p);
                self.facet([at(i, j), at(i + 1, k), at(i + 1, j)], p);
            }
        }
    }

    /// Closes an end with a fan round `middle`, with corners of its own so that the edge stays sharp.
    pub fn cap(&mut self, ring: &[V3], middle: V3, part: u8) {
        let base = self.corners.len() as u32;
        self.corners.extend_from_slice(ring);
        self.corners.push(middle);
        let m = ring.len() as u32;
        for j in 0..m {
            self.facet([base + j, base + (j + 1) % m, base + m], part);
        }
    }

    /// A rod along a path; `radius(i, angle)` in mm. The ends are hollowed a little and belong to part 1.
    pub fn rod(path: &[V3], sides: usize, radius: impl Fn(usize, f32) -> f32) -> Self {
        let n = path.len();
        let rings: Vec<Vec<V3>> = (0..n)
            .map(|i| {
                let along = (path[(i + 1).min(n - 1)] - path[i.saturating_sub(1)]).unit();
                let u = v3(-along.y, along.x, 0.0).unit();
                let v = along.cross(u);
                (0..sides)
                    .map(|k| {
                        let a = TAU * k as f32 / sides as f32;
                        path[i] + (u * a.cos() + v * a.sin()) * radius(i, a)
                    })
                    .collect()
            })
            .collect();
        let mut body = Self::default();
        body.skin(&rings, true, |_| 0);
        // Fibres follow the bends.
        let mut run = 0.0;
        for i in 0..n {
            run += (path[i] - path[i.saturating_sub(1)]).length();
            body.texture.extend((0..sides).map(|k| {
                let a = TAU * k as f32 / sides as f32;
                v3(run, a.cos() * radius(i, a), a.sin() * radius(i, a))
            }));
        }
        for (end, inward) in [(0, 1), (n - 1, n - 2)] {
            let dent = (path[inward] - path[end]).unit() * (0.35 * radius(end, 0.0));
            body.cap(&rings[end], path[end] + dent, 1);
        }
        body
    }

    /// A sheet about the origin: rim radius by angle, height by place.
    pub fn sheet(
        rings: usize,
        spokes: usize,
        rim: impl Fn(f32) -> f32,
        height: impl Fn(f32, f32) -> f32,
    ) -> Self {
        let mut body = Self::default();
        body.corners.push(v3(0.0, 0.0, height(0.0, 0.0)));
        for i in 1..=rings {
            for k in 0..spokes {
                let a = TAU * k as f32 / spokes as f32;
                let r = rim(a) * i as f32 / rings as f32;
                let (x, y) = (r * a.cos(), r * a.sin());
                body.corners.push(v3(x, y, height(x, y)));
            }
        }
        let at = |i: usize, k: usize| (1 + i * spokes + k % spokes) as u32;
        for k in 0..spokes {
            body.facet([0, at(0, k), at(0, k + 1)], 0);
        }
        for i in 0..rings - 1 {
            for k in 0..spokes {
                body.facet([at(i, k), at(i + 1, k), at(i + 1, k + 1)], 0);
                body.facet([at(i, k), at(i + 1, k + 1), at(i, k + 1)], 0);
            }
        }
        body
    }

    /// A ball of radius 1 from an icosahedron halved `level` times.
    pub fn ball(level: u32) -> Self {
        let (mut corners, mut facets) = icosahedron();
        for _ in 0..level {
            let mut halves: HashMap<(u32, u32), u32> = HashMap::new();
            let mut half = |a: u32, b: u32, corners: &mut Vec<V3>| {
                *halves.entry((a.min(b), a.max(b))).or_insert_with(|| {
                    corners.push((corners[a as usize] + corners[b as usize]).unit());
                    corners.len() as u32 - 1
                })
            };
            let mut finer = Vec::with_capacity(facets.len() * 4);
            for [a, b, c] in facets {
                let (ab, bc, ca) = (
                    half(a, b, &mut corners),
                    half(b, c, &mut corners),
                    half(c, a, &mut corners),
                );
                finer.extend([[a, ab, ca], [b, bc, ab], [c, ca, bc], [ab, bc, ca]]);
            }
            facets = finer;
        }
        let part = vec![0; facets.len()];
        Self {
            corners,
            facets,
            part,
            texture: Vec::new(),
        }
    }

    /// A box from its low to its high corner, edges sharp.
    pub fn block(low: V3, high: V3) -> Self {
        let mut body = Self::default();
        for axis in 0..3 {
            for side in [false, true] {
                let corner = |u: bool, v: bool| {
                    let pick = |i: usize, on: bool| if on { high.axis(i) } else { low.axis(i) };
                    let mut p = [0.0; 3];
                    p[axis] = pick(axis, side);
                    p[(axis + 1) % 3] = pick((axis + 1) % 3, u);
                    p[(axis + 2) % 3] = pick((axis + 2) % 3, v);
                    v3(p[0], p[1], p[2])
                };
                let base = body.corners.len() as u32;
                body.corners.extend([
                    corner(false, false),
                    corner(true, false),
                    corner(true, true),
                    corner(false, true),
                ]);
                body.facet([base, base + 1, base + 2], 0);
                body.facet([base, base + 2, base + 3], 0);
            }
        }
        body
    }

    /// Moves every corner.
    pub fn shaped(mut self, f: impl Fn(V3) -> V3) -> Self {
        for c in &mut self.corners {
            *c = f(*c);
        }
        self
    }
}

/// Corners and facets of an icosahedron of radius 1.
#[rustfmt::skip]
fn icosahedron() -> (Vec<V3>, Vec<[u32; 3]>) {
    let g = (1.0 + 5.0f32.sqrt()) / 2.0;
    let corners = [
        (-1.0, g, 0.0), (1.0, g, 0.0), (-1.0, -g, 0.0), (1.0, -g, 0.0),
        (0.0, -1.0, g), (0.0, 1.0, g), (0.0, -1.0, -g), (0.0, 1.0, -g),
        (g, 0.0, -1.0), (g, 0.0, 1.0), (-g, 0.0, -1.0), (-g, 0.0, 1.0),
    ];
    let facets = vec![
        [0, 11, 5], [0, 5, 1], [0, 1, 7], [0, 7, 10], [0, 10, 11],
        [1, 5, 9], [5, 11, 4], [11, 10, 2], [10, 7, 6], [7, 1, 8],
        [3, 9, 4], [3, 4, 2], [3, 2, 6], [3, 6, 8], [3, 8, 9],
        [4, 9, 5], [2, 4, 11], [6, 2, 10], [8, 6, 7], [9, 8, 1],
    ];
    (corners.map(|(x, y, z)| v3(x, y, z).unit()).to_vec(), facets)
}

/// Where a body lies.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub at: V3,
    pub turn: Turn,
}

/// Every body of a scene.
#[derive(Debug, Clone, Default)]
pub(super) struct Pile {
    pub corners: Vec<V3>,
    pub normals: Vec<V3>,
    /// Each corner in its body's own mm, for textures.
    pub locals: Vec<V3>,
    pub facets: Vec<[u32; 3]>,
    /// Which thing a triangle belongs to.
    pub owner: Vec<u32>,
    pub things: Vec<Thing>,
}

impl Pile {
    /// Lays a body down. `fit` bends each corner in the world (draping, pressing). Gives the index of the first thing.
    pub fn lay(
        &mut self,
        body: &Body,
        place: &Place,
        things: &[Thing],
        fit: impl Fn(V3) -> V3,
    ) -> u32 {
        let base = self.corners.len();
        let first_thing = self.things.len() as u32;
        self.things.extend(things.iter().map(|t| Thing {
            turn: place.turn,
            ..*t
        }));
        for (i, c) in body.corners.iter().enumerate() {
            self.corners.push(fit(place.at + place.turn.apply(*c)));
            self.locals.push(body.texture.get(i).copied().unwrap_or(*c));
        }
        self.normals.resize(self.corners.len(), V3::ZERO);
        for (f, part) in body.facets.iter().zip(&body.part) {
            let f = f.map(|k| k + base as u32);
            let [a, b, c] = f.map(|k| self.corners[k as usize]);
            let n = (b - a).cross(c - a);
            for k in f {
                self.normals[k as usize] += n;
            }
            self.facets.push(f);
            self.owner
                .push(first_thing + u32::from(*part).min(things.len() as u32 - 1));
        }
        for n in &mut self.normals[base..] {
            *n = n.unit();
        }
        first_thing
    }
}

//! A tree of boxes over triangles, so that a ray looks at few of them.
//!
//! # Source
//! Wald, I. (2007), "On fast construction of SAH-based bounding volume hierarchies", IEEE Symposium on Interactive Ray Tracing.

use super::maths::V3;
use super::relief::Ray;

const BINS: usize = 12;
const LEAF: usize = 4;

#[derive(Debug, Clone, Copy)]
struct Node {
    low: V3,
    /// First triangle of a leaf, or the left child (the right one follows it).
    first: u32,
    high: V3,
    /// Triangles of a leaf; 0 for an inner node.
    count: u32,
}

/// One triangle, ready for rays.
#[derive(Debug, Clone, Copy)]
struct Facet {
    a: V3,
    ab: V3,
    ac: V3,
    index: u32,
}

/// Where a ray meets a triangle.
#[derive(Debug, Clone, Copy)]
pub(super) struct Meeting {
    pub t: f32,
    /// Index of the triangle as given.
    pub facet: u32,
    /// Weights of the second and third corner.
    pub u: f32,
    pub v: f32,
}

/// The tree.
#[derive(Debug, Clone, Default)]
pub(super) struct Tree {
    nodes: Vec<Node>,
    facets: Vec<Facet>,
}

#[derive(Clone, Copy)]
struct Bounds {
    low: V3,
    high: V3,
}

impl Bounds {
    const NONE: Self = Self {
        low: V3::all(f32::INFINITY),
        high: V3::all(f32::NEG_INFINITY),
    };

    fn with(self, o: Self) -> Self {
        Self {
            low: self.low.min(o.low),
            high: self.high.max(o.high),
        }
    }

    fn half_area(self) -> f32 {
        let d = self.high - self.low;
        if d.x < 0.0 {
            return 0.0;
        }
        d.x * d.y + d.y * d.z + d.z * d.x
    }
}

impl Tree {
    /// Builds the tree over triangles given by their corners.
    pub fn over(corners: &[V3], triangles: &[[u32; 3]]) -> Self {
        let mut items: Vec<(Bounds, u32)> = triangles
            .iter()
            .enumerate()
            .map(|(i, t)| {
                let [a, b, c] = t.map(|k| corners[k as usize]);
                let bounds = Bounds {
                    low: a.min(b).min(c),
                    high: a.max(b).max(c),
                };
                (bounds, i as u32)
            })
            .collect();
        let mut tree = Self::default();
        if items.is_empty() {
            return tree;
        }
        tree.nodes.push(Node {
            low: V3::ZERO,
            first: 0,
            high: V3::ZERO,
            count: 0,
        });
        tree.split(&mut items);
        tree.facets = items
            .iter()
            .map(|&(_, i)| {
                let [a, b, c] = triangles[i as usize].map(|k| corners[k as usize]);
                Facet {
                    a,
                    ab: b - a,
                    ac: c - a,
                    index: i,
                }
            })
            .collect();
        tree
    }

    fn split(&mut self, items: &mut [(Bounds, u32)]) {
        let mut work = vec![(0usize, 0usize, items.len())];
        while let Some((node, from, to)) = work.pop() {
            let part = &mut items[from..to];
            let all = part.iter().fold(Bounds::NONE, |b, i| b.with(i.0));
            self.nodes[node].low = all.low;
            self.nodes[node].high = all.high;
            let cut = if part.len() > LEAF {
                best_cut(part)
            } else {
                None
            };
            let Some(at) = cut else {
                self.nodes[node].first = from as u32;
                self.nodes[node].count = part.len() as u32;
                continue;
            };
            let left = self.nodes.len();
            self.nodes[node].first = left as u32;
            self.nodes[node].count = 0;
            let empty = self.nodes[node];
            self.nodes.extend([empty, empty]);
            work.push((left, from, from + at));
            work.push((left + 1, from + at, to));
        }
    }

    /// The nearest triangle along the ray.
    pub fn nearest(&self, ray: &Ray) -> Option<Meeting> {
        let mut best = None;
        let mut reach = ray.far;
        self.visit(
            ray,
            |facet, reach_now| {
                let hit = facet.meet(ray, *reach_now)?;
                *reach_now = hit.t;
                best = Some(hit);
                None::<()>
            },
            &mut reach,
        );
        best
    }

    /// The first triangle found along the ray, not always the nearest.
    pub fn any(&self, ray: &Ray) -> Option<Meeting> {
        let mut reach = ray.far;
        self.visit(
            ray,
            |facet, reach_now| facet.meet(ray, *reach_now),
            &mut reach,
        )
    }

    fn visit<R>(
        &self,
        ray: &Ray,
        mut look: impl FnMut(&Facet, &mut f32) -> Option<R>,
        reach: &mut f32,
    ) -> Option<R> {
        if self.nodes.is_empty() {
            return None;
        }
        let inverse = V3 {
            x: 1.0 / ray.dir.x,
            y: 1.0 / ray.dir.y,
            z: 1.0 / ray.dir.z,
        };
        let mut stack = [(0u32, 0.0f32); 128];
        let mut depth = 0;
        let mut node = 0u32;
        self.nodes[0].enter(ray, inverse, *reach)?;
        loop {
            let n = &self.nodes[node as usize];
            if n.count > 0 {
                for facet in &self.facets[n.first as usize..(n.first + n.count) as usize] {
                    if let Some(r) = look(facet, reach) {
                        return Some(r);
                    }
                }
            } else {
                let (left, right) = (n.first, n.first + 1);
                let enter = |k: u32| self.nodes[k as usize].enter(ray, inverse, *reach);
                let next = match (enter(left), enter(right)) {
                    (Some(a), Some(b)) => {
                        let (near, far) = if a <= b {
                            (left, (right, b))
                        } else {
                            (right, (left, a))
                        };
                        stack[depth] = far;
                        depth += 1;
                        Some(near)
                    }
                    (Some(_), None) => Some(left),
                    (None, Some(_)) => Some(right),
                    (None, None) => None,
                };
                if let Some(next) = next {
                    node = next;
                    continue;
                }
            }
            loop {
                if depth == 0 {
                    return None;
                }
                depth -= 1;
                if stack[depth].1 <= *reach {
                    node = stack[depth].0;
                    break;
                }
            }
        }
    }
}

impl Node {
    /// Where the ray enters the box.
    #[inline]
    fn enter(&self, ray: &Ray, inverse: V3, reach: f32) -> Option<f32> {
        let a = (self.low - ray.from).times(inverse);
        let b = (self.high - ray.from).times(inverse);
        let (lo, hi) = (a.min(b), a.max(b));
        let t0 = lo.x.max(lo.y).max(lo.z.max(ray.near));
        let t1 = hi.x.min(hi.y).min(hi.z.min(reach));
        (t0 <= t1).then_some(t0)
    }
}

impl Facet {
    /// Möller & Trumbore (1997), "Fast, minimum storage ray/triangle intersection".
    #[inline]
    fn meet(&self, ray: &Ray, reach: f32) -> Option<Meeting> {
        let p = ray.dir.cross(self.ac);
        let det = self.ab.dot(p);
        if det.abs() < 1e-12 {
            return None;
        }
        let inv = 1.0 / det;
        let s = ray.from - self.a;
        let u = s.dot(p) * inv;
        if !(-1e-5..=1.00001).contains(&u) {
            return None;
        }
        let q = s.cross(self.ab);
        let v = ray.dir.dot(q) * inv;
        if v < -1e-5 || u + v > 1.00001 {
            return None;
        }
        let t = self.ac.dot(q) * inv;
        (t > ray.near && t < reach).then_some(Meeting {
            t,
            facet: self.index,
            u,
            v,
        })
    }
}

/// Reorders the items and says where to cut them; `None` when one leaf is as good.
fn best_cut(items: &mut [(Bounds, u32)]) -> Option<usize> {
    let middle = |b: &Bounds| (b.low + b.high) * 0.5;
    let span = items.iter().fold(Bounds::NONE, |s, i| {
        let m = middle(&i.0);
        s.with(Bounds { low: m, high: m })
    });
    let mut best: Option<(f32, usize, usize)> = None;
    for axis in 0..3 {
        let (lo, hi) = (span.low.axis(axis), span.high.axis(axis));
        if hi - lo < 1e-6 {
            continue;
        }
        let mut bins = [(Bounds::NONE, 0usize); BINS];
        for (b, _) in items.iter() {
            let k = bin(middle(b).axis(axis), lo, hi);
            bins[k] = (bins[k].0.with(*b), bins[k].1 + 1);
        }
        let mut right = [(0.0f32, 0usize); BINS];
        let (mut b, mut n) = (Bounds::NONE, 0);
        for k in (1..BINS).rev() {
            b = b.with(bins[k].0);
            n += bins[k].1;
            right[k] = (b.half_area(), n);
        }
        let (mut b, mut n) = (Bounds::NONE, 0);
        for k in 0..BINS - 1 {
            b = b.with(bins[k].0);
            n += bins[k].1;
            let cost = b.half_area() * n as f32 + right[k + 1].0 * right[k + 1].1 as f32;
            if n > 0 && right[k + 1].1 > 0 && best.is_none_or(|x| cost < x.0) {
                best = Some((cost, axis, k));
            }
        }
    }
    let Some((_, axis, k)) = best else {
        return (items.len() > 4 * LEAF).then_some(items.len() / 2);
    };
    let (lo, hi) = (span.low.axis(axis), span.high.axis(axis));
    let mut at = 0;
    for i in 0..items.len() {
        if bin(middle(&items[i].0).axis(axis), lo, hi) <= k {
            items.swap(i, at);
            at += 1;
        }
    }
    (at > 0 && at < items.len()).then_some(at)
}

fn bin(v: f32, lo: f32, hi: f32) -> usize {
    (((v - lo) / (hi - lo) * BINS as f32) as usize).min(BINS - 1)
}

//! What is known of a staged photo: the truth file.

use serde::{Deserialize, Serialize};

use crate::geometry::Point;

use super::layout::{Camera, Seat};
use super::light::Light;
use super::maths::V3;
use super::scatter::Strewn;
use super::scene::{Bar, Scene};
use super::stuff::Label;

/// A bean of the truth. Pixels of the upright photo.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueBean {
    /// Middle of what is seen of it (hidden ones: where its centre would be seen).
    pub x_px: f64,
    /// Middle of what is seen of it.
    pub y_px: f64,
    /// Radius of a disc as large as its whole outline.
    pub radius_px: f64,
    /// Pixels seen over pixels of its whole outline, 0 to 1.
    pub visible: f64,
    /// Its centre lies inside the frame's inner edge (seen from straight above).
    pub inside: bool,
    /// A split half.
    pub half: bool,
}

/// A pod of the truth. Pixels of the upright photo.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TruePod {
    /// Middle of its long axis.
    pub x_px: f64,
    /// Middle of its long axis.
    pub y_px: f64,
    /// Length.
    pub length_px: f64,
    /// Greatest width.
    pub width_px: f64,
    /// Angle of its long axis from +x towards +y, degrees.
    pub angle_deg: f64,
    /// Beans in it.
    pub beans: usize,
    /// Pixels seen over pixels of its whole outline, 0 to 1.
    pub visible: f64,
    /// Its centre lies inside the frame's inner edge.
    pub inside: bool,
}

/// The frame of the truth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueFrame {
    /// Kind of bar.
    pub design: String,
    /// Inside width and height, mm.
    pub inner_mm: [f64; 2],
    /// Width and height of the bar, mm.
    pub bar_mm: [f64; 2],
    /// Inner corners where the bar's innermost edge is seen, clockwise.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inner_corners_px: Option<Vec<Point>>,
    /// The same at the height of the ground.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inner_corners_ground_px: Option<Vec<Point>>,
    /// Points along a ring's inner edge.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inner_ring_px: Option<Vec<Point>>,
    /// `whole`, `cut by the picture edge` or `none`.
    pub in_picture: String,
}

/// How the photo was made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Conditions {
    /// Seed of the scene.
    pub seed: u64,
    /// Soil.
    pub soil: String,
    /// Tilth.
    pub tilth: String,
    /// 0 dry to 1 wet.
    pub wetness: f64,
    /// Residue cover aimed at, share.
    pub residue_cover_asked: f64,
    /// Share of the ground in the frame (all of the picture without one) that is seen to be under residue and stones.
    pub residue_cover_measured: f64,
    /// Light.
    pub light: String,
    /// Sun's height, degrees.
    pub sun_elevation_deg: Option<f64>,
    /// Sun's direction in the picture, degrees from right through up.
    pub sun_azimuth_deg: Option<f64>,
    /// Shadow from outside the picture.
    pub shadow: String,
    /// Camera above the ground, mm.
    pub camera_height_mm: f64,
    /// Lean, degrees.
    pub tilt_deg: f64,
    /// Lens bending.
    pub bend_k1: f64,
    /// Blur, σ in pixels.
    pub defocus_sigma_px: f64,
    /// Smear, pixels.
    pub motion_px: f64,
    /// Noise.
    pub noise: f64,
    /// JPEG quality.
    pub jpeg_quality: u8,
}

/// What is known of a staged photo.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// File name.
    pub photo: String,
    /// Width of the upright photo.
    pub width_px: u32,
    /// Height of the upright photo.
    pub height_px: u32,
    /// How it came about.
    pub made: String,
    /// Under which conditions.
    pub conditions: Conditions,
    /// `count`, or `refuse` where the frame is missing or cut.
    pub answer: String,
    /// The frame.
    pub frame: TrueFrame,
    /// Loose beans.
    pub beans: Vec<TrueBean>,
    /// Closed pods.
    pub pods: Vec<TruePod>,
}

impl Truth {
    /// Loose beans with their centre inside the frame, split halves among them.
    pub fn beans_inside(&self) -> usize {
        self.beans.iter().filter(|b| b.inside).count()
    }

    /// Pods with their centre inside the frame.
    pub fn pods_inside(&self) -> usize {
        self.pods.iter().filter(|p| p.inside).count()
    }
}

/// What the truth is made from.
pub(super) struct Known<'a> {
    pub scene: &'a Scene,
    pub camera: &'a Camera,
    pub seat: &'a Seat,
    pub light: &'a Light,
    pub strewn: &'a Strewn,
    pub label: &'a [Label],
}

/// Pixels seen of one thing.
#[derive(Debug, Clone, Copy, Default)]
struct Seen {
    pixels: f64,
    x: f64,
    y: f64,
}

fn tenth(v: f64) -> f64 {
    (v * 10.0).round() / 10.0
}

fn thousandth(v: f64) -> f64 {
    (v * 1000.0).round() / 1000.0
}

/// Place in the truth of each bean and pod as laid; `None`: left out, for it lies outside the picture.
#[derive(Debug, Clone, Default)]
pub(super) struct Numbers {
    pub beans: Vec<Option<usize>>,
    pub pods: Vec<Option<usize>>,
}

/// Leaves out what is not there and says where the rest went.
fn numbered<T>(all: Vec<Option<T>>) -> (Vec<T>, Vec<Option<usize>>) {
    let mut kept = Vec::new();
    let numbers = all
        .into_iter()
        .map(|t| {
            kept.push(t?);
            Some(kept.len() - 1)
        })
        .collect();
    (kept, numbers)
}

impl Known<'_> {
    /// Puts the truth together.
    pub fn truth(&self) -> (Truth, Numbers) {
        let (beans, pods) = self.seen();
        let (beans, bean_numbers) = numbered(self.beans(&beans));
        let (pods, pod_numbers) = numbered(self.pods(&pods));
        let frame = self.frame();
        let answer = if frame.in_picture == "whole" {
            "count"
        } else {
            "refuse"
        };
        let numbers = Numbers {
            beans: bean_numbers,
            pods: pod_numbers,
        };
        let truth = Truth {
            photo: String::new(),
            width_px: self.scene.width_px,
            height_px: self.scene.height_px,
            made: "staged, ray traced".into(),
            conditions: self.conditions(),
            answer: answer.into(),
            frame,
            beans,
            pods,
        };
        (truth, numbers)
    }

    fn seen(&self) -> (Vec<Seen>, Vec<Seen>) {
        let mut beans = vec![Seen::default(); self.strewn.beans.len()];
        let mut pods = vec![Seen::default(); self.strewn.pods.len()];
        let w = self.scene.width_px as usize;
        for (k, label) in self.label.iter().enumerate() {
            let seen = match label {
                Label::Bean(i) => &mut beans[*i as usize],
                Label::Pod(i) => &mut pods[*i as usize],
                _ => continue,
            };
            seen.pixels += 1.0;
            seen.x += (k % w) as f64 + 0.5;
            seen.y += (k / w) as f64 + 0.5;
        }
        (beans, pods)
    }

    /// Pixels of the whole outline of some triangles, whether hidden or not, in the picture or not.
    fn outline_px(&self, facets: std::ops::Range<usize>) -> f64 {
        let pile = &self.strewn.pile;
        let mut triangles = Vec::with_capacity(facets.len());
        let (mut low, mut high) = ((f64::MAX, f64::MAX), (f64::MIN, f64::MIN));
        for f in &pile.facets[facets] {
            let seen = f.map(|k| self.camera.see(pile.corners[k as usize]));
            let [Some(a), Some(b), Some(c)] = seen else {
                continue;
            };
            for p in [a, b, c] {
                low = (low.0.min(p.x), low.1.min(p.y));
                high = (high.0.max(p.x), high.1.max(p.y));
            }
            triangles.push([a, b, c]);
        }
        if triangles.is_empty() {
            return 0.0;
        }
        let (x0, y0) = (low.0.floor() as i64, low.1.floor() as i64);
        let (w, h) = (
            (high.0.ceil() as i64 - x0 + 1) as usize,
            (high.1.ceil() as i64 - y0 + 1) as usize,
        );
        let mut hit = vec![false; w * h];
        for t in &triangles {
            fill(t, (x0, y0), w, &mut hit);
        }
        hit.iter().filter(|h| **h).count() as f64
    }

    fn beans(&self, seen: &[Seen]) -> Vec<Option<TrueBean>> {
        self.strewn
            .beans
            .iter()
            .zip(seen)
            .map(|(b, s)| {
                let outline = self.outline_px(b.facets.clone());
                let centre = self.middle(s, b.at)?;
                Some(TrueBean {
                    x_px: tenth(centre.x),
                    y_px: tenth(centre.y),
                    radius_px: tenth((outline / std::f64::consts::PI).sqrt()),
                    visible: thousandth((s.pixels / outline.max(1.0)).min(1.0)),
                    inside: b.inside,
                    half: b.half,
                })
            })
            .map(|b| b.filter(|b| b.inside || self.in_picture(b.x_px, b.y_px)))
            .collect()
    }

    fn in_picture(&self, x: f64, y: f64) -> bool {
        (0.0..f64::from(self.scene.width_px)).contains(&x)
            && (0.0..f64::from(self.scene.height_px)).contains(&y)
    }

    fn middle(&self, s: &Seen, at: V3) -> Option<Point> {
        if s.pixels > 0.0 {
            Some(Point::new(s.x / s.pixels, s.y / s.pixels))
        } else {
            self.camera.see(at)
        }
    }

    fn pods(&self, seen: &[Seen]) -> Vec<Option<TruePod>> {
        self.strewn
            .pods
            .iter()
            .zip(seen)
            .map(|(p, s)| {
                let outline = self.outline_px(p.facets.clone());
                let at = self.camera.see(p.at)?;
                let [a, b] = [self.camera.see(p.ends[0])?, self.camera.see(p.ends[1])?];
                let length = a.distance(b);
                Some(TruePod {
                    x_px: tenth(at.x),
                    y_px: tenth(at.y),
                    length_px: tenth(length),
                    width_px: tenth(length * f64::from(p.width_mm / p.length_mm)),
                    angle_deg: tenth((b.y - a.y).atan2(b.x - a.x).to_degrees()),
                    beans: p.beans,
                    visible: thousandth((s.pixels / outline.max(1.0)).min(1.0)),
                    inside: p.inside,
                })
            })
            .map(|p| p.filter(|p| p.inside || self.in_picture(p.x_px, p.y_px)))
            .collect()
    }

    fn frame(&self) -> TrueFrame {
        let see = |points: &[V3]| -> Option<Vec<Point>> {
            points
                .iter()
                .map(|p| {
                    self.camera
                        .see(*p)
                        .map(|q| Point::new(tenth(q.x), tenth(q.y)))
                })
                .collect()
        };
        let seat = self.seat;
        let there = seat.design.bar != Bar::None;
        let corners = there && !seat.is_ring();
        let inner = if seat.is_ring() {
            seat.ring(seat.edge_mm())
        } else {
            seat.corners(seat.edge_mm()).to_vec()
        };
        let whole = inner.iter().all(|p| {
            self.camera
                .see(*p)
                .is_some_and(|q| self.in_picture(q.x, q.y))
        });
        let (w, h) = seat.design.spec.size_mm();
        TrueFrame {
            design: seat.design.bar.name().into(),
            inner_mm: [w, h],
            bar_mm: [seat.design.bar_mm, seat.design.height_mm],
            inner_corners_px: see(&inner).filter(|_| corners),
            inner_corners_ground_px: see(&seat.corners(0.0)).filter(|_| corners),
            inner_ring_px: see(&inner).filter(|_| there && seat.is_ring()),
            in_picture: match (there, whole) {
                (false, _) => "none",
                (true, true) => "whole",
                (true, false) => "cut by the picture edge",
            }
            .into(),
        }
    }

    fn conditions(&self) -> Conditions {
        let (s, c) = (self.scene, &self.scene.camera);
        let sun = self.light.sun_deg;
        Conditions {
            seed: s.seed,
            soil: s.ground.soil.name().into(),
            tilth: s.ground.tilth.name().into(),
            wetness: thousandth(s.ground.wetness),
            residue_cover_asked: thousandth(s.ground.residue_cover),
            residue_cover_measured: thousandth(self.cover()),
            light: s.light.name().into(),
            sun_elevation_deg: sun.map(|d| tenth(f64::from(d.0))),
            sun_azimuth_deg: sun.map(|d| tenth(f64::from(d.1))),
            shadow: s.shadow.name().into(),
            camera_height_mm: tenth(f64::from(self.camera.at.z)),
            tilt_deg: tenth(c.tilt_deg),
            bend_k1: thousandth(c.bend_k1),
            defocus_sigma_px: thousandth(c.defocus_sigma_px),
            motion_px: tenth(c.motion_px),
            noise: thousandth(c.noise),
            jpeg_quality: c.jpeg_quality,
        }
    }

    /// Residue seen, as a share of the ground inside the frame.
    fn cover(&self) -> f64 {
        let w = self.scene.width_px as usize;
        let (mut residue, mut all) = (0.0, 0.0f64);
        for (k, label) in self.label.iter().enumerate().step_by(7) {
            if self.seat.design.bar != Bar::None {
                let ray = self
                    .camera
                    .ray(Point::new((k % w) as f64 + 0.5, (k / w) as f64 + 0.5));
                let t = (self.seat.base_mm - ray.from.z) / ray.dir.z;
                let p = ray.at(t);
                if self.seat.inside_mm(p.x, p.y) < 0.0 {
                    continue;
                }
            }
            match label {
                Label::Residue => residue += 1.0,
                Label::Frame => continue,
                _ => {}
            }
            all += 1.0;
        }
        residue / all.max(1.0)
    }
}

/// Marks the pixels whose middle lies in a triangle.
fn fill(t: &[Point; 3], (x0, y0): (i64, i64), w: usize, hit: &mut [bool]) {
    let side =
        |a: Point, b: Point, x: f64, y: f64| (b.x - a.x) * (y - a.y) - (b.y - a.y) * (x - a.x);
    let range = |v: [f64; 3]| {
        let low = v.iter().copied().fold(f64::MAX, f64::min).floor() as i64;
        let high = v.iter().copied().fold(f64::MIN, f64::max).ceil() as i64;
        low..=high
    };
    for y in range(t.map(|p| p.y)) {
        for x in range(t.map(|p| p.x)) {
            let (px, py) = (x as f64 + 0.5, y as f64 + 0.5);
            let s = [
                side(t[0], t[1], px, py),
                side(t[1], t[2], px, py),
                side(t[2], t[0], px, py),
            ];
            if s.iter().all(|v| *v >= 0.0) || s.iter().all(|v| *v <= 0.0) {
                let k = (y - y0) as usize * w + (x - x0) as usize;
                if let Some(h) = hit.get_mut(k) {
                    *h = true;
                }
            }
        }
    }
}

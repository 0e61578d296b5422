//! A fixture folder: a staged photo with its truth, counted by the tool as it is, and the checks on the result.

use std::{fs, sync::LazyLock};

use image::RgbImage;
use podfall::{
    counts::{Kind, Object, PhotoCount},
    frame::{FrameSettings, FrameSpec, Outline},
    geometry::Point,
    model::Model,
    pipeline::{Settings, count_photo},
    stage::{TrueBean, Truth},
};

use crate::pictures::fixture;

/// An object stands for a bean when it lies within this many of the bean's radii of its middle.
const REACH_RADII: f64 = 1.2;

/// A bean that shows less is neither missed nor found wrongly.
const LEAST_VISIBLE: f64 = 0.5;

/// A bean that shows less is not among those that the limits speak of.
const LEAST_COUNTED: f64 = 0.3;

static MODEL: LazyLock<Model> = LazyLock::new(Model::built_in);

/// The model in the binary, read once for all tests.
pub fn model() -> &'static Model {
    &MODEL
}

/// `fixtures/NAME/`: `photo.jpg`, `truth.json`.
pub struct Case {
    name: &'static str,
    photo: Vec<u8>,
    truth: Truth,
}

/// A case, counted.
pub struct Run<'a> {
    case: &'a Case,
    /// The result.
    pub count: PhotoCount,
}

impl Case {
    /// Reads the folder.
    pub fn open(name: &'static str) -> Self {
        let read = |file: &str| {
            fs::read(fixture(name).join(file)).unwrap_or_else(|e| panic!("{name}/{file}: {e}"))
        };
        Self {
            name,
            photo: read("photo.jpg"),
            truth: serde_json::from_slice(&read("truth.json")).unwrap(),
        }
    }

    /// The same case with its photo changed.
    pub fn spoilt(self, spoil: impl Fn(&RgbImage) -> RgbImage) -> Self {
        let read = image::load_from_memory(&self.photo).unwrap().to_rgb8();
        let photo = podfall::annotate::jpeg(&spoil(&read), 92);
        Self { photo, ..self }
    }

    /// Counts with the model in the binary and ordinary settings.
    pub fn count(&self, frame: &str) -> Run<'_> {
        let spec: FrameSpec = frame.parse().unwrap();
        let settings = Settings::new(FrameSettings::new(spec));
        Run {
            case: self,
            count: count_photo(&self.photo, "photo.jpg", &settings, &MODEL).count,
        }
    }

    /// Beans inside the frame that show at least `visible`.
    fn beans(&self, visible: f64) -> Vec<&TrueBean> {
        let beans = self.truth.beans.iter();
        beans.filter(|b| b.inside && b.visible >= visible).collect()
    }
}

fn near(bean: &TrueBean, object: &Object) -> bool {
    (bean.x_px - object.x_px).hypot(bean.y_px - object.y_px) <= REACH_RADII * bean.radius_px
}

/// Distance of a point from the way between two others.
fn off_the_way(at: Point, from: Point, to: Point) -> f64 {
    let (dx, dy) = (to.x - from.x, to.y - from.y);
    let length2 = dx * dx + dy * dy;
    let along = ((at.x - from.x) * dx + (at.y - from.y) * dy) / length2.max(1e-9);
    let t = along.clamp(0.0, 1.0);
    (at.x - from.x - t * dx).hypot(at.y - from.y - t * dy)
}

impl Run<'_> {
    /// Counted beans, whole or split.
    fn counted(&self) -> Vec<&Object> {
        let objects = self.count.objects.iter();
        objects
            .filter(|o| o.counted && o.kind != Kind::Pod)
            .collect()
    }

    /// At most `missed` beans that show half or more are without an object of their own, and at most `wrong`
    /// counted objects are no bean: matched one to one, the nearest pairs first. Whatever is no bean must be marked
    /// doubtful, so that a person is asked to look at it.
    pub fn beans_match(&self, missed: usize, wrong: usize) {
        self.beans_match_but(missed, wrong, 0);
    }

    /// The same, where `sure` of the wrongly counted may lack the mark: a weak point that the test names.
    pub fn beans_match_but(&self, missed: usize, wrong: usize, sure: usize) {
        let (must, objects) = (self.case.beans(LEAST_VISIBLE), self.counted());
        let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
        for (b, bean) in must.iter().enumerate() {
            for (o, object) in objects.iter().enumerate().filter(|(_, o)| near(bean, o)) {
                let way = (bean.x_px - object.x_px).hypot(bean.y_px - object.y_px);
                pairs.push((way, b, o));
            }
        }
        pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (mut found, mut used) = (vec![false; must.len()], vec![false; objects.len()]);
        for (_, b, o) in pairs {
            if !found[b] && !used[o] {
                (found[b], used[o]) = (true, true);
            }
        }
        let lost = found.iter().filter(|&&f| !f).count();
        let hidden = |o: &Object| {
            let beans = self.case.truth.beans.iter();
            beans
                .filter(|b| !b.inside || b.visible < LEAST_VISIBLE)
                .any(|b| near(b, o))
        };
        let no_bean: Vec<&&Object> = (objects.iter().zip(&used))
            .filter(|(o, used)| !**used && !hidden(o))
            .map(|(o, _)| o)
            .collect();
        assert!(
            lost <= missed && no_bean.len() <= wrong,
            "{}: {lost} of {} beans missed (at most {missed}), {} of {} objects are no bean (at most {wrong})",
            self.case.name,
            must.len(),
            no_bean.len(),
            objects.len(),
        );
        assert!(
            no_bean.iter().filter(|o| !o.doubtful).count() <= sure,
            "{}: no bean, and no doubt: {no_bean:?}",
            self.case.name
        );
    }

    /// The residue cover lies within 10 points of the truth, either way.
    pub fn cover_is_right(&self) {
        let pct = self.count.ground.expect("counted").residue_cover_pct;
        let true_pct = 100.0 * self.case.truth.conditions.residue_cover_measured;
        assert!(
            (pct - true_pct).abs() <= 10.0,
            "{}: {pct:.1} % under residue, {true_pct:.1} % in truth",
            self.case.name
        );
    }

    /// The 95 % limits hold the beans that can be seen.
    pub fn limits_hold(&self) {
        let truth = self.case.beans(LEAST_COUNTED).len() as f64;
        let beans = self.count.counts.expect("counted").beans;
        assert!(
            beans.low <= truth && truth <= beans.high,
            "{}: {truth} beans, limits {:.1} to {:.1}",
            self.case.name,
            beans.low,
            beans.high
        );
        assert!(beans.low <= beans.estimate && beans.estimate <= beans.high);
    }

    /// Every inner corner lies within 1 % of the frame's side of the truth: between where the bar's edge is seen and
    /// where it would be seen at the height of the ground.
    pub fn corners_within_a_hundredth(&self) {
        let frame = &self.case.truth.frame;
        let seen = frame.inner_corners_px.as_ref().unwrap();
        let ground = frame.inner_corners_ground_px.as_ref().unwrap_or(seen);
        let found = self.count.frame.as_ref().unwrap().corners_px.unwrap();
        let side = (seen[1].x - seen[0].x).hypot(seen[1].y - seen[0].y);
        let worst_from = |first: usize| {
            let errors = (0..4).map(|k| {
                let t = (first + k) % 4;
                off_the_way(found[k], seen[t], ground[t])
            });
            errors.fold(0.0, f64::max)
        };
        let worst = (0..4).map(worst_from).fold(f64::INFINITY, f64::min);
        assert!(
            worst <= 0.01 * side,
            "{}: a corner is off by {worst:.1} px of {side:.0}",
            self.case.name
        );
    }

    /// Every point of the ring's true inner edge lies within 1 % of its diameter of the ellipse found.
    pub fn ring_within_a_hundredth(&self) {
        let Outline::Ring(ring) = &self.count.frame.as_ref().unwrap().found.outline else {
            panic!("{}: no ring", self.case.name);
        };
        let (sin, cos) = ring.angle_rad.sin_cos();
        let points = self.case.truth.frame.inner_ring_px.as_ref().unwrap();
        assert!(points.len() >= 8);
        for at in points {
            let (dx, dy) = (at.x - ring.centre_px.x, at.y - ring.centre_px.y);
            let (u, v) = (cos * dx + sin * dy, cos * dy - sin * dx);
            // Along the ray from the middle: 1 on the ellipse.
            let share = (u / ring.semi_major_px).hypot(v / ring.semi_minor_px);
            let off_px = u.hypot(v) * (1.0 - 1.0 / share).abs();
            assert!(
                off_px <= 0.02 * ring.semi_major_px,
                "{}: the ring is off by {off_px:.1} px at {at:?}",
                self.case.name
            );
        }
    }
}

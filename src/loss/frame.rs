//! One frame as the loss sees it.

use serde::{Deserialize, Serialize};

use crate::{
    count::UNMEASURED_BEAN_MM,
    counts::{Counts, Limits, PhotoCount},
    photo::Position,
    sheet::Place,
};

/// What a frame's count rests on.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// The tool's count of a photo, as it stands.
    #[default]
    Photo,
    /// The tool's count, put right by a person's marks.
    Confirmed,
    /// The tool's count, put right by the ratio of the frames counted both ways.
    Ratio,
    /// Counted by hand on the ground, or on a tray.
    Hand,
}

impl Basis {
    /// The word for it, as in JSON.
    pub fn word(self) -> &'static str {
        match self {
            Self::Photo => "photo",
            Self::Confirmed => "confirmed",
            Self::Ratio => "ratio",
            Self::Hand => "hand",
        }
    }
}

/// What a person counted within the frame; `None` where the cell was left empty, which is not 0.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct HandCounts {
    /// Loose beans on the ground.
    pub beans: Option<f64>,
    /// Closed pods on the ground.
    pub pods: Option<f64>,
    /// Pods still on stubble.
    pub stubble_pods: Option<f64>,
    /// Pods on lodged, uncut plants.
    pub lodged_pods: Option<f64>,
    /// Pods on cut stalks that were not gathered.
    pub stalk_pods: Option<f64>,
}

/// One frame: what was counted on how much ground, and where.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FrameLoss {
    /// File name of its photo.
    pub photo: String,
    /// The check it belongs to; `None`: it stands by itself.
    pub check: Option<String>,
    /// Checks laid side by side to compare settings carry the same word here.
    pub pair: Option<String>,
    /// Where it was laid; `None` where nobody has said.
    pub place: Option<Place>,
    /// The machine's setting in force.
    pub setting: Option<String>,
    /// Ground speed, km/h.
    pub speed_kmh: Option<f64>,
    /// Moisture of the beans, %.
    pub moisture_percent: Option<f64>,
    /// Loose beans.
    pub beans: Limits,
    /// Closed pods.
    pub pods: Limits,
    /// Beans in those pods.
    pub beans_in_pods: Limits,
    /// Ground that the count is of, m²: as seen, or inside the frame where beans were counted by hand.
    pub area_m2: Limits,
    /// Ground inside the frame's inner edge, m², of which under a raised bar a photo sees more; `None`: as `area_m2`.
    pub inside_m2: Option<f64>,
    /// The tool's own estimate of loose beans, where a person's marks stand in `beans`; `None`: `beans` is the tool's.
    pub tool_beans: Option<Limits>,
    /// Of `beans` those that are certain because a person said so.
    pub sure_beans: f64,
    /// What a person counted.
    pub hand: HandCounts,
    /// For a tray: the photo of the frame its beans were picked up from.
    pub tray_of: Option<String>,
    /// What the count rests on.
    pub basis: Basis,
    /// When, as the camera says (RFC 3339, or local time without offset).
    pub taken: Option<String>,
    /// Where on the earth, as the camera says.
    pub position: Option<Position>,
    /// Mean length and width of the whole beans measured, mm, and how many; for the seeds' size.
    pub bean_size: Option<BeanSize>,
}

/// Size of the beans seen in one frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BeanSize {
    /// Beans measured.
    pub beans: usize,
    /// Their mean length, mm.
    pub length_mm: f64,
    /// Their mean width, mm.
    pub width_mm: f64,
}

impl FrameLoss {
    /// The frame of a photo that was counted; `None` for one that was not.
    pub fn of_photo(count: &PhotoCount) -> Option<Self> {
        let counts: Counts = count.counts?;
        let area_m2 = match count.plot {
            Some(plot) => Limits {
                estimate: plot.area_m2,
                low: plot.area_low_m2,
                high: plot.area_high_m2,
            },
            None => Limits::exactly(count.frame_spec.ground().m2()),
        };
        if !(area_m2.estimate.is_finite() && area_m2.estimate > 0.0) {
            return None;
        }
        Some(Self {
            photo: count.photo.clone(),
            beans: counts.beans,
            pods: counts.pods,
            beans_in_pods: counts.beans_in_pods,
            area_m2,
            inside_m2: Some(count.frame_spec.ground().m2()),
            taken: count.meta.taken.clone(),
            position: count.meta.position,
            bean_size: BeanSize::of_photo(count),
            ..Self::default()
        })
    }

    /// Ground inside the frame's inner edge, m²: what a person counts on.
    pub fn inside_m2(&self) -> f64 {
        self.inside_m2.unwrap_or(self.area_m2.estimate)
    }

    /// Loose beans by hand, as many as there would be on all the ground that the photo sees.
    pub fn hand_beans_seen(&self) -> Option<f64> {
        Some(self.hand.beans? * self.area_m2.estimate / self.inside_m2())
    }

    /// The tool's own count of loose beans.
    pub fn by_tool(&self) -> Limits {
        self.tool_beans.unwrap_or(self.beans)
    }

    /// Beans lost: loose ones and those in pods.
    pub fn lost(&self) -> f64 {
        self.beans.estimate + self.beans_in_pods.estimate
    }

    /// The same with the photo's own limits, the doubt of the two counts put together as in [`Self::lost_sd`].
    pub fn lost_limits(&self) -> Limits {
        let (loose, in_pods, estimate) = (self.beans, self.beans_in_pods, self.lost());
        let off = |of: fn(&Limits) -> f64| of(&loose).hypot(of(&in_pods));
        Limits {
            estimate,
            low: (estimate - off(|l| l.estimate - l.low)).max(0.0),
            high: estimate + off(|l| l.high - l.estimate),
        }
    }

    /// Standard deviation that the photo's own limits stand for, beans.
    pub fn lost_sd(&self) -> f64 {
        sd_of(&self.beans).hypot(sd_of(&self.beans_in_pods))
    }
}

impl BeanSize {
    /// From a photo's whole beans that are surely beans; the size on the photo is of what lies flat.
    fn of_photo(count: &PhotoCount) -> Option<Self> {
        let sure = |o: &&crate::counts::Object| {
            (o.length_mm, o.width_mm) != UNMEASURED_BEAN_MM
                && o.counted
                && o.kind == crate::counts::Kind::Bean
                && o.probability >= 0.9
        };
        let (mut beans, mut length_mm, mut width_mm) = (0, 0.0, 0.0);
        for object in count.objects.iter().filter(sure) {
            beans += 1;
            length_mm += object.length_mm;
            width_mm += object.width_mm;
        }
        (beans > 0).then(|| Self {
            beans,
            length_mm: length_mm / beans as f64,
            width_mm: width_mm / beans as f64,
        })
    }
}

/// Standard deviation that 95 % limits stand for, were they normal: their width over 2 × 1.96.
pub(crate) fn sd_of(limits: &Limits) -> f64 {
    ((limits.high - limits.low) / (2.0 * 1.959_964)).max(0.0)
}

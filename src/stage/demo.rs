//! The scenario of the demo's photos: one field of our own making, one evening in October.
//!
//! A grower lays a 12 × 12 in frame of white pipe in three places (standing crop, cut strip, behind
//! the machine) at a first check with the settings as found, slows the reel, and lays it again.
//! The field, its position and its numbers are made up; densities follow from ordinary losses: standing
//! 1 to 3 beans a square foot, cut 8 to 14 falling to 5 to 8, a few more behind.

use super::{Amount, LightKind, LossDesign, Note, Scene, Shadow, Soil, Tilth};

/// What sets one photo apart from the others.
struct Shot {
    name: &'static str,
    time: &'static str,
    position_deg: (f64, f64),
    seed: u64,
    beans: usize,
    pods: usize,
    residue: f64,
    light: LightKind,
    shadow: Shadow,
    upright: bool,
    yaw_deg: f64,
    tilt_deg: f64,
}

/// Check 1, as found: standing, cut, cut, behind. Check 2, reel slower: standing, cut, cut, behind.
const SHOTS: [Shot; 8] = [
    Shot {
        name: "IMG_20261003_160412",
        time: "16:04:12",
        position_deg: (41.902_13, -97.404_61),
        seed: 20_261_011,
        beans: 2,
        pods: 0,
        residue: 0.22,
        light: LightKind::Afternoon,
        shadow: Shadow::Crop,
        upright: false,
        yaw_deg: 7.0,
        tilt_deg: 4.0,
    },
    Shot {
        name: "IMG_20261003_160838",
        time: "16:08:38",
        position_deg: (41.902_05, -97.404_75),
        seed: 20_261_012,
        beans: 12,
        pods: 1,
        residue: 0.38,
        light: LightKind::Afternoon,
        shadow: Shadow::None,
        upright: false,
        yaw_deg: -5.0,
        tilt_deg: 6.0,
    },
    Shot {
        name: "IMG_20261003_161005",
        time: "16:10:05",
        position_deg: (41.902_05, -97.404_88),
        seed: 20_261_013,
        beans: 9,
        pods: 1,
        residue: 0.42,
        light: LightKind::Afternoon,
        shadow: Shadow::Photographer,
        upright: true,
        yaw_deg: 3.0,
        tilt_deg: 8.0,
    },
    Shot {
        name: "IMG_20261003_161541",
        time: "16:15:41",
        position_deg: (41.901_93, -97.405_02),
        seed: 20_261_014,
        beans: 15,
        pods: 1,
        residue: 0.60,
        light: LightKind::Bright,
        shadow: Shadow::None,
        upright: false,
        yaw_deg: 11.0,
        tilt_deg: 5.0,
    },
    Shot {
        name: "IMG_20261003_173858",
        time: "17:38:58",
        position_deg: (41.904_37, -97.401_22),
        seed: 20_261_021,
        beans: 1,
        pods: 0,
        residue: 0.25,
        light: LightKind::LowSun,
        shadow: Shadow::Crop,
        upright: true,
        yaw_deg: -8.0,
        tilt_deg: 5.0,
    },
    Shot {
        name: "IMG_20261003_174321",
        time: "17:43:21",
        position_deg: (41.904_30, -97.401_41),
        seed: 20_261_022,
        beans: 7,
        pods: 0,
        residue: 0.35,
        light: LightKind::Overcast,
        shadow: Shadow::None,
        upright: false,
        yaw_deg: 2.0,
        tilt_deg: 3.0,
    },
    Shot {
        name: "IMG_20261003_174450",
        time: "17:44:50",
        position_deg: (41.904_30, -97.401_56),
        seed: 20_261_023,
        beans: 6,
        pods: 1,
        residue: 0.40,
        light: LightKind::Overcast,
        shadow: Shadow::None,
        upright: false,
        yaw_deg: -14.0,
        tilt_deg: 9.0,
    },
    Shot {
        name: "IMG_20261003_175207",
        time: "17:52:07",
        position_deg: (41.904_21, -97.401_70),
        seed: 20_261_024,
        beans: 10,
        pods: 2,
        residue: 0.78,
        light: LightKind::LowSun,
        shadow: Shadow::None,
        upright: false,
        yaw_deg: 6.0,
        tilt_deg: 7.0,
    },
];

/// Name without ending and scene of each photo, in the order in which they were taken.
pub fn photos() -> Vec<(&'static str, Scene)> {
    SHOTS.iter().map(|s| (s.name, s.scene())).collect()
}

impl Shot {
    fn scene(&self) -> Scene {
        let mut scene = Scene::plain(self.seed);
        if self.upright {
            (scene.width_px, scene.height_px) = (3000, 4000);
        }
        scene.frame.litter_per_m = 2.0 + 6.0 * self.residue;
        scene.ground.soil = Soil::DarkBrown;
        scene.ground.tilth = Tilth::Crumb;
        scene.ground.wetness = 0.25;
        scene.ground.residue_cover = self.residue;
        scene.ground.weathering = 0.3;
        scene.loss = LossDesign {
            beans: Amount::Inside(self.beans),
            pods: Amount::Inside(self.pods),
            ..scene.loss
        };
        scene.light = self.light;
        scene.shadow = self.shadow;
        scene.camera.yaw_deg = self.yaw_deg;
        scene.camera.tilt_deg = self.tilt_deg;
        scene.camera.bend_k1 = -0.012;
        scene.camera.jpeg_quality = 86;
        scene.note = Note {
            taken: format!("2026-10-03T{}-05:00", self.time),
            position_deg: Some(self.position_deg),
            orientation: if self.upright { 6 } else { 1 },
        };
        scene
    }
}

//! What is asked for: everything that makes one staged photo.

use crate::frame::FrameSpec;

use super::chance::Dice;
use super::spot_card::CardDesign;

/// Makes an enum whose values have names that people write.
macro_rules! named {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $value:ident = $text:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum $name { $($(#[$vdoc])* $value),+ }

        impl $name {
            /// Every value with its written name.
            pub const ALL: &'static [(&'static str, Self)] = &[$(($text, Self::$value)),+];

            /// The written name.
            pub fn name(self) -> &'static str {
                Self::ALL.iter().find(|n| n.1 == self).map_or("", |n| n.0)
            }
        }

        impl std::str::FromStr for $name {
            type Err = SceneError;

            fn from_str(text: &str) -> Result<Self, SceneError> {
                Self::ALL.iter().find(|n| n.0 == text).map(|n| n.1).ok_or_else(|| SceneError::Name {
                    text: text.to_owned(),
                    known: Self::ALL.iter().map(|n| n.0).collect::<Vec<_>>().join(", "),
                })
            }
        }
    };
}

/// What cannot be staged.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SceneError {
    /// A name that is not known.
    #[error("'{text}' is not known here; use one of {known}")]
    Name {
        /// What was written.
        text: String,
        /// What may be written.
        known: String,
    },
    /// A picture too small or too large.
    #[error(
        "a picture of {width_px} x {height_px} px cannot be staged; each side must be {least_px} to {most_px} px"
    )]
    Size {
        /// Asked for.
        width_px: u32,
        /// Asked for.
        height_px: u32,
        /// Smallest side.
        least_px: u32,
        /// Largest side.
        most_px: u32,
    },
    /// A number out of its range.
    #[error("{what} of {value} is out of range; it must be {least} to {most}")]
    Range {
        /// Which.
        what: &'static str,
        /// Asked for.
        value: f64,
        /// Smallest.
        least: f64,
        /// Largest.
        most: f64,
    },
    /// More beans or pods asked than there is room for.
    #[error("no room for {what} {number} inside the frame; ask for fewer or take a larger frame")]
    NoRoom {
        /// Bean or pod.
        what: &'static str,
        /// Which one, counted from 1.
        number: usize,
    },
}

named! {
    /// What the frame's bars are.
    Bar {
        /// Round white plastic pipe with corner fittings.
        WhitePipe = "white-pipe",
        /// Round grey plastic pipe.
        GreyPipe = "grey-pipe",
        /// Bare wood lath.
        Wood = "wood",
        /// Flat bar painted white.
        White = "white",
        /// Flat bar painted orange.
        Orange = "orange",
        /// Flat bar painted red.
        Red = "red",
        /// Flat bar painted blue.
        Blue = "blue",
        /// Flat bar painted yellow.
        Yellow = "yellow",
        /// Flat bar painted black.
        Black = "black",
        /// No frame in the picture.
        None = "none",
    }
}

named! {
    /// Colour of the soil, dry.
    Soil {
        /// Black prairie soil.
        Black = "black",
        /// Very dark brown.
        DarkBrown = "dark-brown",
        /// Brown.
        Brown = "brown",
        /// Reddish.
        Red = "red",
        /// Pale clay.
        Pale = "pale",
        /// Grey.
        Grey = "grey",
    }
}

named! {
    /// How the soil lies.
    Tilth {
        /// Crumbs.
        Crumb = "crumb",
        /// Clods among crumbs.
        Cloddy = "cloddy",
        /// Beaten flat by rain, cracked.
        Crust = "crust",
    }
}

named! {
    /// The light.
    LightKind {
        /// Even grey sky.
        Overcast = "overcast",
        /// Thin cloud, a very soft sun.
        Bright = "bright",
        /// Sun high up.
        Sun = "sun",
        /// Sun near the middle of its way.
        Afternoon = "afternoon",
        /// Sun low and warm.
        LowSun = "low-sun",
        /// Sun just set or rising.
        Dusk = "dusk",
    }
}

named! {
    /// What throws a shadow from outside the picture.
    Shadow {
        /// Nothing.
        None = "none",
        /// The person who takes the photo.
        Photographer = "photographer",
        /// A straight edge across the frame, as of a machine.
        Edge = "edge",
        /// Standing plants beside the picture.
        Crop = "crop",
    }
}

/// How many of a thing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Amount {
    /// Exactly so many with their centre inside the frame.
    Inside(usize),
    /// About so many per square foot, by chance.
    PerFt2(f64),
}

/// The frame laid down.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameDesign {
    /// Shape and inside size.
    pub spec: FrameSpec,
    /// What the bars are.
    pub bar: Bar,
    /// Width of the bar seen from above, mm.
    pub bar_mm: f64,
    /// Height of the bar, mm; a pipe is as high as wide.
    pub height_mm: f64,
    /// Coloured patches on the corners.
    pub patches: bool,
    /// Straw, leaves and chaff on the bars: pieces per metre of bar.
    pub litter_per_m: f64,
    /// The frame runs out of the picture, an inner corner with it.
    pub cut_by_edge: bool,
}

/// The ground.
#[derive(Debug, Clone, PartialEq)]
pub struct GroundDesign {
    /// Colour.
    pub soil: Soil,
    /// How it lies.
    pub tilth: Tilth,
    /// 0 dry to 1 wet.
    pub wetness: f64,
    /// Share of the ground under residue that is aimed at, 0 to 0.9.
    pub residue_cover: f64,
    /// Stones per square foot.
    pub stones_per_ft2: f64,
    /// Standing stumps in rows.
    pub stubble: bool,
    /// Straw of an earlier cereal among the residue.
    pub straw: bool,
    /// 0 fresh and tan to 1 weathered and grey.
    pub weathering: f64,
}

/// What was lost on it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LossDesign {
    /// Loose beans; split halves count among them.
    pub beans: Amount,
    /// Closed pods.
    pub pods: Amount,
    /// Share of the beans that are split halves.
    pub split_share: f64,
    /// Share of the beans that lie in clusters.
    pub cluster_share: f64,
}

/// The camera and what it does to the picture.
#[derive(Debug, Clone, PartialEq)]
pub struct CameraDesign {
    /// Above the ground, mm; `None`: as high as the frame needs.
    pub height_mm: Option<f64>,
    /// Lean off straight down, degrees.
    pub tilt_deg: f64,
    /// Frame's turn in the picture, degrees.
    pub yaw_deg: f64,
    /// Focal length as for a picture 36 mm wide, mm.
    pub focal_35mm_mm: f64,
    /// Lens bending, see [`crate::geometry::LensBend`].
    pub bend_k1: f64,
    /// Light lost in the picture's corner, 0 to 1.
    pub vignetting: f64,
    /// Blur, pixels (σ).
    pub defocus_sigma_px: f64,
    /// Smear by the hand's motion, pixels.
    pub motion_px: f64,
    /// Noise; 1: a phone in daylight.
    pub noise: f64,
    /// Error of the white balance: factors on red and blue.
    pub white_error: [f64; 2],
    /// Over- or underexposure, stops.
    pub exposure_stops: f64,
    /// Sharpening put on by the camera, 0 to 1.
    pub sharpen: f64,
    /// JPEG quality, 1 to 100.
    pub jpeg_quality: u8,
}

/// What the file says of itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Note {
    /// Capture time, RFC 3339 with offset, as in `2026-10-03T18:41:07-05:00`.
    pub taken: String,
    /// Degrees north and east, WGS 84.
    pub position_deg: Option<(f64, f64)>,
    /// EXIF orientation, 1 to 8: how the pixels are stored.
    pub orientation: u8,
}

/// Everything that makes one staged photo.
#[derive(Debug, Clone, PartialEq)]
pub struct Scene {
    /// Same scene and seed: same bytes.
    pub seed: u64,
    /// Size of the upright picture.
    pub width_px: u32,
    /// Size of the upright picture.
    pub height_px: u32,
    /// The frame.
    pub frame: FrameDesign,
    /// The ground.
    pub ground: GroundDesign,
    /// Beans and pods.
    pub loss: LossDesign,
    /// The light.
    pub light: LightKind,
    /// Shadow from outside the picture.
    pub shadow: Shadow,
    /// The camera.
    pub camera: CameraDesign,
    /// EXIF.
    pub note: Note,
    /// A spot card beside the frame.
    pub card: Option<CardDesign>,
}

/// Smallest and largest side of a picture, px.
const SIDE_RANGE_PX: (u32, u32) = (64, 12_000);

impl FrameDesign {
    /// A frame of this shape with bars as they are usual for their kind.
    pub fn usual(spec: FrameSpec, bar: Bar) -> Self {
        let (bar_mm, height_mm) = match bar {
            Bar::WhitePipe | Bar::GreyPipe => (26.7, 26.7),
            Bar::Wood => (38.0, 9.0),
            _ => (30.0, 6.0),
        };
        Self {
            spec,
            bar,
            bar_mm,
            height_mm,
            patches: false,
            litter_per_m: 2.0,
            cut_by_edge: false,
        }
    }
}

impl Scene {
    /// A plain scene: 12 in frame of white pipe on brown crumbly soil under an even sky, 10 beans inside.
    pub fn plain(seed: u64) -> Self {
        let spec = FrameSpec::Rectangle {
            width_mm: 304.8,
            height_mm: 304.8,
        };
        Self {
            seed,
            width_px: 4000,
            height_px: 3000,
            frame: FrameDesign::usual(spec, Bar::WhitePipe),
            ground: GroundDesign {
                soil: Soil::DarkBrown,
                tilth: Tilth::Crumb,
                wetness: 0.2,
                residue_cover: 0.35,
                stones_per_ft2: 3.0,
                stubble: false,
                straw: false,
                weathering: 0.3,
            },
            loss: LossDesign {
                beans: Amount::Inside(10),
                pods: Amount::Inside(1),
                split_share: 0.08,
                cluster_share: 0.15,
            },
            light: LightKind::Overcast,
            shadow: Shadow::None,
            camera: CameraDesign {
                height_mm: None,
                tilt_deg: 5.0,
                yaw_deg: 4.0,
                focal_35mm_mm: 26.0,
                bend_k1: 0.0,
                vignetting: 0.15,
                defocus_sigma_px: 0.7,
                motion_px: 0.0,
                noise: 1.0,
                white_error: [1.0, 1.0],
                exposure_stops: 0.0,
                sharpen: 0.5,
                jpeg_quality: 88,
            },
            note: Note {
                taken: "2026-10-03T16:20:00-05:00".into(),
                position_deg: None,
                orientation: 1,
            },
            card: None,
        }
    }

    /// A scene with every condition drawn by chance from its whole range.
    pub fn varied(seed: u64) -> Self {
        let mut d = Dice::new(seed, 900);
        let mut scene = Self::plain(seed);
        let sides = [
            (304.8, 304.8),
            (500.0, 500.0),
            (609.6, 609.6),
            (1000.0, 250.0),
            (457.2, 457.2),
        ];
        let (width_mm, height_mm) = d.of(&sides);
        let spec = if d.chance(0.1) {
            FrameSpec::Ring {
                diameter_mm: f64::from(d.between(300.0, 720.0)),
            }
        } else {
            FrameSpec::Rectangle {
                width_mm,
                height_mm,
            }
        };
        let bar = d.of(&Bar::ALL[..Bar::ALL.len() - 1]).1;
        scene.frame = FrameDesign::usual(spec, bar);
        scene.frame.bar_mm *= f64::from(d.between(0.75, 1.2));
        scene.frame.height_mm *= f64::from(d.between(0.75, 1.2));
        scene.frame.patches = d.chance(0.25);
        scene.frame.litter_per_m = f64::from(d.between(0.0, 9.0));
        scene.ground = Self::varied_ground(&mut d);
        scene.loss = LossDesign {
            beans: Amount::PerFt2(f64::from(d.power(1.0, 60.0, 0.7)) - 1.0),
            pods: Amount::PerFt2(f64::from(d.between(0.0, 2.5))),
            split_share: f64::from(d.between(0.0, 0.2)),
            cluster_share: f64::from(d.between(0.0, 0.4)),
        };
        scene.light = d.of(LightKind::ALL).1;
        scene.shadow = d.weighted(&[
            (Shadow::None, 0.55),
            (Shadow::Photographer, 0.2),
            (Shadow::Edge, 0.15),
            (Shadow::Crop, 0.1),
        ]);
        scene.camera = Self::varied_camera(&mut d);
        scene.note.orientation = d.of(&[1, 6, 3, 8]);
        if d.chance(0.5) {
            (scene.width_px, scene.height_px) = (3000, 4000);
        }
        scene
    }

    fn varied_ground(d: &mut Dice) -> GroundDesign {
        GroundDesign {
            soil: d.of(Soil::ALL).1,
            tilth: d.of(Tilth::ALL).1,
            wetness: f64::from(d.unit().powi(2)),
            residue_cover: f64::from(d.between(0.05, 0.85)),
            stones_per_ft2: f64::from(d.power(1.0, 20.0, 1.0)) - 1.0,
            stubble: d.chance(0.5),
            straw: d.chance(0.2),
            weathering: f64::from(d.unit()),
        }
    }

    fn varied_camera(d: &mut Dice) -> CameraDesign {
        CameraDesign {
            height_mm: None,
            tilt_deg: f64::from(d.bell(8.0).abs().min(25.0)),
            yaw_deg: f64::from(d.between(-40.0, 40.0)),
            focal_35mm_mm: f64::from(d.between(23.0, 29.0)),
            bend_k1: f64::from(d.bell(0.03).clamp(-0.09, 0.07)),
            vignetting: f64::from(d.between(0.0, 0.3)),
            defocus_sigma_px: f64::from(d.power(0.5, 2.2, 2.0)),
            motion_px: if d.chance(0.25) {
                f64::from(d.between(1.0, 6.0))
            } else {
                0.0
            },
            noise: f64::from(d.between(0.4, 2.2)),
            white_error: [f64::from(d.factor(0.05)), f64::from(d.factor(0.05))],
            exposure_stops: f64::from(d.bell(0.3)),
            sharpen: f64::from(d.unit()),
            jpeg_quality: 70 + d.below(26) as u8,
        }
    }

    /// Numbers with a range: what, value, least, most.
    fn ranged(&self) -> [(&'static str, f64, f64, f64); 10] {
        let (ground, camera, frame) = (&self.ground, &self.camera, &self.frame);
        [
            (
                "residue cover (a share of 1)",
                ground.residue_cover,
                0.0,
                0.9,
            ),
            ("wetness", ground.wetness, 0.0, 1.0),
            ("lean of the camera (degrees)", camera.tilt_deg, 0.0, 35.0),
            ("lens bending", camera.bend_k1, -0.2, 0.2),
            (
                "focal length (35 mm equivalent, mm)",
                camera.focal_35mm_mm,
                14.0,
                120.0,
            ),
            ("JPEG quality", f64::from(camera.jpeg_quality), 1.0, 100.0),
            (
                "EXIF orientation",
                f64::from(self.note.orientation),
                1.0,
                8.0,
            ),
            (
                "camera height (mm)",
                camera.height_mm.unwrap_or(1000.0),
                150.0,
                5000.0,
            ),
            ("bar width (mm)", frame.bar_mm, 3.0, 150.0),
            ("bar height (mm)", frame.height_mm, 0.5, 150.0),
        ]
    }

    /// Refuses what cannot be staged.
    ///
    /// # Errors
    /// [`SceneError`] naming the number that is out of its range.
    pub fn check(&self) -> Result<(), SceneError> {
        let (least_px, most_px) = SIDE_RANGE_PX;
        let side = least_px..=most_px;
        if !side.contains(&self.width_px) || !side.contains(&self.height_px) {
            return Err(SceneError::Size {
                width_px: self.width_px,
                height_px: self.height_px,
                least_px,
                most_px,
            });
        }
        let range = |what, value: f64, least: f64, most: f64| {
            if (least..=most).contains(&value) {
                Ok(())
            } else {
                Err(SceneError::Range {
                    what,
                    value,
                    least,
                    most,
                })
            }
        };
        for (what, value, least, most) in self.ranged() {
            range(what, value, least, most)?;
        }
        for (what, amount) in [("beans", self.loss.beans), ("pods", self.loss.pods)] {
            match amount {
                Amount::Inside(n) => range(what, n as f64, 0.0, 5000.0)?,
                Amount::PerFt2(d) => range(what, d, 0.0, 500.0)?,
            }
        }
        Ok(())
    }
}

//! A made scene: a grey photo, a frame seen from the side, objects of every kind and standing.

use image::{GrayImage, Luma, Rgb, RgbImage};

use crate::{
    caution::{Caution, CautionKind},
    counts::{Counts, FrameFound, Kind, Limits, Object, PhotoCount, PlotSize, Status},
    frame::{Ellipse, FoundFrame, FrameSpec, HowFound, Outline},
    geometry::{Homography, LensBend, Point},
    ground::Shares,
    photo::{Photo, PhotoMeta},
    plot::{Light, Plot, PlotMap},
    score::Chances,
};

/// Grey of the whole photo.
pub(crate) const GROUND: u8 = 120;

/// A photo with its plot and count.
pub(crate) struct Scene {
    pub(crate) photo: Photo,
    pub(crate) plot: Plot,
    pub(crate) count: PhotoCount,
}

impl Scene {
    /// A 304.8 mm square frame with these inner corners.
    pub(crate) fn square(corners: [Point; 4]) -> Self {
        let spec = FrameSpec::Rectangle {
            width_mm: 304.8,
            height_mm: 304.8,
        };
        Self::new(spec, Outline::Corners(corners), corners)
    }

    /// A square frame a little turned and leaning, in a photo of 1600 × 1200 pixels.
    pub(crate) fn leaning() -> Self {
        Self::square(
            [
                (420.0, 210.0),
                (1130.0, 250.0),
                (1190.0, 960.0),
                (380.0, 930.0),
            ]
            .map(|(x, y)| Point::new(x, y)),
        )
    }

    /// A ring of 610 mm, seen as an ellipse.
    pub(crate) fn ring() -> Self {
        let ring = Ellipse {
            centre_px: Point::new(800.0, 600.0),
            semi_major_px: 420.0,
            semi_minor_px: 380.0,
            angle_rad: 0.0,
        };
        let corners = [
            (380.0, 220.0),
            (1220.0, 220.0),
            (1220.0, 980.0),
            (380.0, 980.0),
        ];
        let spec = FrameSpec::Ring { diameter_mm: 610.0 };
        Self::new(
            spec,
            Outline::Ring(ring),
            corners.map(|(x, y)| Point::new(x, y)),
        )
    }

    /// A frame four times as wide as high.
    pub(crate) fn wide() -> Self {
        let corners = [
            (100.0, 450.0),
            (1500.0, 450.0),
            (1500.0, 800.0),
            (100.0, 800.0),
        ];
        let corners = corners.map(|(x, y)| Point::new(x, y));
        let spec = FrameSpec::Rectangle {
            width_mm: 1000.0,
            height_mm: 250.0,
        };
        Self::new(spec, Outline::Corners(corners), corners)
    }

    fn new(spec: FrameSpec, outline: Outline, corners: [Point; 4]) -> Self {
        let (w, h) = spec.size_mm();
        let mm = [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)].map(|(x, y)| Point::new(x, y));
        let to_photo = Homography::from_four(mm, corners).unwrap();
        let lens = LensBend::none(1600, 1200);
        let map = PlotMap {
            straight_px_from_plot_mm: to_photo,
            plot_mm_from_straight_px: to_photo.inverse().unwrap(),
            lens,
        };
        let meta = PhotoMeta {
            width_px: 1600,
            height_px: 1200,
            ..PhotoMeta::default()
        };
        Self {
            photo: Photo {
                file_name: "a.jpg".to_owned(),
                pixels: RgbImage::from_pixel(1600, 1200, Rgb([GROUND; 3])),
                meta: meta.clone(),
            },
            plot: plot(spec, map),
            count: count(spec, outline, lens, meta),
        }
    }

    /// Adds an object at a place of the plot; gives its number.
    pub(crate) fn add(
        &mut self,
        kind: Kind,
        at_mm: (f64, f64),
        counted: bool,
        doubtful: bool,
    ) -> u32 {
        let at = self
            .plot
            .map
            .photo_px_from_plot_mm(Point::new(at_mm.0, at_mm.1));
        let (length_mm, width_mm) = if kind == Kind::Pod {
            (40.0, 10.0)
        } else {
            (7.5, 6.5)
        };
        let id = self.count.objects.len() as u32 + 1;
        self.count.objects.push(Object {
            id,
            kind,
            x_px: at.x,
            y_px: at.y,
            x_mm: at_mm.0,
            y_mm: at_mm.1,
            length_mm,
            width_mm,
            angle_deg: 0.0,
            probability: if counted { 0.61 } else { 0.38 },
            counted,
            doubtful,
            beans_in_pod: None,
            chances: Chances::default(),
        });
        id
    }

    /// Adds a caution.
    pub(crate) fn caution(&mut self, kind: CautionKind, message: &str) {
        self.count.cautions.push(Caution {
            kind,
            measured: 1.0,
            bound: 0.5,
            message: message.to_owned(),
        });
    }
}

fn plot(spec: FrameSpec, map: PlotMap) -> Plot {
    let (w, h) = spec.size_mm();
    let (px_per_mm, margin_mm) = (2.0, 10.0);
    let side = |mm: f64| ((mm + 2.0 * margin_mm) * px_per_mm) as u32;
    let even = RgbImage::from_pixel(side(w), side(h), Rgb([GROUND; 3]));
    let area_m2 = spec.ground().m2();
    Plot {
        raw: even.clone(),
        inside: GrayImage::from_pixel(side(w), side(h), Luma([255])),
        even,
        px_per_mm,
        margin_mm,
        photo_px_per_mm: 2.2,
        area_m2,
        area_low_m2: area_m2,
        area_high_m2: area_m2,
        map,
        light: Light::default(),
    }
}

fn count(spec: FrameSpec, outline: Outline, lens: LensBend, meta: PhotoMeta) -> PhotoCount {
    let limits = |estimate: f64| Limits {
        estimate,
        low: estimate * 0.9,
        high: estimate * 1.1,
    };
    let area_m2 = spec.ground().m2();
    PhotoCount {
        photo: "a.jpg".to_owned(),
        status: Status::Counted,
        problem: None,
        meta,
        frame_spec: spec,
        frame: Some(FrameFound {
            corners_px: None,
            found: FoundFrame {
                outline,
                lens,
                how: HowFound::Bars,
                confidence: 0.9,
                corner_error_px: 0.5,
                edge_seen: 1.0,
                tilt_deg: None,
                bar_srgb: [200; 3],
                bar_width_mm: 25.0,
            },
        }),
        plot: Some(PlotSize {
            photo_px_per_mm: 2.2,
            plot_px_per_mm: 2.0,
            area_m2,
            area_low_m2: area_m2,
            area_high_m2: area_m2,
        }),
        looks: None,
        bar_height_mm: None,
        ground: Some(Shares {
            residue_cover_pct: 31.0,
            ..Shares::default()
        }),
        card: None,
        objects: Vec::new(),
        counts: Some(Counts {
            beans: limits(47.0),
            split_beans: limits(6.0),
            pods: limits(3.0),
            beans_in_pods: limits(7.0),
        }),
        cautions: Vec::new(),
    }
}

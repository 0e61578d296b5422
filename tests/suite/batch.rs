//! The batch with a worker of the tests' own: what happens round a count, not the count.

use std::{
    fs,
    path::PathBuf,
    sync::atomic::{AtomicUsize, Ordering},
};

use image::{GrayImage, RgbImage};
use podfall::{
    batch::{BatchError, Layout, Orders, Worker, annotated_name, gather, report_pictures, run},
    caution::CautionKind,
    counts::{PhotoCount, Status},
    frame::FrameSettings,
    geometry::{Homography, LensBend},
    likeness::{CELLS, Structure, Thumbnail},
    photo::{Photo, file_only},
    pipeline::{Counted, Picture, Settings, failed},
    plot::{Light, Plot, PlotMap},
    present::{Drawing, ReportPictures},
};
use proptest::prelude::*;
use tempfile::TempDir;

use crate::pictures::grainy;

/// Counts nothing, but as if. The first byte of a file chooses the plot, `!` panics.
struct AsIf {
    counted: AtomicUsize,
}

fn settings() -> Settings {
    Settings::new(FrameSettings::new("12x12in".parse().unwrap()))
}

fn plot(seed: u32) -> Plot {
    let picture = grainy(CELLS as u32 * 4, CELLS as u32 * 4, seed);
    Plot {
        raw: picture.clone(),
        inside: GrayImage::from_pixel(picture.width(), picture.height(), image::Luma([255])),
        even: picture,
        px_per_mm: 1.0,
        margin_mm: 0.0,
        photo_px_per_mm: 1.0,
        area_m2: 0.01,
        area_low_m2: 0.01,
        area_high_m2: 0.01,
        map: PlotMap {
            straight_px_from_plot_mm: Homography::IDENTITY,
            plot_mm_from_straight_px: Homography::IDENTITY,
            lens: LensBend::none(128, 128),
        },
        light: Light::default(),
    }
}

fn as_if_read(bytes: &[u8], file_name: &str) -> Picture {
    Picture {
        photo: Photo {
            file_name: file_name.to_owned(),
            pixels: RgbImage::new(1, 1),
            meta: file_only(bytes),
        },
        plot: Some(plot(u32::from(bytes[0]) << 8)),
    }
}

impl Worker for AsIf {
    fn count(&self, bytes: &[u8], file_name: &str) -> Counted {
        self.counted.fetch_add(1, Ordering::Relaxed);
        assert!(bytes[0] != b'!', "as asked");
        let picture = as_if_read(bytes, file_name);
        let count = PhotoCount {
            status: Status::Counted,
            problem: None,
            meta: file_only(bytes),
            ..failed(file_name, &settings(), String::new())
        };
        Counted {
            thumbnail: picture.plot.as_ref().map(Thumbnail::of),
            picture: Some(picture),
            count,
        }
    }

    fn failed(&self, file_name: &str, problem: String) -> PhotoCount {
        failed(file_name, &settings(), problem)
    }

    fn picture(&self, bytes: &[u8], count: &PhotoCount) -> Option<Picture> {
        Some(as_if_read(bytes, &count.photo))
    }

    fn draw(&self, _: &Picture, count: &PhotoCount, photos: usize) -> Option<Drawing> {
        let words: Vec<&str> = count.cautions.iter().map(|c| c.kind.word()).collect();
        Some(Drawing {
            annotated_jpeg: format!("{} {}", count.photo, words.join(" ")).into_bytes(),
            for_report: ReportPictures {
                small_jpeg: format!("one of {photos}").into_bytes(),
                crops: vec![(7, words.join(" ").into_bytes())],
            },
        })
    }
}

struct Trial {
    folder: TempDir,
    orders: Orders,
}

impl Trial {
    fn new(files: &[(&str, &str)]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        for (name, bytes) in files {
            fs::write(folder.path().join(name), bytes).unwrap();
        }
        let orders = Orders {
            layout: Layout {
                out: folder.path().join("out"),
            },
            jobs: 2,
            memory_bytes: 1_000_000_000,
            again: false,
            pictures: true,
            key: "key".to_owned(),
            drawing_key: "drawing".to_owned(),
        };
        Self { folder, orders }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Results, and how many photos were counted for them.
    fn run(&self) -> (Vec<PhotoCount>, usize) {
        let worker = AsIf {
            counted: AtomicUsize::new(0),
        };
        let found = gather(&[self.folder.path().to_owned()]).unwrap();
        let photos = run(&found.photos, &self.orders, &worker, &|_| ()).unwrap();
        (photos, worker.counted.into_inner())
    }

    fn drawn(&self, photo: &str) -> String {
        fs::read_to_string(self.orders.layout.annotated(photo)).unwrap()
    }
}

fn kinds(photo: &PhotoCount) -> Vec<CautionKind> {
    photo.cautions.iter().map(|c| c.kind).collect()
}

#[test]
fn the_second_of_two_equal_files_and_plots_is_cautioned_and_drawn_so() {
    let trial = Trial::new(&[
        ("a.jpg", "1"),
        ("b.jpg", "1"),
        ("c.jpg", "1 again"),
        ("d.jpg", "2"),
    ]);
    let (photos, counted) = trial.run();
    assert_eq!(kinds(&photos[0]), []);
    assert_eq!(kinds(&photos[1]), [CautionKind::SameFile]);
    assert_eq!(kinds(&photos[2]), [CautionKind::SamePlot]);
    assert_eq!(kinds(&photos[3]), []);
    assert_eq!(photos[2].cautions[0].measured, 1.0);
    assert!(photos[2].cautions[0].message.contains("a.jpg"));
    let status: Vec<Status> = photos.iter().map(|p| p.status).collect();
    assert_eq!(
        status,
        [
            Status::Counted,
            Status::Confirm,
            Status::Confirm,
            Status::Counted
        ]
    );
    assert_eq!(
        counted, 3,
        "one of the two equal files, and none again for its picture"
    );
    assert_eq!(trial.drawn("b.jpg"), "b.jpg same-file");
    assert_eq!(trial.drawn("c.jpg"), "c.jpg same-plot");
    assert_eq!(trial.drawn("d.jpg"), "d.jpg ");
    let for_report = report_pictures(&trial.orders.layout, &photos[2]).unwrap();
    assert_eq!(for_report.small_jpeg, b"one of 4");
    assert_eq!(for_report.crops, [(7, b"same-plot".to_vec())]);
    // All of it is kept.
    assert_eq!(trial.run(), (photos, 0));
    // Once the first is gone, the next is the first, and its picture says so.
    fs::remove_file(trial.path("a.jpg")).unwrap();
    let (photos, counted) = trial.run();
    assert_eq!(kinds(&photos[0]), []);
    assert_eq!(kinds(&photos[1]), [CautionKind::SamePlot]);
    assert!(photos[1].cautions[0].message.contains("b.jpg"));
    assert_eq!(trial.drawn("b.jpg"), "b.jpg ");
    assert_eq!(
        counted, 0,
        "both pictures say something new, the counts do not"
    );
}

#[test]
fn finished_work_is_used_only_while_it_holds() {
    let mut trial = Trial::new(&[("a.jpg", "1"), ("b.jpg", "2")]);
    assert_eq!(trial.run().1, 2);
    assert_eq!(trial.run().1, 0);
    fs::remove_file(trial.orders.layout.annotated("a.jpg")).unwrap();
    fs::write(trial.orders.layout.annotated("b.jpg"), "").unwrap();
    assert_eq!(trial.run().1, 0, "the counts are there");
    for (photo, why) in [("a.jpg", "lost"), ("b.jpg", "emptied by a power cut")] {
        assert_eq!(trial.drawn(photo), format!("{photo} "), "a picture {why}");
    }
    fs::rename(trial.path("a.jpg"), trial.path("z.jpg")).unwrap();
    assert_eq!(trial.run().1, 1, "another name");
    fs::write(trial.path("b.jpg"), "3").unwrap();
    assert_eq!(trial.run().1, 1, "other contents");
    trial.orders.key = "another".to_owned();
    assert_eq!(trial.run().1, 2, "other settings");
    trial.orders.drawing_key = "smaller".to_owned();
    let drawn = |trial: &Trial| fs::metadata(trial.orders.layout.annotated("z.jpg")).unwrap();
    let before = drawn(&trial).modified().unwrap();
    assert_eq!(trial.run().1, 0, "other pictures of the same counts");
    assert!(drawn(&trial).modified().unwrap() > before);
    trial.orders.again = true;
    assert_eq!(trial.run().1, 2, "asked to");
}

#[test]
fn pictures_may_be_left_for_later() {
    let mut trial = Trial::new(&[("a.jpg", "1")]);
    trial.orders.pictures = false;
    assert_eq!(trial.run().1, 1);
    assert!(!trial.orders.layout.annotated_folder().exists());
    assert_eq!(trial.run().1, 0);
    trial.orders.pictures = true;
    assert_eq!(trial.run().1, 0);
    assert_eq!(trial.drawn("a.jpg"), "a.jpg ");
    trial.orders.pictures = false;
    assert_eq!(trial.run().1, 0);
}

#[test]
fn a_fault_of_ours_fails_one_photo_and_is_tried_again() {
    let trial = Trial::new(&[("a.jpg", "!"), ("b.jpg", "2")]);
    let (photos, _) = trial.run();
    assert_eq!(photos[0].status, Status::Failed);
    assert!(
        photos[0]
            .problem
            .as_ref()
            .unwrap()
            .contains("please report it")
    );
    assert_eq!(photos[1].status, Status::Counted);
    assert_eq!(trial.run().1, 1, "only the one that failed");
}

#[test]
fn names_of_pictures_do_not_meet() {
    assert_eq!(annotated_name("IMG_1.JPG"), "IMG_1.JPG");
    assert_eq!(annotated_name("IMG_1.png"), "IMG_1.png.jpg");
    let trial = Trial::new(&[("a.png", "1"), ("a.png.jpg", "2")]);
    let error = gather(&[trial.folder.path().to_owned()]).unwrap_err();
    assert!(matches!(error, BatchError::SameName { .. }));
}

#[test]
fn results_are_never_taken_for_photos() {
    let trial = Trial::new(&[("a.jpg", "1"), ("b.png", "2")]);
    let (first, _) = trial.run();
    // Results in the photos' own folder.
    fs::copy(
        trial.orders.layout.annotated("a.jpg"),
        trial.path("counts.json"),
    )
    .unwrap();
    assert_eq!(trial.run().0, first);
    let found = gather(&[trial.folder.path().to_owned()]).unwrap();
    assert_eq!((found.photos.len(), found.left_out.len()), (2, 0));
}

/// Thumbnails of plots that have nothing in common.
fn thumbnail(seed: u64) -> Thumbnail {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let cells = (0..CELLS * CELLS).map(|_| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        30 + (state >> 59) as u8
    });
    Thumbnail::from_cells(cells.collect()).unwrap()
}

fn same(a: &Thumbnail, b: &Thumbnail) -> f64 {
    let structure = |thumbnail| Structure::new(thumbnail, false);
    structure(a).turned().likeness(&structure(b))
}

fn cells(thumbnail: &Thumbnail) -> Vec<f64> {
    serde_json::from_value(serde_json::to_value(thumbnail).unwrap()).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_turned_moved_and_relit_plot_is_known_again(
        seed in 1_u64..1000,
        turns in 0..4_usize,
        dx in -1_i64..=1,
        dy in -1_i64..=1,
        light in -8.0_f64..8.0,
        slope in -0.3_f64..0.3,
    ) {
        let first = thumbnail(seed);
        let side = CELLS as i64;
        let from = cells(&first);
        let mut seen = Vec::new();
        for y in 0..side {
            for x in 0..side {
                let (mut u, mut v) = ((x + dx).clamp(0, side - 1), (y + dy).clamp(0, side - 1));
                for _ in 0..turns {
                    (u, v) = (v, side - 1 - u);
                }
                let l = from[(v * side + u) as usize] + light + slope * x as f64;
                seen.push(l.round().clamp(0.0, 100.0) as u8);
            }
        }
        let second = Thumbnail::from_cells(seen).unwrap();
        let likeness = same(&first, &second);
        prop_assert!(likeness > 0.9, "{likeness}");
        let back = same(&second, &first);
        prop_assert!((likeness - back).abs() < 0.1, "{likeness} {back}");
        let other = same(&thumbnail(seed + 1000), &second);
        prop_assert!(other < 0.3, "{other}");
    }
}

#[test]
fn a_plain_plot_is_like_nothing() {
    let plain = Thumbnail::from_cells(vec![50; CELLS * CELLS]).unwrap();
    assert_eq!(same(&plain, &plain), 0.0);
    assert_eq!(Thumbnail::from_cells(vec![50; 3]), None);
}

/// A ring lies any way round: the same ground drawn turned by any angle.
#[test]
fn a_ring_turned_by_any_angle_is_known_again() {
    // Soft patches some cells wide, as clods and straw are: a lattice of numbers, and between them
    // by the four around.
    let ground = |x: f64, y: f64, seed: u32| {
        const PATCH: f64 = 2.5;
        let (u, v) = (x / PATCH + 100.0, y / PATCH + 100.0);
        let at = |i: u32, j: u32| {
            let pixel = grainy(1, 1, i * 7919 + j * 104_729 + seed)
                .get_pixel(0, 0)
                .0;
            f64::from(pixel[2])
        };
        let (i, j) = (u as u32, v as u32);
        let (p, q) = (u.fract(), v.fract());
        let upper = at(i, j) * (1.0 - p) + at(i + 1, j) * p;
        let lower = at(i, j + 1) * (1.0 - p) + at(i + 1, j + 1) * p;
        (upper * (1.0 - q) + lower * q) / 2.0
    };
    let seen = |angle: f64, seed: u32| {
        let middle = (CELLS - 1) as f64 / 2.0;
        let (sin, cos) = angle.sin_cos();
        let cell = |i: usize| {
            let (dx, dy) = ((i % CELLS) as f64 - middle, (i / CELLS) as f64 - middle);
            ground(cos * dx - sin * dy, sin * dx + cos * dy, seed).round() as u8
        };
        Structure::new(
            &Thumbnail::from_cells((0..CELLS * CELLS).map(cell).collect()).unwrap(),
            true,
        )
    };
    let first = seen(0.0, 1);
    for degrees in [0.0, 17.0, 44.0, 133.0, 251.5] {
        let likeness = seen(f64::to_radians(degrees), 1).turned().likeness(&first);
        assert!(likeness > 0.8, "{degrees}: {likeness}");
    }
    let other = seen(0.3, 5_000_011).turned().likeness(&first);
    assert!(other < 0.4, "{other}");
}

/// A phone lays films beside its photos; they are no photos, and stop nothing.
#[test]
fn a_film_in_the_folder_is_left_out() {
    let folder = tempfile::tempdir().unwrap();
    let put = |name: &str, bytes: &[u8]| std::fs::write(folder.path().join(name), bytes).unwrap();
    put("IMG_1.mov", b"\0\0\0\x14ftypqt  \0\0\0\0qt  ");
    put("IMG_1.jpg", b"no photo, but it says that it is one");
    let found = podfall::batch::gather(&[folder.path().to_owned()]).unwrap();
    assert_eq!(found.photos.len(), 1);
    assert_eq!(found.left_out.len(), 1);
    assert_eq!(found.left_out[0].why, "a film, not a photo");
}

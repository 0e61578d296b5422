//! From the photo to the frame.
use image::RgbImage;
use crate::geometry::{LensBend, Point};
use super::*;

/// Finds.
pub fn find(pixels: &RgbImage, settings: &FrameSettings, focal_length_35mm_mm: Option<f64>) -> Result<FoundFrame, FrameError> {
    let t0 = std::time::Instant::now();
    let small = reduce::reduce(pixels, 800);
    let t1 = t0.elapsed().as_secs_f64()*1e3;
    let smooth = small.smoothed();
    let t2 = t0.elapsed().as_secs_f64()*1e3;
    let e = edges::find_edges(&smooth);
    let t3 = t0.elapsed().as_secs_f64()*1e3;
    let lines = lines::find_lines(&e, small.width, small.height);
    let t4 = t0.elapsed().as_secs_f64()*1e3;
    let (w, h) = settings.spec.size_mm();
    let mut camera = tilt::Camera::new(small.width as f64, small.height as f64, focal_length_35mm_mm);
    camera.centre = Point::new(0.0, 0.0);
    let least = settings.min_bean_px / 6.5 * w.min(h) / small.factor as f64 * 0.6;
    let quads = quads::find_quads(&lines, &quads::QuadSettings { size: (small.width as f64, small.height as f64), camera, aspect: w / h, least_side: least, most_tilt_rad: 0.7 });
    let t5 = t0.elapsed().as_secs_f64()*1e3;
    eprintln!("reduce {t1:.1} smooth {t2:.1} edges {t3:.1} n={} noise={:?} lines {t4:.1} n={} quads {t5:.1} n={}", e.points.len(), e.noise, lines.len(), quads.len());
    let mut judged: Vec<judge::Judged> = quads.into_iter().map(|q| judge::judge(&smooth, q, e.noise)).collect();
    judged.sort_by(|a, b| b.score().total_cmp(&a.score()));
    let t6 = t0.elapsed().as_secs_f64()*1e3;
    let nf = || FrameError::NotFound { best_edge_seen_pct: 0.0, needed_pct: 50.0 };
    let best = judged.first().ok_or(nf())?;
    let full = best.quad.corners.map(|p| Point::new(p.x * small.factor as f64, p.y * small.factor as f64));
    let r = refine::refine(pixels, full, &best.sides, e.noise, small.factor).ok_or(nf())?;
    let t7 = t0.elapsed().as_secs_f64()*1e3;
    let camera = tilt::Camera::new(pixels.width() as f64, pixels.height() as f64, focal_length_35mm_mm);
    let straight = r.corners.map(|c| r.lens.straight_px_from_photo_px(c));
    let po = tilt::pose(&straight, &camera);
    eprintln!("judge {t6:.1} refine {t7:.1}");
    eprintln!("X score {:.3} {:.3} q={:.2} al={:.2} out={:.2} seen={:.2?} con={:.1?} rseen={:.2?} asp={:.3} skew={:.3}", best.score(), judged.get(1).map(|j| j.score()).unwrap_or(0.0), best.quad.score, best.alike, best.bar_outside, best.sides.map(|s| s.seen), best.sides.map(|s| s.contrast), r.seen, po.map(|p| (p.aspect/(w/h)).ln()).unwrap_or(9.0), po.map(|p| p.skew).unwrap_or(9.0));
    Ok(FoundFrame { outline: Outline::Corners(r.corners), lens: r.lens, how: HowFound::Bars, confidence: best.score(), corner_error_px: r.corner_error_px, edge_seen: r.seen.iter().sum::<f64>() / 4.0, tilt_deg: po.map(|p| p.tilt_rad.to_degrees()), bar_srgb: reduce::srgb_of(best.bar), bar_width_mm: 0.0 })
}

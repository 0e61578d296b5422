//! `stage`: makes photos with a known number of beans, and their truth files.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};

use podfall::card::Card;
use podfall::frame::FrameSpec;
use podfall::place::Place;
use podfall::stage::{
    self, Amount, Bar, CardDesign, FrameDesign, LightKind, Scene, Shadow, Soil, Tilth, demo,
};
use podfall::units::plural;

/// Make photos of ground with a known number of beans and pods, and a truth file beside each.
///
/// Count them with `podfall count` and compare: that shows how far to trust a count on ground like yours.
/// The same options and seed give the same bytes.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// Folder to write NAME.jpg and NAME.json into; made if it is not there.
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// How many photos; each has a seed of its own.
    #[arg(long, default_value_t = 1, value_name = "N")]
    count: u64,
    /// Seed of the first photo.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Frame's inside size, as in 12x12in, 500x250mm or ring:24in.
    #[arg(long, value_name = "SIZE")]
    frame: Option<FrameSpec>,
    /// What the bars are: white-pipe, grey-pipe, wood, white, orange, red, blue, yellow, black or none.
    #[arg(long)]
    bar: Option<Bar>,
    /// Height of the bar, mm (a pipe's thickness; give count half of that as --bar-height).
    #[arg(long, value_name = "MM")]
    bar_height_mm: Option<f64>,
    /// Coloured patches on the frame's corners.
    #[arg(long)]
    patches: bool,
    /// The frame runs out of the picture: a photo that ought to be refused.
    #[arg(long)]
    cut: bool,
    /// Beans inside the frame, exactly; split halves count among them.
    #[arg(long, value_name = "N")]
    beans: Option<usize>,
    /// Pods inside the frame, exactly.
    #[arg(long, value_name = "N")]
    pods: Option<usize>,
    /// Share of the ground under residue to aim at, %.
    #[arg(long, value_name = "PERCENT")]
    residue: Option<f64>,
    /// Straw and leaves on the bars, pieces per metre.
    #[arg(long, value_name = "N")]
    litter: Option<f64>,
    /// Soil: black, dark-brown, brown, red, pale or grey.
    #[arg(long)]
    soil: Option<Soil>,
    /// How the soil lies: crumb, cloddy or crust.
    #[arg(long)]
    tilth: Option<Tilth>,
    /// Wetness of soil and residue, 0 to 1.
    #[arg(long)]
    wet: Option<f64>,
    /// Light: overcast, bright, sun, afternoon, low-sun or dusk.
    #[arg(long)]
    light: Option<LightKind>,
    /// Shadow from outside the picture: none, photographer, edge or crop.
    #[arg(long)]
    shadow: Option<Shadow>,
    /// Camera above the ground, mm; by default as high as the frame needs.
    #[arg(long, value_name = "MM")]
    height_mm: Option<f64>,
    /// Lean of the camera off straight down, degrees.
    #[arg(long, value_name = "DEG")]
    tilt_deg: Option<f64>,
    /// Turn of the frame in the picture, degrees.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true)]
    yaw_deg: Option<f64>,
    /// Size of the upright picture, as in 4000x3000.
    #[arg(long, value_name = "WxH", value_parser = size)]
    size: Option<(u32, u32)>,
    /// A spot card beside the frame, as cut:3 for the cut strip of check 3.
    #[arg(long, value_name = "PLACE:CHECK", value_parser = card)]
    card: Option<Card>,
    /// Share of the card's code that a leaf lies on, %.
    #[arg(long, value_name = "PERCENT", requires = "card", default_value_t = 0.0)]
    card_covered: f64,
    /// Blur, pixels (standard deviation).
    #[arg(long, value_name = "PX")]
    blur: Option<f64>,
    /// When the photo says it was taken, as 2026-10-03T16:20:00-05:00.
    #[arg(long, value_name = "TIME")]
    taken: Option<String>,
    /// Where the photo says it was taken, degrees north and east.
    #[arg(long, value_name = "LAT,LON", value_parser = position, allow_hyphen_values = true)]
    at: Option<(f64, f64)>,
    /// How the pixels are stored: EXIF orientation, 1 to 8.
    #[arg(long, value_name = "1-8")]
    orientation: Option<u8>,
    /// JPEG quality, 1 to 100.
    #[arg(long)]
    quality: Option<u8>,
    /// Name of the files without ending; with several photos a number is put behind it.
    #[arg(long, default_value = "staged")]
    name: String,
    /// Every condition drawn by chance for each of N photos; what is given by other options stays fixed.
    #[arg(long, value_name = "N", conflicts_with_all = ["count", "demo"])]
    many: Option<u64>,
    /// Also write NAME.labels.png, 16 bit: 0 ground, 1 residue and stones, 2 frame, from 1000 beans, from 30000 pods.
    #[arg(long)]
    labels: bool,
    /// Make the photos of the demo (their truth goes into DIR/truth).
    #[arg(long)]
    demo: bool,
    /// Only the photos whose name contains this.
    #[arg(long, value_name = "TEXT", requires = "demo")]
    only: Option<String>,
}

fn size(text: &str) -> Result<(u32, u32), String> {
    text.split_once(['x', 'X'])
        .and_then(|(w, h)| Some((w.parse().ok()?, h.parse().ok()?)))
        .ok_or_else(|| format!("'{text}' is not a size; write it as 4000x3000"))
}

fn card(text: &str) -> Result<Card, String> {
    text.split_once(':')
        .and_then(|(place, check)| Card::new(Place::of_word(place)?, check.parse().ok()?))
        .ok_or_else(|| {
            format!("'{text}' is not a card; write it as standing:1, cut:3 or behind:12")
        })
}

fn position(text: &str) -> Result<(f64, f64), String> {
    text.split_once(',')
        .and_then(|(lat, lon)| Some((lat.trim().parse().ok()?, lon.trim().parse().ok()?)))
        .filter(|(lat, lon): &(f64, f64)| lat.abs() <= 90.0 && lon.abs() <= 180.0)
        .ok_or_else(|| {
            format!("'{text}' is not a position; write degrees north and east, as 41.9,-97.4")
        })
}

/// Runs `stage`.
///
/// # Errors
/// When a scene cannot be staged or a file cannot be written; the message names which.
pub fn run(args: &Args) -> anyhow::Result<()> {
    fs::create_dir_all(&args.out).with_context(|| args.out.display().to_string())?;
    if args.demo {
        let truth_dir = args.out.join("truth");
        fs::create_dir_all(&truth_dir).with_context(|| truth_dir.display().to_string())?;
        for (name, scene) in demo::photos() {
            if args.only.as_ref().is_none_or(|o| name.contains(o.as_str())) {
                write(args, &scene, name, &truth_dir)?;
            }
        }
        return Ok(());
    }
    let n = args.many.unwrap_or(args.count);
    if n == 0 {
        let asked = if args.many.is_some() {
            "--many"
        } else {
            "--count"
        };
        bail!("{asked} 0 makes nothing; ask for at least one photo");
    }
    for k in 0..n {
        let seed = args.seed + k;
        let mut scene = if args.many.is_some() {
            Scene::varied(seed)
        } else {
            Scene::plain(seed)
        };
        args.put_into(&mut scene);
        let name = if n == 1 {
            args.name.clone()
        } else {
            format!("{}{seed:04}", args.name)
        };
        write(args, &scene, &name, &args.out)?;
    }
    Ok(())
}

fn put<T: Clone>(given: &Option<T>, into: &mut T) {
    if let Some(v) = given {
        *into = v.clone();
    }
}

impl Args {
    /// Puts the options over the scene.
    fn put_into(&self, scene: &mut Scene) {
        if self.frame.is_some() || self.bar.is_some() {
            let was = &scene.frame;
            scene.frame = FrameDesign {
                patches: was.patches,
                litter_per_m: was.litter_per_m,
                ..FrameDesign::usual(self.frame.unwrap_or(was.spec), self.bar.unwrap_or(was.bar))
            };
        }
        if let Some(mm) = self.bar_height_mm {
            scene.frame.height_mm = mm;
            if matches!(scene.frame.bar, Bar::WhitePipe | Bar::GreyPipe) {
                scene.frame.bar_mm = mm;
            }
        }
        scene.frame.patches |= self.patches;
        scene.frame.cut_by_edge |= self.cut;
        put(&self.litter, &mut scene.frame.litter_per_m);
        put(&self.beans.map(Amount::Inside), &mut scene.loss.beans);
        put(&self.pods.map(Amount::Inside), &mut scene.loss.pods);
        put(
            &self.residue.map(|r| r / 100.0),
            &mut scene.ground.residue_cover,
        );
        put(&self.soil, &mut scene.ground.soil);
        put(&self.tilth, &mut scene.ground.tilth);
        put(&self.wet, &mut scene.ground.wetness);
        put(&self.light, &mut scene.light);
        put(&self.shadow, &mut scene.shadow);
        put(&self.height_mm.map(Some), &mut scene.camera.height_mm);
        put(&self.tilt_deg, &mut scene.camera.tilt_deg);
        put(&self.yaw_deg, &mut scene.camera.yaw_deg);
        put(&self.quality, &mut scene.camera.jpeg_quality);
        put(&self.orientation, &mut scene.note.orientation);
        put(&self.blur, &mut scene.camera.defocus_sigma_px);
        put(&self.taken, &mut scene.note.taken);
        put(&self.at.map(Some), &mut scene.note.position_deg);
        if let Some(card) = self.card {
            let covered = self.card_covered / 100.0;
            scene.card = Some(CardDesign { card, covered });
        }
        if let Some((w, h)) = self.size {
            (scene.width_px, scene.height_px) = (w, h);
        }
    }
}

/// Writes a file beside its place and renames it into it.
fn save(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    let beside = path.with_extension("part");
    fs::write(&beside, bytes)
        .and_then(|()| fs::rename(&beside, path))
        .with_context(|| path.display().to_string())
}

fn write(args: &Args, scene: &Scene, name: &str, truth_dir: &Path) -> anyhow::Result<()> {
    let mut staged =
        stage::render(scene).with_context(|| format!("{name} (seed {})", scene.seed))?;
    staged.truth.photo = format!("{name}.jpg");
    save(
        &args.out.join(&staged.truth.photo),
        &stage::jpeg(scene, &staged),
    )?;
    let mut truth = serde_json::to_vec(&staged.truth)?;
    truth.push(b'\n');
    save(&truth_dir.join(format!("{name}.json")), &truth)?;
    if args.labels {
        let mut png = std::io::Cursor::new(Vec::new());
        staged.labels.write_to(&mut png, image::ImageFormat::Png)?;
        save(&args.out.join(format!("{name}.labels.png")), png.get_ref())?;
    }
    super::print_line(&format!(
        "{name}.jpg: {} and {} inside, residue {:.0} %",
        plural(staged.truth.beans_inside(), "bean"),
        plural(staged.truth.pods_inside(), "pod"),
        100.0 * staged.truth.conditions.residue_cover_measured
    ))?;
    Ok(())
}

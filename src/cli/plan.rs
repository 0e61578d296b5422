//! `podfall plan`: how many frames for how sure, and where to lay them.

use std::path::PathBuf;

use anyhow::Context;
use podfall::{
    files,
    loss::{Design, Evidence, FEWEST_FRAMES, coverage},
    plan::{
        Counts, MOST, Plan, SourcePlan, Wish, from_season, layout, layout_svg, long_frame_depth_in,
        plan, plan_sources,
    },
    range::in_range,
    season::Told,
    sheet::Place,
    units::{MM_PER_FT, length_mm, plural},
};
use serde::Serialize;

use super::{Outcome, assumptions::AssumptionArgs, season_files::FolderArgs, usage};

/// Tell how many frames it takes for limits as narrow as you wish or to tell two settings apart, and where to lay them.
///
/// From this season's own spread, or from --mean and --k.
#[derive(clap::Args, Debug)]
#[command(after_help = "\
Examples:
  podfall plan north-field --half-width 25
  podfall plan north-field --difference 1
  podfall plan --mean 6 --k 2 --half-width 25
  podfall plan --mean 6 --k 2 --map check.svg --header 35ft --frames 5")]
pub struct Args {
    #[command(flatten)]
    pub folder: FolderArgs,
    #[command(flatten)]
    pub assumptions: AssumptionArgs,
    /// Half-width wished for the 95 % limits, % of the mean
    #[arg(long, value_name = "PCT", default_value_t = 25.0)]
    pub half_width: f64,
    /// Difference between two settings that you would act on, bu/ac
    #[arg(
        long,
        value_name = "BU_PER_AC",
        default_value_t = 0.5,
        conflicts_with = "mean"
    )]
    pub difference: f64,
    /// Mean beans in a frame, instead of this season's own
    #[arg(long, value_name = "BEANS")]
    pub mean: Option<f64>,
    /// Dispersion k of a frame: the smaller, the more unevenly beans lie [default: infinite, as by chance alone]
    #[arg(long, value_name = "K", requires = "mean")]
    pub k: Option<f64>,
    /// How far checks differ: coefficient of variation between their means, %
    #[arg(long, value_name = "PCT", requires = "mean", default_value_t = 0.0)]
    pub between: f64,
    /// Frames laid at one place of one check [default: as in this season; 4 with --mean]
    #[arg(long, value_name = "N")]
    pub frames: Option<usize>,
    /// Write a map for one check, SVG
    #[arg(long, value_name = "FILE", requires = "header")]
    pub map: Option<PathBuf>,
    /// Width of the header for the map, as 35ft
    #[arg(long, value_name = "LENGTH")]
    pub header: Option<String>,
    /// Where in its strip the first frame lies, 0 to 1: draw it by chance for every check
    #[arg(long, value_name = "SHARE", default_value_t = 0.5)]
    pub start: f64,
    /// Print JSON, with the numbers that the formulas give
    #[arg(long, conflicts_with = "map")]
    pub json: bool,
    /// Simulate this many seasons for each row of the table of how often the limits hold
    #[arg(long, value_name = "SEASONS", hide = true)]
    pub coverage: Option<usize>,
}

/// Where frames are planned for.
const PLACES: [Place; 3] = [Place::Standing, Place::Cut, Place::Behind];

/// Tells the plan.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    if let Some(seasons) = args.coverage {
        return coverage_table(seasons);
    }
    in_range("--half-width, %,", args.half_width, 0.0, 200.0).map_err(usage)?;
    let half_width = args.half_width / 100.0;
    let frames = args.frames.unwrap_or(FEWEST_FRAMES);
    if let Some(mean) = args.mean {
        let from = Counts {
            mean,
            k: args.k,
            between_cv: args.between / 100.0,
            frames_per_check: frames,
        };
        let plan = PlacePlan {
            place: "given mean and k",
            plan: plan(&from, half_width).map_err(usage)?,
            now: None,
        };
        let plans = Plans {
            places: vec![plan],
            sources: Vec::new(),
        };
        print(args, &plans, String::new)?;
    } else {
        season_plans(args, half_width)?;
    }
    if let (Some(path), Some(header)) = (&args.map, &args.header) {
        let width_mm = length_mm(header).map_err(usage)?;
        let svg = layout_svg(&layout(
            width_mm / 1_000.0,
            frames,
            args.start.rem_euclid(1.0),
        ));
        files::write_whole(path, svg.as_bytes()).with_context(|| path.display().to_string())?;
        super::print_line(&format!("Written: {}", path.display()))?;
        super::print_line(&format!(
            "One long frame as wide as the header with 10 ft² would be {:.1} in deep; several small ones tell more.",
            long_frame_depth_in(width_mm / MM_PER_FT)
        ))?;
    }
    Ok(Outcome::Good)
}

/// Everything that is told, as it stands in JSON.
#[derive(Serialize)]
struct Plans {
    places: Vec<PlacePlan>,
    sources: Vec<SourcePlan>,
}

#[derive(Serialize)]
struct PlacePlan {
    place: &'static str,
    plan: Plan,
    /// What the season has at this place already.
    now: Option<Evidence>,
}

/// `by_source`: the words on the sources.
fn print(args: &Args, plans: &Plans, by_source: impl Fn() -> String) -> anyhow::Result<()> {
    let text = if args.json {
        serde_json::to_string_pretty(plans)?
    } else {
        let places: String = plans.places.iter().map(text_of).collect();
        places + &by_source()
    };
    super::print_line(text.trim_end())?;
    Ok(())
}

/// From the spread that the season's own frames have.
fn season_plans(args: &Args, half_width: f64) -> anyhow::Result<()> {
    let read = args.folder.read(&args.assumptions)?;
    let loss = read.loss()?;
    let mut places = Vec::new();
    for place in PLACES {
        if let Some(mut from) = from_season(&loss.all, place) {
            from.frames_per_check = args.frames.unwrap_or(from.frames_per_check);
            places.push(PlacePlan {
                place: place.word(),
                plan: plan(&from, half_width).map_err(usage)?,
                now: loss.all.places.iter().find(|e| e.place == place).cloned(),
            });
        }
    }
    let wish = Wish {
        half_width,
        difference_bu_per_ac: args.difference,
        frames_per_check: args.frames,
        ..Wish::default()
    };
    let sources = plan_sources(&loss.all, &loss.assumptions, &wish).map_err(usage)?;
    let plans = Plans { places, sources };
    let told = Told::new(read.unit, &loss.assumptions);
    print(args, &plans, || {
        sources_text(&plans.sources, &wish, (&loss.all.places, told))
    })
}

fn text_of(place: &PlacePlan) -> String {
    let plan = &place.plan;
    let from = &plan.from;
    let each = plural(from.frames_per_check, "frame");
    let there = place.now.as_ref().map_or_else(String::new, |e| {
        format!(
            "; now {}, {}",
            plural(e.checks, "check"),
            plural(e.frames, "frame")
        )
    });
    let mut text = format!(
        "{}: ±{:.0} % {}{there}\n",
        place.place,
        100.0 * plan.half_width,
        if plan.checks >= MOST {
            "is out of reach".to_owned()
        } else {
            format!("takes {} with {each} at each", plural(plan.checks, "check"))
        },
    );
    if from.between_cv > 0.0 {
        let enough = if plan.floor_of_one_check > plan.half_width {
            "; one check alone can never do: lay at more of them"
        } else {
            ""
        };
        text.push_str(&format!(
            "  if checks did not differ, {} would do{enough}\n",
            plural(plan.frames, "frame")
        ));
    }
    let unevenly = match from.k {
        Some(k) => format!("k {k:.1} (the smaller k, the more unevenly beans lie within a check)"),
        None => "beans that lie as by chance alone".to_owned(),
    };
    let differ = match from.between_cv {
        cv if cv > 0.0 => format!(
            ",\n  and checks that differ by {:.0} % (standard deviation of their means)",
            100.0 * cv
        ),
        _ => String::new(),
    };
    text.push_str(&format!(
        "  from {:.1} beans a frame, {unevenly}{differ}\n",
        from.mean
    ));
    text
}

/// How many frames the plan lays at each place: as asked, else as many as the season has on the mean.
fn frames_at_each(wish: &Wish, places: &[Evidence]) -> String {
    if let Some(frames) = wish.frames_per_check {
        return plural(frames, "frame");
    }
    let laid = places.iter().filter(|e| PLACES.contains(&e.place));
    let (frames, checks) = laid.fold((0, 0), |(f, c), e| (f + e.frames, c + e.checks));
    let mean = (10.0 * frames as f64 / checks.max(1) as f64).round() / 10.0;
    format!("{} (this season's mean)", plural(mean, "frame"))
}

/// How many checks for each source's limits, and to tell two settings apart.
fn sources_text(
    sources: &[SourcePlan],
    wish: &Wish,
    (places, told): (&[Evidence], Told),
) -> String {
    if sources.is_empty() {
        return String::new();
    }
    let many = |n: usize| {
        if n >= MOST {
            "out of reach".to_owned()
        } else {
            n.to_string()
        }
    };
    let mut text = format!(
        "\nBy source, with {} at each place of a check:\n\
         {:<24}{:>10}{:>13}   two settings told apart at {} bu/ac*\n\
         {:<24}{:>10}{:>13}{:>20}{:>20}\n",
        frames_at_each(wish, places),
        "",
        "now",
        "checks",
        wish.difference_bu_per_ac,
        "",
        told.name(),
        format!("for ±{:.0} %", 100.0 * wish.half_width),
        "checks under each",
        "or pairs of checks",
    );
    for s in sources {
        text.push_str(&format!(
            "{:<24}{:>10}{:>13}{:>20}{:>20}\n",
            s.source.title(),
            told.number(s.now_bu_per_ac),
            s.checks.map_or_else(|| "-".to_owned(), many),
            many(s.checks_each),
            many(s.pairs),
        ));
    }
    text.push_str(&format!(
        "* {:.0} times in 100, where they do differ by that much. A pair: two checks side by side, one under each setting, with the\n  \
         same word in the sheet's pair column.\n",
        100.0 * wish.chance
    ));
    if places.iter().any(|place| place.checks == 1) {
        text.push_str("  How far checks differ is not known from one check: reckon with more.\n");
    }
    text
}

/// How often the 95 % limits hold, over seasons with known truth: where checks differ little and pods were not looked for,
/// then where checks differ as told and pods hang, few of them.
fn coverage_table(seasons: usize) -> anyhow::Result<Outcome> {
    let usual = [
        (1, 4),
        (1, 10),
        (2, 4),
        (3, 4),
        (5, 4),
        (10, 4),
        (4, 1),
        (10, 1),
    ];
    let mut designs = Vec::new();
    for (checks, frames_per_check) in usual {
        for k in [0.5, 1.0, 2.0, 5.0, 10.0] {
            designs.push((checks, frames_per_check, k, 0.3, None));
        }
    }
    for (checks, frames_per_check) in [(2, 2), (3, 4), (6, 4)] {
        for between_cv in [0.3, 0.6, 1.0] {
            for k in [0.5, 2.0, 10.0] {
                designs.push((
                    checks,
                    frames_per_check,
                    k,
                    between_cv,
                    Some([0.5, 0.05, 0.1]),
                ));
            }
        }
    }
    super::print_line("checks frames k cv_between total header through hanging half_width")?;
    for (checks, frames_per_check, k, between_cv, hanging) in designs {
        let design = Design {
            checks,
            frames_per_check,
            k,
            between_cv,
            truth: [0.5, 4.0, 2.0],
            hanging,
        };
        let c = coverage(&design, seasons, 7)?;
        super::print_line(&format!(
            "{checks} {} {k} {between_cv} {:.3} {:.3} {:.3} {} {:.2}",
            checks * frames_per_check,
            c.total,
            c.header,
            c.through,
            c.hanging
                .map_or_else(|| "-".to_owned(), |held| format!("{held:.3}")),
            c.total_half_width
        ))?;
    }
    Ok(Outcome::Good)
}

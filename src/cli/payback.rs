//! `podfall payback`: what a gain is worth against a price.

use podfall::{
    contrast::{Verdict, contrast, settings_of},
    counts::Limits,
    loss::Source,
    payback::{Offer, Payback, payback},
    plan::TOO_FEW,
    season::Told,
    units::{grouped, plural},
};

use super::{
    Outcome, Usage, assumptions::AssumptionArgs, contrast::two_settings, season_files::FolderArgs,
    usage,
};

/// Tell what a gain in bu/ac is worth against its price.
///
/// The gain is typed in, or taken from a contrast of two settings of a season: of the total,
/// else of what is lost at header and machine, else at the header.
#[derive(clap::Args, Debug)]
#[command(after_help = "\
Examples:
  podfall payback --gain 0.5 --gain-limits 0.1 0.9 --cost 18000 --price 10.40 --acres 1200 --years 7 --discount 6
  podfall payback north-field --before \"plain reel\" --after \"air reel\" --cost 18000 --years 7")]
pub struct Args {
    #[command(flatten)]
    pub folder: FolderArgs,
    #[command(flatten)]
    pub assumptions: AssumptionArgs,
    /// Gain, bu/ac
    #[arg(long, value_name = "BU", allow_negative_numbers = true)]
    pub gain: Option<f64>,
    /// Its 95 % limits, bu/ac
    #[arg(long, value_names = ["LOW", "HIGH"], num_args = 2, requires = "gain", allow_negative_numbers = true)]
    pub gain_limits: Option<Vec<f64>>,
    /// Setting without it, for a gain from a contrast
    #[arg(
        long,
        value_name = "SETTING",
        requires = "after",
        conflicts_with = "gain"
    )]
    pub before: Option<String>,
    /// Setting with it
    #[arg(long, value_name = "SETTING", requires = "before")]
    pub after: Option<String>,
    /// Cost once
    #[arg(long, value_name = "MONEY")]
    pub cost: f64,
    /// Cost every year
    #[arg(long, value_name = "MONEY", default_value_t = 0.0)]
    pub yearly_cost: f64,
    /// Years that it lasts
    #[arg(long, value_name = "YEARS", default_value_t = 5)]
    pub years: u32,
    /// Discount rate, % a year
    #[arg(long, value_name = "PCT", default_value_t = 0.0)]
    pub discount: f64,
    /// What it is worth at the end
    #[arg(long, value_name = "MONEY", default_value_t = 0.0)]
    pub salvage: f64,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Reckons the offer.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let season = args.folder.read_season()?;
    let assumptions = args.assumptions.over(&season)?;
    let (Some(acres), Some(price_per_bu)) = (assumptions.area_ac, assumptions.price_per_bu) else {
        let lacks: Vec<&str> = [
            (assumptions.area_ac, "--acres (area_ac in podfall.toml)"),
            (assumptions.price_per_bu, "--price (price_per_bu)"),
        ]
        .into_iter()
        .filter_map(|(value, name)| value.is_none().then_some(name))
        .collect();
        return Err(Usage(format!("not known yet: {}", lacks.join(" and "))).into());
    };
    let gain = gain(args)?;
    let offer = Offer {
        gain_bu_per_ac: gain.limits,
        acres,
        price_per_bu,
        cost: args.cost,
        yearly_cost: args.yearly_cost,
        years: args.years,
        discount_percent: args.discount,
        salvage: args.salvage,
    };
    let found = payback(&offer).map_err(usage)?;
    let text = if args.json {
        serde_json::to_string_pretty(&serde_json::json!({ "offer": offer, "payback": found }))?
    } else {
        let words = Words {
            currency: &assumptions.currency,
            told: Told::new(args.assumptions.unit(&season), &assumptions),
            gain: &gain,
            plan: args.folder.command("plan"),
        };
        text_of(&offer, &found, &words)
    };
    super::print_line(text.trim_end())?;
    Ok(Outcome::Good)
}

/// How well a gain is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Known {
    /// Its limits leave zero out, or a person typed them.
    WithLimits,
    /// A number without limits.
    Bare,
    /// Its limits hold zero.
    NotToldApart,
    /// Its limits say nothing.
    TooWide,
}

/// A gain in bu/ac, and how well it is known.
struct Gain {
    limits: Limits,
    known: Known,
    /// All that was lost without it, bu/ac, where frames say so: no gain is larger.
    lost_before_bu_per_ac: Option<f64>,
    /// What it is a gain of, where it is not of the total.
    part: Option<Source>,
    /// What else tells on the comparison that it comes from.
    warnings: Vec<String>,
}

fn gain(args: &Args) -> anyhow::Result<Gain> {
    if let Some(estimate) = args.gain {
        let (low, high, known) = match args.gain_limits.as_deref() {
            Some(&[low, high]) => (low, high, Known::WithLimits),
            _ => (estimate, estimate, Known::Bare),
        };
        let limits = Limits {
            estimate,
            low,
            high,
        };
        return Ok(Gain {
            limits,
            known,
            lost_before_bu_per_ac: None,
            part: None,
            warnings: Vec::new(),
        });
    }
    let nothing_named = args.before.is_none() && args.after.is_none();
    let read = match args.folder.read(&args.assumptions) {
        Err(_) if nothing_named => {
            return Err(Usage(
                "give the gain with --gain, or the folder of a season with two settings".to_owned(),
            )
            .into());
        }
        read => read?,
    };
    let loss = read.loss()?;
    let settings = settings_of(&read.frames.frames);
    let (before, after) = two_settings(&args.before, &args.after, &settings)?;
    let found = contrast(&read.frames.frames, &loss, &before, &after).map_err(usage)?;
    let source = [Source::Total, Source::Machine, Source::Header]
        .into_iter()
        .find_map(|source| found.sources.iter().find(|s| s.source == source))
        .ok_or_else(|| {
            Usage("the two settings have no total, machine or header loss in common".to_owned())
        })?;
    let change = source.change_bu_per_ac;
    // A loss that goes down is a gain.
    let limits = Limits {
        estimate: -change.estimate,
        low: -change.high,
        high: -change.low,
    };
    let known = match source.verdict {
        _ if found.too_wide(&change) => Known::TooWide,
        Verdict::NotToldApart => Known::NotToldApart,
        Verdict::Less | Verdict::More => Known::WithLimits,
    };
    Ok(Gain {
        limits,
        known,
        lost_before_bu_per_ac: Some(source.first_bu_per_ac.estimate),
        part: Some(source.source).filter(|part| *part != Source::Total),
        warnings: found.warnings.clone(),
    })
}

/// How the gain and its worth are told.
struct Words<'a> {
    currency: &'a str,
    told: Told,
    gain: &'a Gain,
    /// The command that tells how many frames it takes.
    plan: String,
}

impl Words<'_> {
    /// What follows from a gain is known no better than the gain.
    fn limits(&self, limits: Limits, number: impl Fn(f64) -> String) -> String {
        let [estimate, low, high] = [limits.estimate, limits.low, limits.high].map(number);
        match self.gain.known {
            Known::Bare => estimate,
            Known::TooWide => format!("{estimate} ({TOO_FEW})"),
            _ => format!("{estimate} ({low} to {high})"),
        }
    }

    fn gain(&self, limits: Limits) -> String {
        let number = self.limits(limits, |bu| self.told.number(bu));
        let of = self.gain.part.map_or_else(String::new, |part| {
            format!(
                " of: {}; the two settings have no total in common",
                part.title()
            )
        });
        format!("{number} {}{of}", self.told.name())
    }

    fn money(&self, limits: Limits) -> String {
        let number = self.limits(limits, |v| grouped(v, 0));
        format!("{number} {}", self.currency)
    }

    fn how_sure(&self, found: &Payback) -> String {
        match self.gain.known {
            Known::Bare => {
                "A gain without limits says nothing of how sure it is: --gain-limits".to_owned()
            }
            Known::TooWide => format!("Chance that it pays    {TOO_FEW}"),
            _ => format!(
                "Chance that it pays    {:.0} in 100",
                100.0 * found.chance_that_it_pays
            ),
        }
    }

    fn cautions(&self, found: &Payback) -> String {
        let mut text: String = (self.gain.warnings.iter())
            .map(|warning| format!("caution: {warning}\n"))
            .collect();
        if matches!(self.gain.known, Known::NotToldApart | Known::TooWide) {
            text.push_str(&format!(
                "caution: the frames do not tell the two settings apart: whether there is a gain at all is not known; lay more \
                 frames under both before money goes by it ({})\n",
                self.plan
            ));
        }
        let needed = found.break_even_gain_bu_per_ac;
        if let Some(lost) = self
            .gain
            .lost_before_bu_per_ac
            .filter(|lost| needed > *lost)
        {
            let unit = self.told.name();
            text.push_str(&format!(
                "caution: to pay it would have to save {} {unit}, and all that these frames find lost without it is {} {unit}\n",
                self.told.number(needed),
                self.told.number(lost)
            ));
        }
        text
    }
}

/// How long until the cost is back, beside the years that it lasts.
fn payback_years(offer: &Offer, found: &Payback) -> String {
    let words = |years: Option<f64>| match years {
        None => "never".to_owned(),
        Some(y) if y > 100.0 => "after more than 100 years".to_owned(),
        Some(y) => format!("{y:.1} years"),
    };
    let mut text = words(found.payback_years);
    let mut last = found.payback_years;
    if offer.discount_percent > 0.0 {
        last = found.discounted_payback_years;
        text.push_str(&format!("; with interest {}", words(last)));
    }
    if last.is_some_and(|y| y > f64::from(offer.years)) {
        let lasts = plural(offer.years, "year");
        text.push_str(&format!(", longer than the {lasts} that it lasts"));
    }
    text
}

fn text_of(offer: &Offer, found: &Payback, words: &Words<'_>) -> String {
    format!(
        "Gain                   {}\n\
         Worth a year           {}\n\
         After yearly cost      {}\n\
         Break-even acres       {}\n\
         Break-even gain        {} {}\n\
         Payback                {}\n\
         Net present value      {}\n\
         {}\n{}",
        words.gain(offer.gain_bu_per_ac),
        words.money(found.yearly_value),
        words.money(found.yearly_net),
        found.break_even_acres.map_or_else(
            || "none".to_owned(),
            |a| format!("{} a year", grouped(a, 0))
        ),
        words.told.number(found.break_even_gain_bu_per_ac),
        words.told.name(),
        payback_years(offer, found),
        words.money(found.net_present_value),
        words.how_sure(found),
        words.cautions(found),
    )
}

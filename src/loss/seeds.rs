//! Seeds in a pound: weighed, from the crop table, or judged from the photos.

use serde::{Deserialize, Serialize};

use super::{
    Assumptions, FrameLoss, LossCaution, LossCautionKind, Seeds, Spread, seeds_per_lb_from_tsw_g,
};

/// What the seeds' size rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SeedsFrom {
    /// The crop table.
    CropTable,
    /// The person weighed them.
    Weighed,
    /// The beans' size on the photos.
    Photos,
}

/// Seeds in a pound with their spread and what they rest on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SeedSize {
    /// Seeds in a pound at the moisture at which they were weighed, and their standard deviation.
    pub per_lb: Spread,
    /// The same as weight of 1000 seeds, g.
    pub thousand_seed_weight_g: f64,
    /// What it rests on.
    pub from: SeedsFrom,
}

/// Fewest whole beans on the photos from which a size is judged.
const FEWEST_MEASURED: usize = 30;

/// The seeds' size that a loss uses, and what is to be said about it.
pub fn seed_size(
    assumptions: &Assumptions,
    frames: &[FrameLoss],
) -> (SeedSize, Option<LossCaution>) {
    let row = assumptions.crop.row();
    let table = Spread {
        value: row.seeds_per_lb,
        sd: row.seeds_per_lb_sd,
    };
    let (per_lb, from, caution) = match assumptions.seeds {
        Seeds::PerLb(spread) => (spread, SeedsFrom::Weighed, unlike(spread.value, assumptions)),
        Seeds::ThousandSeedWeightG(weight) => {
            let value = seeds_per_lb_from_tsw_g(weight.value);
            let sd = value * weight.sd / weight.value;
            let caution = unlike(value, assumptions);
            (Spread { value, sd }, SeedsFrom::Weighed, caution)
        }
        Seeds::Measured => match measured(assumptions, frames) {
            Ok(spread) => (
                spread,
                SeedsFrom::Photos,
                Some(LossCautionKind::SeedsFromPhotos.says(format!(
                    "seeds in a pound ({:.0}) are judged from the beans' size on the photos, give or take {:.0}; weigh a \
                     few hundred beans for a better figure",
                    spread.value, spread.sd
                ))),
            ),
            Err(beans) => (
                table,
                SeedsFrom::CropTable,
                Some(LossCautionKind::SeedsFromTable.says(format!(
                    "only {beans} whole beans on the photos, {FEWEST_MEASURED} are needed to judge their size; the \
                     ordinary {:.0} seeds in a pound stand instead",
                    table.value
                ))),
            ),
        },
        Seeds::CropTable => (
            table,
            SeedsFrom::CropTable,
            Some(LossCautionKind::SeedsFromTable.says(format!(
                "seeds were not weighed: the ordinary {:.0} in a pound stand, give or take {:.0}; weigh a few hundred \
                 beans and write thousand_seed_weight_g into podfall.toml for narrower limits",
                table.value, table.sd
            ))),
        ),
    };
    let size = SeedSize {
        per_lb,
        thousand_seed_weight_g: seeds_per_lb_from_tsw_g(per_lb.value),
        from,
    };
    (size, caution)
}

/// How many times larger or smaller than ordinary seeds may be without a word: large and small soybeans are 2,500 and
/// 3,500 to the pound where 3,000 are ordinary (Specht, Rees, Conley). Common practice. Raised to 10: a digit too many goes
/// unseen; lowered: unusual varieties are questioned.
const ORDINARY_TIMES: f64 = 2.0;

/// A size that looks mistyped.
fn unlike(per_lb: f64, assumptions: &Assumptions) -> Option<LossCaution> {
    let row = assumptions.crop.row();
    let times = per_lb / row.seeds_per_lb;
    (!(1.0 / ORDINARY_TIMES..=ORDINARY_TIMES).contains(&times)).then(|| {
        LossCautionKind::SeedsUnlike.says(format!(
            "{per_lb:.0} seeds in a pound ({:.1} g a thousand) are far from the {:.0} that are ordinary for {}: see whether the \
             figure was typed right",
            seeds_per_lb_from_tsw_g(per_lb),
            row.seeds_per_lb,
            row.word
        ))
    })
}

/// From the photos; the number of beans where they are too few.
fn measured(assumptions: &Assumptions, frames: &[FrameLoss]) -> Result<Spread, usize> {
    let sizes: Vec<_> = frames.iter().filter_map(|frame| frame.bean_size).collect();
    let beans: usize = sizes.iter().map(|s| s.beans).sum();
    if beans < FEWEST_MEASURED {
        return Err(beans);
    }
    let n = beans as f64;
    let length_mm = sizes
        .iter()
        .map(|s| s.length_mm * s.beans as f64)
        .sum::<f64>()
        / n;
    let width_mm = sizes
        .iter()
        .map(|s| s.width_mm * s.beans as f64)
        .sum::<f64>()
        / n;
    // Edges on a photo are found to a few tenths of a mm, the same way on all of them: 4 % of the
    // product of length and width. Common practice, no source.
    let (value, sd) = (assumptions.crop.row()).seeds_per_lb_from_size(length_mm, width_mm, 0.04);
    Ok(Spread { value, sd })
}

//! Counts on known ground become loss per acre, and loss per acre by source.
//!
//! Limits carry the frames' own spread within and between checks, what the photos' limits have in
//! common, the ground's area and the seeds' size. Differences between places are never cut off at zero.

mod amount;
mod assumptions;
mod by_source;
mod caution;
mod draws;
mod frame;
mod once;
mod over;
mod part;
mod pods;
mod season;
mod seeds;
mod settle;
mod simulate;
mod source;
mod spelling;
mod wide;

pub use amount::Amount;
pub(crate) use amount::{bu_per_ac_per_bean_ft2, one_bushel, times as scaled};
pub use assumptions::{AssumptionError, Assumptions, Seeds, Spread, seeds_per_lb_from_tsw_g};
pub use by_source::loss_by_source;
pub use caution::{LossCaution, LossCautionKind};
pub use draws::{Contrasted, differences};
pub(crate) use draws::{share_above, unlike};
pub use frame::{Basis, BeanSize, FrameLoss, HandCounts};
pub use over::{FEWEST_FRAMES, Loss, LossError, loss_over};
pub use pods::total_in_pods;
pub use season::{
    CheckLoss, SeasonFrames, SeasonLoss, season_frames, season_frames_confirmed, season_loss,
};
pub(crate) use season::{loss_with_limits, loss_without_limits};
pub use seeds::{SeedSize, SeedsFrom, seed_size};
pub use settle::{Settled, settle};
pub use simulate::{Coverage, Design, coverage, simulate};
pub use source::{Evidence, RestsOn, Source, SourceAmount, SourceLoss};
pub use spelling::same_name;
pub use wide::{LEAST_BU_PER_AC, LEAST_PER_FT2, MOST_TIMES, too_wide};

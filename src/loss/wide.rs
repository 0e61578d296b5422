//! Limits so wide that they are no number to show a person.

use crate::counts::Limits;

/// How far limits may reach from the estimate, times the whole that they are of, and still say something.
///
/// A harvest loss is seldom more than a tenth of the yield (rigid cutter bar about 10 %: Sumner, Univ. of Georgia;
/// handbook, section 3): ten times the answer is then all that grew. Raised: a season of two frames reads "±20,685 %";
/// lowered: seasons of four frames, whose wide limits are honest, lose theirs.
pub const MOST_TIMES: f64 = 10.0;

/// The least that limits are held against, beans on a square foot and bushels an acre: what a good operator attains
/// (Hanna, Iowa State 2017; 4 beans on a square foot: Staton, MSU Extension 2012). Where next to nothing was found, "0.1,
/// at most 2" is worth knowing, though it is twenty times.
pub const LEAST_PER_FT2: f64 = 4.0;
/// See [`LEAST_PER_FT2`].
pub const LEAST_BU_PER_AC: f64 = 1.0;

/// Whether limits reach so far that they say nothing.
///
/// - `whole`: of what they are limits, in the same unit. Of a difference this is not its own estimate, which may be
///   near zero, but the largest of the amounts that it is made of.
pub fn too_wide(limits: &Limits, whole: f64) -> bool {
    let within = |reach: f64| reach <= MOST_TIMES * whole;
    // Said this way round, a limit that is no number is too wide as well.
    !(within(limits.high - limits.estimate) && within(limits.estimate - limits.low))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn limits(low: f64, estimate: f64, high: f64) -> Limits {
        Limits {
            estimate,
            low,
            high,
        }
    }

    #[test]
    fn ten_times_the_whole_is_the_most() {
        assert!(!too_wide(&limits(0.3, 2.0, 21.9), 2.0));
        assert!(too_wide(&limits(0.3, 2.0, 22.1), 2.0));
        assert!(too_wide(&limits(0.0, 2.0, f64::INFINITY), 2.0));
        assert!(too_wide(&limits(0.0, 2.0, f64::NAN), 2.0));
        assert!(!too_wide(&limits(0.0, 0.0, 0.0), 0.0));
    }

    #[test]
    fn a_small_difference_of_large_amounts_is_held_against_them() {
        assert!(!too_wide(&limits(-0.8, 0.02, 0.9), 2.0));
        assert!(too_wide(&limits(-25.0, 0.02, 3.0), 2.0));
    }
}

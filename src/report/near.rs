//! Which positions lie near enough to one another for one map, and what is said of the others.

use crate::{photo::Position, sheet::distance_m};

/// Farther than this from the middle of all is left off the map, km: with one wrong position on it, it would show nothing
/// of the field. Raised: such a map is drawn; lowered: fields of one farm are taken apart. Common practice, no source.
const FAR_KM: f64 = 10.0;

/// Whether something stands on the map.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum OnMap {
    /// It does.
    Yes,
    /// Left off: so far from the middle of all.
    Far { km: f64 },
    /// It has no position.
    NoPosition,
}

/// For each of these whether it stands on the map. Where none lies near the middle of all, nobody can tell which of them are
/// wrong, and all stand.
pub(crate) fn on_map(all: &[Option<Position>]) -> Vec<OnMap> {
    let middle = Position::middle(all.iter().copied().flatten());
    let of = |position: &Option<Position>| match (position, middle) {
        (Some(position), Some(middle)) => {
            let km = distance_m(position.degrees(), middle.degrees()) / 1e3;
            if km > FAR_KM {
                OnMap::Far { km }
            } else {
                OnMap::Yes
            }
        }
        _ => OnMap::NoPosition,
    };
    let mut found: Vec<OnMap> = all.iter().map(of).collect();
    if !found.contains(&OnMap::Yes) {
        for one in &mut found {
            if matches!(one, OnMap::Far { .. }) {
                *one = OnMap::Yes;
            }
        }
    }
    found
}

/// "Not on the map: check 3, which has no position; check 4, which lies 319 km from the middle of the others." Empty where all
/// are on it.
pub(crate) fn not_on_map(all: impl Iterator<Item = (String, OnMap)>) -> String {
    let words: Vec<String> = all
        .filter_map(|(name, on)| match on {
            OnMap::Yes => None,
            OnMap::Far { km } => Some(format!(
                "{name}, which lies {km:.0} km from the middle of the others"
            )),
            OnMap::NoPosition => Some(format!("{name}, which has no position")),
        })
        .collect();
    if words.is_empty() {
        return String::new();
    }
    format!("Not on the map: {}.", words.join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(lat_deg: f64) -> Option<Position> {
        Some(Position {
            lat_deg,
            lon_deg: -97.4,
            altitude_m: None,
            error_m: None,
        })
    }

    #[test]
    fn one_from_far_away_is_left_off_and_named() {
        let all = [at(41.90), at(41.91), at(44.0), None, at(41.92)];
        let on = on_map(&all);
        let shown: Vec<bool> = on.iter().map(|one| *one == OnMap::Yes).collect();
        assert_eq!(shown, [true, true, false, false, true]);
        let names = (1..).map(|n| format!("check {n}"));
        assert_eq!(
            not_on_map(names.zip(on)),
            "Not on the map: check 3, which lies 232 km from the middle of the others; check 4, which has no position."
        );
        assert_eq!(
            not_on_map(std::iter::once(("a".to_owned(), OnMap::Yes))),
            ""
        );
    }

    /// Nobody can tell which of two is wrong.
    #[test]
    fn two_far_apart_both_stand() {
        assert_eq!(on_map(&[at(41.9), at(44.0)]), [OnMap::Yes, OnMap::Yes]);
    }
}

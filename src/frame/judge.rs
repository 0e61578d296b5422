//! A closer look at an outline: is there a bar along its outside, and ground within?

use super::beside::{Pair, Place, Step, look_beside, middle_colour};
use super::ground_tone::GroundTone;
use super::log_colour::log_colour;
use super::reduce::{Colour, Small};
use crate::geometry::Point;

/// Places looked at along a side.
const PLACES: usize = 40;
/// Distances from the edge of a bar at which bar and ground are looked at, small pixels.
pub(super) const BESIDE_BAR_PX: [f64; 3] = [1.3, 2.1, 2.9];
/// The same for a ring, which may be a thin rope.
pub(super) const BESIDE_RING_PX: [f64; 3] = [0.9, 1.5, 2.1];
/// Shifts inwards at which the same look is taken on bare ground, small pixels.
const ELSEWHERE_PX: [f64; 3] = [9.0, 14.0, 20.0];

/// What is seen along one side.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Side {
    /// Middle colour just outside the edge, where the bar is seen.
    pub outside: Colour,
    /// Middle colour just within, there.
    pub inside: Colour,
    /// Middle deviation of the colours outside.
    pub outside_spread: Colour,
    /// … and within.
    pub inside_spread: Colour,
    /// Share of the side in view along which the bar is seen.
    pub seen: f64,
    /// Share of the side inside the picture.
    pub in_view: f64,
    /// Share of places on bare ground at which the same would be seen.
    pub by_chance: f64,
    /// Middle log colour outside, where the bar is seen.
    log_outside: Colour,
    /// Middle log colour within, there.
    log_inside: Colour,
}

/// The verdict on an outline.
#[derive(Debug, Clone)]
pub(super) struct Judged {
    /// Its sides (of a rectangle: corner 0 to 1, 1 to 2, …; of a ring: arcs).
    pub sides: Vec<Side>,
    /// −1: the bar lies within the line; 1: outside of it.
    pub bar_outside: f64,
    /// 0..1: how alike the sides' bars are.
    pub alike: f64,
    /// Colour of the bar.
    pub bar: Colour,
    /// Colour of the ground.
    pub ground: GroundTone,
}

/// Places along a straight side, its ends left out.
pub(super) fn places_on_side(from: Point, to: Point) -> Vec<Place> {
    let length = from.distance(to).max(1e-9);
    // Clockwise with y down: the inside lies to the right of the way from one corner to the next.
    let inwards = (-(to.y - from.y) / length, (to.x - from.x) / length);
    let share = |k: usize| 0.08 + 0.84 * (k as f64 + 0.5) / PLACES as f64;
    (0..PLACES)
        .map(|k| (from.towards(to, share(k)), inwards))
        .collect()
}

/// Places well within a four-sided outline.
pub(super) fn places_within(corners: &[Point; 4]) -> Vec<Point> {
    let share = |k: usize| 0.15 + 0.7 * k as f64 / 13.0;
    (0..14 * 14)
        .map(|k| {
            let (u, v) = (share(k % 14), share(k / 14));
            let upper = corners[0].towards(corners[1], u);
            upper.towards(corners[3].towards(corners[2], u), v)
        })
        .collect()
}

/// What is seen along a side by one idea of the step: places and, for comparison, bare ground.
fn describe_side(look: &Looked, looked_at: usize, step: &Step) -> Side {
    let pairs = &look.at_edge;
    let in_view = pairs.len() as f64 / looked_at.max(1) as f64;
    let seen: Vec<&Pair> = pairs.iter().filter(|p| step.is_seen(p.step)).collect();
    if pairs.len() < 6 || seen.len() < 3 {
        return Side {
            in_view,
            ..Side::default()
        };
    }
    let middle = |of: &dyn Fn(&Pair) -> Colour| {
        middle_colour(&seen.iter().map(|p| of(p)).collect::<Vec<_>>())
    };
    let (outside, outside_spread) = middle(&|p| p.outside);
    let (inside, inside_spread) = middle(&|p| p.inside);
    let chances = look
        .elsewhere
        .iter()
        .filter(|p| step.is_seen(p.step))
        .count();
    Side {
        outside,
        inside,
        outside_spread,
        inside_spread,
        seen: seen.len() as f64 / pairs.len() as f64,
        in_view,
        by_chance: chances as f64 / look.elsewhere.len().max(1) as f64,
        log_outside: middle(&|p| log_colour(p.outside)).0,
        log_inside: middle(&|p| log_colour(p.inside)).0,
    }
}

/// Pairs along a side, and along its like further in.
struct Looked {
    at_edge: Vec<Pair>,
    elsewhere: Vec<Pair>,
}

/// What is looked at.
pub(super) struct Outlined<'a> {
    /// Places along each side.
    pub sides: &'a [Vec<Place>],
    /// Places on the ground within.
    pub within: &'a [Point],
    /// How far beside the edge to look, small pixels.
    pub distances: [f64; 3],
}

/// Looks at an outline. `small` blurred a little.
pub(super) fn judge(small: &Small, outlined: &Outlined) -> Judged {
    let looks: Vec<Looked> = outlined
        .sides
        .iter()
        .map(|places| {
            let look = |shift: f64| look_beside(small, places, outlined.distances, shift);
            Looked {
                at_edge: look(0.0),
                elsewhere: ELSEWHERE_PX.iter().flat_map(|&shift| look(shift)).collect(),
            }
        })
        .collect();
    let shared = Step::of(looks.iter().flat_map(|l| &l.at_edge));
    let sides: Vec<Side> = looks
        .iter()
        .zip(outlined.sides)
        .map(|(look, places)| {
            // A shadow beside the bar makes a side's step its own; straw over it hides that.
            let own = describe_side(look, places.len(), &Step::of(look.at_edge.iter()));
            let as_all = describe_side(look, places.len(), &shared);
            if own.beyond_chance() > as_all.beyond_chance() {
                own
            } else {
                as_all
            }
        })
        .collect();
    let inner: Vec<Colour> = outlined
        .within
        .iter()
        .filter_map(|p| small.at(p.x, p.y))
        .map(log_colour)
        .collect();
    let ground = GroundTone::of(&inner);
    let (mut out, mut within) = (0.0, 0.0);
    for s in sides.iter().filter(|s| s.seen > 0.0) {
        out += ground.off(s.log_outside);
        within += ground.off(s.log_inside);
    }
    let (bar, alike) = bar_of(&sides, &ground);
    Judged {
        sides,
        bar_outside: (out - within) / (out + within + 0.3),
        alike,
        bar,
        ground,
    }
}

/// Middle colour of the bar over the sides, and how alike they are.
fn bar_of(sides: &[Side], ground: &GroundTone) -> (Colour, f64) {
    let visible: Vec<&Side> = sides
        .iter()
        .filter(|s| s.in_view > 0.2 && s.seen > 0.0)
        .collect();
    let middle = |of: &dyn Fn(&Side) -> Colour| {
        middle_colour(&visible.iter().map(|s| of(s)).collect::<Vec<_>>()).0
    };
    let (bar, log_bar) = (middle(&|s| s.outside), middle(&|s| s.log_outside));
    let unlike = visible
        .iter()
        .map(|s| ground.between(s.log_outside, log_bar))
        .sum::<f64>()
        / visible.len().max(1) as f64;
    let whole = ground.between(log_bar, ground.middle);
    (bar, 1.0 / (1.0 + unlike / (whole + 0.2)))
}

impl Side {
    /// Share along which the bar is seen, over what chance would show.
    pub fn beyond_chance(&self) -> f64 {
        ((self.seen - self.by_chance) / (1.0 - self.by_chance).max(0.05)).max(0.0)
    }
}

impl Judged {
    /// How much it looks like a bar round ground, 0..1, over the sides that are in view.
    pub fn score(&self) -> f64 {
        let visible: Vec<&Side> = self.sides.iter().filter(|s| s.in_view > 0.1).collect();
        if visible.is_empty() {
            return 0.0;
        }
        let logs: f64 = visible
            .iter()
            .map(|s| s.beyond_chance().max(0.02).ln())
            .sum();
        let seen = (logs / visible.len() as f64).exp();
        seen * self.alike * (1.0 + self.bar_outside) / 2.0
    }
}

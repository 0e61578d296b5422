//! Numbers beside the doubtful marks, put where they hide the least.

use image::RgbImage;

use crate::{
    counts::Object,
    text::{Letters, Style},
};

use super::{
    canvas::{Pen, fill, line},
    mark::{DARK, LIGHT, Mark, Standing},
};

/// Side of a cell of [`Taken`], pixels.
const CELL_PX: f32 = 4.0;
/// A label is left away where the best place for it still costs this much a cell.
const MOST_COST: f32 = 2.0;

/// How dear each cell of the picture is to cover.
struct Taken {
    across: usize,
    down: usize,
    cost: Vec<u8>,
}

impl Taken {
    fn new(image: &RgbImage) -> Self {
        let cells = |px: u32| (px as f32 / CELL_PX).ceil() as usize;
        let (across, down) = (cells(image.width()), cells(image.height()));
        Self {
            across,
            down,
            cost: vec![0; across * down],
        }
    }

    /// Cells under a rectangle (left, top, width, height); `None` when it leaves the picture.
    fn cells(&self, rect: [f32; 4]) -> Option<impl Iterator<Item = usize> + use<>> {
        let [left, top, width, height] = rect.map(|v| v / CELL_PX);
        let (x1, y1) = ((left + width).ceil(), (top + height).ceil());
        if left < 0.0 || top < 0.0 || x1 > self.across as f32 || y1 > self.down as f32 {
            return None;
        }
        let (xs, across) = (left as usize..x1 as usize, self.across);
        Some((top as usize..y1 as usize).flat_map(move |y| xs.clone().map(move |x| y * across + x)))
    }

    fn add(&mut self, rect: [f32; 4], cost: u8) {
        if let Some(cells) = self.cells(rect) {
            for cell in cells {
                self.cost[cell] = self.cost[cell].saturating_add(cost);
            }
        }
    }

    /// Mean cost of a cell under the rectangle; infinite outside the picture.
    fn cost(&self, rect: [f32; 4]) -> f32 {
        let Some(cells) = self.cells(rect) else {
            return f32::INFINITY;
        };
        let (mut sum, mut number) = (0u32, 0u32);
        for cell in cells {
            sum += u32::from(self.cost[cell]);
            number += 1;
        }
        sum as f32 / number.max(1) as f32
    }
}

/// Letters of a label.
const STYLE: Style = Style::regular(15.0, LIGHT);

/// Words for a doubtful object: its number and the probability of its kind.
pub(super) fn doubt(object: &Object) -> Option<String> {
    let words = || format!("{}: {:.0} %", object.id, object.probability * 100.0);
    object.doubtful.then(words)
}

/// Draws a label beside every mark for whose object `words` gives some, where there is room.
pub(super) fn draw_all(
    image: &mut RgbImage,
    letters: &Letters,
    marks: &[(Mark, &Object)],
    words: impl Fn(&Object) -> Option<String>,
) {
    let mut taken = Taken::new(image);
    for (mark, _) in marks {
        let reach = mark.shape.reach();
        let dear = if mark.standing == Standing::LeftOut {
            2
        } else {
            3
        };
        taken.add(around(mark.centre, reach), dear);
    }
    for (mark, object) in marks {
        let Some(text) = words(object) else {
            continue;
        };
        let size = (
            letters.width_px(&text, STYLE) + 6.0,
            STYLE.capital_px() + 6.0,
        );
        let Some((rect, far)) = best_place(&taken, mark, size) else {
            continue;
        };
        taken.add(rect, 12);
        let faint = mark.standing == Standing::LeftOut;
        if far {
            leader(image, mark, rect);
        }
        fill(image, rect, DARK, if faint { 0.45 } else { 0.72 });
        let at = (
            rect[0].round() + 3.0,
            rect[1].round() + 3.0 + STYLE.capital_px(),
        );
        letters.draw(image, at, &text, STYLE);
    }
}

fn around(centre: (f32, f32), reach: (f32, f32)) -> [f32; 4] {
    [
        centre.0 - reach.0,
        centre.1 - reach.1,
        reach.0 * 2.0,
        reach.1 * 2.0,
    ]
}

/// The cheapest of the places about a mark; `true` beside it when a leader line is needed.
fn best_place(taken: &Taken, mark: &Mark, (width, height): (f32, f32)) -> Option<([f32; 4], bool)> {
    let reach = mark.shape.reach();
    let mut best: Option<(f32, [f32; 4], bool)> = None;
    for (ring, gap) in [3.0, 12.0, 24.0].into_iter().enumerate() {
        for (i, (dx, dy)) in [
            (1.0, 0.0),
            (-1.0, 0.0),
            (0.0, -1.0),
            (0.0, 1.0),
            (1.0, -0.8),
            (-1.0, -0.8),
            (1.0, 0.8),
            (-1.0, 0.8),
        ]
        .into_iter()
        .enumerate()
        {
            let x = mark.centre.0 + dx * (reach.0 + gap + width / 2.0);
            let y = mark.centre.1 + dy * (reach.1 + gap + height / 2.0);
            let rect = [x - width / 2.0, y - height / 2.0, width, height];
            let cost = taken.cost(rect) + 0.35 * ring as f32 + 0.01 * i as f32;
            if best.is_none_or(|(least, ..)| cost < least) {
                best = Some((cost, rect, ring > 0));
            }
        }
    }
    best.filter(|(cost, ..)| *cost <= MOST_COST)
        .map(|(_, rect, far)| (rect, far))
}

/// A thin line from a label to its mark.
fn leader(image: &mut RgbImage, mark: &Mark, rect: [f32; 4]) {
    let to = (
        mark.centre.0.clamp(rect[0], rect[0] + rect[2]),
        mark.centre.1.clamp(rect[1], rect[1] + rect[3]),
    );
    let (dx, dy) = (to.0 - mark.centre.0, to.1 - mark.centre.1);
    let reach = mark.shape.reach();
    let away = (reach.0.min(reach.1) / dx.hypot(dy).max(1.0)).min(1.0);
    let from = (mark.centre.0 + dx * away, mark.centre.1 + dy * away);
    let pen = Pen {
        core: LIGHT,
        core_px: 1.0,
        core_share: 0.8,
        casing: DARK,
        casing_px: 0.7,
        casing_share: 0.5,
        dash: None,
    };
    line(image, &[from, to], false, &pen);
}

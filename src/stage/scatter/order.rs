//! How much of everything, and in which order it falls.

use super::super::scene::{Amount, SceneError};
use super::{Item, Strewer};

impl Strewer<'_> {
    /// The order in which things fall: beans early and late, stems before chaff.
    pub(super) fn order(&mut self) -> Vec<Item> {
        let cover = self.scene.ground.residue_cover as f32;
        let aim = -(1.0 - cover.min(0.9)).ln() * self.area_mm2() * (0.74 + 0.25 * cover);
        // Share of the covered area and mean area of one piece, mm².
        let kinds = [
            (Item::Stem, self.dice.between(0.28, 0.44), 330.0, 0.0),
            (Item::Split, self.dice.between(0.08, 0.18), 230.0, 0.0),
            (Item::Stalk, 0.05, 125.0, 0.05),
            (Item::Leaf, self.dice.between(0.12, 0.34), 290.0, -0.15),
            (Item::Chaff, self.dice.between(0.18, 0.34), 24.0, 0.18),
            (Item::Husk, self.dice.between(0.03, 0.08), 250.0, 0.1),
            (Item::SeedCoat, 0.008, 28.0, 0.18),
        ];
        let total: f32 = kinds.iter().map(|k| k.1).sum();
        let mut order: Vec<(f32, Item)> = Vec::new();
        for (item, share, area, late) in kinds {
            for _ in 0..(aim * share / total / area) as usize {
                order.push((self.dice.unit() + late, item));
            }
        }
        let (inside, outside) = self.amounts(self.scene.loss.beans);
        for (n, within) in [(inside, true), (outside, false)] {
            for _ in 0..n {
                let when = if self.dice.chance(0.42) {
                    -1.0
                } else {
                    self.dice.between(0.1, 1.25)
                };
                order.push((when, Item::Bean(within)));
            }
        }
        let (inside, outside) = self.amounts(self.scene.loss.pods);
        for (n, within) in [(inside, true), (outside, false)] {
            for _ in 0..n {
                order.push((self.dice.between(0.15, 1.15), Item::Pod(within)));
            }
        }
        order.sort_by(|a, b| a.0.total_cmp(&b.0));
        order.into_iter().map(|o| o.1).collect()
    }

    /// How many inside the frame and how many outside.
    pub(super) fn amounts(&mut self, amount: Amount) -> (usize, usize) {
        let frame_ft2 = self.scene.frame.spec.ground().ft2() as f32;
        let (inside, per_ft2) = match amount {
            Amount::Inside(n) => (n, n as f32 / frame_ft2),
            Amount::PerFt2(d) => (self.counted(d as f32 * frame_ft2), d as f32),
        };
        let rest = (self.area_ft2() - frame_ft2).max(0.0);
        (inside, self.counted(per_ft2 * rest))
    }

    /// A number drawn by chance about a mean (Poisson; for large means its bell curve).
    pub(super) fn counted(&mut self, mean: f32) -> usize {
        if mean > 60.0 {
            return (mean + self.dice.bell(mean.sqrt())).round().max(0.0) as usize;
        }
        let (mut n, mut left) = (0, self.dice.unit());
        let mut p = (-mean).exp();
        while left > p && n < 400 {
            left -= p;
            n += 1;
            p *= mean / n as f32;
        }
        n
    }

    pub(super) fn layers(&mut self) -> Result<(), SceneError> {
        let order = self.order();
        let first_late = order
            .iter()
            .position(|i| !matches!(i, Item::Bean(_)))
            .unwrap_or(order.len());
        for (k, item) in order.into_iter().enumerate() {
            match item {
                Item::Stem | Item::Split | Item::Stalk => self.rod(item, None),
                Item::Leaf => self.leaf(None),
                Item::Chaff => self.chaff(None),
                Item::Husk => self.husk(),
                Item::SeedCoat => self.seed_coat(),
                Item::Bean(inside) => self.bean(inside, k < first_late)?,
                Item::Pod(inside) => self.pod(inside)?,
            }
        }
        Ok(())
    }
}

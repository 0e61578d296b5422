//! Every card there is, and which of them some modules are nearest to.

use std::sync::LazyLock;

use super::{Card, MOST_CHECK, PLACES, SIDE_MODULES};

/// Modules of a code.
pub(super) const MODULES: usize = SIDE_MODULES * SIDE_MODULES;

/// One bit a module.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Bits([u64; MODULES.div_ceil(64)]);

impl Bits {
    pub fn set(&mut self, at: usize) {
        self.0[at / 64] |= 1 << (at % 64);
    }

    fn zip(self, other: Self, f: impl Fn(u64, u64) -> u64) -> Self {
        let mut out = self;
        (out.0.iter_mut().zip(other.0)).for_each(|(a, b)| *a = f(*a, b));
        out
    }

    pub fn unlike(self, other: Self) -> Self {
        self.zip(other, |a, b| a ^ b)
    }

    pub fn and(self, other: Self) -> Self {
        self.zip(other, |a, b| a & b)
    }

    pub fn or(self, other: Self) -> Self {
        self.zip(other, |a, b| a | b)
    }

    pub fn count(self) -> u32 {
        self.0.iter().map(|w| w.count_ones()).sum()
    }
}

/// Every card with its modules.
pub(super) struct Book {
    cards: Vec<(Card, Bits)>,
    /// Modules in which cards differ.
    pub telling: Bits,
    /// All others: marks and lines that every code of this size has.
    common: Bits,
    first: Bits,
}

/// The card that some modules are nearest to.
#[derive(Debug, Clone, Copy)]
pub(super) struct Nearest {
    pub card: Card,
    /// Telling modules unlike its own, those that could not be read among them.
    pub wrong: u32,
    /// The same for the next card.
    pub wrong_next: u32,
}

/// Made once, when the first photo shows what may be a card: some 900 codes.
static BOOK: LazyLock<Book> = LazyLock::new(Book::make);

impl Book {
    pub fn get() -> &'static Self {
        &BOOK
    }

    fn make() -> Self {
        let all = PLACES
            .into_iter()
            .flat_map(|place| (1..=MOST_CHECK).map(move |check| Card { place, check }));
        let cards: Vec<(Card, Bits)> = all
            .map(|card| {
                let mut bits = Bits::default();
                let dark = card.modules().into_iter().enumerate().filter(|m| m.1);
                dark.for_each(|(at, _)| bits.set(at));
                (card, bits)
            })
            .collect();
        let first = cards[0].1;
        let telling = (cards.iter()).fold(Bits::default(), |all, c| all.or(c.1.unlike(first)));
        let mut whole = Bits::default();
        (0..MODULES).for_each(|at| whole.set(at));
        Self {
            common: whole.unlike(telling),
            first,
            cards,
            telling,
        }
    }

    /// Share of the modules common to all codes that are as they must be, of those that could be read.
    pub fn common_share(&self, dark: Bits, read: Bits) -> f64 {
        let seen = self.common.and(read);
        let wrong = self.first.unlike(dark).and(seen).count();
        1.0 - f64::from(wrong) / f64::from(seen.count().max(1))
    }

    /// The nearest card; modules that could not be read count as wrong for every card.
    pub fn nearest(&self, dark: Bits, read: Bits) -> Nearest {
        let seen = self.telling.and(read);
        let unread = self.telling.count() - seen.count();
        let mut nearest = Nearest {
            card: self.cards[0].0,
            wrong: u32::MAX,
            wrong_next: u32::MAX,
        };
        for (card, own) in &self.cards {
            let wrong = own.unlike(dark).and(seen).count() + unread;
            if wrong < nearest.wrong {
                nearest = Nearest {
                    card: *card,
                    wrong,
                    wrong_next: nearest.wrong,
                };
            } else {
                nearest.wrong_next = nearest.wrong_next.min(wrong);
            }
        }
        nearest
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reed-Solomon codes of level H of version 1 differ in 18 of 26 bytes at least (ISO/IEC 18004, table 9);
    /// where the mask is another, in many more modules.
    #[test]
    fn cards_lie_far_apart() {
        let book = Book::get();
        assert_eq!(book.cards.len(), 3 * usize::from(MOST_CHECK));
        let mut least = u32::MAX;
        for (at, (_, a)) in book.cards.iter().enumerate() {
            for (_, b) in &book.cards[..at] {
                least = least.min(a.unlike(*b).count());
            }
        }
        assert!(least >= 36, "{least} modules differ at least");
        assert!(book.telling.count() >= 208, "{}", book.telling.count());
    }
}

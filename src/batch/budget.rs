//! How much memory the photos that are being counted may take together.

use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};

/// Memory that a photo takes besides its file and its pixels, bytes: plot, network, pictures. Measured on the demo's
/// photos (see benches/): about 90 MB at the peak. Raised: fewer photos at once; lowered: the bound is passed.
pub(super) const STAGES_BYTES: u64 = 100_000_000;

/// A bound on the memory of all photos in flight. A photo that alone needs more than all of it is counted alone.
#[derive(Debug)]
pub struct Budget {
    most_bytes: u64,
    taken: Mutex<u64>,
    given_back: Condvar,
}

/// Memory that is taken; given back when dropped.
#[derive(Debug)]
pub struct Taken<'a> {
    budget: &'a Budget,
    bytes: u64,
}

impl Budget {
    /// So many bytes.
    pub fn new(most_bytes: u64) -> Self {
        Self {
            most_bytes,
            taken: Mutex::new(0),
            given_back: Condvar::new(),
        }
    }

    /// Waits until so many bytes are free, or nothing is taken at all.
    pub fn take(&self, bytes: u64) -> Taken<'_> {
        let mut taken = self.lock();
        while *taken > 0 && taken.saturating_add(bytes) > self.most_bytes {
            taken = self
                .given_back
                .wait(taken)
                .unwrap_or_else(PoisonError::into_inner);
        }
        *taken = taken.saturating_add(bytes);
        Taken {
            budget: self,
            bytes,
        }
    }

    /// A number is whole even where a thread that held it panicked.
    fn lock(&self) -> MutexGuard<'_, u64> {
        self.taken.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Taken<'_> {
    fn drop(&mut self) {
        let mut taken = self.budget.lock();
        *taken = taken.saturating_sub(self.bytes);
        self.budget.given_back.notify_all();
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicU64, Ordering};

    use super::*;

    #[test]
    fn never_more_at_once_than_the_budget_unless_one_alone() {
        let budget = Budget::new(100);
        let (now, most) = (AtomicU64::new(0), AtomicU64::new(0));
        std::thread::scope(|scope| {
            for k in 0..8_u64 {
                let (budget, now, most) = (&budget, &now, &most);
                scope.spawn(move || {
                    for n in 0..50 {
                        let bytes = 1 + (k * 37 + n * 13) % 60;
                        let _taken = budget.take(bytes);
                        let sum = now.fetch_add(bytes, Ordering::SeqCst) + bytes;
                        most.fetch_max(sum, Ordering::SeqCst);
                        std::thread::yield_now();
                        now.fetch_sub(bytes, Ordering::SeqCst);
                    }
                });
            }
        });
        assert!(most.into_inner() <= 100);
        drop(budget.take(1000));
        drop(budget.take(u64::MAX));
        assert_eq!(*budget.lock(), 0);
    }

    #[test]
    fn what_a_panicking_thread_took_is_given_back() {
        let budget = Budget::new(10);
        let caught = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            let _taken = budget.take(10);
            panic!("as asked");
        }));
        assert!(caught.is_err());
        drop(budget.take(10));
    }
}

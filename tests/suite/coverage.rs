//! Do the 95 % limits hold the truth 95 times in 100? Seasons with known truth say so.

use podfall::loss::{Design, coverage};

#[test]
#[ignore]
fn table() {
    for (checks, per) in [(1, 4), (2, 4), (3, 4), (5, 4), (10, 4)] {
        for k in [0.5, 2.0, 10.0] {
            for cv in [0.3] {
                let t = std::time::Instant::now();
                let c = coverage(
                    &Design {
                        checks,
                        frames_per_check: per,
                        k,
                        between_cv: cv,
                        truth: [0.5, 4.0, 2.0],
                    },
                    300,
                    7,
                )
                .unwrap();
                println!(
                    "{checks}x{per} k {k} cv {cv}: total {:.3} header {:.3} through {:.3} hw {:.2} ({:.1} ms)",
                    c.total,
                    c.header,
                    c.through,
                    c.total_half_width,
                    t.elapsed().as_secs_f64() * 1e3 / 200.0
                );
            }
        }
    }
}

//! Loops over many numbers, run with the widest registers that the machine has.

/// Makes a function whose loops are compiled twice: for AVX2, and for every machine. The first runs where it can.
///
/// Functions that it calls must be inlined into it (`#[inline(always)]`) for that. The answer is the same to the last bit:
/// nothing is done in another order, and no product and sum are joined to one step.
macro_rules! wide {
    ($(#[$meta:meta])* $vis:vis fn $name:ident $(<$(const $n:ident: usize),+>)? (
        $($arg:ident: $ty:ty),+ $(,)?
    ) $body:block) => {
        $(#[$meta])*
        $vis fn $name $(<$(const $n: usize),+>)? ($($arg: $ty),+) {
            struct Loops<T $($(, const $n: usize)+)?>(T);
            impl $(<$(const $n: usize),+>)? pulp::WithSimd for Loops<($($ty,)+) $($(, $n)+)?> {
                type Output = ();
                #[inline(always)]
                fn with_simd<S: pulp::Simd>(self, _: S) {
                    let ($($arg,)+) = self.0;
                    $body
                }
            }
            pulp::Arch::new().dispatch(Loops::<_ $($(, $n)+)?>(($($arg,)+)));
        }
    };
}

pub(crate) use wide;

#[cfg(test)]
mod tests {
    #[inline(always)]
    fn mix<const TIMES: usize>(a: &[f32], out: &mut [f32]) {
        for (o, (x, y)) in out.iter_mut().zip(a.iter().zip(a.iter().rev())) {
            *o = x * y + TIMES as f32 * x;
        }
    }

    wide! {
        fn wide_mix<const TIMES: usize>(a: &[f32], out: &mut [f32]) {
            mix::<TIMES>(a, out);
        }
    }

    #[test]
    fn the_same_to_the_last_bit() {
        let a: Vec<f32> = (0..1003_u16).map(|i| f32::from(i).sqrt() - 11.3).collect();
        let (mut plain, mut fast) = (vec![0.0; a.len()], vec![0.0; a.len()]);
        mix::<3>(&a, &mut plain);
        wide_mix::<3>(&a, &mut fast);
        assert_eq!(plain, fast);
    }
}

//! The one inner loop: some cells times some channels, kept in registers while it runs over what they are summed from.

use pulp::{Simd, WithSimd};

/// Vectors of channels worked on together; with 6 cells they and their sums fill the 16 registers of AVX2.
const BLOCK: usize = 2;

/// A row of cells to be summed: `into[cell] = start + Σ from[cell] × weights`, for all channels of `into`.
///
/// What a cell is summed from are `pieces` of `len` floats each, every one at its offset from the cell's place.
#[derive(Clone, Copy)]
pub(super) struct Row<'a> {
    pub from: &'a [f32],
    /// Place of the first cell in `from`, and floats from a cell to the next.
    pub from_at: (usize, usize),
    pub pieces: &'a [usize],
    pub len: usize,
    /// As the layers lay their weights out.
    pub weights: &'a [f32],
    pub bias: Option<&'a [f32]>,
    /// Place of the first cell in `into` (and in `add`), and floats from a cell to the next.
    pub into_at: (usize, usize),
    pub cells: usize,
    /// Added at the end.
    pub add: Option<(&'a [f32], (usize, usize))>,
    /// Whether what comes out below zero is made zero.
    pub relu: bool,
}

/// Most floats that a cell is summed from in one go: their weights for a block of channels stay in the nearest cache.
const GO: usize = 384;

/// A [`Row`] on its way into the vectors that this machine has.
pub(super) struct SumRow<'a>(pub Row<'a>, pub &'a mut [f32]);

impl WithSimd for SumRow<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Self(row, into) = self;
        let (weights, _) = S::as_simd_f32s(row.weights);
        let per_vector = row.pieces.len() * row.len;
        let vectors = weights.len() / per_vector;
        let mut at = 0;
        while at < vectors {
            let wide = (vectors - at).min(BLOCK);
            let part = &weights[at * per_vector..][..wide * per_vector];
            match wide {
                BLOCK => sum_block::<S, BLOCK>(simd, &row, part, at, into),
                _ => sum_block::<S, 1>(simd, &row, part, at, into),
            }
            at += wide;
        }
    }
}

#[inline(always)]
fn sum_block<S: Simd, const N: usize>(
    simd: S,
    row: &Row,
    weights: &[S::f32s],
    at: usize,
    into: &mut [f32],
) {
    let in_one_go = (GO / row.len).max(1);
    let goes = row.pieces.len().div_ceil(in_one_go);
    for (go, pieces) in row.pieces.chunks(in_one_go).enumerate() {
        let go = Go::<S> {
            row: *row,
            pieces,
            weights: &weights[go * in_one_go * row.len * N..],
            channel: at * S::F32_LANES,
            first: go == 0,
            last: go + 1 == goes,
        };
        let mut cell = 0;
        while cell + 6 <= row.cells {
            sum::<S, 6, N>(simd, &go, cell, into);
            cell += 6;
        }
        match row.cells - cell {
            5 => sum::<S, 5, N>(simd, &go, cell, into),
            4 => sum::<S, 4, N>(simd, &go, cell, into),
            3 => sum::<S, 3, N>(simd, &go, cell, into),
            2 => sum::<S, 2, N>(simd, &go, cell, into),
            1 => sum::<S, 1, N>(simd, &go, cell, into),
            _ => {}
        }
    }
}

struct Go<'a, S: Simd> {
    row: Row<'a>,
    pieces: &'a [usize],
    weights: &'a [S::f32s],
    channel: usize,
    first: bool,
    last: bool,
}

/// `C` cells, `N` vectors of channels.
#[expect(
    clippy::needless_range_loop,
    clippy::manual_memcpy,
    reason = "loops of a known length stay in registers; copies of slices become calls"
)]
#[inline(always)]
fn sum<S: Simd, const C: usize, const N: usize>(
    simd: S,
    go: &Go<S>,
    cell: usize,
    into: &mut [f32],
) {
    let row = &go.row;
    let place = |(at, step): (usize, usize), c: usize| at + (cell + c) * step + go.channel;
    let wide = N * S::F32_LANES;
    let mut sums = [[simd.splat_f32s(0.0); N]; C];
    for c in 0..C {
        let start = match row.bias {
            _ if !go.first => &into[place(row.into_at, c)..][..wide],
            Some(bias) => &bias[go.channel..][..wide],
            None => continue,
        };
        let start = S::as_simd_f32s(start).0;
        for n in 0..N {
            sums[c][n] = start[n];
        }
    }
    for (&piece, weights) in go.pieces.iter().zip(go.weights.chunks_exact(row.len * N)) {
        let mut from: [&[f32]; C] = [&[]; C];
        for c in 0..C {
            let at = row.from_at.0 + (cell + c) * row.from_at.1 + piece;
            from[c] = &row.from[at..][..row.len];
        }
        for (i, weights) in weights.as_chunks::<N>().0.iter().enumerate() {
            for c in 0..C {
                let value = simd.splat_f32s(from[c][i]);
                for n in 0..N {
                    sums[c][n] = simd.mul_add_e_f32s(value, weights[n], sums[c][n]);
                }
            }
        }
    }
    for (c, sums) in sums.iter_mut().enumerate() {
        if go.last {
            if let Some((add, at)) = row.add {
                let add = S::as_simd_f32s(&add[place(at, c)..][..wide]).0;
                for n in 0..N {
                    sums[n] = simd.add_f32s(sums[n], add[n]);
                }
            }
            if row.relu {
                for sum in sums.iter_mut() {
                    *sum = simd.max_f32s(*sum, simd.splat_f32s(0.0));
                }
            }
        }
        let into = S::as_mut_simd_f32s(&mut into[place(row.into_at, c)..][..wide]).0;
        for n in 0..N {
            into[n] = sums[n];
        }
    }
}

/// Blocks of channels as [`SumRow`] takes them, for vectors of so many: the first channel of each, and how many.
pub(super) fn blocks(channels: usize, lanes: usize) -> impl Iterator<Item = (usize, usize)> {
    let wide = BLOCK * lanes;
    (0..channels)
        .step_by(wide)
        .map(move |at| (at, wide.min(channels - at)))
}

/// Lays weights out for [`SumRow`]: block by block of channels, and in each block in the order in which they are used.
///
/// `weight(k, channel)` is the weight of the k-th of `summed` floats; `channels` is a multiple of 8.
pub(super) struct Pack<F>(pub usize, pub usize, pub F);

impl<F: Fn(usize, usize) -> f32> WithSimd for Pack<F> {
    type Output = Vec<f32>;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> Vec<f32> {
        let Self(summed, channels, weight) = self;
        let mut packed = Vec::with_capacity(summed * channels);
        for (at, wide) in blocks(channels, S::F32_LANES) {
            for k in 0..summed {
                packed.extend((at..at + wide).map(|channel| weight(k, channel)));
            }
        }
        packed
    }
}

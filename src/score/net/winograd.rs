//! Convolutions of 3 × 3 at step 1 with a quarter of the multiplications.
//!
//! Tiles of 4 × 4 cells are made from 6 × 6 by minimal filtering, F(4 × 4, 3 × 3).
//!
//! # Source
//! Lavin & Gray, *Fast Algorithms for Convolutional Neural Networks* (2015), section 4.3 (the matrices from memory;
//! checked against the plain sum in the tests).

use pulp::{Arch, Simd, WithSimd};

use super::{
    conv::{Add, Layer},
    grid::{Grid, Memory, TILE, WIDE},
    lanes::{Row, SumRow, blocks},
};

/// Side of what a tile is made from.
const SEEN: usize = TILE + 2;
/// Products a tile, and weights for each of a plain layer's: one small matrix product each.
pub(super) const PRODUCTS: usize = SEEN * SEEN;
/// Tiles worked on together, about. More: more weights reused, more memory touched.
const TOGETHER: usize = 48;
/// Floats between two products' rooms beyond what they need: at a power of two they would push each other out of the cache.
const APART: usize = 16;

/// How a 3 × 3 of weights is turned: G.
const KERNEL: [[f64; 3]; SEEN] = [
    [1.0 / 4.0, 0.0, 0.0],
    [-1.0 / 6.0, -1.0 / 6.0, -1.0 / 6.0],
    [-1.0 / 6.0, 1.0 / 6.0, -1.0 / 6.0],
    [1.0 / 24.0, 1.0 / 12.0, 1.0 / 6.0],
    [1.0 / 24.0, -1.0 / 12.0, 1.0 / 6.0],
    [0.0, 0.0, 1.0],
];

/// Weights turned, product after product, each laid out as [`super::lanes::Pack`] does.
///
/// `plain(from, into)` are the 3 × 3 between two channels, row by row; the number of channels made is a multiple of 8.
pub(super) struct Turn<F>(pub usize, pub usize, pub F);

impl<F: Fn(usize, usize) -> [f32; 9]> WithSimd for Turn<F> {
    type Output = Vec<f32>;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> Vec<f32> {
        let Self(from, into, plain) = self;
        let mut all = vec![0.0; PRODUCTS * from * into];
        for (first, wide) in blocks(into, S::F32_LANES) {
            for k in 0..from {
                let at = first * from + k * wide;
                for more in (0..wide).step_by(WIDE) {
                    let channels = [0, 1, 2, 3, 4, 5, 6, 7].map(|i| plain(k, first + more + i));
                    let products = turned(&channels);
                    for (all, product) in all.chunks_exact_mut(from * into).zip(products) {
                        all[at + more..][..WIDE].copy_from_slice(&product);
                    }
                }
            }
        }
        all
    }
}

/// G g Gᵀ for some channels at once.
#[inline(always)]
fn turned(plain: &[[f32; 9]; WIDE]) -> [[f32; WIDE]; PRODUCTS] {
    let mut half = [[[0.0; WIDE]; 3]; SEEN];
    for (half, [a, b, c]) in half.iter_mut().zip(KERNEL) {
        for (col, half) in half.iter_mut().enumerate() {
            for (half, plain) in half.iter_mut().zip(plain) {
                let [x, y, z] = [0, 3, 6].map(|row| f64::from(plain[row + col]));
                *half = a * x + b * y + c * z;
            }
        }
    }
    let mut products = [[0.0; WIDE]; PRODUCTS];
    for (i, [x, y, z]) in half.iter().enumerate() {
        for (j, [a, b, c]) in KERNEL.iter().enumerate() {
            for (n, product) in products[i * SEEN + j].iter_mut().enumerate() {
                *product = (x[n] * a + y[n] * b + z[n] * c) as f32;
            }
        }
    }
    products
}

/// A run of tiles of one layer: `count` of them from tile `first`, row by row.
struct Run {
    across: usize,
    first: usize,
    count: usize,
}

impl Run {
    /// Row and column of a tile's first cell.
    fn cell(&self, tile: usize) -> (usize, usize) {
        let tile = self.first + tile;
        (tile / self.across * TILE, tile % self.across * TILE)
    }
}

/// Runs a layer.
pub(super) fn run(
    arch: Arch,
    layer: &Layer,
    (from, add): (&Grid, Add<'_>),
    into: &mut Grid,
    memory: &mut Memory,
) {
    let across = into.size.cols.div_ceil(TILE);
    let tiles = across * into.size.rows.div_ceil(TILE);
    let [seen, products] = &mut memory.tiles;
    let channels = (from.size.channels, into.size.channels);
    let apart = |channels: usize| TOGETHER * channels + APART;
    let (seen_apart, products_apart) = (apart(channels.0), apart(channels.1));
    let more = |room: &mut Vec<f32>, floats: usize| room.resize(floats.max(room.len()), 0.0);
    more(seen, PRODUCTS * seen_apart);
    more(products, PRODUCTS * products_apart);
    for first in (0..tiles).step_by(TOGETHER) {
        let count = TOGETHER.min(tiles - first);
        let run = Run {
            across,
            first,
            count,
        };
        arch.dispatch(Look(&run, from, seen, seen_apart));
        for p in 0..PRODUCTS {
            let per_product = channels.0 * channels.1;
            let row = Row {
                from: seen,
                from_at: (p * seen_apart, channels.0),
                pieces: &[0],
                len: channels.0,
                weights: &layer.weights[p * per_product..][..per_product],
                bias: None,
                into_at: (p * products_apart, channels.1),
                cells: count,
                add: None,
                relu: false,
            };
            arch.dispatch(SumRow(row, products));
        }
        arch.dispatch(Put(&run, layer, (products, products_apart), add, into));
    }
}

/// Turns what the tiles see: B.
struct Look<'a>(&'a Run, &'a Grid, &'a mut [f32], usize);

impl WithSimd for Look<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Self(run, from, seen, apart) = self;
        let (pitch, channels) = (from.size.pitch(), from.size.channels);
        let vectors = channels / S::F32_LANES;
        for tile in 0..run.count {
            let (row, col) = run.cell(tile);
            let at = from.size.start(1) + row * pitch + col * channels;
            let mut rows: [&[S::f32s]; SEEN] = [&[]; SEEN];
            for (i, row) in rows.iter_mut().enumerate() {
                let cells = &from.data[at + i * pitch..][..SEEN * channels];
                *row = S::as_simd_f32s(cells).0;
            }
            for vector in 0..vectors {
                let columns = [
                    look_down(simd, &rows, vector),
                    look_down(simd, &rows, vectors + vector),
                    look_down(simd, &rows, 2 * vectors + vector),
                    look_down(simd, &rows, 3 * vectors + vector),
                    look_down(simd, &rows, 4 * vectors + vector),
                    look_down(simd, &rows, 5 * vectors + vector),
                ];
                for i in 0..SEEN {
                    let row = look(simd, across(&columns, i));
                    for (j, value) in row.into_iter().enumerate() {
                        let at = (i * SEEN + j) * apart + tile * channels + vector * S::F32_LANES;
                        let room = &mut seen[at..][..S::F32_LANES];
                        S::as_mut_simd_f32s(room).0[0] = value;
                    }
                }
            }
        }
    }
}

/// The i-th of each column.
#[inline(always)]
fn across<V: Copy, const N: usize>(columns: &[[V; N]; SEEN], i: usize) -> [V; SEEN] {
    let [a, b, c, d, e, f] = columns;
    [a[i], b[i], c[i], d[i], e[i], f[i]]
}

#[inline(always)]
fn look_down<S: Simd>(simd: S, rows: &[&[S::f32s]; SEEN], at: usize) -> [S::f32s; SEEN] {
    let [a, b, c, d, e, f] = rows;
    look(simd, [a[at], b[at], c[at], d[at], e[at], f[at]])
}

#[inline(always)]
fn look<S: Simd>(simd: S, [d0, d1, d2, d3, d4, d5]: [S::f32s; SEEN]) -> [S::f32s; SEEN] {
    let (even, odd) = (times(simd, -4.0, d2, d4), times(simd, -4.0, d1, d3));
    let (near, far) = (simd.sub_f32s(d4, d2), simd.sub_f32s(d3, d1));
    [
        times(simd, 4.0, d0, times(simd, -5.0, d2, d4)),
        simd.add_f32s(even, odd),
        simd.sub_f32s(even, odd),
        times(simd, 2.0, far, near),
        times(simd, -2.0, far, near),
        times(simd, 4.0, d1, times(simd, -5.0, d3, d5)),
    ]
}

/// k x + y.
#[inline(always)]
fn times<S: Simd>(simd: S, k: f32, x: S::f32s, y: S::f32s) -> S::f32s {
    simd.mul_add_e_f32s(simd.splat_f32s(k), x, y)
}

/// Turns the products back into cells: A.
struct Put<'a>(
    &'a Run,
    &'a Layer,
    (&'a [f32], usize),
    Add<'a>,
    &'a mut Grid,
);

impl WithSimd for Put<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Self(run, layer, (products, apart), add, into) = self;
        let size = into.size;
        let (bias, _) = S::as_simd_f32s(&layer.bias);
        let least = simd.splat_f32s(if layer.relu { 0.0 } else { f32::NEG_INFINITY });
        for tile in 0..run.count {
            let (row, col) = run.cell(tile);
            let (rows, cols) = ((size.rows - row).min(TILE), (size.cols - col).min(TILE));
            for (vector, &bias) in bias.iter().enumerate() {
                let channel = vector * S::F32_LANES;
                let at = tile * size.channels + channel;
                let columns = [
                    put_down(simd, &products[at..], apart),
                    put_down(simd, &products[apart + at..], apart),
                    put_down(simd, &products[2 * apart + at..], apart),
                    put_down(simd, &products[3 * apart + at..], apart),
                    put_down(simd, &products[4 * apart + at..], apart),
                    put_down(simd, &products[5 * apart + at..], apart),
                ];
                for i in 0..rows {
                    let cells = put(simd, across(&columns, i));
                    for (j, &value) in cells.iter().enumerate().take(cols) {
                        let place = |grid: &Grid| {
                            let size = grid.size;
                            size.start(0)
                                + (row + i) * size.pitch()
                                + (col + j) * size.channels
                                + channel
                        };
                        let mut value = simd.add_f32s(value, bias);
                        let at = place(into);
                        let room = &mut into.data[at..][..S::F32_LANES];
                        let room = &mut S::as_mut_simd_f32s(room).0[0];
                        match add {
                            Add::Nothing => {}
                            Add::Grid(add) => {
                                let add = &add.data[place(add)..][..S::F32_LANES];
                                value = simd.add_f32s(value, S::as_simd_f32s(add).0[0]);
                            }
                            Add::InPlace => value = simd.add_f32s(value, *room),
                        }
                        *room = simd.max_f32s(value, least);
                    }
                }
            }
        }
    }
}

#[inline(always)]
fn put_down<S: Simd>(simd: S, products: &[f32], apart: usize) -> [S::f32s; TILE] {
    let mut column = [simd.splat_f32s(0.0); SEEN];
    for i in 0..SEEN {
        let product = &products[i * SEEN * apart..][..S::F32_LANES];
        column[i] = S::as_simd_f32s(product).0[0];
    }
    put(simd, column)
}

#[inline(always)]
fn put<S: Simd>(simd: S, [m0, m1, m2, m3, m4, m5]: [S::f32s; SEEN]) -> [S::f32s; TILE] {
    let (near, near_odd) = (simd.add_f32s(m1, m2), simd.sub_f32s(m1, m2));
    let (far, far_odd) = (simd.add_f32s(m3, m4), simd.sub_f32s(m3, m4));
    [
        simd.add_f32s(m0, simd.add_f32s(near, far)),
        times(simd, 2.0, far_odd, near_odd),
        times(simd, 4.0, far, near),
        simd.add_f32s(times(simd, 8.0, far_odd, near_odd), m5),
    ]
}

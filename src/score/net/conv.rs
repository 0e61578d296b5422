//! One convolution with what follows it: bias, a sum with another grid, nothing below zero.

use pulp::{Arch, Simd, WithSimd};

use super::{
    grid::{Grid, Memory, Size, WIDE},
    lanes::{Pack, Row, SumRow},
    winograd,
};

/// What a convolution is, as its file says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Form {
    /// Side of the square of weights, cells.
    pub kernel: usize,
    /// Cells from one place to the next.
    pub stride: usize,
    /// Cells of zeros on all four sides.
    pub pad: usize,
    /// Channels as stored in the grid that it reads.
    pub from: usize,
    /// Channels that it makes.
    pub into: usize,
    /// Whether every channel is made from its like alone.
    pub depthwise: bool,
}

/// What is added to what a convolution makes.
#[derive(Debug, Clone, Copy)]
pub(super) enum Add<'a> {
    Nothing,
    /// A grid of the same size.
    Grid(&'a Grid),
    /// What stands where it is made, if the layer [`Layer::adds_in_place`].
    InPlace,
}

impl<'a> Add<'a> {
    fn grid(self) -> Option<&'a Grid> {
        match self {
            Self::Grid(grid) => Some(grid),
            Self::Nothing | Self::InPlace => None,
        }
    }
}

/// A convolution, its weights laid out for the way in which it is run.
#[derive(Debug)]
pub(super) struct Layer {
    form: Form,
    pub weights: Vec<f32>,
    pub bias: Vec<f32>,
    pub relu: bool,
}

impl Form {
    fn minimal(self) -> bool {
        !self.depthwise && (self.kernel, self.stride, self.pad) == (3, 1, 1) && self.from >= WIDE
    }

    /// Weights as laid out.
    pub fn weights(self) -> usize {
        let area = if self.minimal() {
            winograd::PRODUCTS
        } else {
            self.kernel * self.kernel
        };
        let from = if self.depthwise { 1 } else { self.from };
        area * from * self.into.next_multiple_of(WIDE)
    }

    /// Size of what it makes, with `border`; `None` where nothing is left.
    pub fn made(self, from: Size, border: usize) -> Option<Size> {
        let side =
            |cells: usize| Some((cells + 2 * self.pad).checked_sub(self.kernel)? / self.stride + 1);
        Some(Size {
            rows: side(from.rows)?,
            cols: side(from.cols)?,
            channels: self.into.next_multiple_of(WIDE),
            border,
        })
    }
}

impl Layer {
    /// From weights `[into, from, row, column]` (`[channel, row, column]` depthwise) whose `from` may be fewer than
    /// the grid stores.
    pub fn new(arch: Arch, form: Form, weights: &[f32], bias: &[f32]) -> Self {
        let Form { kernel, from, .. } = form;
        let into = form.into.next_multiple_of(WIDE);
        let area = kernel * kernel;
        let given = weights.len() / (form.into * area);
        let weight = |row: usize, col: usize, k: usize, channel: usize| {
            if k < given && channel < form.into {
                weights[(channel * given + k) * area + row * kernel + col]
            } else {
                0.0
            }
        };
        let laid_out = if form.depthwise {
            (0..area * into)
                .map(|i| weight(i / into / kernel, i / into % kernel, 0, i % into))
                .collect()
        } else if form.minimal() {
            let plain = |k: usize, channel: usize| match k < given && channel < form.into {
                true => weights[(channel * given + k) * 9..][..9]
                    .try_into()
                    .expect("3 × 3"),
                false => [0.0; 9],
            };
            arch.dispatch(winograd::Turn(from, into, plain))
        } else {
            arch.dispatch(Pack(area * from, into, |k, channel| {
                let (cell, k) = (k / from, k % from);
                weight(cell / kernel, cell % kernel, k, channel)
            }))
        };
        let bias = (0..into).map(|i| bias.get(i).copied().unwrap_or(0.0));
        Self {
            form,
            weights: laid_out,
            bias: bias.collect(),
            relu: false,
        }
    }

    /// What it is.
    pub fn form(&self) -> Form {
        self.form
    }

    /// Whether something can be added to it where it stands.
    pub fn adds_in_place(&self) -> bool {
        self.form.minimal()
    }

    /// Runs it.
    pub fn run(
        &self,
        arch: Arch,
        (from, add): (&Grid, Add<'_>),
        into: &mut Grid,
        memory: &mut Memory,
    ) {
        if self.form.minimal() {
            return winograd::run(arch, self, (from, add), into, memory);
        }
        let add = add.grid();
        for row in 0..into.size.rows {
            if self.form.depthwise {
                arch.dispatch(DepthRow(self, from, add, into, row));
                continue;
            }
            let form = self.form;
            let read = from.size.start(form.pad) + row * form.stride * from.size.pitch();
            let place = |size: Size| size.start(0) + row * size.pitch();
            let add = add.map(|add| (add, place(add.size)));
            let made = (place(into.size), into.size.cols);
            self.run_row(arch, (from, read), add, (into, made.0, made.1));
        }
    }

    /// Whether [`Layer::run_row`] can make its rows.
    pub fn runs_by_rows(&self) -> bool {
        !self.form.depthwise && !self.form.minimal()
    }

    /// Makes one row: all grids with the place of the first cell, that of `from` up and left by the layer's `pad`; the last
    /// with the number of cells.
    pub fn run_row(
        &self,
        arch: Arch,
        (from, from_at): (&Grid, usize),
        add: Option<(&Grid, usize)>,
        (into, into_at, cells): (&mut Grid, usize, usize),
    ) {
        let (pitch, channels) = (from.size.pitch(), from.size.channels);
        // Cells beside each other are read in one piece.
        let pieces: Vec<usize> = (0..self.form.kernel).map(|row| row * pitch).collect();
        let sums = Row {
            from: &from.data,
            from_at: (from_at, self.form.stride * channels),
            pieces: &pieces,
            len: self.form.kernel * channels,
            weights: &self.weights,
            bias: Some(&self.bias),
            into_at: (into_at, into.size.channels),
            cells,
            add: add.map(|(add, at)| (add.data.as_slice(), (at, add.size.channels))),
            relu: self.relu,
        };
        arch.dispatch(SumRow(sums, &mut into.data));
    }
}

/// One row of a convolution in which every channel is made from its like.
struct DepthRow<'a>(&'a Layer, &'a Grid, Option<&'a Grid>, &'a mut Grid, usize);

impl WithSimd for DepthRow<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Self(layer, from, add, into, row) = self;
        let form = layer.form;
        let vectors = from.size.channels / S::F32_LANES;
        let pitch = from.size.pitch() / S::F32_LANES;
        let at = (from.size.start(form.pad)) / S::F32_LANES + row * form.stride * pitch;
        let (cells, _) = S::as_simd_f32s(&from.data);
        let (weights, _) = S::as_simd_f32s(&layer.weights);
        let (bias, _) = S::as_simd_f32s(&layer.bias);
        let least = simd.splat_f32s(if layer.relu { 0.0 } else { f32::NEG_INFINITY });
        let add = add.map(|add| S::as_simd_f32s(add.row(row)).0);
        let (into, _) = S::as_mut_simd_f32s(into.row_mut(row));
        for (col, into) in into.chunks_exact_mut(vectors).enumerate() {
            for (vector, into) in into.iter_mut().enumerate() {
                let mut sum = bias[vector];
                for (i, weights) in weights.chunks_exact(vectors * form.kernel).enumerate() {
                    let row = &cells[at + i * pitch + col * form.stride * vectors..];
                    for j in 0..form.kernel {
                        let k = j * vectors + vector;
                        sum = simd.mul_add_e_f32s(row[k], weights[k], sum);
                    }
                }
                if let Some(add) = add {
                    sum = simd.add_f32s(sum, add[col * vectors + vector]);
                }
                *into = simd.max_f32s(sum, least);
            }
        }
    }
}

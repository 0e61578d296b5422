//! The steps of a network, in order, and running them.

use pulp::{Arch, Simd, WithSimd};

use super::{
    conv::Layer,
    grid::{Grid, Memory, Size},
};

/// One step; values are numbered.
#[derive(Debug)]
pub(super) enum Step {
    /// A convolution, with a value added to it.
    Conv {
        layer: Box<Layer>,
        from: usize,
        add: Option<usize>,
        into: usize,
    },
    /// A sum of values.
    Mix {
        from: Vec<Part>,
        relu: bool,
        into: usize,
    },
}

/// A value in a sum, times a number, each of its cells taken twice in a row and column where it is `doubled`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Part {
    pub value: usize,
    pub times: f32,
    pub doubled: bool,
}

impl Step {
    /// Values read.
    pub fn reads(&self) -> Vec<usize> {
        match self {
            Self::Conv { from, add, .. } => std::iter::once(*from).chain(*add).collect(),
            Self::Mix { from, .. } => from.iter().map(|part| part.value).collect(),
        }
    }

    /// The value made.
    pub fn makes(&self) -> usize {
        let (Self::Conv { into, .. } | Self::Mix { into, .. }) = self;
        *into
    }

    pub fn set_made(&mut self, value: usize) {
        let (Self::Conv { into, .. } | Self::Mix { into, .. }) = self;
        *into = value;
    }
}

/// Values that do not fit each other: a step's number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "step {step} of the network does not fit what it is given; take a file made by the recipe in models/"
)]
pub struct Misfit {
    /// Which step.
    pub step: usize,
}

/// A network ready to run.
#[derive(Debug)]
pub(super) struct Plan {
    pub arch: Arch,
    pub steps: Vec<Step>,
    /// Number of values; the first is what is looked at.
    pub values: usize,
    pub answer: usize,
    /// Channels of the answer; it may store more.
    pub channels: usize,
    /// Cells of zeros that each value's readers need around it.
    pub borders: Vec<usize>,
}

/// Most floats in one value: far beyond any plot's part, so that no damaged file asks for more memory than there is.
const MOST_FLOATS: usize = 1 << 26;

impl Plan {
    /// Works out what each value needs from those that read it.
    pub fn new(steps: Vec<Step>, values: usize, (answer, channels): (usize, usize)) -> Self {
        let mut borders = vec![0; values];
        for step in &steps {
            if let Step::Conv { layer, from, .. } = step {
                borders[*from] = borders[*from].max(layer.form().pad);
            }
        }
        Self {
            arch: Arch::new(),
            steps,
            values,
            answer,
            channels,
            borders,
        }
    }

    /// Size of what is looked at, for so many rows and columns of 3 channels.
    pub fn looked_at(&self, rows: usize, cols: usize) -> Size {
        Size {
            rows,
            cols,
            channels: 3,
            border: self.borders[0],
        }
    }

    /// Runs the network.
    ///
    /// # Errors
    /// [`Misfit`] where sizes do not fit.
    pub fn run(&self, looked_at: Grid, memory: &mut Memory) -> Result<Grid, Misfit> {
        let mut values: Vec<Option<Grid>> = (0..self.values).map(|_| None).collect();
        values[0] = Some(looked_at);
        let last_read = self.last_reads();
        for (i, step) in self.steps.iter().enumerate() {
            let misfit = Misfit { step: i };
            let size = self.made(step, &values).ok_or(misfit)?;
            let mut into = memory.grid(size);
            let grid = |value: usize| values[value].as_ref().ok_or(misfit);
            match step {
                Step::Conv {
                    layer, from, add, ..
                } => {
                    let add = add.map(grid).transpose()?;
                    layer.run(self.arch, (grid(*from)?, add), &mut into, memory);
                }
                Step::Mix { from, relu, .. } => {
                    let parts = from.iter().map(|part| Ok((grid(part.value)?, *part)));
                    mix(
                        self.arch,
                        &parts.collect::<Result<Vec<_>, _>>()?,
                        *relu,
                        &mut into,
                    );
                }
            }
            for value in step.reads() {
                if last_read[value] == i
                    && value != self.answer
                    && let Some(grid) = values[value].take()
                {
                    memory.give_back(grid);
                }
            }
            values[step.makes()] = Some(into);
        }
        values[self.answer].take().ok_or(Misfit {
            step: self.steps.len(),
        })
    }

    fn last_reads(&self) -> Vec<usize> {
        let mut last = vec![usize::MAX; self.values];
        for (i, step) in self.steps.iter().enumerate() {
            for value in step.reads() {
                last[value] = i;
            }
        }
        last
    }

    /// Size of what a step makes; `None` where sizes do not fit.
    fn made(&self, step: &Step, values: &[Option<Grid>]) -> Option<Size> {
        let border = self.borders[step.makes()];
        let size = |value: usize| Some(values[value].as_ref()?.size);
        let alike = |a: Size, b: Size| (a.rows, a.cols, a.channels) == (b.rows, b.cols, b.channels);
        let made = match step {
            Step::Conv {
                layer, from, add, ..
            } => {
                let read = size(*from)?;
                let made = layer.form().made(read, border)?;
                let fits = add.map_or(Some(true), |add| Some(alike(size(add)?, made)))?;
                (fits && read.channels == layer.form().from).then_some(made)?
            }
            Step::Mix { from, .. } => {
                let mut sizes = from.iter().map(|part| {
                    let Size {
                        rows,
                        cols,
                        channels,
                        ..
                    } = size(part.value)?;
                    let by = 1 + usize::from(part.doubled);
                    Some(Size {
                        rows: rows * by,
                        cols: cols * by,
                        channels,
                        border,
                    })
                });
                let first = sizes.next()??;
                sizes.all(|size| size == Some(first)).then_some(first)?
            }
        };
        (made.rows > 0 && made.cols > 0 && made.floats() <= MOST_FLOATS).then_some(made)
    }
}

fn mix(arch: Arch, parts: &[(&Grid, Part)], relu: bool, into: &mut Grid) {
    for row in 0..into.size.rows {
        for (i, (grid, part)) in parts.iter().enumerate() {
            arch.dispatch(MixRow {
                from: grid.row(row >> u32::from(part.doubled)),
                part: *part,
                channels: grid.size.channels,
                first: i == 0,
                relu: relu && i + 1 == parts.len(),
                into: into.row_mut(row),
            });
        }
    }
}

/// Adds one part's row.
struct MixRow<'a> {
    from: &'a [f32],
    part: Part,
    channels: usize,
    first: bool,
    relu: bool,
    into: &'a mut [f32],
}

impl WithSimd for MixRow<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let times = simd.splat_f32s(self.part.times);
        let least = simd.splat_f32s(if self.relu { 0.0 } else { f32::NEG_INFINITY });
        let cells = self.into.chunks_exact_mut(self.channels).enumerate();
        for (col, into) in cells {
            let col = col >> u32::from(self.part.doubled);
            let from = &self.from[col * self.channels..][..self.channels];
            let (from, into) = (S::as_simd_f32s(from).0, S::as_mut_simd_f32s(into).0);
            for (&from, into) in from.iter().zip(into) {
                let sum = if self.first {
                    simd.mul_f32s(from, times)
                } else {
                    simd.mul_add_e_f32s(from, times, *into)
                };
                *into = simd.max_f32s(sum, least);
            }
        }
    }
}

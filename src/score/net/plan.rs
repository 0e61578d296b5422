//! The steps of a network, in order, and running them.

use pulp::{Arch, Simd, WithSimd};

use super::{
    bands::{self, Looked},
    conv::{Add, Layer},
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

    /// A value to which it adds all else that it reads.
    fn base(&self) -> Option<usize> {
        match self {
            Self::Conv {
                layer, from, add, ..
            } => add.filter(|add| layer.adds_in_place() && add != from),
            Self::Mix { from, .. } => {
                let [one, other] = from.as_slice() else {
                    return None;
                };
                let as_it_is = |part: &&Part| part.times == 1.0 && !part.doubled;
                let base = [one, other].into_iter().find(as_it_is)?;
                (one.value != other.value).then_some(base.value)
            }
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

    /// Runs the network.
    ///
    /// # Errors
    /// [`Misfit`] where sizes do not fit.
    pub fn run(&self, looked: &Looked<'_>, memory: &mut Memory) -> Result<Grid, Misfit> {
        let mut values: Vec<Option<Grid>> = (0..self.values).map(|_| None).collect();
        let last_read = self.last_reads();
        let mut done = 0;
        if let Some((first, second, value)) = self.first_two() {
            let border = self.borders[value];
            let made = bands::run(self.arch, looked, (first, second), border, memory);
            values[value] = Some(made.ok_or(Misfit { step: 0 })?);
            done = 2;
        } else {
            values[0] = Some(looked.whole(self.borders[0], memory));
        }
        for (i, step) in self.steps.iter().enumerate().skip(done) {
            let misfit = Misfit { step: i };
            let size = self.made(step, &values).ok_or(misfit)?;
            // The last reader of a value to which it only adds makes its own in the same place.
            let free = |&value: &usize| {
                let grid = values[value].as_ref();
                last_read[value] == i
                    && value != self.answer
                    && grid.is_some_and(|g| g.size == size)
            };
            let base = step.base().filter(free);
            let taken = base.and_then(|value| values[value].take());
            let mut into = taken.unwrap_or_else(|| memory.grid(size));
            let grid = |value: usize| values[value].as_ref().ok_or(misfit);
            match step {
                Step::Conv {
                    layer, from, add, ..
                } => {
                    let add = match add {
                        None => Add::Nothing,
                        Some(_) if base.is_some() => Add::InPlace,
                        Some(value) => Add::Grid(grid(*value)?),
                    };
                    layer.run(self.arch, (grid(*from)?, add), &mut into, memory);
                }
                Step::Mix { from, relu, .. } => {
                    let others = from.iter().filter(|part| Some(part.value) != base);
                    let parts = others.map(|part| Ok((grid(part.value)?, *part)));
                    let parts = parts.collect::<Result<Vec<_>, _>>()?;
                    mix(self.arch, &parts, (base.is_some(), *relu), &mut into);
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

    /// The first two steps and the value that they make, where nothing else reads what they read.
    fn first_two(&self) -> Option<(&Layer, &Layer, usize)> {
        let conv = |step: usize| match self.steps.get(step)? {
            Step::Conv {
                layer,
                from,
                add: None,
                into,
            } if layer.runs_by_rows() => Some((layer, *from, *into)),
            _ => None,
        };
        let ((first, looked, between), (second, from, made)) = (conv(0)?, conv(1)?);
        let reads = |value: usize| {
            let all = self.steps.iter().flat_map(Step::reads);
            all.filter(|&read| read == value).count()
        };
        let alone = reads(looked) == 1 && reads(between) == 1;
        (looked == 0 && between == from && alone && between != self.answer)
            .then_some((first, second, made))
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
        (made.rows > 0 && made.cols > 0 && made.is_sound()).then_some(made)
    }
}

/// Sums parts; `onto`: what stands there already is one more of them.
fn mix(arch: Arch, parts: &[(&Grid, Part)], (onto, relu): (bool, bool), into: &mut Grid) {
    for row in 0..into.size.rows {
        for (i, (grid, part)) in parts.iter().enumerate() {
            arch.dispatch(MixRow {
                from: grid.row(row >> u32::from(part.doubled)),
                part: *part,
                channels: grid.size.channels,
                first: i == 0 && !onto,
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

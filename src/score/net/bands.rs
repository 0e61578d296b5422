//! The first two convolutions, some rows at a time: what lies between them is larger than any other value, and only a few rows of
//! it are needed at once.

use std::ops::Range;

use pulp::Arch;

use super::{
    conv::{Form, Layer},
    grid::{Grid, Memory, Size},
};

/// Rows of the second's that are made together. More: more memory; fewer: more rows of the first's are made twice.
const ROWS: usize = 8;

/// What is looked at: a picture of three channels.
pub(super) struct Looked<'a> {
    pub rows: usize,
    pub cols: usize,
    /// Writes a row's cells.
    pub row: &'a dyn Fn(usize, &mut [f32]),
}

impl Looked<'_> {
    /// Its size with a border.
    pub fn size(&self, border: usize) -> Size {
        Size {
            rows: self.rows,
            cols: self.cols,
            channels: 3,
            border,
        }
    }

    /// All of it at once.
    pub fn whole(&self, border: usize, memory: &mut Memory) -> Grid {
        let mut grid = memory.grid(self.size(border));
        for row in 0..self.rows {
            (self.row)(row, grid.row_mut(row));
        }
        grid
    }
}

/// Some rows of a value, those beyond its first and last being zeros.
struct Band {
    grid: Grid,
    first: isize,
}

impl Band {
    /// Room for what a layer needs of a value, `size`, to make so many rows.
    fn new(size: Size, (form, rows): (Form, usize), memory: Vec<f32>) -> Self {
        let needed = needed(form, 0..rows);
        let rows = (needed.end - needed.start).unsigned_abs();
        let size = Size {
            rows,
            border: form.pad,
            ..size
        };
        let grid = Grid::new(size, memory);
        Self { grid, first: 0 }
    }

    /// Where a row's first cell stands, without the border on its left.
    fn place(&self, row: isize) -> usize {
        (row - self.first).unsigned_abs() * self.grid.size.pitch()
    }

    /// Goes on to what a layer needs to make `rows`; `make` writes a row's cells, at their place, of `all` that there are.
    fn go_to(
        &mut self,
        (form, rows): (Form, Range<usize>),
        all: usize,
        mut make: impl FnMut(usize, &mut Grid, usize),
    ) {
        let needed = needed(form, rows);
        self.first = needed.start;
        let (pitch, left) = (self.grid.size.pitch(), form.pad * self.grid.size.channels);
        for row in needed {
            let at = self.place(row);
            match usize::try_from(row).ok().filter(|&row| row < all) {
                Some(row) => make(row, &mut self.grid, at + left),
                None => self.grid.data[at..][..pitch].fill(0.0),
            }
        }
    }
}

/// Rows that a layer reads to make some.
fn needed(form: Form, rows: Range<usize>) -> Range<isize> {
    let from = |row: usize| (row * form.stride).cast_signed() - form.pad.cast_signed();
    from(rows.start)..from(rows.end - 1) + form.kernel.cast_signed()
}

/// Runs two layers that [`Layer::runs_by_rows`], one after the other; `None` where sizes do not fit. `border`: of what is made.
pub(super) fn run(
    arch: Arch,
    looked: &Looked<'_>,
    (one, two): (&Layer, &Layer),
    border: usize,
    memory: &mut Memory,
) -> Option<Grid> {
    let (first, second) = (one.form(), two.form());
    let between = first.made(looked.size(first.pad), second.pad)?;
    let made = second.made(between, border)?;
    let fit = |size: Size| size.rows > 0 && size.cols > 0 && size.is_sound();
    (fit(between) && fit(made) && first.from == 3 && second.from == between.channels)
        .then_some(())?;
    let mut into = memory.grid(made);
    let [band, pixels] = std::mem::take(&mut memory.tiles);
    let mut band = Band::new(between, (second, ROWS), band);
    let rows = band.grid.size.rows;
    let mut pixels = Band::new(looked.size(first.pad), (first, rows), pixels);
    let cells = looked.cols * 3;
    for begin in (0..made.rows).step_by(ROWS) {
        let rows = begin..(begin + ROWS).min(made.rows);
        let read = needed(second, rows.clone());
        let last = read.end.unsigned_abs().min(between.rows);
        let some = usize::try_from(read.start).unwrap_or(0)..last;
        pixels.go_to((first, some), looked.rows, |row, grid, at| {
            (looked.row)(row, &mut grid.data[at..][..cells]);
        });
        band.go_to((second, rows.clone()), between.rows, |row, grid, at| {
            let from = pixels.place(needed(first, row..row + 1).start);
            one.run_row(arch, (&pixels.grid, from), None, (grid, at, between.cols));
        });
        for row in rows {
            let from = band.place(needed(second, row..row + 1).start);
            let at = made.start(0) + row * made.pitch();
            two.run_row(arch, (&band.grid, from), None, (&mut into, at, made.cols));
        }
    }
    memory.tiles = [band.grid.data, pixels.grid.data];
    Some(into)
}

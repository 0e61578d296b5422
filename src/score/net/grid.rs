//! The values of one layer, and the memory that they live in.

/// Channels are stored in multiples of this many, so that every cell begins a whole vector; those added are zero.
pub(super) const WIDE: usize = 8;
/// Rows and columns are stored in multiples of this many: the side of a tile of [`super::winograd`].
pub(super) const TILE: usize = 4;

/// Most floats in one value: far beyond any plot's part.
const MOST_FLOATS: usize = 1 << 26;

/// Size of a grid: rows × columns of channels, and how many cells of zeros stand around it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Size {
    pub rows: usize,
    pub cols: usize,
    pub channels: usize,
    pub border: usize,
}

impl Size {
    /// Floats from a row to the next.
    pub fn pitch(self) -> usize {
        (self.cols.next_multiple_of(TILE) + 2 * self.border) * self.channels
    }

    /// Floats in all.
    pub fn floats(self) -> usize {
        (self.rows.next_multiple_of(TILE) + 2 * self.border) * self.pitch()
    }

    /// Whether that is no more than any plot's part can ask for: no damaged file asks for more memory than there is.
    pub fn is_sound(self) -> bool {
        self.floats() <= MOST_FLOATS
    }

    /// Where the cell stands that lies `pad` cells above and to the left of the first; `pad` ≤ border.
    pub fn start(self, pad: usize) -> usize {
        (self.border - pad) * (self.pitch() + self.channels)
    }
}

/// Values `[row, column, channel]` with a border of zeros; what lies beyond the last row and column is zero too.
#[derive(Debug)]
pub(super) struct Grid {
    pub size: Size,
    /// At least as long as `size` says.
    pub data: Vec<f32>,
}

impl Grid {
    /// The part of a row that holds its cells.
    pub fn row(&self, row: usize) -> &[f32] {
        let at = self.size.start(0) + row * self.size.pitch();
        &self.data[at..][..self.size.cols * self.size.channels]
    }

    /// Likewise, to write.
    pub fn row_mut(&mut self, row: usize) -> &mut [f32] {
        let at = self.size.start(0) + row * self.size.pitch();
        &mut self.data[at..][..self.size.cols * self.size.channels]
    }
}

/// Memory that one look leaves behind for the next: fresh memory costs more than the sums done in it. What was in it before is
/// never seen again.
#[derive(Debug, Default)]
pub struct Memory {
    free: Vec<Vec<f32>>,
    /// For [`super::winograd`]: transformed tiles and their products; before it for [`super::bands`].
    pub(super) tiles: [Vec<f32>; 2],
}

impl Memory {
    /// How much it is.
    pub fn bytes(&self) -> usize {
        let all = self.free.iter().chain(&self.tiles);
        all.map(|floats| size_of::<f32>() * floats.capacity()).sum()
    }

    /// A grid with zeros all around; its cells hold whatever was there.
    pub(super) fn grid(&mut self, size: Size) -> Grid {
        let floats = size.floats();
        let fits = |v: &Vec<f32>| (v.len() < floats, v.len().abs_diff(floats));
        let best = (0..self.free.len()).min_by_key(|&i| fits(&self.free[i]));
        let best = best.map(|i| self.free.swap_remove(i));
        Grid::new(size, best.unwrap_or_default())
    }

    /// Takes a grid's memory back.
    pub(super) fn give_back(&mut self, grid: Grid) {
        self.free.push(grid.data);
    }
}

impl Grid {
    /// In this memory, with zeros all around; memory that is too short goes, for nothing of it would be kept.
    pub fn new(size: Size, memory: Vec<f32>) -> Self {
        let floats = size.floats();
        let data = match memory.len() < floats {
            true => vec![0.0; floats],
            false => memory,
        };
        let mut grid = Self { size, data };
        grid.clear_around();
        grid
    }

    fn clear_around(&mut self) {
        let (rows, floats) = (self.size.rows, self.size.floats());
        let (pitch, first) = (self.size.pitch(), self.size.start(0));
        let used = self.size.cols * self.size.channels;
        self.data[..first].fill(0.0);
        for row in 0..rows {
            let end = first + row * pitch + used;
            let next = (end + pitch - used).min(floats);
            self.data[end..next].fill(0.0);
        }
        self.data[(first + rows * pitch).min(floats)..floats].fill(0.0);
    }
}

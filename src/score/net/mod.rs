//! The network that looks at the whole plot at once: pixels in, maps of heat out.

mod bands;
mod conv;
mod grid;
mod join;
mod lanes;
mod onnx;
mod plan;
mod read;
#[cfg(test)]
mod tests;
mod winograd;

use image::RgbImage;
use ndarray::{Array2, Array3};

use bands::Looked;
use grid::Grid;
pub use grid::Memory;
pub use plan::Misfit;
use plan::Plan;

/// Channels of the network's output; the order stands in `models/recipe/net.py`.
const CHANNELS: usize = 15;
/// Plot pixels to one cell of the output.
const CELL_PX: usize = 4;
/// Plot pixels by which the network's inner layers need the sides divided.
pub(super) const STEP_PX: usize = 16;
/// Longest side looked at in one go, plot pixels. Raised: more memory; lowered: more overlap to compute twice.
const TILE_PX: usize = 1280;
/// What a tile sees beyond its own part, plot pixels: of the reach of its layers (130 px) all that was seen to matter.
const HALO_PX: usize = 96;

/// Channels of what is said of a spot from near.
const NEAR_CHANNELS: usize = 2;

/// A network ready to look.
pub struct Net {
    plan: Plan,
    /// Those that look at a spot from near.
    near: Vec<Plan>,
}

impl std::fmt::Debug for Net {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Net").finish_non_exhaustive()
    }
}

/// Why a network could not be read or run.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum NetError {
    /// Not an ONNX file that can be used here.
    #[error("the model file cannot be read as ONNX; give a file made by the recipe in models/")]
    Unreadable(#[source] prost::DecodeError),
    /// A layer that is not known here, or that cannot be.
    #[error(
        "layer {layer:?} of the model file cannot be used: {why}; give a file made by the recipe in models/"
    )]
    Layer {
        /// Its name.
        layer: String,
        /// What is wrong.
        why: &'static str,
    },
    /// Not of the form that is needed.
    #[error(
        "the model has {inputs} inputs and {outputs} outputs, needs one of each, and one to four more of each for looks from near"
    )]
    Form {
        /// Inputs found.
        inputs: usize,
        /// Outputs found.
        outputs: usize,
    },
    /// It did not run.
    #[error("the model did not run on a plot of {width_px} × {height_px} px")]
    Run {
        /// Width of the part looked at.
        width_px: usize,
        /// Height of the part looked at.
        height_px: usize,
        /// What did not fit.
        #[source]
        source: Misfit,
    },
    /// Its answer has another shape.
    #[error("the model answered with {got:?}, needs {needed:?}")]
    Answer {
        /// Shape got: rows, columns, channels.
        got: [usize; 3],
        /// Shape needed.
        needed: [usize; 3],
    },
}

/// What the network says of every spot of a plot.
#[derive(Debug, Clone, PartialEq)]
pub struct Maps {
    /// Beans, whole or split: 0..1 in cells of [`Maps::HEAT_PX`] plot pixels.
    pub bean_heat: Array2<f32>,
    /// Closed pods, likewise.
    pub pod_heat: Array2<f32>,
    /// Measures `[measure, row, column]` in cells of 4 plot pixels; see [`Measure`].
    pub measures: Array3<f32>,
}

/// What stands in [`Maps::measures`], by index.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(usize)]
pub enum Measure {
    /// Logit that a bean here is split.
    SplitLogit = 0,
    /// Natural logarithm of a bean's radius in mm.
    LogRadiusMm = 1,
    /// Logit of the share of a bean that can be seen.
    VisibleLogit = 2,
    /// Beans in a pod here.
    BeansInPod = 3,
    /// Natural logarithm of a pod's length in mm.
    LogLengthMm = 4,
    /// Cosine of twice the angle of a pod's axis.
    Cos2 = 5,
    /// Sine of twice that angle.
    Sin2 = 6,
}

/// What the network says of the middle of a spot seen from near.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NearLook {
    /// Logit that a bean, whole or split, lies there.
    pub bean_logit: f64,
    /// Logit that the bean is split.
    pub split_logit: f64,
}

impl Maps {
    /// Plot pixels to one cell of heat.
    pub const HEAT_PX: usize = CELL_PX / 2;

    /// A measure at a place in plot pixels.
    pub fn measure(&self, what: Measure, x_plot_px: f64, y_plot_px: f64) -> f64 {
        let (_, rows, cols) = self.measures.dim();
        let cell = |v: f64, n: usize| ((v / CELL_PX as f64).max(0.0) as usize).min(n - 1);
        f64::from(self.measures[[what as usize, cell(y_plot_px, rows), cell(x_plot_px, cols)]])
    }
}

impl Net {
    /// Reads a network from the bytes of its ONNX file.
    ///
    /// # Errors
    /// [`NetError`] when the file is no such network.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, NetError> {
        let (plan, near) = read::plans(bytes)?;
        Ok(Self { plan, near })
    }

    /// How many of its networks look at a spot from near.
    pub fn near_looks(&self) -> usize {
        self.near.len()
    }

    /// Looks at one spot from near, as photographed, with each of the networks that do, and gives the mean of what they say; `None`
    /// where there are none.
    ///
    /// - `sides_px`: the side of the square about the spot's middle that each network looks at: a multiple of 32 px, at most the spot's.
    ///
    /// # Errors
    /// [`NetError::Run`] or [`NetError::Answer`] when the network is not of the form that `models/recipe/net.py` makes.
    pub fn look_near(
        &self,
        spot: &RgbImage,
        sides_px: &[usize],
        memory: &mut Memory,
    ) -> Result<Option<NearLook>, NetError> {
        let seen = (self.near.iter().zip(sides_px))
            .map(|(plan, &side)| middle_of(plan, (spot, side), memory))
            .collect::<Result<Vec<_>, _>>()?;
        let mean =
            |which: usize| seen.iter().map(|said| said[which]).sum::<f64>() / seen.len() as f64;
        Ok((!seen.is_empty()).then(|| NearLook {
            bean_logit: mean(0),
            split_logit: mean(1),
        }))
    }

    /// Looks at a plot as photographed (sRGB, at the network's scale), with memory of looks before.
    ///
    /// # Errors
    /// [`NetError::Run`] or [`NetError::Answer`] when the network is not of the form that `models/recipe/net.py` makes.
    pub fn look(&self, raw: &RgbImage, memory: &mut Memory) -> Result<Maps, NetError> {
        let (w, h) = (raw.width() as usize, raw.height() as usize);
        let across = |px: usize| px.next_multiple_of(STEP_PX) / CELL_PX;
        let (cols, rows) = (across(w), across(h));
        let mut maps = Maps {
            bean_heat: Array2::zeros((rows * 2, cols * 2)),
            pod_heat: Array2::zeros((rows * 2, cols * 2)),
            measures: Array3::zeros((CHANNELS - 8, rows, cols)),
        };
        for down in parts(rows * CELL_PX) {
            for across in parts(cols * CELL_PX) {
                let answer = self.look_at_part(raw, (&across, &down), memory)?;
                maps.fill(&answer, &across, &down);
                memory.give_back(answer);
            }
        }
        Ok(maps)
    }

    /// Runs the network on one part with its halo; gives at least [`CHANNELS`] channels a cell.
    fn look_at_part(
        &self,
        raw: &RgbImage,
        (across, down): (&Part, &Part),
        memory: &mut Memory,
    ) -> Result<Grid, NetError> {
        let (w, h) = (across.seen.len(), down.seen.len());
        let looked = Looked {
            rows: h,
            cols: w,
            row: &|row, cells| put_pixels(raw, across, down.seen.start + row, cells),
        };
        answer_of(&self.plan, &looked, CELL_PX, CHANNELS, memory)
    }
}

/// What a network says of the middle of a spot, of which it looks at a square of this side.
fn middle_of(
    plan: &Plan,
    (spot, side): (&RgbImage, usize),
    memory: &mut Memory,
) -> Result<[f64; NEAR_CHANNELS], NetError> {
    let from = |n: u32| (n as usize).saturating_sub(side) / 2;
    let (left, top) = (from(spot.width()), from(spot.height()));
    let across = Part {
        own: 0..side,
        seen: left..left + side,
    };
    let looked = Looked {
        rows: side,
        cols: side,
        row: &|row, cells| put_pixels(spot, &across, top + row, cells),
    };
    let answer = answer_of(plan, &looked, STEP_PX, NEAR_CHANNELS, memory)?;
    let (row, col) = (answer.size.rows / 2, answer.size.cols / 2);
    let stored = answer.size.channels;
    let middle = |channel: usize| {
        let cell = |row: usize, col: usize| f64::from(answer.row(row)[col * stored + channel]);
        (cell(row - 1, col - 1) + cell(row - 1, col) + cell(row, col - 1) + cell(row, col)) / 4.0
    };
    let said = [middle(0), middle(1)];
    memory.give_back(answer);
    Ok(said)
}

/// Runs a network, and sees to it that its answer has the shape that is needed.
fn answer_of(
    plan: &Plan,
    looked: &Looked<'_>,
    cell_px: usize,
    channels: usize,
    memory: &mut Memory,
) -> Result<Grid, NetError> {
    let run = plan.run(looked, memory);
    let answer = run.map_err(|source| NetError::Run {
        width_px: looked.cols,
        height_px: looked.rows,
        source,
    })?;
    let needed = [looked.rows / cell_px, looked.cols / cell_px, channels];
    let got = [answer.size.rows, answer.size.cols, plan.channels];
    match got == needed {
        true => Ok(answer),
        false => Err(NetError::Answer { got, needed }),
    }
}

/// One part of an axis: what it answers for and what it sees, plot pixels.
struct Part {
    own: std::ops::Range<usize>,
    seen: std::ops::Range<usize>,
}

/// Divides an axis of `n` plot pixels (a multiple of [`STEP_PX`]) into parts.
fn parts(n: usize) -> Vec<Part> {
    let count = n.div_ceil(TILE_PX);
    let size = n.div_ceil(count).next_multiple_of(STEP_PX);
    (0..count)
        .map(|i| (i * size).min(n)..((i + 1) * size).min(n))
        .filter(|own| !own.is_empty())
        .map(|own| Part {
            seen: own.start.saturating_sub(HALO_PX)..(own.end + HALO_PX).min(n),
            own,
        })
        .collect()
}

/// One row of a part's pixels: blue, green, red, −0.5..0.5; beyond the picture its edge goes on.
fn put_pixels(raw: &RgbImage, across: &Part, y: usize, cells: &mut [f32]) {
    let last_y = raw.height() as usize - 1;
    let stride = raw.width() as usize * 3;
    let row = &raw.as_raw()[y.min(last_y) * stride..][..stride];
    let (pixels, _) = row[across.seen.start * 3..].as_chunks::<3>();
    let cells = cells.as_chunks_mut::<3>().0;
    for (cell, pixel) in cells.iter_mut().zip(pixels) {
        *cell = from_pixel(*pixel);
    }
    let edge = from_pixel(pixels[pixels.len() - 1]);
    let beyond = pixels.len().min(cells.len());
    cells[beyond..].fill(edge);
}

fn from_pixel([r, g, b]: [u8; 3]) -> [f32; 3] {
    [b, g, r].map(|v| f32::from(v) / 255.0 - 0.5)
}

impl Maps {
    /// Copies a part's own cells from its answer.
    fn fill(&mut self, answer: &Grid, across: &Part, down: &Part) {
        let cells = |own: &std::ops::Range<usize>| own.start / CELL_PX..own.end / CELL_PX;
        let (cols, rows) = (cells(&across.own), cells(&down.own));
        let (x0, y0) = (across.seen.start / CELL_PX, down.seen.start / CELL_PX);
        for row in rows {
            let answers = answer.row(row - y0).chunks_exact(answer.size.channels);
            for (col, answer) in cols.clone().zip(answers.skip(cols.start - x0)) {
                for sub in 0..4 {
                    let at = [row * 2 + sub / 2, col * 2 + sub % 2];
                    self.bean_heat[at] = sigmoid(answer[sub]);
                    self.pod_heat[at] = sigmoid(answer[4 + sub]);
                }
                for measure in 0..CHANNELS - 8 {
                    self.measures[[measure, row, col]] = answer[8 + measure];
                }
            }
        }
    }
}

/// The logistic function.
fn sigmoid(logit: f32) -> f32 {
    1.0 / (1.0 + (-logit).exp())
}

//! A network's ONNX file, read into steps.
//!
//! Known are the layers that `models/recipe/net.py` writes: convolutions (also of one channel each), sums, products with
//! a number, doubling by nearest neighbour, and nothing below zero; weights in 32 or 16 bits, or in 8 with a scale a
//! channel.

use std::collections::{HashMap, HashSet};

use prost::Message;
use pulp::Arch;

use super::{
    NetError,
    conv::{Form, Layer},
    grid::WIDE,
    join::joined,
    onnx::{FLOAT, FLOAT16, Graph, INT8, Model, Node, Tensor},
    plan::{Part, Plan, Step},
};

/// Largest side of a square of weights, cells.
const MOST_KERNEL: usize = 15;
/// Most channels of a value.
const MOST_CHANNELS: usize = 2048;
/// Most weights in all, as laid out to run.
const MOST_WEIGHTS: usize = 1 << 26;
/// Most networks that look from near.
const MOST_NEAR: usize = 4;
/// Most layers.
const MOST_NODES: usize = 4096;

/// Numbers that stand in the file.
struct Constant {
    dims: Vec<usize>,
    data: Vec<f32>,
}

/// A value's number, and its channels: those that are, and those that are stored.
#[derive(Clone, Copy)]
struct Value {
    number: usize,
    channels: usize,
    stored: usize,
}

/// Where numbers are taken from when a layer asks for them. Nothing is kept: all of them as floats would be more memory than
/// the photo.
#[derive(Clone, Copy)]
enum Numbers<'a> {
    Kept(&'a Tensor),
    /// Made of others by a node.
    Made(&'a Node),
}

/// What is known by name, while the file is read.
struct Reader<'a> {
    numbers: HashMap<&'a str, Numbers<'a>>,
    values: HashMap<String, Value>,
    steps: Vec<Step>,
    /// Weights laid out so far.
    weights: usize,
    arch: Arch,
}

/// Reads a file: the network that looks at a plot, and those that look at a spot from near, which come after it.
pub(super) fn plans(bytes: &[u8]) -> Result<(Plan, Vec<Plan>), NetError> {
    let model = Model::decode(bytes).map_err(NetError::Unreadable)?;
    let graph = model.graph.unwrap_or_default();
    let kept = |name: &str| graph.initializer.iter().any(|t| t.name == name);
    let inputs = graph.input.iter().map(|input| input.name.as_str());
    let inputs: Vec<&str> = inputs.filter(|&name| !kept(name)).collect();
    let outputs: Vec<&str> = graph.output.iter().map(|o| o.name.as_str()).collect();
    if graph.node.len() > MOST_NODES {
        return Err(refuse("", "there are too many layers"));
    }
    if let (&[input], &[output]) = (inputs.as_slice(), outputs.as_slice()) {
        return Ok((plan(&graph, &graph.node, (input, output))?, Vec::new()));
    }
    if inputs.len() != outputs.len() || !(2..=1 + MOST_NEAR).contains(&inputs.len()) {
        return Err(NetError::Form {
            inputs: inputs.len(),
            outputs: outputs.len(),
        });
    }
    let mut plans = (inputs.into_iter().zip(outputs))
        .map(|(input, output)| plan(&graph, nodes_for(&graph, output), (input, output)));
    let far = plans.next().expect("there are two or more")?;
    Ok((far, plans.collect::<Result<_, _>>()?))
}

/// The nodes of which one value is made, in their order.
fn nodes_for<'a>(graph: &'a Graph, output: &'a str) -> Vec<&'a Node> {
    let mut needed = HashSet::from([output]);
    let mut nodes = Vec::new();
    // A node stands after those that it reads.
    for node in graph.node.iter().rev() {
        if node
            .output
            .iter()
            .any(|made| needed.contains(made.as_str()))
        {
            needed.extend(node.input.iter().map(String::as_str));
            nodes.push(node);
        }
    }
    nodes.reverse();
    nodes
}

/// Reads one network of a file, from what it looks at to its answer.
fn plan<'a>(
    graph: &'a Graph,
    nodes: impl IntoIterator<Item = &'a Node>,
    (input, output): (&str, &str),
) -> Result<Plan, NetError> {
    let kept = (graph.initializer.iter()).map(|t| (t.name.as_str(), Numbers::Kept(t)));
    let numbers: HashMap<&str, Numbers<'_>> = kept.collect();
    let pixels = Value {
        number: 0,
        channels: 3,
        stored: 3,
    };
    let mut reader = Reader {
        numbers,
        values: HashMap::from([(input.to_owned(), pixels)]),
        steps: Vec::new(),
        weights: 0,
        arch: Arch::new(),
    };
    for node in nodes {
        reader.node(node)?;
    }
    let answer = reader
        .values
        .get(output)
        .ok_or_else(|| refuse(output, "nothing makes the answer"))?;
    let steps = joined(reader.steps, answer.number);
    let answer = (answer.number, answer.channels);
    Ok(Plan::new(steps, reader.values.len(), answer))
}

fn refuse(layer: &str, why: &'static str) -> NetError {
    NetError::Layer {
        layer: layer.to_owned(),
        why,
    }
}

/// Numbers of a tensor as 32-bit floats; `None` for kinds that are not used and where there are too few or too many.
fn constant(tensor: &Tensor) -> Option<Constant> {
    let dims: Vec<usize> = tensor
        .dims
        .iter()
        .map(|&n| usize::try_from(n).ok())
        .collect::<Option<_>>()?;
    let raw = tensor.raw_data.as_slice();
    let data: Vec<f32> = match tensor.data_type {
        FLOAT if raw.is_empty() => tensor.float_data.clone(),
        FLOAT => raw
            .as_chunks()
            .0
            .iter()
            .map(|&b| f32::from_le_bytes(b))
            .collect(),
        FLOAT16 => {
            let halves = raw.as_chunks().0.iter();
            halves
                .map(|&b| half::f16::from_le_bytes(b).to_f32())
                .collect()
        }
        INT8 => raw.iter().map(|&b| f32::from(b.cast_signed())).collect(),
        _ => return None,
    };
    let needed = dims
        .iter()
        .try_fold(1_usize, |n, &dim| n.checked_mul(dim))?;
    (needed == data.len()).then_some(Constant { dims, data })
}

/// An attribute's whole numbers, or those given.
fn attribute(node: &Node, name: &str, otherwise: &[i64]) -> Vec<i64> {
    let found = node.attribute.iter().find(|a| a.name == name);
    found.map_or_else(
        || otherwise.to_vec(),
        |a| a.i.map_or_else(|| a.ints.clone(), |i| vec![i]),
    )
}

fn text<'a>(node: &'a Node, name: &str) -> Option<&'a str> {
    let found = node.attribute.iter().find(|a| a.name == name)?;
    std::str::from_utf8(&found.s).ok()
}

impl<'a> Reader<'a> {
    /// Reads one node.
    fn node(&mut self, node: &'a Node) -> Result<(), NetError> {
        let [made] = node.output.as_slice() else {
            return Err(refuse("", "it makes more or less than one value"));
        };
        if self.values.contains_key(made) || self.numbers.contains_key(made.as_str()) {
            return Err(refuse(made, "its name is taken"));
        }
        let no = |why| refuse(made, why);
        let kind = node.op_type.as_str();
        if matches!(kind, "Cast" | "DequantizeLinear") {
            self.numbers.insert(made, Numbers::Made(node));
            return Ok(());
        }
        let into = self.values.len();
        let (step, value) = if kind == "Conv" {
            let conv = self.conv(node);
            let (from, layer) = conv.ok_or_else(|| {
                no("no such convolution is known here, or its weights cannot be read")
            })?;
            self.weights += layer.form().weights();
            let channels = layer.form().into;
            let value = Value {
                number: into,
                channels,
                stored: channels.next_multiple_of(WIDE),
            };
            let step = Step::Conv {
                layer: Box::new(layer),
                from,
                add: None,
                into,
            };
            (step, value)
        } else {
            let mix = self.mix(node, kind);
            let (from, first) = mix.ok_or_else(|| no("no such layer is known here"))?;
            let relu = kind == "Relu";
            let value = Value {
                number: into,
                ..first
            };
            (Step::Mix { from, relu, into }, value)
        };
        self.steps.push(step);
        self.values.insert(made.clone(), value);
        Ok(())
    }

    /// The numbers of that name.
    fn constant(&self, name: &str) -> Option<Constant> {
        match *self.numbers.get(name)? {
            Numbers::Kept(tensor) => constant(tensor),
            Numbers::Made(node) => self.made(node),
        }
    }

    /// Weights kept in 16 bits, or in 8 with a scale a channel of the first axis (or one for all).
    fn made(&self, node: &Node) -> Option<Constant> {
        let kept = |i: usize| match *self.numbers.get(node.input.get(i)?.as_str())? {
            Numbers::Kept(tensor) => constant(tensor),
            Numbers::Made(_) => None,
        };
        let Constant { dims, mut data } = kept(0)?;
        if node.op_type == "DequantizeLinear" {
            let scales = kept(1)?.data;
            let zeros = kept(2).map(|c| c.data);
            let first_axis = scales.len() == 1 || attribute(node, "axis", &[1]) == [0];
            let each = data
                .len()
                .checked_div(scales.len())
                .filter(|&each| each > 0)?;
            (first_axis && each * scales.len() == data.len()).then_some(())?;
            for (i, (part, scale)) in data.chunks_mut(each).zip(scales).enumerate() {
                let zero = (zeros.as_ref()).map_or(Some(0.0), |zeros| zeros.get(i).copied())?;
                part.iter_mut().for_each(|v| *v = (*v - zero) * scale);
            }
        }
        Some(Constant { dims, data })
    }

    fn value(&self, node: &Node, i: usize) -> Option<Value> {
        self.values.get(node.input.get(i)?).copied()
    }

    fn conv(&self, node: &Node) -> Option<(usize, Layer)> {
        let read = self.value(node, 0)?;
        let weights = self.constant(node.input.get(1)?)?;
        let &[into, given, kernel, kernel_too] = weights.dims.as_slice() else {
            return None;
        };
        let bias = match node.input.get(2).filter(|name| !name.is_empty()) {
            Some(name) => self.constant(name)?.data,
            None => Vec::new(),
        };
        let same = |name: &str, otherwise: i64| {
            let all = attribute(node, name, &[otherwise]);
            let first = *all.first()?;
            all.iter().all(|&n| n == first).then_some(first)
        };
        let pad = usize::try_from(same("pads", 0)?).ok()?;
        let stride = usize::try_from(same("strides", 1)?).ok()?;
        let groups = usize::try_from(same("group", 1)?).ok()?;
        let depthwise = groups > 1;
        let fits = kernel == kernel_too
            && (1..=MOST_KERNEL).contains(&kernel)
            && (1..=MOST_KERNEL).contains(&stride)
            && pad < kernel
            && (1..=MOST_CHANNELS).contains(&into)
            && (bias.is_empty() || bias.len() == into)
            && same("dilations", 1)? == 1
            && text(node, "auto_pad").is_none_or(|pad| pad == "NOTSET");
        // What is stored beyond the channels given is zero, and so are the weights for it.
        let channels_fit = if depthwise {
            given == 1 && groups == into && read.channels == into && read.stored >= WIDE
        } else {
            given == read.channels
        };
        let form = Form {
            kernel,
            stride,
            pad,
            from: read.stored,
            into,
            depthwise,
        };
        let laid_out = self.weights + form.weights();
        (fits && channels_fit && laid_out <= MOST_WEIGHTS).then_some(())?;
        let layer = Layer::new(self.arch, form, &weights.data, &bias);
        Some((read.number, layer))
    }

    /// The parts of a sum, and the first value.
    fn mix(&self, node: &Node, kind: &str) -> Option<(Vec<Part>, Value)> {
        let values: Vec<Value> = (0..node.input.len())
            .filter_map(|i| self.value(node, i))
            .collect();
        let first = *values.first().filter(|value| value.stored >= WIDE)?;
        let part = |value: &Value| Part {
            value: value.number,
            times: 1.0,
            doubled: false,
        };
        let whole = part(&first);
        let parts = match (kind, node.input.len()) {
            ("Relu", 1) => vec![whole],
            ("Add", 2) => {
                let alike = |value: &Value| value.channels == first.channels;
                (values.len() == 2 && values.iter().all(alike)).then_some(())?;
                values.iter().map(part).collect()
            }
            ("Mul", 2) => {
                let mut number = node.input.iter().filter_map(|name| self.constant(name));
                let [times] = number.next()?.data[..] else {
                    return None;
                };
                vec![Part { times, ..whole }]
            }
            ("Resize", 2..=4) => {
                let scales = self.constant(node.input.get(2)?)?.data;
                let way = (
                    text(node, "mode"),
                    text(node, "coordinate_transformation_mode"),
                    text(node, "nearest_mode"),
                );
                let nearest = (Some("nearest"), Some("asymmetric"), Some("floor"));
                (scales == [1.0, 1.0, 2.0, 2.0] && way == nearest).then_some(())?;
                vec![Part {
                    doubled: true,
                    ..whole
                }]
            }
            _ => return None,
        };
        Some((parts, first))
    }
}

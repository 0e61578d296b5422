use proptest::prelude::*;
use prost::Message;
use pulp::Arch;
use rten_tensor::{NdTensor, Tensor, prelude::*};

use super::{
    conv::{Add, Form, Layer},
    grid::{Grid, Memory, Size, WIDE},
    onnx::{Attribute, FLOAT, Graph, INT8, Model, Node, Tensor as Kept, ValueInfo},
    *,
};

/// Numbers between −0.5 and 0.5 that look like chance.
fn chance(seed: u32) -> impl FnMut() -> f32 {
    let mut state = seed.wrapping_mul(2_654_435_761).wrapping_add(1);
    move || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 8) as f32 / (1 << 24) as f32 - 0.5
    }
}

fn filled(memory: &mut Memory, size: Size, used: usize, next: &mut impl FnMut() -> f32) -> Grid {
    let mut grid = memory.grid(size);
    for row in 0..size.rows {
        for cell in grid.row_mut(row).chunks_exact_mut(size.channels) {
            cell.fill_with(&mut *next);
            cell[used..].fill(0.0);
        }
    }
    grid
}

/// The plain sum that a convolution is, in 64 bits.
fn plain(form: Form, weights: &[f32], bias: &[f32], from: &Grid, at: [usize; 3]) -> f64 {
    let [row, col, channel] = at;
    let given = weights.len() / (form.into * form.kernel * form.kernel);
    let mut sum = f64::from(bias[channel]);
    for i in 0..form.kernel {
        for j in 0..form.kernel {
            let (y, x) = (row * form.stride + i, col * form.stride + j);
            let (Some(y), Some(x)) = (y.checked_sub(form.pad), x.checked_sub(form.pad)) else {
                continue;
            };
            if y >= from.size.rows || x >= from.size.cols {
                continue;
            }
            for k in 0..given {
                let weight = weights[((channel * given + k) * form.kernel + i) * form.kernel + j];
                let k = if form.depthwise { channel } else { k };
                sum += f64::from(weight) * f64::from(from.row(y)[x * from.size.channels + k]);
            }
        }
    }
    sum
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_convolution_is_its_plain_sum(
        (rows, cols) in (5_usize..23, 5_usize..23),
        (from, into) in (1_usize..40, 1_usize..40),
        (kernel, stride, with_pad) in (1_usize..6, 1_usize..4, any::<bool>()),
        (depthwise, relu, adds, more) in (any::<bool>(), any::<bool>(), any::<bool>(), 0_usize..3),
        seed in 0_u32..1000,
    ) {
        let next = &mut chance(seed);
        let into = if depthwise { from } else { into };
        let pad = if with_pad { kernel / 2 } else { 0 };
        let stored = if depthwise || from != 3 { from.next_multiple_of(WIDE) } else { 3 };
        let form = Form { kernel, stride, pad, from: stored, into, depthwise };
        let given = if depthwise { 1 } else { from };
        let weights: Vec<f32> = std::iter::repeat_with(&mut *next).take(into * given * kernel * kernel).collect();
        let bias: Vec<f32> = std::iter::repeat_with(&mut *next).take(into).collect();
        let mut layer = Layer::new(Arch::new(), form, &weights, &bias);
        layer.relu = relu;

        let memory = &mut Memory::default();
        let size = Size { rows, cols, channels: stored, border: pad + more };
        // Memory that was used before must not shine through.
        let used = Size { rows: 30, cols: 30, channels: 40, border: 4 };
        for grid in [filled(memory, used, 40, next), filled(memory, used, 40, next)] {
            memory.give_back(grid);
        }
        let read = filled(memory, size, from, next);
        let made = form.made(size, 1).expect("5 cells are enough for 5");
        let add = adds.then(|| filled(memory, Size { border: 2, ..made }, into, next));
        let mut out = memory.grid(made);
        layer.run(Arch::new(), (&read, add.as_ref().map_or(Add::Nothing, Add::Grid)), &mut out, memory);
        if let Some(add) = &add && layer.adds_in_place() {
            let mut onto = memory.grid(made);
            for row in 0..made.rows {
                onto.row_mut(row).copy_from_slice(add.row(row));
            }
            layer.run(Arch::new(), (&read, Add::InPlace), &mut onto, memory);
            prop_assert!((0..made.rows).all(|row| onto.row(row) == out.row(row)), "in place");
        }

        for row in 0..made.rows {
            for col in 0..made.cols {
                for channel in 0..made.channels {
                    let at = col * made.channels + channel;
                    let mut needed = 0.0;
                    if channel < into {
                        needed = plain(form, &weights, &bias, &read, [row, col, channel]);
                        needed += add.as_ref().map_or(0.0, |add| f64::from(add.row(row)[at]));
                        needed = if relu { needed.max(0.0) } else { needed };
                    }
                    let got = f64::from(out.row(row)[at]);
                    prop_assert!((got - needed).abs() < 1e-4, "{form:?} {row} {col} {channel}: {got} for {needed}");
                }
            }
        }
        let inside: f64 = (0..made.rows).flat_map(|row| out.row(row)).map(|&v| f64::from(v.abs())).sum();
        let all: f64 = out.data[..out.size.floats()].iter().map(|&v| f64::from(v.abs())).sum();
        prop_assert!((inside - all).abs() <= 1e-9 * all, "zeros around");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn two_layers_by_bands_are_the_same_as_one_after_the_other(
        (rows, cols, channels) in (5_usize..70, 5_usize..23, 1_usize..20),
        first in (1_usize..6, 1_usize..4, any::<bool>(), any::<bool>()),
        // No side or step for which such a layer would take its other way.
        second in (1_usize..4, 2_usize..4, any::<bool>(), any::<bool>()),
        seed in 0_u32..1000,
    ) {
        let next = &mut chance(seed);
        let stored = channels.next_multiple_of(WIDE);
        let [one, two] = [(3, channels, first), (stored, 7, second)].map(|(from, into, (kernel, stride, padded, relu))| {
            let pad = if padded { kernel - 1 } else { 0 };
            let form = Form { kernel, stride, pad, from, into, depthwise: false };
            let weights: Vec<f32> = std::iter::repeat_with(&mut *next).take(into * from * kernel * kernel).collect();
            let bias: Vec<f32> = std::iter::repeat_with(&mut *next).take(into).collect();
            let mut layer = Layer::new(Arch::new(), form, &weights, &bias);
            layer.relu = relu;
            layer
        });
        let picture: Vec<f32> = std::iter::repeat_with(&mut *next).take(rows * cols * 3).collect();
        let looked = Looked { rows, cols, row: &|row, cells| cells.copy_from_slice(&picture[row * cols * 3..][..cols * 3]) };
        let memory = &mut Memory::default();
        let got = bands::run(Arch::new(), &looked, (&one, &two), 1, memory);

        let whole = looked.whole(one.form().pad, memory);
        let sound = |size: &Size| size.rows > 0 && size.cols > 0;
        let between = one.form().made(whole.size, two.form().pad).filter(sound);
        let made = between.and_then(|size| two.form().made(size, 1)).filter(sound);
        let (Some(between), Some(made)) = (between, made) else {
            prop_assert!(got.is_none());
            return Ok(());
        };
        let mut middle = memory.grid(between);
        one.run(Arch::new(), (&whole, Add::Nothing), &mut middle, memory);
        let mut needed = memory.grid(made);
        two.run(Arch::new(), (&middle, Add::Nothing), &mut needed, memory);
        let got = got.expect("sizes fit");
        prop_assert_eq!(got.size, made);
        for row in 0..made.rows {
            prop_assert_eq!(got.row(row), needed.row(row));
        }
    }
}

/// Patches of grey, so that there is something to answer to.
fn patches_of_grey((w, h): (u32, u32), next: &mut impl FnMut() -> f32) -> RgbImage {
    let mut raw = RgbImage::new(w, h);
    for y in 0..h / 8 {
        for x in 0..w / 8 {
            let tone = [(); 3].map(|()| (next() * 255.0 + 128.0) as u8);
            for i in 0..64 {
                raw.put_pixel(x * 8 + i % 8, y * 8 + i / 8, image::Rgb(tone));
            }
        }
    }
    raw
}

/// What rten makes of the input of that name; the answer is `y` with what stands before the input's `x`.
fn of_rten(model: &rten::Model, input: &str, raw: &RgbImage) -> NdTensor<f32, 4> {
    let value = |[_, channel, y, x]: [usize; 4]| {
        f32::from(raw.get_pixel(x as u32, y as u32)[2 - channel]) / 255.0 - 0.5
    };
    let size = [1, 3, raw.height() as usize, raw.width() as usize];
    let pixels = NdTensor::from_fn(size, value);
    let into = model.node_id(input).unwrap();
    let from = model.node_id(&input.replace('x', "y")).unwrap();
    let [made] = model
        .run_n(vec![(into, pixels.into())], [from], None)
        .unwrap();
    let made: Tensor<f32> = made.try_into().unwrap();
    made.try_into().unwrap()
}

/// Against rten 0.27 (a general runtime for ONNX), which reads the same file with code of its own.
#[test]
fn the_network_answers_as_another_runtime_says() {
    let file = include_bytes!("../../../models/beans-v10.onnx");
    let net = Net::from_bytes(file).unwrap();
    let other = rten::Model::load(file.to_vec()).unwrap();
    let next = &mut chance(7);
    let spot = patches_of_grey((96, 96), next);
    let ours = net
        .look_near(&spot, &[64, 96], &mut Memory::default())
        .unwrap()
        .unwrap();
    let inner = image::imageops::crop_imm(&spot, 16, 16, 64, 64).to_image();
    let small = of_rten(&other, "near_x", &inner);
    let large = of_rten(&other, "near2_x", &spot);
    assert_eq!(small.shape(), [1, NEAR_CHANNELS, 4, 4]);
    assert_eq!(large.shape(), [1, NEAR_CHANNELS, 6, 6]);
    for (channel, got) in [(0, ours.bean_logit), (1, ours.split_logit)] {
        let middle = [(1, 1), (1, 2), (2, 1), (2, 2)].map(|(y, x)| {
            let said = [small[[0, channel, y, x]], large[[0, channel, y + 1, x + 1]]];
            said.iter().sum::<f32>() / 2.0
        });
        let needed = f64::from(middle.iter().sum::<f32>() / 4.0);
        assert!((got - needed).abs() < 1e-3, "near: {got} for {needed}");
    }
    for (w, h) in [(192, 144), (208, 176)] {
        let raw = patches_of_grey((w, h), next);
        let ours = net.look(&raw, &mut Memory::default()).unwrap();
        let theirs = of_rten(&other, "x", &raw);
        let (_, rows, cols) = ours.measures.dim();
        assert_eq!(theirs.shape(), [1, CHANNELS, rows, cols]);
        for row in 0..rows {
            for col in 0..cols {
                for channel in 0..CHANNELS {
                    let theirs = theirs[[0, channel, row, col]];
                    let sub = [row * 2 + channel % 4 / 2, col * 2 + channel % 2];
                    let (got, needed, most) = match channel {
                        0..4 => (ours.bean_heat[sub], sigmoid(theirs), 2e-5),
                        4..8 => (ours.pod_heat[sub], sigmoid(theirs), 2e-5),
                        _ => (ours.measures[[channel - 8, row, col]], theirs, 1e-3),
                    };
                    assert!(
                        (got - needed).abs() < most,
                        "{row} {col} {channel}: {got} for {needed}"
                    );
                }
            }
        }
    }
}

fn node(op_type: &str, input: &[&str], output: &str, attribute: &[(&str, &[i64])]) -> Node {
    let attribute = attribute.iter().map(|(name, ints)| Attribute {
        name: (*name).to_owned(),
        ints: ints.to_vec(),
        ..Attribute::default()
    });
    Node {
        input: input.iter().map(|&name| name.to_owned()).collect(),
        output: vec![output.to_owned()],
        op_type: op_type.to_owned(),
        attribute: attribute.collect(),
    }
}

fn kept(name: &str, dims: &[i64], data_type: i32, raw_data: Vec<u8>) -> Kept {
    Kept {
        name: name.to_owned(),
        dims: dims.to_vec(),
        data_type,
        raw_data,
        ..Kept::default()
    }
}

fn floats(name: &str, dims: &[i64], values: impl IntoIterator<Item = f32>) -> Kept {
    let raw = values.into_iter().flat_map(f32::to_le_bytes).collect();
    kept(name, dims, FLOAT, raw)
}

/// A file that makes `answer` of `x`.
fn file(node: Vec<Node>, initializer: Vec<Kept>, answer: &str) -> Vec<u8> {
    let value = |name: &str| ValueInfo {
        name: name.to_owned(),
    };
    let graph = Graph {
        node,
        initializer,
        input: vec![value("x")],
        output: vec![value(answer)],
    };
    Model { graph: Some(graph) }.encode_to_vec()
}

/// What a file makes of chance, row by row.
fn made(bytes: &[u8]) -> Vec<f32> {
    let (plan, _) = read::plans(bytes).unwrap();
    let picture: Vec<f32> = std::iter::repeat_with(chance(5))
        .take(12 * 20 * 3)
        .collect();
    let looked = Looked {
        rows: 12,
        cols: 20,
        row: &|row, cells| cells.copy_from_slice(&picture[row * 60..][..60]),
    };
    let grid = plan.run(&looked, &mut Memory::default()).unwrap();
    (0..grid.size.rows)
        .flat_map(|row| grid.row(row).to_vec())
        .collect()
}

/// 16 channels at half the size, then each with itself alone (or all with all, all but its own weights zero), twice as
/// large, and a sum with what came before that.
fn small_network(depthwise: bool, eight_bits: bool) -> Vec<u8> {
    let whole = |i: usize| ((i * 37 + 11) % 101) as i8 - 50;
    let first: Vec<i8> = (0..16 * 3 * 9).map(whole).collect();
    let second: Vec<i8> = (0..16 * 9).map(|i| whole(i + 7)).collect();
    let mut numbers = vec![floats("by", &[4], [1.0, 1.0, 2.0, 2.0])];
    let mut nodes = vec![];
    let scale = 1.0 / 64.0;
    let in_16ths = first.iter().map(|&v| f32::from(v) * scale);
    if eight_bits {
        numbers.push(kept(
            "q",
            &[16, 3, 3, 3],
            INT8,
            first.iter().map(|v| v.cast_unsigned()).collect(),
        ));
        numbers.push(floats("scale", &[16], [scale; 16]));
        nodes.push(node(
            "DequantizeLinear",
            &["q", "scale"],
            "w",
            &[("axis", &[0])],
        ));
    } else {
        numbers.push(floats("w", &[16, 3, 3, 3], in_16ths));
    }
    nodes.push(node(
        "Conv",
        &["x", "w"],
        "a",
        &[("strides", &[2, 2]), ("pads", &[1, 1, 1, 1])],
    ));
    nodes.push(node("Relu", &["a"], "b", &[]));
    let second = |channel: usize, from: usize, at: usize| {
        if channel == from {
            f32::from(second[channel * 9 + at]) * scale
        } else {
            0.0
        }
    };
    let around: (&str, &[i64]) = ("pads", &[1, 1, 1, 1]);
    if depthwise {
        numbers.push(floats(
            "v",
            &[16, 1, 3, 3],
            (0..144).map(|i| second(i / 9, i / 9, i % 9)),
        ));
        nodes.push(node("Conv", &["b", "v"], "c", &[around, ("group", &[16])]));
    } else {
        let all = (0..16 * 144).map(|i| second(i / 144, i / 9 % 16, i % 9));
        numbers.push(floats("v", &[16, 16, 3, 3], all));
        nodes.push(node("Conv", &["b", "v"], "c", &[around]));
    }
    nodes.push(node("Add", &["c", "b"], "d", &[]));
    let mut larger = node("Resize", &["d", "", "by"], "e", &[]);
    for (name, s) in [
        ("mode", "nearest"),
        ("coordinate_transformation_mode", "asymmetric"),
        ("nearest_mode", "floor"),
    ] {
        larger.attribute.push(Attribute {
            name: name.to_owned(),
            s: s.into(),
            ..Attribute::default()
        });
    }
    nodes.push(larger);
    nodes.push(node("Relu", &["e"], "y", &[]));
    file(nodes, numbers, "y")
}

#[test]
fn the_same_network_in_other_words_makes_the_same() {
    let plain = made(&small_network(false, false));
    assert_eq!(plain.len(), 12 * 20 * 16);
    assert!(plain.iter().any(|&v| v > 1.0));
    assert_eq!(
        plain,
        made(&small_network(false, true)),
        "weights in 8 bits"
    );
    for (a, b) in plain.iter().zip(made(&small_network(true, false))) {
        assert!((a - b).abs() < 1e-4, "each channel alone: {b} for {a}");
    }
    // Cells are doubled: each stands four times.
    let at = |row: usize, col: usize| &plain[(row * 20 + col) * 16..][..16];
    assert!((0..12 * 20).all(|i| at(i / 20, i % 20) == at(i / 20 / 2 * 2, i % 20 / 2 * 2)));
}

/// The graph of a file, all its names with something before them.
fn renamed(bytes: &[u8], before: &str) -> Graph {
    let mut graph = Model::decode(bytes).unwrap().graph.unwrap();
    let other = |name: &mut String| {
        if !name.is_empty() {
            name.insert_str(0, before);
        }
    };
    graph
        .initializer
        .iter_mut()
        .for_each(|t| other(&mut t.name));
    for node in &mut graph.node {
        node.input.iter_mut().for_each(other);
        node.output.iter_mut().for_each(other);
    }
    graph.input.iter_mut().for_each(|v| other(&mut v.name));
    graph.output.iter_mut().for_each(|v| other(&mut v.name));
    graph
}

/// One file of several: those after the first look from near.
fn all_in_one(networks: impl IntoIterator<Item = Graph>) -> Vec<u8> {
    let mut networks = networks.into_iter();
    let mut graph = networks.next().unwrap();
    for near in networks {
        graph.node.extend(near.node);
        graph.initializer.extend(near.initializer);
        graph.input.extend(near.input);
        graph.output.extend(near.output);
    }
    Model { graph: Some(graph) }.encode_to_vec()
}

/// A network that looks from near: 2 channels at a sixteenth of the size, by one convolution.
fn near_network(seed: u32) -> Vec<u8> {
    let next = chance(seed);
    let weights = floats("w", &[2, 3, 5, 5], std::iter::repeat_with(next).take(150));
    let way: &[(&str, &[i64])] = &[("strides", &[15, 15]), ("pads", &[2, 2, 2, 2])];
    file(
        vec![node("Conv", &["x", "w"], "y", way)],
        vec![weights],
        "y",
    )
}

#[test]
fn the_networks_of_one_file_answer_as_each_alone() {
    let far = small_network(false, false);
    let near = [near_network(9), near_network(10)];
    let three = all_in_one([
        renamed(&far, ""),
        renamed(&near[0], "near_"),
        renamed(&near[1], "near2_"),
    ]);
    assert_eq!(made(&three), made(&far));
    let (_, in_one) = read::plans(&three).unwrap();
    let alone = near.map(|file| {
        let (alone, none) = read::plans(&file).unwrap();
        assert!(none.is_empty());
        alone
    });
    let looked = Looked {
        rows: 60,
        cols: 60,
        row: &|row, cells| {
            let mut next = chance(row as u32);
            cells.fill_with(&mut next);
        },
    };
    let memory = &mut Memory::default();
    let [a, b] = [&in_one[0], &in_one[1]].map(|plan| plan.run(&looked, memory).unwrap());
    let [c, d] = [&alone[0], &alone[1]].map(|plan| plan.run(&looked, memory).unwrap());
    assert_eq!((a.size.rows, a.row(2)), (c.size.rows, c.row(2)));
    assert_eq!((b.size.rows, b.row(2)), (d.size.rows, d.row(2)));
    assert_ne!(a.row(2), b.row(2));

    // Three inputs of which one leads nowhere, and a name that all of them use.
    let mut half = Model::decode(three.as_slice()).unwrap().graph.unwrap();
    half.output.pop();
    let half = Model { graph: Some(half) }.encode_to_vec();
    let told = Net::from_bytes(&half).unwrap_err().to_string();
    assert!(told.contains("3 inputs and 2 outputs"), "{told}");
}

#[test]
fn a_look_from_near_is_told_of_the_middle() {
    let small = include_bytes!("../../../fixtures/small-network/network.onnx");
    let far = Model::decode(&small[..]).unwrap().graph.unwrap();
    assert_eq!(Net::from_bytes(small).unwrap().near_looks(), 0);
    // One cell for 16 px: what is said is the mean of the four in the middle, of each channel.
    let mut pixels = RgbImage::new(64, 64);
    for (x, y, v) in [(16, 16, 255), (32, 16, 55), (16, 32, 5), (32, 32, 100)] {
        pixels.put_pixel(x, y, image::Rgb([v, 0, 0]));
    }
    let red = [0.0, 0.0, 1.0, 0.0, 1.0, 0.0];
    let sixteenth: &[(&str, &[i64])] = &[("strides", &[4, 4])];
    let mut nodes = vec![node("Conv", &["x", "w"], "a", sixteenth)];
    nodes.push(node("Conv", &["a", "v"], "y", sixteenth));
    let kept = [
        floats("w", &[2, 3, 1, 1], red),
        floats("v", &[2, 2, 1, 1], [1.0, 0.0, 0.0, 2.0]),
    ];
    let near = Model::decode(file(nodes, kept.into(), "y").as_slice()).unwrap();
    let near = renamed(&near.encode_to_vec(), "near_");
    let net = Net::from_bytes(&all_in_one([far, near])).unwrap();
    let look = |pixels: &RgbImage| net.look_near(pixels, &[64], &mut Memory::default());
    let seen = look(&pixels).unwrap().unwrap();
    // Of a larger spot it is the middle that is looked at.
    let mut larger = RgbImage::from_pixel(96, 96, image::Rgb([200; 3]));
    image::imageops::replace(&mut larger, &pixels, 16, 16);
    assert_eq!(look(&larger).unwrap().unwrap(), seen);
    let mean = (255.0 + 55.0 + 5.0 + 100.0) / 4.0 / 255.0 - 0.5;
    assert!((seen.bean_logit - mean).abs() < 1e-6, "{seen:?}");
    assert!((seen.split_logit + 1.0).abs() < 1e-6, "{seen:?}");
}

#[test]
fn memory_of_other_looks_does_not_shine_through() {
    let file = include_bytes!("../../../fixtures/small-network/network.onnx");
    let net = Net::from_bytes(file).unwrap();
    let memory = &mut Memory::default();
    let next = &mut chance(3);
    for (w, h) in [(96, 64), (160, 112), (48, 80), (96, 64)] {
        let raw = RgbImage::from_fn(w, h, |_, _| image::Rgb([(next() * 99.0 + 99.0) as u8; 3]));
        let again = net.look(&raw, memory).unwrap();
        assert_eq!(again, net.look(&raw, &mut Memory::default()).unwrap());
    }
    let kept = memory.bytes();
    net.look(&RgbImage::new(160, 112), memory).unwrap();
    assert_eq!(memory.bytes(), kept, "there is enough of it");
}

#[test]
fn what_is_not_known_is_refused_by_name() {
    let weights = || floats("w", &[8, 3, 1, 1], [0.5; 24]);
    let refused = |nodes, numbers| {
        let error = Net::from_bytes(&file(nodes, numbers, "y")).unwrap_err();
        error.to_string()
    };
    let conv = |attribute: &[(&str, &[i64])]| node("Conv", &["x", "w"], "y", attribute);
    for (nodes, numbers) in [
        (vec![node("Tanh", &["x"], "y", &[])], vec![]),
        (vec![conv(&[])], vec![floats("w", &[8, 4, 1, 1], [0.5; 32])]),
        (vec![conv(&[])], vec![floats("w", &[8, 3, 1, 1], [0.5; 23])]),
        (vec![conv(&[("dilations", &[2, 2])])], vec![weights()]),
        (vec![conv(&[("strides", &[0, 0])])], vec![weights()]),
        (vec![conv(&[]), conv(&[])], vec![weights()]),
    ] {
        let told = refused(nodes, numbers);
        assert!(told.contains("layer \"y\""), "{told}");
    }
    let told = refused(vec![], vec![]);
    assert!(told.contains("nothing makes the answer"), "{told}");
    assert!(Net::from_bytes(b"\x3a\xff\xff\xff\xff\x0f").is_err());
}

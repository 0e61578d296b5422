"""The network: its layers as one list, read by PyTorch for training and by the ONNX writer.

Input 1 x 3 x H x W (blue, green, red), sRGB / 255 - 0.5, PX_PER_MM, H and W multiples of 16. Output 1 x 15 x H/4 x W/4:
0-3 bean heat, 4-7 pod heat (2 x 2 sub-cells, row-major), 8 split (logit), 9 log radius mm,
10 share visible (logit), 11 beans in pod, 12 log length mm of a pod, 13 cos 2a, 14 sin 2a of its axis.
"""
OUT_CHANNELS = 15
# Widths at 1/2, 1/4, 1/8 and 1/16 of the picture and blocks at 1/4, 1/8 and 1/16 and, on the way back, 1/8. `full`: a block is two
# 3 x 3 of all its channels; `thin`: a 3 x 3 on half of them between two 1 x 1.
SIZES = {
    "plain": dict(w=(16, 32, 96, 160), n=(0, 3, 2, 1), block="full"),
    "fine": dict(w=(24, 48, 96, 160), n=(2, 3, 2, 1), block="full"),
    "grand": dict(w=(32, 64, 192, 320), n=(1, 4, 4, 2), block="full"),
    "deep": dict(w=(16, 32, 112, 160), n=(0, 5, 4, 1), block="thin"),
}


def block(out, name, cur, w, kind):
    if kind == "full":
        out += [(name + "a", "conv", [cur], (w, w, 3, 1, True)), (name + "b", "conv", [name + "a"], (w, w, 3, 1, False)), (name, "addrelu", [cur, name + "b"], None)]
    else:
        h = w // 2
        out += [(name + "a", "conv", [cur], (w, h, 1, 1, True)), (name + "b", "conv", [name + "a"], (h, h, 3, 1, True)), (name + "c", "conv", [name + "b"], (h, w, 1, 1, False))]
        out += [(name, "addrelu", [cur, name + "c"], None)]
    return name


def layers(size="plain"):
    """name, op, inputs, args: conv args are (in, out, kernel, stride, relu)."""
    z = SIZES[size]; (w0, w1, w2, w3), (n4, n8, n16, back), kind = z["w"], z["n"], z["block"]
    out = [("s", "conv", ["x"], (3, w0, 5, 2, True)), ("d", "conv", ["s"], (w0, w1, 3, 2, True))]
    cur = "d"
    for i in range(n4): cur = block(out, f"q{i}", cur, w1, kind)
    skip4 = cur; out += [("e", "conv", [cur], (w1, w2, 3, 2, True))]; cur = "e"
    for i in range(n8): cur = block(out, f"e{i}", cur, w2, kind)
    skip8 = cur; out += [("g", "conv", [cur], (w2, w3, 3, 2, True))]; cur = "g"
    for i in range(n16): cur = block(out, f"g{i}", cur, w3, kind)
    out += [("v", "conv", [cur], (w3, w2, 1, 1, False)), ("vv", "up2", ["v"], None), ("vm", "addrelu", ["vv", skip8], None)]; cur = "vm"
    for i in range(back): cur = block(out, f"v{i}", cur, w2, kind)
    out += [("u", "conv", [cur], (w2, w1, 1, 1, False)), ("uu", "up2", ["u"], None), ("m", "addrelu", ["uu", skip4], None),
            ("f", "conv", ["m"], (w1, w1, 3, 1, True)), ("y", "conv", ["f"], (w1, OUT_CHANNELS, 1, 1, False))]
    return out


# The near look: widths at 1/2, 1/4, 1/8 and 1/16 of a patch, and blocks at 1/4, 1/8 and 1/16. What it says of the patch's middle is the
# mean of the four middle cells: 0 a bean lies here (logit), 1 it is split (logit).
NEAR_SIZES = {
    "near": dict(w=(16, 24, 48, 64), n=(1, 1, 1)),
    "near-wide": dict(w=(24, 40, 80, 112), n=(1, 2, 1)),
    "near-deep": dict(w=(24, 48, 96, 144), n=(1, 3, 2)),
}
NEAR_CHANNELS = 2


def near_layers(size="near"):
    """As `layers`: a patch in, NEAR_CHANNELS at 1/16 out."""
    z = NEAR_SIZES[size]; (w0, w1, w2, w3), (n4, n8, n16) = z["w"], z["n"]
    out, cur = [("s", "conv", ["x"], (3, w0, 5, 2, True))], "s"
    for name, at, wide, narrow, n in (("d", "q", w1, w0, n4), ("e", "e", w2, w1, n8), ("g", "g", w3, w2, n16)):
        out += [(name, "conv", [cur], (narrow, wide, 3, 2, True))]; cur = name
        for i in range(n): cur = block(out, f"{at}{i}", cur, wide, "full")
    return out + [("y", "conv", [cur], (w3, NEAR_CHANNELS, 1, 1, False))]


def cost(ls, h, w):
    """Multiply-adds for a picture of h x w px, and weights."""
    at, macs, weights = {"x": 1}, 0, 0
    for name, op, ins, a in ls:
        if op == "conv":
            i, o, k, st, _ = a; at[name] = at[ins[0]] * st; macs += h * w / at[name] ** 2 * i * o * k * k; weights += i * o * k * k + o
        else:
            at[name] = at[ins[0]] / 2 if op == "up2" else at[ins[0]]
    return macs, weights


def run(ls, x, conv):
    """What layers make of `x`; conv(name, x, args) convolves."""
    import torch.nn.functional as F
    v = {"x": x}
    for name, op, ins, a in ls:
        if op == "conv":
            t = conv(name, v[ins[0]], a); t = F.relu(t) if a[4] else t
        elif op == "addrelu":
            t = F.relu(v[ins[0]] + v[ins[1]])
        else:
            t = F.interpolate(v[ins[0]], scale_factor=2, mode="nearest")
        v[name] = t
    return v["y"]


def torch_net(ls):
    import torch
    from torch import nn
    import torch.nn.functional as F

    class Net(nn.Module):
        def __init__(s):
            super().__init__()
            s.ls = ls; s.c = nn.ModuleDict()
            for name, op, _, a in ls:
                if op == "conv":
                    i, o, k, st, _ = a
                    s.c[name] = nn.Sequential(nn.Conv2d(i, o, k, st, k // 2, bias=False), nn.BatchNorm2d(o)) if name != "y" else nn.Sequential(nn.Conv2d(i, o, k, st, k // 2))

        def forward(s, x):
            return run(s.ls, x, lambda name, x, a: s.c[name](x))
    return Net()


def grow(net, small):
    """Fills `net` with the weights of a smaller network of the same kind of block, so that it answers as the small one does: channels
    that the small one lacks give nothing to those it has, and blocks that it lacks pass on what comes in."""
    import torch
    old, blocks = {k.split(".")[0] for k in small}, {n for n, op, _, _ in net.ls if op == "addrelu"}
    with torch.no_grad():
        for name, m in net.c.items():
            if name not in old:
                if name[:-1] in blocks and name.endswith("b"): m[1].weight.zero_()
                continue
            w = small[name + ".0.weight"]; o, i = w.shape[:2]
            m[0].weight[:o] = 0; m[0].weight[:o, :i] = w
            if len(m) == 1: m[0].bias[:o] = small[name + ".0.bias"]
            else:
                for k in ("weight", "bias", "running_mean", "running_var"): getattr(m[1], k)[:o] = small[f"{name}.1.{k}"]


def folded(net):
    """name -> (weight, bias) with batch norms folded in, as numpy float32."""
    import torch
    out = {}
    for name, m in net.c.items():
        w = m[0].weight.detach().double().cpu()
        if len(m) == 2:
            b = m[1]; g = b.weight.detach().double().cpu() / torch.sqrt(b.running_var.double().cpu() + b.eps)
            w, bias = w * g[:, None, None, None], b.bias.detach().double().cpu() - b.running_mean.double().cpu() * g
        else:
            bias = m[0].bias.detach().double().cpu()
        out[name] = (w.float().numpy(), bias.float().numpy())
    return out


def onnx_part(ls, weights, prefix=""):
    """Nodes and initialisers of one network; its input is prefix + x, its output prefix + y."""
    from onnx import helper as h, numpy_helper as nh
    import numpy as np
    nodes, inits, N = [], [], lambda name: prefix + name
    for name, op, ins, a in ls:
        ins, name = [N(i) for i in ins], N(name)
        if op == "conv":
            i, o, k, st, relu = a; p = k // 2; w, b = weights[name[len(prefix):]]
            scale = np.maximum(np.abs(w).reshape(o, -1).max(1), 1e-12).astype("float32") / 127
            q = np.round(w / scale[:, None, None, None]).astype("int8")
            inits += [nh.from_array(q, name + ".q"), nh.from_array(scale, name + ".s"), nh.from_array(np.zeros(o, "int8"), name + ".z"), nh.from_array(b, name + ".b")]
            nodes.append(h.make_node("DequantizeLinear", [name + ".q", name + ".s", name + ".z"], [name + ".w"], axis=0))
            nodes.append(h.make_node("Conv", [ins[0], name + ".w", name + ".b"], [name + "_c" if relu else name], kernel_shape=[k, k], strides=[st, st], pads=[p] * 4))
            if relu: nodes.append(h.make_node("Relu", [name + "_c"], [name]))
        elif op == "addrelu":
            nodes += [h.make_node("Add", ins, [name + "_s"]), h.make_node("Relu", [name + "_s"], [name])]
        else:
            nodes.append(h.make_node("Resize", [ins[0], "", "up_scale"], [name], mode="nearest", coordinate_transformation_mode="asymmetric", nearest_mode="floor"))
    return nodes, inits


def onnx_model(ls, weights):
    """An ONNX file's bytes, opset 13; weights in 8 bits with a scale for each channel that comes out, reckoned with in 32."""
    from onnx import TensorProto as T, helper as h, numpy_helper as nh
    import numpy as np
    nodes, inits = onnx_part(ls, weights)
    return finished(h.make_graph(nodes, "beans", [h.make_tensor_value_info("x", T.FLOAT, [1, 3, "h", "w"])], [h.make_tensor_value_info("y", T.FLOAT, [1, ls[-1][3][1], "hy", "wy"])], [nh.from_array(np.array([1, 1, 2, 2], "float32"), "up_scale")] + inits))


def first_alone(g):
    """Takes the near looks out of the graph of an ONNX file."""
    for part in (g.node, g.initializer, g.input, g.output):
        kept = [v for v in part if not (v.output[0] if part is g.node else v.name).startswith("near")]; del part[:]; part.extend(kept)


def with_near(file, ls, weights, beside):
    """The bytes of an ONNX file that holds the first network of `file` and, after it, the near look: input near_x, output near_y; or, `beside`
    those that `file` holds, one more: near2_x, near2_y and so on."""
    import onnx
    from onnx import TensorProto as T, helper as h
    g = onnx.load_model_from_string(file).graph
    if not beside: first_alone(g)
    n = len(g.input); p = "near_" if n == 1 else "near%d_" % n; nodes, inits = onnx_part(ls, weights, p)
    g.node.extend(nodes); g.initializer.extend(inits); g.input.append(h.make_tensor_value_info(p + "x", T.FLOAT, [1, 3, p + "h", p + "w"])); g.output.append(h.make_tensor_value_info(p + "y", T.FLOAT, [1, ls[-1][3][1], p + "hy", p + "wy"]))
    return finished(g)


def finished(graph):
    import onnx
    from onnx import helper as h
    m = h.make_model(graph, opset_imports=[h.make_opsetid("", 13)], producer_name="podfall recipe"); m.ir_version = 8
    onnx.checker.check_model(m)
    return m.SerializeToString()

"""Two networks in one file, which answers with their mean. usage: merge.py A.onnx B.onnx OUT.onnx

Both look at the same picture and answer in the same 15 channels (net.py). Weights of layers are kept in 16 bits.
"""
import hashlib
import sys

import numpy as np
import onnx
from onnx import TensorProto as T, helper as h, numpy_helper as nh

from net import OUT_CHANNELS


def part(path, prefix):
    """A network's nodes and weights under names of its own; its answer is PREFIX + y."""
    g = onnx.load(path).graph
    name = lambda n: n if n in ("x", "") else prefix + n
    nodes, weights = [], []
    for i in g.initializer:
        w = nh.to_array(i)
        if w.dtype == np.float32 and w.ndim == 4:
            weights.append(nh.from_array(w.astype(np.float16), name(i.name) + ".half"))
            nodes.append(h.make_node("Cast", [name(i.name) + ".half"], [name(i.name)], to=T.FLOAT))
        else:
            weights.append(nh.from_array(w, name(i.name)))
    for n in g.node:
        for ends in (n.input, n.output):
            for k in range(len(ends)): ends[k] = name(ends[k])
        nodes.append(n)
    return nodes, weights


def main():
    a, b, out = sys.argv[1:4]
    (na, wa), (nb, wb) = part(a, "a."), part(b, "b.")
    join = [h.make_node("Add", ["a.y", "b.y"], ["sum"]), h.make_node("Mul", ["sum", "half"], ["y"])]
    g = h.make_graph(na + nb + join, "beans", [h.make_tensor_value_info("x", T.FLOAT, [1, 3, "h", "w"])],
                     [h.make_tensor_value_info("y", T.FLOAT, [1, OUT_CHANNELS, "h4", "w4"])], wa + wb + [nh.from_array(np.array(.5, np.float32), "half")])
    m = h.make_model(g, opset_imports=[h.make_opsetid("", 13)], producer_name="podfall recipe"); m.ir_version = 8
    onnx.checker.check_model(m); data = m.SerializeToString()
    open(out, "wb").write(data); print(len(data), "bytes, SHA-256", hashlib.sha256(data).hexdigest())


if __name__ == "__main__":
    main()

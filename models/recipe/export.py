"""Trained weights as the ONNX file that the program reads. usage: export.py SIZE SIZE.pt OUT.onnx | export.py FIRST.onnx [--beside] NEAR_SIZE NEAR.pt OUT.onnx
--beside: as one more near look, not in the place of those that FIRST.onnx holds."""
import hashlib
import sys

import torch

import net


def main():
    *first, size, weights, out = [a for a in sys.argv[1:] if a != "--beside"]
    layers = net.near_layers(size) if first else net.layers(size)
    m = net.torch_net(layers); m.load_state_dict(torch.load(weights, map_location="cpu"))
    data = net.with_near(open(first[0], "rb").read(), layers, net.folded(m), "--beside" in sys.argv) if first else net.onnx_model(layers, net.folded(m))
    open(out, "wb").write(data); print(len(data), "bytes, SHA-256", hashlib.sha256(data).hexdigest())


if __name__ == "__main__":
    main()

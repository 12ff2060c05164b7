"""An nnet3 network in numpy: what it says of a recording, and how its weights would have to change.

The network's form (layers, offsets, skips) is read from the model file. Several recordings are taken at once: a time is
`row * STRIDE + frame`, so that one matrix product serves them all. Outside a recording its first or last frame is
repeated, as Kaldi's decoder does.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from handsfree.core.errors import UserError
from handsfree.edges.adaptation.nnet3 import BIAS, WEIGHTS, Array, Model, node_lines

Index = npt.NDArray[np.int64]
Run = tuple[slice, slice | Index]
"""Rows that something goes to, and those that it comes from: mostly slices, which numpy copies faster."""

STRIDE, MARGIN = 1 << 20, 1 << 18
_SIMPLE = {"RectifiedLinearComponent", "NoOpComponent"}
_LINEAR = {"AffineComponent", "NaturalGradientAffineComponent", "LinearComponent", "FixedAffineComponent"}


@dataclass(frozen=True)
class _Term:
    """One summand of one part of an input: node, time offset, factor."""

    node: str
    offset: int = 0
    scale: float = 1.0


@dataclass(frozen=True)
class _Node:
    name: str
    component: str  # "" at the output
    parts: tuple[tuple[_Term, ...], ...]  # appended parts, each a sum


@dataclass
class Layout:
    """For a batch: at which times each node is needed, and where its inputs lie. Made once, used every pass."""

    times: dict[str, Index]
    rows: dict[tuple[str, int, int], list[Run]] = field(default_factory=dict)
    """(node, part, term) -> rows of the node, and those of the term's node."""
    counts: tuple[int, ...] = ()
    """Frames of output of each recording."""


class Network:
    """The weights, and what they compute. `weights`: component -> [matrix, bias or None], changed in place."""

    def __init__(self, model: Model, subsampling: int) -> None:
        self.model = model
        self.subsampling = subsampling
        self._kinds = {component.name: component.kind for component in model.components}
        unknown = sorted(set(self._kinds.values()) - _SIMPLE - _LINEAR)
        if unknown:
            raise UserError(f"this ear cannot be adapted to a voice: it has layers of the kind {unknown[0]}")
        self.weights: dict[str, list[Array | None]] = {
            c.name: [c.array(*WEIGHTS), c.array(BIAS)] for c in model.components if c.kind in _LINEAR
        }
        self._nodes = [
            _node(line) for line in node_lines(model.lines) if line["kind"] in ("component-node", "output-node")
        ]

    def lay_out(self, frames: Sequence[int]) -> Layout:
        """`frames`: of 10 ms, of each recording."""
        counts = tuple(-(-n // self.subsampling) for n in frames)
        wanted = [row * STRIDE + self.subsampling * np.arange(n, dtype=np.int64) for row, n in enumerate(counts)]
        needed: dict[str, list[Index]] = {self._nodes[-1].name: wanted}
        times: dict[str, Index] = {}
        for node in reversed(self._nodes):
            times[node.name] = np.unique(np.concatenate(needed[node.name]))
            for part in node.parts:
                for term in part:
                    needed.setdefault(term.node, []).append(times[node.name] + term.offset)
        starts = np.concatenate([[0], np.cumsum(frames)])
        rows: dict[tuple[str, int, int], list[Run]] = {}
        for node in self._nodes:
            for p, part in enumerate(node.parts):
                for t, term in enumerate(part):
                    at = times[node.name] + term.offset
                    if term.node in times:
                        rows[node.name, p, t] = _runs(np.searchsorted(times[term.node], at))
                    else:
                        row = (at + MARGIN) // STRIDE
                        frame = np.clip(at - row * STRIDE, 0, np.asarray(frames)[row] - 1)
                        rows[node.name, p, t] = [(slice(None), starts[row] + frame)]
        return Layout(times, rows, counts)

    def forward(self, features: Array, layout: Layout) -> tuple[Array, dict[str, Array]]:
        """Features of all recordings, one after the other [frames, 40] -> (scores [frames of output, 2P], what the
        nodes said, for `backward`)."""
        said: dict[str, Array] = {}
        for node in self._nodes:
            inputs = self._gather(node, layout, said, features)
            kind = self._kinds.get(node.component, "")
            if kind in _LINEAR:
                weights, bias = self.weights[node.component]
                assert weights is not None
                said[f"{node.name}/in"] = inputs
                inputs = inputs @ weights.T
                if bias is not None:
                    inputs += bias
            elif kind == "RectifiedLinearComponent":
                inputs = np.maximum(inputs, 0)
            said[node.name] = inputs
        return said[self._nodes[-1].name], said

    def backward(
        self, gradient: Array, layout: Layout, said: dict[str, Array], trained: frozenset[str]
    ) -> dict[str, tuple[Array, Array]]:
        """Gradient of the scores -> of the weights and biases of the components in `trained`."""
        flow: dict[str, Array] = {self._nodes[-1].name: gradient}
        found: dict[str, tuple[Array, Array]] = {}
        waiting = set(trained)
        for node in reversed(self._nodes):
            here = flow.pop(node.name)
            kind = self._kinds.get(node.component, "")
            if kind == "RectifiedLinearComponent":
                here = here * (said[node.name] > 0)
            elif kind in _LINEAR:
                weights, _ = self.weights[node.component]
                assert weights is not None
                if node.component in waiting:
                    found[node.component] = (here.T @ said[f"{node.name}/in"], here.sum(0))
                    waiting.discard(node.component)
                if not waiting:
                    break
                here = here @ weights
            self._scatter(node, layout, said, here, flow)
        return found

    def _gather(self, node: _Node, layout: Layout, said: dict[str, Array], features: Array) -> Array:
        firsts = [said.get(part[0].node, features) for part in node.parts]
        widths = [first.shape[1] for first in firsts]
        gathered = np.empty((len(layout.times[node.name]), sum(widths)), firsts[0].dtype)
        ends = np.cumsum(widths)
        for p, part in enumerate(node.parts):
            here = gathered[:, ends[p] - widths[p] : ends[p]]
            for t, term in enumerate(part):
                source, scale = said.get(term.node, features), np.float32(term.scale)
                for to, rows in layout.rows[node.name, p, t]:
                    if t:
                        here[to] += scale * source[rows]
                    elif term.scale != 1:
                        np.multiply(source[rows], scale, out=here[to])
                    else:
                        here[to] = source[rows]
        return gathered

    def _scatter(
        self, node: _Node, layout: Layout, said: dict[str, Array], here: Array, flow: dict[str, Array]
    ) -> None:
        at = 0
        for p, part in enumerate(node.parts):
            width = said[part[0].node].shape[1] if part[0].node in said else here.shape[1] // len(node.parts)
            for t, term in enumerate(part):
                if term.node in said:  # else the features themselves: nothing learns there
                    below = flow.setdefault(term.node, np.zeros_like(said[term.node]))
                    back = here[:, at : at + width]
                    back = back if term.scale == 1 else np.float32(term.scale) * back
                    for to, rows in layout.rows[node.name, p, t]:
                        below[rows] += back[to]
            at += width

    def changed(self) -> Model:
        """The model with the weights as they are now."""
        return self.model.with_arrays({name: (w, b) for name, (w, b) in self.weights.items() if w is not None})


def _runs(rows: Index) -> list[Run]:
    """`rows`, ascending, as stretches of rows as far apart as most of them."""
    if not len(rows):
        return []
    apart = np.diff(rows)
    step = max(1, int(np.median(apart))) if len(apart) else 1
    edges = [0, *(np.flatnonzero(apart != step) + 1).tolist(), len(rows)]
    return [(slice(a, b), slice(int(rows[a]), int(rows[b - 1]) + 1, step)) for a, b in pairwise(edges)]


def _node(line: dict[str, str]) -> _Node:
    return _Node(line["name"], line.get("component", ""), tuple(map(tuple, _parts(line["input"]))))


def _parts(text: str) -> list[list[_Term]]:
    """A descriptor: Append(a, b), Sum(a, b), Scale(0.5, a), Offset(a, -3), or a node's name; nested."""
    call = re.fullmatch(r"(\w+)\((.*)\)", text)
    if not call:
        return [[_Term(text)]]
    name, arguments = call[1], _arguments(call[2])
    if name == "Append":
        return [part for argument in arguments for part in _parts(argument)]
    if name == "Sum":
        return [sum(parts, []) for parts in zip(*map(_parts, arguments), strict=True)]
    if name == "Scale":
        by, inner = float(arguments[0]), _parts(arguments[1])
        return [[_Term(t.node, t.offset, t.scale * by) for t in part] for part in inner]
    if name == "Offset":
        by_frames, inner = int(arguments[1]), _parts(arguments[0])
        return [[_Term(t.node, t.offset + by_frames, t.scale) for t in part] for part in inner]
    raise UserError(f"this ear cannot be adapted to a voice: its layers are joined by {name}")


def _arguments(text: str) -> list[str]:
    """Split at the commas that lie in no brackets."""
    parts, depth = [""], 0
    for c in text:
        depth += (c == "(") - (c == ")")
        if c == "," and not depth:
            parts.append("")
        else:
            parts[-1] += c
    return [part.strip() for part in parts]

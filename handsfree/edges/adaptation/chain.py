"""What the decoder would make of a recording: sums and best paths over phones, in numpy.

The network gives each phone two scores a frame (30 ms): 2p where it begins, 2p+1 while it lasts. A graph says which
phone may follow which at what cost; the log sum over its paths, and how likely each score lies on one, are what LF-MMI
training needs (Povey et al. 2016, "Purely sequence-trained neural networks for ASR based on lattice-free MMI").
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Matrix = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Graph:
    """K nodes, each a phone. Logs of: starting in a node [K], going from one to another [K, K], ending [K]."""

    phone: npt.NDArray[np.int64]
    start: Matrix
    step: Matrix
    end: Matrix


def sums(outputs: Matrix, graph: Graph) -> tuple[float, Matrix]:
    """Log sum over all paths, and its gradient: the probability of each output [T, 2P]. -inf and zeros where none fits.

    `outputs` [T, 2P]. Forward and backward sums are kept as probabilities, scaled anew in each frame.
    """
    frames = len(outputs)
    top = outputs.max(1, keepdims=True)
    likely = np.exp(outputs - top)
    enter, stay = likely[:, 2 * graph.phone], likely[:, 2 * graph.phone + 1]
    step, end = np.exp(graph.step), np.exp(graph.end)
    forward = np.zeros((frames, len(graph.phone)))
    moved = np.zeros_like(forward)  # what entered a node in this frame, before its score
    scale = np.zeros(frames)
    moved[0] = np.exp(graph.start)
    now = moved[0] * enter[0]
    for t in range(frames):
        if t:
            moved[t] = forward[t - 1] @ step
            now = moved[t] * enter[t] + forward[t - 1] * stay[t]
        scale[t] = now.sum()
        if not scale[t] > 0:
            return -np.inf, np.zeros_like(outputs)
        forward[t] = now / scale[t]
    last = float(forward[-1] @ end)
    if not last > 0:
        return -np.inf, np.zeros_like(outputs)
    total = float(np.log(scale).sum() + np.log(last) + top.sum())
    posteriors = np.zeros_like(outputs)
    backward = end / last
    for t in range(frames - 1, -1, -1):
        entered = moved[t] * enter[t] * backward / scale[t]
        np.add.at(posteriors[t], 2 * graph.phone, entered)
        if t:
            stayed = forward[t - 1] * stay[t] * backward / scale[t]
            np.add.at(posteriors[t], 2 * graph.phone + 1, stayed)
            backward = (step @ (enter[t] * backward) + stay[t] * backward) / scale[t]
    return total, posteriors


def best(outputs: Matrix, graph: Graph) -> tuple[float, list[tuple[int, int]]]:
    """The best path: its log score, and (frame, node) where each node is entered. (-inf, []) where none fits."""
    frames = len(outputs)
    enter, stay = outputs[:, 2 * graph.phone], outputs[:, 2 * graph.phone + 1]
    score = graph.start + enter[0]
    came = np.full((frames, len(graph.phone)), -1, np.int64)  # -1: stayed
    nobody = np.arange(len(graph.phone))
    for t in range(1, frames):
        ways = score[:, None] + graph.step
        source = ways.argmax(0)
        moved, stayed = ways[source, nobody] + enter[t], score + stay[t]
        came[t] = np.where(moved > stayed, source, -1)
        score = np.maximum(moved, stayed)
    final = score + graph.end
    node = int(final.argmax())
    if not np.isfinite(final[node]):
        return -np.inf, []
    path, total = [], float(final[node])
    for t in range(frames - 1, 0, -1):
        if came[t, node] >= 0:
            path.append((t, node))
            node = int(came[t, node])
    return total, [*reversed([*path, (0, node)])][: len(path) + 1]


def any_phones(log_bigram: Matrix) -> Graph:
    """All strings of phones. `log_bigram` [P+1, P+1]: the last row is "start", the last column "end"."""
    phones = len(log_bigram) - 1
    return Graph(np.arange(phones), log_bigram[-1, :-1], log_bigram[:-1, :-1], log_bigram[:-1, -1])


def spoken(ways: Sequence[Sequence[int]], silence: int, pauses: Sequence[Sequence[int]], log_bigram: Matrix) -> Graph:
    """One phrase said once, in any of `ways` (indices of phones), silence possible before and after it.

    `pauses`: for each way the positions before which silence may lie as well. Costs are those of the phone bigram.
    """
    phone = [silence, silence]
    before, after = 0, 1
    links: list[tuple[int, int]] = []
    starts, ends = [before], [after]
    for way, breaks in zip(ways, pauses, strict=True):
        nodes = list(range(len(phone), len(phone) + len(way)))
        phone += way
        links += [(before, nodes[0]), (nodes[-1], after)]
        links += list(zip(nodes, nodes[1:], strict=False))
        for at in breaks:
            phone.append(silence)
            links += [(nodes[at - 1], len(phone) - 1), (len(phone) - 1, nodes[at])]
        starts.append(nodes[0])
        ends.append(nodes[-1])
    size, index = len(phone), np.array(phone)
    start, end = np.full(size, -np.inf), np.full(size, -np.inf)
    step = np.full((size, size), -np.inf)
    start[starts] = log_bigram[-1, index[starts]]
    end[ends] = log_bigram[index[ends], -1]
    for source, target in links:
        step[source, target] = log_bigram[index[source], index[target]]
    return Graph(index, start, step, end)

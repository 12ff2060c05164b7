"""Lattice-free maximum mutual information (LF-MMI), trained end to end from a flat start.

Povey et al., "Purely sequence-trained neural networks for ASR based on lattice-free MMI", Interspeech 2016; Hadian et
al., "End-to-end speech recognition using lattice-free MMI", Interspeech 2018. What is scored, per recording, is

    log sum over paths through the words' own phones  -  log sum over paths through any phones (a phone bigram)

Each phone has two network outputs: 2p scores its first frame, 2p+1 its further frames. Frames are 30 ms.

This file holds the graph of a text and the plain recursion in PyTorch: easy to read, runs anywhere, slow. chain_gpu.py
does the same in one kernel; `scores` picks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

IMPOSSIBLE = -1e30
MOST_PREDECESSORS = 4
"""Three pronunciations of the word before, and the silence between."""


@dataclass(frozen=True)
class Graph:
    """The ways to say one text: nodes in order, each a phone that is entered from the nodes before it.

    phone         [K] index of the phone
    before        [K, MOST_PREDECESSORS] nodes from which it is entered; -1: none
    first, last   [K] whether a path may start, end here
    word          [K] which word of the text begins with this node; -1: none
    """

    phone: np.ndarray
    before: np.ndarray
    first: np.ndarray
    last: np.ndarray
    word: np.ndarray

    def least_frames(self) -> int:
        """Phones of the shortest way to say it: no recording of fewer frames can hold it."""
        lengths: list[int] = []
        for before, first in zip(self.before.tolist(), self.first.tolist(), strict=True):
            ways = [lengths[node] for node in before if node >= 0]
            lengths.append(1 if first else 1 + min(ways, default=10**6))
        return min(length for length, last in zip(lengths, self.last.tolist(), strict=True) if last)


def text_graph(words: Sequence[Sequence[Sequence[int]]], silence: int) -> Graph:
    """`words`: for each word its pronunciations, as indices of phones. Silence may lie between, before and after."""
    phone: list[int] = []
    before: list[list[int]] = []
    first: list[bool] = []
    word_at: list[int] = []

    def node(of: int, entered_from: list[int], starts: bool, word: int = -1) -> int:
        phone.append(of)
        before.append(entered_from)
        first.append(starts)
        word_at.append(word)
        return len(phone) - 1

    starts, ends = True, [node(silence, [], True)]
    for i, pronunciations in enumerate(words):
        word_ends = []
        for pronunciation in pronunciations[: MOST_PREDECESSORS - 1]:
            at = node(pronunciation[0], ends, starts, i)
            for one in pronunciation[1:]:
                at = node(one, [at], False)
            word_ends.append(at)
        ends, starts = [*word_ends, node(silence, word_ends, False)], False
    table = np.full((len(phone), MOST_PREDECESSORS), -1, dtype=np.int32)
    for row, entered_from in zip(table, before, strict=True):
        row[: len(entered_from)] = entered_from
    last = np.zeros(len(phone), dtype=bool)
    last[ends] = True
    return Graph(np.array(phone, np.int32), table, np.array(first), last, np.array(word_at, np.int32))


def join(graphs: Sequence[Graph]) -> Graph:
    """One text after another: the closing silence of each is the opening silence of the next (and stays optional)."""
    if len(graphs) == 1:
        return graphs[0]
    phone, before, first, last, word = [], [], [], [], []
    ends: np.ndarray | None = None
    at = words = 0
    for graph in graphs:
        here = np.where(graph.before >= 0, graph.before + at, -1)
        if ends is not None:
            # Enter where a path may start, from every end of the text before. The opening silence of a text with words
            # is left out: nothing leads to it.
            for k in np.flatnonzero(graph.first):
                here[k] = -1
                if k or graph.last[k]:
                    here[k, : len(ends)] = ends
            graph_first = np.zeros_like(graph.first)
        else:
            graph_first = graph.first
        phone.append(graph.phone)
        before.append(here)
        first.append(graph_first)
        last.append(np.zeros_like(graph.last))
        word.append(np.where(graph.word >= 0, graph.word + words, -1))
        ends = np.flatnonzero(graph.last) + at
        at += len(graph.phone)
        words += int(graph.word.max(initial=-1)) + 1
    last[-1] = graphs[-1].last
    return Graph(*(np.concatenate(part) for part in (phone, before, first, last, word)))


@dataclass(frozen=True)
class Batch:
    """Graphs padded to one size, with the bigram's log-probabilities on every step.

    phone, first, last are [B, K]; enter_from, enter_cost [B, K, M]; leads_to, lead_cost [B, K, N]: the same steps seen
    from where they start (N, the most successors, is the batch's own).
    """

    phone: Tensor
    enter_from: Tensor
    enter_cost: Tensor
    leads_to: Tensor
    lead_cost: Tensor
    first: Tensor
    last: Tensor

    def to(self, device: torch.device | str) -> Batch:
        return Batch(*(getattr(self, name).to(device, non_blocking=True) for name in self.__dataclass_fields__))

    def double(self) -> Batch:
        parts = (getattr(self, name) for name in self.__dataclass_fields__)
        return Batch(*(part.double() if part.is_floating_point() else part for part in parts))


def collate(graphs: Sequence[Graph], log_bigram: np.ndarray) -> Batch:
    """log_bigram [P+1, P+1]: row = phone before (the last row: start), column = phone (the last column: end)."""
    size = len(graphs), max(len(graph.phone) for graph in graphs)
    phone = np.zeros(size, np.int32)
    enter_from = np.full((*size, MOST_PREDECESSORS), -1, np.int32)
    first, last = (np.full(size, IMPOSSIBLE, np.float32) for _ in range(2))
    for row, graph in enumerate(graphs):
        k = len(graph.phone)
        phone[row, :k] = graph.phone
        enter_from[row, :k] = graph.before
        first[row, :k] = np.where(graph.first, log_bigram[-1, graph.phone], IMPOSSIBLE)
        last[row, :k] = np.where(graph.last, log_bigram[graph.phone, -1], IMPOSSIBLE)
    possible = enter_from >= 0
    source = np.maximum(enter_from, 0)
    source_phone = np.take_along_axis(phone, source.reshape(size[0], -1), 1).reshape(source.shape)
    enter_cost = np.where(possible, log_bigram[source_phone, phone[..., None]], IMPOSSIBLE).astype(np.float32)
    leads_to, lead_cost = _successors(source, enter_cost, possible)
    arrays = (phone, source, enter_cost, leads_to, lead_cost, first, last)
    return Batch(*(torch.from_numpy(np.ascontiguousarray(array)) for array in arrays))


def _successors(source: np.ndarray, cost: np.ndarray, possible: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The same steps listed by where they start."""
    batch, size, _ = source.shape
    row, target, slot = np.nonzero(possible)
    start = row * size + source[row, target, slot]
    order = np.argsort(start, kind="stable")
    ordered = start[order]
    counts = np.bincount(ordered, minlength=batch * size)
    rank = np.arange(len(ordered)) - np.repeat(np.cumsum(counts) - counts, counts)
    most = max(1, int(counts.max(initial=1)))
    leads_to = np.zeros((batch * size, most), np.int32)
    lead_cost = np.full((batch * size, most), IMPOSSIBLE, np.float32)
    leads_to[ordered, rank] = target[order]
    lead_cost[ordered, rank] = cost[row, target, slot][order]
    return leads_to.reshape(batch, size, most), lead_cost.reshape(batch, size, most)


def numerator(outputs: Tensor, lengths: Tensor, batch: Batch, on_entering: Tensor | float = 0.0) -> Tensor:
    """Log sum over all ways to say each text: outputs [B, T, 2P], lengths [B] frames -> [B].

    `on_entering` [B, T, K] is added where a node is entered; the gradient of that addition is the probability of it.
    """
    rows, frames, _ = outputs.shape
    index = (2 * batch.phone.long())[:, None].expand(-1, frames, -1)
    entering, staying = outputs.gather(2, index) + on_entering, outputs.gather(2, index + 1)
    k = batch.phone.shape[1]
    source = batch.enter_from.long().reshape(rows, -1)
    score = batch.first + entering[:, 0]
    total = torch.full_like(score[:, 0], IMPOSSIBLE)
    for t in range(1, frames):
        total = torch.where(lengths == t, torch.logsumexp(score + batch.last, 1), total)
        before = score.gather(1, source).reshape(rows, k, MOST_PREDECESSORS) + batch.enter_cost
        score = torch.logaddexp(torch.logsumexp(before, 2) + entering[:, t], score + staying[:, t])
    return torch.where(lengths == frames, torch.logsumexp(score + batch.last, 1), total)


def denominator(outputs: Tensor, lengths: Tensor, log_bigram: Tensor) -> Tensor:
    """Log sum over all strings of phones: outputs [B, T, 2P], lengths [B] frames -> [B]."""
    rows, frames, width = outputs.shape
    entering, staying = outputs.reshape(rows, frames, width // 2, 2).unbind(-1)
    steps, start, end = log_bigram[:-1, :-1], log_bigram[-1, :-1], log_bigram[:-1, -1]
    score = start + entering[:, 0]
    total = torch.full_like(score[:, 0], IMPOSSIBLE)
    for t in range(1, frames):
        total = torch.where(lengths == t, torch.logsumexp(score + end, 1), total)
        moved = torch.logsumexp(score[:, :, None] + steps, 1)
        score = torch.logaddexp(moved + entering[:, t], score + staying[:, t])
    return torch.where(lengths == frames, torch.logsumexp(score + end, 1), total)


def scores(outputs: Tensor, lengths: Tensor, batch: Batch, log_bigram: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """(numerator [B], denominator [B], posteriors [B, T, 2P] of the outputs given the text, without gradient)."""
    if outputs.is_cuda:
        import chain_gpu

        return chain_gpu.Scores.apply(outputs, lengths, batch, log_bigram)
    spoken = numerator(outputs, lengths, batch)
    (posteriors,) = torch.autograd.grad(spoken.sum(), outputs, retain_graph=True)
    return spoken, denominator(outputs, lengths, log_bigram), posteriors.detach()


def entry_probabilities(outputs: Tensor, lengths: Tensor, batch: Batch) -> Tensor:
    """How likely each node is entered at each frame, given the text: [B, T, K]. No gradient."""
    if outputs.is_cuda:
        import chain_gpu

        spoken, _, entered = chain_gpu.numerator(outputs.float().contiguous(), lengths.int().contiguous(), batch)
        in_time = torch.arange(outputs.shape[1], device=outputs.device)[:, None] < lengths[:, None, None]
        return torch.where(in_time & (spoken > IMPOSSIBLE / 2)[:, None, None], entered.exp(), 0.0)
    with torch.enable_grad():
        nothing = outputs.new_zeros(*outputs.shape[:2], batch.phone.shape[1], requires_grad=True)
        spoken = numerator(outputs.detach(), lengths, batch, nothing)
        return torch.autograd.grad(spoken.sum(), nothing)[0]


def estimate_bigram(graphs: Sequence[Graph], phones: int, rng: np.random.Generator) -> np.ndarray:
    """Log-probabilities [P+1, P+1] from random walks through the graphs, a tenth of a count added to every pair."""
    counts = np.full((phones + 1, phones + 1), 0.1)
    for graph in graphs:
        after: list[list[int]] = [[] for _ in graph.phone]
        for k, row in enumerate(graph.before):
            for source in row[row >= 0]:
                after[source].append(k)
        at = int(rng.choice(np.flatnonzero(graph.first)))
        counts[-1, graph.phone[at]] += 1
        while True:
            ways = after[at]
            if not ways or (graph.last[at] and rng.random() < 1 / (1 + len(ways))):
                break
            to = ways[int(rng.integers(len(ways)))]
            counts[graph.phone[at], graph.phone[to]] += 1
            at = to
        counts[graph.phone[at], -1] += 1
    return np.log(counts / counts.sum(1, keepdims=True))

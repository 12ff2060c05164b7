"""The recursions of chain.py fused into two Triton kernels, one program a recording: scores and gradients together.

The gradient of a log sum over paths with regard to an output is the probability that the path uses it (the forward-
backward algorithm; Rabiner 1989), so both kernels walk forward, keep what they saw, and walk back.
"""

from __future__ import annotations

from typing import Any

import torch
import triton
import triton.language as tl
from chain import Batch
from torch import Tensor

_IMPOSSIBLE = tl.constexpr(-1e30)


@triton.jit
def _log_add(a, b):
    high = tl.maximum(a, b)
    return high + tl.log(tl.exp(a - high) + tl.exp(b - high))


@triton.jit
def _log_sum(values):
    high = tl.max(values, 0)
    return high + tl.log(tl.sum(tl.exp(values - high), 0))


@triton.jit
def _numerator(
    outputs, lengths, phone, enter_from, enter_cost, leads_to, lead_cost, first, last,
    entered, stayed, total, posteriors, frames, nodes, width,
    IN: tl.constexpr, OUT: tl.constexpr, BLOCK: tl.constexpr,
):  # fmt: skip
    """Log-domain forward-backward over a text's nodes. entered, stayed [B, T, K]: scratch; posteriors start as 0."""
    row = tl.program_id(0).to(tl.int64)
    k = tl.arange(0, BLOCK)
    here = k < nodes
    length = tl.load(lengths + row)
    pdf = 2 * tl.load(phone + row * nodes + k, mask=here, other=0)
    outputs += row * frames * width
    posteriors += row * frames * width
    entered += row * frames * nodes
    stayed += row * frames * nodes
    enter = tl.load(first + row * nodes + k, mask=here, other=_IMPOSSIBLE) + tl.load(outputs + pdf)
    stay = tl.full([BLOCK], _IMPOSSIBLE, tl.float32)
    tl.store(entered + k, enter, mask=here)
    tl.store(stayed + k, stay, mask=here)
    score = enter
    for t in range(1, length):
        moved = tl.full([BLOCK], _IMPOSSIBLE, tl.float32)
        for m in tl.static_range(IN):
            at = (row * nodes + k) * IN + m
            source = tl.load(enter_from + at, mask=here, other=0)
            cost = tl.load(enter_cost + at, mask=here, other=_IMPOSSIBLE)
            moved = _log_add(moved, tl.gather(score, source, 0) + cost)
        enter = moved + tl.load(outputs + t * width + pdf)
        stay = score + tl.load(outputs + t * width + pdf + 1)
        enter = tl.maximum(enter, _IMPOSSIBLE)
        stay = tl.maximum(stay, _IMPOSSIBLE)
        tl.store(entered + t * nodes + k, enter, mask=here)
        tl.store(stayed + t * nodes + k, stay, mask=here)
        score = _log_add(enter, stay)
    end = tl.load(last + row * nodes + k, mask=here, other=_IMPOSSIBLE)
    whole = _log_sum(score + end)
    tl.store(total + row, whole)
    rest = end
    for back in range(0, length):
        t = length - 1 - back
        enter = tl.load(entered + t * nodes + k, mask=here, other=_IMPOSSIBLE)
        stay = tl.load(stayed + t * nodes + k, mask=here, other=_IMPOSSIBLE)
        tl.atomic_add(posteriors + t * width + pdf, tl.exp(tl.minimum(enter + rest - whole, 0.0)), mask=here)
        tl.atomic_add(posteriors + t * width + pdf + 1, tl.exp(tl.minimum(stay + rest - whole, 0.0)), mask=here)
        tl.store(entered + t * nodes + k, enter + rest - whole, mask=here)
        if t > 0:
            ahead = rest + tl.load(outputs + t * width + pdf)
            rest = rest + tl.load(outputs + t * width + pdf + 1)
            for n in tl.static_range(OUT):
                at = (row * nodes + k) * OUT + n
                target = tl.load(leads_to + at, mask=here, other=0)
                cost = tl.load(lead_cost + at, mask=here, other=_IMPOSSIBLE)
                rest = _log_add(rest, tl.gather(ahead, target, 0) + cost)
            rest = tl.maximum(rest, _IMPOSSIBLE)


@triton.jit
def _denominator(
    outputs, lengths, bigram, entered, stayed, total, gradient, frames,
    PHONES: tl.constexpr, BLOCK: tl.constexpr,
):  # fmt: skip
    """Forward-backward over all phones; probabilities, rescaled every frame. `bigram` [P+1, P+1] are logarithms."""
    row = tl.program_id(0).to(tl.int64)
    p = tl.arange(0, BLOCK)
    here = p < PHONES
    length = tl.load(lengths + row)
    wide = PHONES + 1
    both = here[:, None] & here[None, :]
    steps = tl.exp(tl.load(bigram + p[:, None] * wide + p[None, :], mask=both, other=_IMPOSSIBLE))
    start = tl.exp(tl.load(bigram + PHONES * wide + p, mask=here, other=_IMPOSSIBLE))
    end = tl.exp(tl.load(bigram + p * wide + PHONES, mask=here, other=_IMPOSSIBLE))
    outputs += row * frames * 2 * PHONES
    gradient += row * frames * 2 * PHONES
    entered += row * frames * PHONES
    stayed += row * frames * PHONES
    first_frame = tl.load(outputs + 2 * p, mask=here, other=_IMPOSSIBLE)
    high = tl.max(first_frame, 0)
    enter = start * tl.exp(first_frame - high)
    stay = tl.zeros([BLOCK], tl.float32)
    sum_so_far = tl.sum(enter, 0)
    log_total = high + tl.log(sum_so_far)
    enter = enter / sum_so_far
    tl.store(entered + p, enter, mask=here)
    tl.store(stayed + p, stay, mask=here)
    score = enter
    for t in range(1, length):
        to_enter = tl.load(outputs + t * 2 * PHONES + 2 * p, mask=here, other=_IMPOSSIBLE)
        to_stay = tl.load(outputs + t * 2 * PHONES + 2 * p + 1, mask=here, other=_IMPOSSIBLE)
        high = tl.max(tl.maximum(to_enter, to_stay), 0)
        enter = tl.sum(score[:, None] * steps, 0) * tl.exp(to_enter - high)
        stay = score * tl.exp(to_stay - high)
        scale = tl.maximum(tl.sum(enter + stay, 0), 1e-30)
        log_total += high + tl.log(scale)
        enter = enter / scale
        stay = stay / scale
        tl.store(entered + t * PHONES + p, enter, mask=here)
        tl.store(stayed + t * PHONES + p, stay, mask=here)
        score = enter + stay
    ending = tl.maximum(tl.sum(score * end, 0), 1e-30)
    tl.store(total + row, log_total + tl.log(ending))
    rest = end / ending
    for back in range(0, length):
        t = length - 1 - back
        enter = tl.load(entered + t * PHONES + p, mask=here, other=0.0)
        stay = tl.load(stayed + t * PHONES + p, mask=here, other=0.0)
        whole = tl.maximum(tl.sum((enter + stay) * rest, 0), 1e-30)
        tl.store(gradient + t * 2 * PHONES + 2 * p, enter * rest / whole, mask=here)
        tl.store(gradient + t * 2 * PHONES + 2 * p + 1, stay * rest / whole, mask=here)
        if t > 0:
            to_enter = tl.load(outputs + t * 2 * PHONES + 2 * p, mask=here, other=_IMPOSSIBLE)
            to_stay = tl.load(outputs + t * 2 * PHONES + 2 * p + 1, mask=here, other=_IMPOSSIBLE)
            high = tl.max(tl.maximum(to_enter, to_stay), 0)
            ahead = rest * tl.exp(to_enter - high)
            rest = rest * tl.exp(to_stay - high) + tl.sum(steps * ahead[None, :], 1)
            rest = rest / tl.maximum(tl.max(rest, 0), 1e-30)


def numerator(outputs: Tensor, lengths: Tensor, batch: Batch) -> tuple[Tensor, Tensor, Tensor]:
    """(scores [B], posteriors [B, T, 2P], log-probability [B, T, K] that a node is entered at a frame)."""
    rows, frames, width = outputs.shape
    nodes = batch.phone.shape[1]
    entered, stayed = (outputs.new_empty(rows, frames, nodes) for _ in range(2))
    total, posteriors = outputs.new_empty(rows), torch.zeros_like(outputs)
    block = max(32, triton.next_power_of_2(nodes))
    _numerator[(rows,)](
        outputs, lengths, batch.phone, batch.enter_from, batch.enter_cost, batch.leads_to, batch.lead_cost, batch.first,
        batch.last, entered, stayed, total, posteriors, frames, nodes, width,
        IN=batch.enter_from.shape[2], OUT=batch.leads_to.shape[2], BLOCK=block,
        num_warps=max(1, min(8, block // 64)), num_stages=1,
    )  # fmt: skip
    return total, posteriors, entered


def denominator(outputs: Tensor, lengths: Tensor, log_bigram: Tensor) -> tuple[Tensor, Tensor]:
    """(scores [B], posteriors [B, T, 2P])."""
    rows, frames, width = outputs.shape
    entered, stayed = (outputs.new_empty(rows, frames, width // 2) for _ in range(2))
    total, posteriors = outputs.new_empty(rows), torch.zeros_like(outputs)
    _denominator[(rows,)](
        outputs, lengths, log_bigram, entered, stayed, total, posteriors, frames,
        PHONES=width // 2, BLOCK=triton.next_power_of_2(width // 2), num_warps=4, num_stages=1,
    )  # fmt: skip
    return total, posteriors


class Scores(torch.autograd.Function):
    """What chain.scores returns."""

    @staticmethod
    def forward(ctx: Any, outputs: Tensor, lengths: Tensor, batch: Batch, log_bigram: Tensor) -> tuple[Tensor, ...]:
        outputs, lengths = outputs.float().contiguous(), lengths.int().contiguous()
        spoken, spoken_posteriors, _ = numerator(outputs, lengths, batch)
        anything, any_posteriors = denominator(outputs, lengths, log_bigram.float().contiguous())
        ctx.save_for_backward(spoken_posteriors, any_posteriors)
        ctx.mark_non_differentiable(spoken_posteriors)
        return spoken, anything, spoken_posteriors

    @staticmethod
    def backward(ctx: Any, *gradients: Tensor) -> tuple[Tensor | None, ...]:
        spoken_posteriors, any_posteriors = ctx.saved_tensors
        of_spoken, of_anything, _ = gradients
        of_outputs = of_spoken[:, None, None] * spoken_posteriors + of_anything[:, None, None] * any_posteriors
        return of_outputs, None, None, None

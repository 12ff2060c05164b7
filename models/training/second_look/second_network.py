"""The second look's network: Google's speech embedding, and on top of it a small transformer that reads the phones of a
word and the sound together and says whether they match.

Embedding: Lin et al. 2020 (arXiv:2002.01322), a net of convolutions without padding in time, so that a whole stretch
can go through it at once. It is read at three depths, each every 40 ms. Judging phones and sound together follows
PhonMatchNet (Lee & Cho 2023, arXiv:2308.16511).
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import torch
import torch.nn.functional as F
from torch import Tensor, nn

RATE = 16_000
HOP, WINDOW, FFT = 160, 400, 512
BANDS, LOWEST_HZ, HIGHEST_HZ = 32, 60.0, 3800.0
LEAST_POWER, RANGE = 1e-10, 8.0
"""Of a mel band; in powers of ten below the loudest of the stretch."""
FIELD = 76
"""10 ms frames that one frame of the embedding sees."""
STRIDE = 4
"""10 ms frames from one frame of the embedding to the next."""
LAYERS = (
    (1, 24, 3, 3), (24, 24, 1, 3), (24, 24, 3, 1), "22",
    (24, 48, 1, 3), (48, 48, 3, 1), (48, 48, 1, 3), (48, 48, 3, 1), "12",
    (48, 72, 1, 3), (72, 72, 3, 1), (72, 72, 1, 3), (72, 72, 3, 1), "22",
    (72, 96, 1, 3), (96, 96, 3, 1), (96, 96, 1, 3), (96, 96, 3, 1), "12",
    (96, 96, 1, 3), (96, 96, 3, 1), (96, 96, 1, 3), (96, 96, 3, 1),
)  # fmt: skip
"""Convolutions (inputs, outputs, size in time, size in frequency) and pools (the same in time and frequency)."""
DEPTHS = 864
"""Numbers a frame: 96 of the embedding, 192 from after its 14th, 2 x 288 from after its 10th convolution."""
MOST_PHONES = 24
POSITION = 5


def mel_bank() -> Tensor:
    """Weights of the FFT's bins in each band, [257, 32]; the scale of Slaney's Auditory Toolbox (1998), equal areas."""

    def mel(hertz: float) -> float:
        return hertz * 3 / 200 if hertz < 1000 else 15 + 27 * math.log(hertz / 1000) / math.log(6.4)

    points = torch.linspace(mel(LOWEST_HZ), mel(HIGHEST_HZ), BANDS + 2, dtype=torch.float64)
    edges = torch.where(points < 15, points * 200 / 3, 1000 * torch.exp(math.log(6.4) / 27 * (points - 15)))
    bins = torch.arange(FFT // 2 + 1, dtype=torch.float64)[:, None] * RATE / FFT
    low, middle, high = edges[:-2], edges[1:-1], edges[2:]
    rising, falling = (bins - low) / (middle - low), (high - bins) / (high - middle)
    return (torch.minimum(rising, falling).clamp(min=0) * 2 / (high - low)).float()


class LogMel(nn.Module):
    """Samples [B, N] in int16 scale -> [B, frames, 32]."""

    bank: Tensor
    window: Tensor

    def __init__(self) -> None:
        super().__init__()
        self.register_buffer("bank", mel_bank(), persistent=False)
        window = F.pad(torch.hann_window(WINDOW), [(FFT - WINDOW) // 2] * 2)
        self.register_buffer("window", window, persistent=False)

    def forward(self, sound: Tensor) -> Tensor:
        spectrum = torch.fft.rfft(sound.unfold(1, FFT, HOP) * self.window)
        logs = ((spectrum.real**2 + spectrum.imag**2) @ self.bank).clamp(min=LEAST_POWER).log10()
        return torch.maximum(logs, logs.amax((1, 2), keepdim=True) - RANGE) + 2


class Embedding(nn.Module):
    """[B, frames, 32] -> [B, (frames - 76) // 4 + 1, 864]."""

    def __init__(self) -> None:
        super().__init__()
        shapes = [layer for layer in LAYERS if isinstance(layer, tuple)]
        self.convs = nn.ModuleList(nn.Conv2d(i, o, (t, f), padding=(0, f // 2)) for i, o, t, f in shapes)
        self.last = nn.Conv2d(96, 96, (3, 1), dilation=(2, 1), bias=False)

    def forward(self, mel: Tensor) -> Tensor:
        x, depths, number = mel[:, None].contiguous(memory_format=torch.channels_last), [], 0
        for layer in LAYERS:
            if isinstance(layer, str):
                x = F.max_pool2d(x, (int(layer[0]), int(layer[1])))
            else:
                x = F.leaky_relu(self.convs[number](x), 0.2).clamp(min=-0.4)
                if number in (10, 14):
                    depths.append(x)
                number += 1
        last = self.last(F.max_pool2d(x, (2, 2), stride=(1, 2)))
        frames = last.shape[2]
        fine, middle = (F.max_pool2d(depth, (1, 2)) for depth in depths)
        middle = middle[:, :, 4 : 4 + frames]
        even, odd = fine[:, :, 13 : 13 + 2 * frames : 2], fine[:, :, 14 : 14 + 2 * frames : 2]
        return torch.cat([part.transpose(1, 2).flatten(2) for part in (last, middle, even, odd)], 2)


@dataclass(frozen=True)
class Shape:
    width: int = 128
    heads: int = 4
    inner: int = 256
    layers: int = 3


class Block(nn.Module):
    """One layer of a transformer, normalised before each half (Xiong et al. 2020)."""

    def __init__(self, shape: Shape, dropout: float) -> None:
        super().__init__()
        self.heads = shape.heads
        self.before_attention, self.before_inner = nn.LayerNorm(shape.width), nn.LayerNorm(shape.width)
        self.ask_key_value = nn.Linear(shape.width, 3 * shape.width)
        self.gather = nn.Linear(shape.width, shape.width)
        self.inner, self.outer = nn.Linear(shape.width, shape.inner), nn.Linear(shape.inner, shape.width)
        self.drop = nn.Dropout(dropout)

    def forward(self, x: Tensor, present: Tensor) -> Tensor:
        batch, tokens, width = x.shape
        parts = self.ask_key_value(self.before_attention(x)).view(batch, tokens, 3, self.heads, -1)
        ask, key, value = parts.permute(2, 0, 3, 1, 4)
        heard = F.scaled_dot_product_attention(ask, key, value, attn_mask=present[:, None, None])
        x = x + self.drop(self.gather(heard.transpose(1, 2).reshape(batch, tokens, width)))
        return x + self.drop(self.outer(F.relu(self.inner(self.before_inner(x)))))


class SecondLook(nn.Module):
    """Is it that word? Log-odds, [B, K]: of B stretches of sound, each beside K pronunciations."""

    def __init__(self, shape: Shape, phones: int, dropout: float = 0.1) -> None:
        super().__init__()
        self.shape = shape
        self.mel, self.embedding = LogMel(), Embedding()
        self.hear = nn.Linear(DEPTHS, shape.width)
        self.mean = nn.Parameter(torch.zeros(DEPTHS), requires_grad=False)
        self.scale = nn.Parameter(torch.ones(DEPTHS), requires_grad=False)
        self.where = nn.Linear(POSITION, shape.width)
        self.phone = nn.Embedding(phones + 1, shape.width)  # the last one stands before the phones and bears the answer
        self.order = nn.Embedding(2 * MOST_PHONES, shape.width)
        self.blocks = nn.ModuleList(Block(shape, dropout) for _ in range(shape.layers))
        self.norm, self.answer = nn.LayerNorm(shape.width), nn.Linear(shape.width, 1)
        self.spell = nn.Linear(shape.width, phones + 1)  # only while training: which phone a frame is, or none

    def listen(self, sound: Tensor, start: Tensor, end: Tensor) -> Tensor:
        """Sound [B, N]; `start`, `end` [B]: where in it the word is said, in samples -> [B, frames, width]."""
        deep = (self.embedding(self.mel(sound)) - self.mean) * self.scale
        return self.hear(deep.float()) + self.where(positions(deep.shape[1], start, end))

    def judge(self, heard: Tensor, present: Tensor, text: Tensor, length: Tensor) -> Tensor:
        """`heard` [B, frames, width], `present` [B, frames]; text [B, K, L] numbers of phones, `length` [B, K]."""
        batch, ways, longest = text.shape
        index = torch.arange(longest, device=text.device)
        from_end = (length[..., None] - 1 - index).clamp(0, MOST_PHONES - 1) + MOST_PHONES
        read = self.phone(text) + self.order(index) + self.order(from_end)
        first = self.phone.weight[-1].expand(batch, ways, 1, -1)
        sound = heard[:, None].expand(-1, ways, -1, -1)
        tokens = torch.cat([first, read, sound], 2).flatten(0, 1)
        real = torch.cat([index[:1] >= 0, index >= 0])[None, None].expand(batch, ways, -1).clone()
        real[..., 1:] = index < length[..., None]
        mask = torch.cat([real, present[:, None].expand(-1, ways, -1)], 2).flatten(0, 1)
        for block in self.blocks:
            tokens = block(tokens, mask)
        return self.answer(self.norm(tokens[:, 0])).view(batch, ways)

    def checkpoint(self, phones: list[str]) -> dict[str, Any]:
        weights = {name: value.detach().half().cpu() for name, value in self.state_dict().items()}
        return {"phones": phones, "shape": asdict(self.shape), "weights": weights}


def positions(frames: int, start: Tensor, end: Tensor) -> Tensor:
    """Where each frame lies in the word, five numbers: [B, frames, 5]."""
    centre = (torch.arange(frames, device=start.device) * STRIDE + FIELD / 2) * HOP + FFT / 2
    after, before = (centre - start[:, None]) / RATE, (end[:, None] - centre) / RATE
    part = (after / (after + before)).clamp(-0.5, 1.5)
    inside = (after > 0) & (before > 0)
    return torch.stack([torch.tanh(after / 0.1), torch.tanh(before / 0.1), part, inside.float(), after + before], -1)

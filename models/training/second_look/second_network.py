"""The second look's network: Google's speech embedding, and a small network on top of it that makes phones of what the
embedding says and so tells how likely any word is.

Embedding: Lin et al. 2020 (arXiv:2002.01322), a net of convolutions without padding in time, so that a whole stretch
can go through it at once. It stays as it is, and is read at three depths, each every 40 ms.
"""

from __future__ import annotations

import math

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
NEAR_S = 0.25
"""Frames so far before and after a word are read."""
LEAST = -60.0
"""No text is less likely than this (natural logarithm)."""


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


class Speller(nn.Module):
    """What the embedding says, [B, frames, 864], and where in the word it lies, [B, frames, 5] -> how likely each phone
    is, or none; and from that how likely a text is (CTC, Graves et al. 2006), weighed against its length."""

    def __init__(self, phones: int, width: int = 192, dropout: float = 0.3) -> None:
        super().__init__()
        self.mean = nn.Parameter(torch.zeros(DEPTHS), requires_grad=False)
        self.scale = nn.Parameter(torch.ones(DEPTHS), requires_grad=False)
        self.hear = nn.Linear(DEPTHS + POSITION, width)
        self.mix = nn.Conv1d(width, width, 3, padding=1)
        self.out = nn.Linear(width, phones + 1)
        self.drop = nn.Dropout(dropout)
        self.weigh = nn.Linear(4, 1)
        with torch.no_grad():
            self.weigh.weight.copy_(torch.tensor([[0.5, 0.5, 0.2, 0.0]]))
            self.weigh.bias.fill_(2.0)

    def spell(self, deep: Tensor, where: Tensor, frames: Tensor) -> Tensor:
        """Log-probabilities [B, frames, phones + 1]; `frames` [B]: how many of them are real."""
        real = torch.arange(deep.shape[1], device=deep.device) < frames[:, None]
        x = torch.cat([(deep - self.mean) * self.scale, where], -1)
        x = self.drop(F.relu(self.hear(x))) * real[..., None]
        x = x + self.drop(F.relu(self.mix(x.transpose(1, 2)).transpose(1, 2)))
        return F.log_softmax(self.out(x), -1)

    def judge(self, spelt: Tensor, frames: Tensor, texts: Tensor, lengths: Tensor) -> tuple[Tensor, Tensor]:
        """Texts [B, K, L] with lengths [B, K] -> log-odds that each is said, and log-probabilities of the spelling."""
        batch, ways, _ = texts.shape
        doubled = (texts[..., 1:] == texts[..., :-1]) & (torch.arange(1, texts.shape[2]) < lengths[..., None])
        fits = lengths + doubled.sum(-1) <= frames[:, None]
        spelt = spelt[:, None].expand(-1, ways, -1, -1).flatten(0, 1).transpose(0, 1)
        each = frames[:, None].expand(-1, ways)
        blank = spelt.shape[-1] - 1
        cost = F.ctc_loss(
            spelt, texts.flatten(0, 1), each.flatten(), lengths.flatten(), blank, reduction="none", zero_infinity=True
        )
        said = torch.where(fits, -cost.view(batch, ways), LEAST).clamp(min=LEAST)
        known = torch.stack([said / 4, said / lengths, lengths / 4, each.float().log()], -1)
        return self.weigh(known)[..., 0], said


def positions(frames: int, start: Tensor, end: Tensor) -> Tensor:
    """Where each frame lies in the word, five numbers: [B, frames, 5]."""
    centre = (torch.arange(frames, device=start.device) * STRIDE + FIELD / 2) * HOP + FFT / 2
    after, before = (centre - start[:, None]) / RATE, (end[:, None] - centre) / RATE
    part = (after / (after + before)).clamp(-0.5, 1.5)
    inside = (after > 0) & (before > 0)
    return torch.stack([torch.tanh(after / 0.1), torch.tanh(before / 0.1), part, inside.float(), after + before], -1)

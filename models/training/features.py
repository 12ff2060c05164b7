"""Kaldi's MFCC in PyTorch, as models/en/conf/mfcc.conf sets it, so that training sees what the decoder will see.

Defaults of Kaldi's feature-window.cc, mel-computations.cc and feature-mfcc.cc (https://kaldi-asr.org/doc/feat.html),
but 40 mel bands from 20 to 7600 Hz, 40 cepstra, no energy, no dither.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor, nn

WINDOW, SHIFT, FFT, BANDS = 400, 160, 512, 40
_RATE, _LOW, _HIGH, _LIFTER, _PREEMPHASIS = 16_000, 20.0, 7600.0, 22.0, 0.97
_FLOOR = torch.finfo(torch.float32).eps


class Mfcc(nn.Module):
    """Samples [B, N] in int16 scale -> [B, frames, 40], a frame every 10 ms."""

    window: Tensor
    banks: Tensor
    cosines: Tensor

    def __init__(self) -> None:
        super().__init__()
        n = torch.arange(WINDOW, dtype=torch.float64)
        povey = (0.5 - 0.5 * torch.cos(2 * math.pi * n / (WINDOW - 1))) ** 0.85
        self.register_buffer("window", povey.float(), persistent=False)
        self.register_buffer("banks", _mel_banks().float(), persistent=False)
        self.register_buffer("cosines", _liftered_cosines().float(), persistent=False)

    def log_mel(self, samples: Tensor) -> Tensor:
        """[B, N] -> [B, frames, bands], natural logarithm of power."""
        frames = samples.unfold(1, WINDOW, SHIFT)
        frames = frames - frames.mean(-1, keepdim=True)
        before = torch.cat([frames[..., :1], frames[..., :-1]], -1)
        power = torch.fft.rfft((frames - _PREEMPHASIS * before) * self.window, FFT).abs().square()
        return (power @ self.banks.T).clamp_min(_FLOOR).log()

    def cepstra(self, log_mel: Tensor) -> Tensor:
        return log_mel @ self.cosines.T

    def forward(self, samples: Tensor) -> Tensor:
        return self.cepstra(self.log_mel(samples))


def frame_count(samples: Tensor) -> Tensor:
    """How many 10 ms frames so many samples give."""
    return ((samples - WINDOW).div(SHIFT, rounding_mode="floor") + 1).clamp_min(0)


def _mel(hertz: Tensor | float) -> Tensor:
    return 1127.0 * torch.log1p(torch.as_tensor(hertz, dtype=torch.float64) / 700.0)


def _mel_banks() -> Tensor:
    """Triangles evenly spaced on the mel scale: [bands, FFT / 2 + 1]."""
    edges = torch.linspace(float(_mel(_LOW)), float(_mel(_HIGH)), BANDS + 2, dtype=torch.float64)
    mel = _mel(torch.arange(FFT // 2 + 1, dtype=torch.float64) * _RATE / FFT)
    left, centre, right = (edges[i : i + BANDS, None] for i in range(3))
    return torch.minimum((mel - left) / (centre - left), (right - mel) / (right - centre)).clamp_min(0.0)


def _liftered_cosines() -> Tensor:
    """Orthonormal DCT-II, its rows scaled by the cepstral lifter: [cepstra, bands]."""
    k = torch.arange(BANDS, dtype=torch.float64)[:, None]
    rows = math.sqrt(2 / BANDS) * torch.cos(math.pi / BANDS * (k.T + 0.5) * k)
    rows[0] /= math.sqrt(2)
    return rows * (1 + 0.5 * _LIFTER * torch.sin(math.pi * k / _LIFTER))

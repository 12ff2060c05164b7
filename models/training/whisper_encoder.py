"""The encoder of Whisper tiny.en: Radford et al. 2022 (arXiv:2212.04356). It was made for 30 s; here it hears less.

The second look is made of its first layers (second_look/), and the ear may learn to foretell what the last one says
(train.py --teacher). whisper_weights.py finds its weights.
"""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F
from torch import Tensor, nn

RATE = 16_000
HOP, WINDOW = 160, 400
BANDS, HIGHEST_HZ = 80, 8000.0
LEAST_POWER, RANGE = 1e-10, 8.0
"""Of a mel band, full scale 1; in powers of ten below the loudest of the stretch."""
STRIDE = 2
"""10 ms frames from one frame of the encoder to the next."""
LAYERS, WIDTH, HEADS = 4, 384, 6


def mel_bank() -> Tensor:
    """Weights of the FFT's bins in each band, [201, 80]; the scale of Slaney's Auditory Toolbox (1998), equal areas."""

    def mel(hertz: float) -> float:
        return hertz * 3 / 200 if hertz < 1000 else 15 + 27 * math.log(hertz / 1000) / math.log(6.4)

    points = torch.linspace(0, mel(HIGHEST_HZ), BANDS + 2, dtype=torch.float64)
    edges = torch.where(points < 15, points * 200 / 3, 1000 * torch.exp(math.log(6.4) / 27 * (points - 15)))
    bins = torch.arange(WINDOW // 2 + 1, dtype=torch.float64)[:, None] * RATE / WINDOW
    low, middle, high = edges[:-2], edges[1:-1], edges[2:]
    rising, falling = (bins - low) / (middle - low), (high - bins) / (high - middle)
    return (torch.minimum(rising, falling).clamp(min=0) * 2 / (high - low)).float()


class LogMel(nn.Module):
    """Samples [B, N] in int16 scale -> [B, frames, 80], as Whisper hears; where there is no sound, the faintest."""

    bank: Tensor
    window: Tensor

    def __init__(self) -> None:
        super().__init__()
        self.register_buffer("bank", mel_bank(), persistent=False)
        self.register_buffer("window", torch.hann_window(WINDOW), persistent=False)

    def forward(self, sound: Tensor) -> Tensor:
        spectrum = torch.fft.rfft((sound / 32768).unfold(1, WINDOW, HOP) * self.window)
        logs = ((spectrum.real**2 + spectrum.imag**2) @ self.bank).clamp(min=LEAST_POWER).log10()
        return (torch.maximum(logs, logs.amax((1, 2), keepdim=True) - RANGE) + 4) / 4


class Layer(nn.Module):
    """Attention and two wide linear layers, each added to what came in: [B, frames, 384] -> the same."""

    def __init__(self, dropout: float) -> None:
        super().__init__()
        self.before_attention, self.before_think = nn.LayerNorm(WIDTH), nn.LayerNorm(WIDTH)
        self.ask, self.answer = nn.Linear(WIDTH, 3 * WIDTH), nn.Linear(WIDTH, WIDTH)
        self.widen, self.narrow = nn.Linear(WIDTH, 4 * WIDTH), nn.Linear(4 * WIDTH, WIDTH)
        self.drop = nn.Dropout(dropout)

    def forward(self, x: Tensor, real: Tensor) -> Tensor:
        rows, frames, _ = x.shape
        asked = self.ask(self.before_attention(x)).view(rows, frames, 3, HEADS, -1).permute(2, 0, 3, 1, 4)
        heard = F.scaled_dot_product_attention(*asked, attn_mask=real[:, None, None])
        x = x + self.drop(self.answer(heard.transpose(1, 2).flatten(2)))
        return x + self.drop(self.narrow(gelu(self.widen(self.before_think(x)))))


class Encoder(nn.Module):
    """Log mel bands [B, frames, 80] -> [B, frames / 2, 384]."""

    def __init__(self, layers: int = LAYERS, dropout: float = 0.0) -> None:
        super().__init__()
        self.conv1 = nn.Conv1d(BANDS, WIDTH, 3, padding=1)
        self.conv2 = nn.Conv1d(WIDTH, WIDTH, 3, stride=STRIDE, padding=1)
        self.layers = nn.ModuleList(Layer(dropout) for _ in range(layers))
        self.last = nn.LayerNorm(WIDTH)

    def forward(self, mel: Tensor, frames: Tensor, more: Tensor | float = 0.0) -> Tensor:
        """`frames` [B]: how many of those made are real; `more` is added to what goes into the layers."""
        heard = torch.arange(mel.shape[1], device=mel.device) < STRIDE * frames[:, None]
        x = gelu(self.conv1((mel * heard[..., None]).transpose(1, 2))) * heard[:, None]
        x = gelu(self.conv2(x)).transpose(1, 2)
        x = x + sinusoids(x.shape[1], x.device) + more
        real = torch.arange(x.shape[1], device=x.device) < frames[:, None]
        for layer in self.layers:
            x = layer(x, real)
        return self.last(x)


def gelu(x: Tensor) -> Tensor:
    """By tanh, which NumPy has too."""
    return F.gelu(x, approximate="tanh")


def sinusoids(frames: int, device: torch.device | str = "cpu") -> Tensor:
    """Whisper's numbers for the place of a frame: [frames, 384]."""
    slow = torch.exp(-math.log(10_000) / (WIDTH // 2 - 1) * torch.arange(WIDTH // 2, device=device))
    turns = torch.arange(frames, device=device)[:, None] * slow
    return torch.cat([turns.sin(), turns.cos()], 1)

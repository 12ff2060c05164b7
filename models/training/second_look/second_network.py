"""The second look's network: the first layers of Whisper tiny.en's encoder, and phones made of what they say, which
tell how likely any word is.

Whisper: Radford et al. 2022 (arXiv:2212.04356). Its encoder was made for 30 s; here it hears a second or two, is told
where in them the word lies, and learns on.
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
LAYERS, WIDTH, HEADS = 3, 384, 6
"""Of Whisper tiny's four layers: with the fourth, judging would take too long and the file too much room."""
MOST_PHONES = 24
POSITION = 5
NEAR_S = 0.25
"""Frames so far before and after a word are read."""
LEAST = -60.0
"""No text is less likely than this (natural logarithm)."""
KNOWN = 6


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


class Speller(nn.Module):
    """Log mel bands [B, frames, 80], and where in the word each frame lies, [B, frames / 2, 5] -> how likely each phone
    is, or none; and from that how likely a text is (CTC, Graves et al. 2006), weighed against its length and against
    the likeliest of all that may have been said."""

    def __init__(self, phones: int, dropout: float = 0.2) -> None:
        super().__init__()
        self.conv1 = nn.Conv1d(BANDS, WIDTH, 3, padding=1)
        self.conv2 = nn.Conv1d(WIDTH, WIDTH, 3, stride=STRIDE, padding=1)
        self.place = nn.Linear(POSITION, WIDTH)
        self.layers = nn.ModuleList(Layer(dropout) for _ in range(LAYERS))
        self.last = nn.LayerNorm(WIDTH)
        self.out = nn.Linear(WIDTH, phones + 1)
        self.weigh1, self.weigh2 = nn.Linear(KNOWN, 16), nn.Linear(16, 1)
        nn.init.zeros_(self.place.weight)
        nn.init.zeros_(self.place.bias)

    def spell(self, mel: Tensor, where: Tensor, frames: Tensor) -> Tensor:
        """Log-probabilities [B, frames, phones + 1]; `frames` [B]: how many of them are real."""
        heard = torch.arange(mel.shape[1], device=mel.device) < STRIDE * frames[:, None]
        x = gelu(self.conv1((mel * heard[..., None]).transpose(1, 2))) * heard[:, None]
        x = gelu(self.conv2(x)).transpose(1, 2)
        x = x + sinusoids(x.shape[1], x.device) + self.place(where)
        real = torch.arange(x.shape[1], device=x.device) < frames[:, None]
        for layer in self.layers:
            x = layer(x, real)
        return F.log_softmax(self.out(self.last(x)).float(), -1)

    def judge(self, spelt: Tensor, frames: Tensor, texts: Tensor, lengths: Tensor) -> tuple[Tensor, Tensor]:
        """Texts [B, K, L] with lengths [B, K] -> log-odds that each is said, log-probability of its spelling."""
        batch, ways, _ = texts.shape
        doubled = (texts[..., 1:] == texts[..., :-1]) & (
            torch.arange(1, texts.shape[2], device=texts.device) < lengths[..., None]
        )
        fits = lengths + doubled.sum(-1) <= frames[:, None]
        real = torch.arange(spelt.shape[1], device=spelt.device) < frames[:, None]
        free = (spelt.amax(-1) * real).sum(1, keepdim=True)
        spelt = spelt[:, None].expand(-1, ways, -1, -1).flatten(0, 1).transpose(0, 1)
        each = frames[:, None].expand(-1, ways)
        blank = spelt.shape[-1] - 1
        cost = F.ctc_loss(
            spelt, texts.flatten(0, 1), each.flatten(), lengths.flatten(), blank, reduction="none", zero_infinity=True
        )
        spelling = torch.where(fits, -cost.view(batch, ways), LEAST)
        # for the loss it is not cut off: at first every text is far below LEAST, where there is no slope to learn from
        said = spelling.clamp(min=LEAST)
        behind = (said - free).clamp(min=LEAST)
        known = [said / 8, said / lengths, behind / 8, behind / lengths, lengths / 8, each.float().log() / 4]
        return self.weigh2(F.relu(self.weigh1(torch.stack(known, -1))))[..., 0], spelling


def gelu(x: Tensor) -> Tensor:
    """By tanh, which NumPy has too."""
    return F.gelu(x, approximate="tanh")


def sinusoids(frames: int, device: torch.device | str = "cpu") -> Tensor:
    """Whisper's numbers for the place of a frame: [frames, 384]."""
    slow = torch.exp(-math.log(10_000) / (WIDTH // 2 - 1) * torch.arange(WIDTH // 2, device=device))
    turns = torch.arange(frames, device=device)[:, None] * slow
    return torch.cat([turns.sin(), turns.cos()], 1)


def positions(frames: int, start: Tensor, end: Tensor) -> Tensor:
    """Where each frame lies in the word that is said from sample `start` to `end`, five numbers: [B, frames, 5]."""
    centre = torch.arange(frames, device=start.device) * STRIDE * HOP + WINDOW / 2
    after, before = (centre - start[:, None]) / RATE, (end[:, None] - centre) / RATE
    part = (after / (after + before)).clamp(-0.5, 1.5)
    inside = (after > 0) & (before > 0)
    return torch.stack([torch.tanh(after / 0.1), torch.tanh(before / 0.1), part, inside.float(), after + before], -1)


def near(spelt: Tensor, start: Tensor, end: Tensor, frames: Tensor) -> tuple[Tensor, Tensor]:
    """The frames at most NEAR_S before and after the word, [B, most, phones + 1], and how many they are [B]."""
    step = STRIDE * HOP
    first = ((start - NEAR_S * RATE - WINDOW / 2) / step).floor().long().add(1).clamp(min=0)
    last = ((end + NEAR_S * RATE - WINDOW / 2) / step).ceil().long()
    count = (torch.minimum(last, frames) - first).clamp(min=1)
    at = (first[:, None] + torch.arange(int(count.max()), device=spelt.device)).clamp(max=spelt.shape[1] - 1)
    return spelt.gather(1, at[..., None].expand(-1, -1, spelt.shape[2])), count

"""The second look's network: the first layers of Whisper's encoder, and phones made of what they say, which tell how
likely any word is.

The encoder is told where in what it hears the word lies, and learns on.
"""

from __future__ import annotations

import sys
from pathlib import Path

import torch
import torch.nn.functional as F
from torch import Tensor, nn

sys.path.insert(0, str(Path(__file__).parents[1]))

from whisper_encoder import HOP, RATE, STRIDE, WIDTH, WINDOW, Encoder  # noqa: E402

LAYERS = 3
"""Of Whisper tiny's four: with the fourth, judging would take too long and the file too much room."""
MOST_PHONES = 24
POSITION = 5
NEAR_S = 0.25
"""Frames so far before and after a word are read."""
LEAST = -60.0
"""No text is less likely than this (natural logarithm)."""
KNOWN = 6


class Speller(Encoder):
    """Log mel bands [B, frames, 80], and where in the word each frame lies, [B, frames / 2, 5] -> how likely each phone
    is, or none; and from that how likely a text is (CTC, Graves et al. 2006), weighed against its length and against
    the likeliest of all that may have been said."""

    def __init__(self, phones: int, dropout: float = 0.2) -> None:
        super().__init__(LAYERS, dropout)
        self.place = nn.Linear(POSITION, WIDTH)
        self.out = nn.Linear(WIDTH, phones + 1)
        self.weigh1, self.weigh2 = nn.Linear(KNOWN, 16), nn.Linear(16, 1)
        nn.init.zeros_(self.place.weight)
        nn.init.zeros_(self.place.bias)

    def spell(self, mel: Tensor, where: Tensor, frames: Tensor) -> Tensor:
        """Log-probabilities [B, frames, phones + 1]; `frames` [B]: how many of them are real."""
        return F.log_softmax(self.out(self(mel, frames, self.place(where))).float(), -1)

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

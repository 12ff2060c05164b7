"""What several ears say of a sound on average, for one ear to say by itself (Hinton et al. 2015, arXiv:1503.02531).

They hear the sound before room and noise; the one that learns hears it after.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import torch
import torch.nn.functional as F
from features import Mfcc
from network import from_checkpoint
from torch import Tensor, nn

PEAK = 8000.0
"""Of the sound they hear, on the int16 scale: neither faint nor clipped."""


class Ensemble(nn.Module):
    """`ears`: checkpoints of train.py; all have `phones`, in whatever order, and may have more."""

    def __init__(self, ears: Sequence[Path], phones: Sequence[str]) -> None:
        super().__init__()
        self.mfcc = Mfcc()
        self.ears = nn.ModuleList()
        self.outputs: list[list[int]] = []
        self.off = torch.zeros(())
        """The last loss."""
        for ear in ears:
            checkpoint = torch.load(ear, map_location="cpu")
            if missing := set(phones) - set(checkpoint["phones"]):
                raise SystemExit(f"{ear}: does not know the phones {', '.join(sorted(missing))}; give another ear")
            places = [checkpoint["phones"].index(phone) for phone in phones]
            self.outputs.append([2 * place + state for place in places for state in (0, 1)])
            self.ears.append(from_checkpoint(checkpoint))

    @torch.no_grad()
    def says(self, sound: Tensor) -> Tensor:
        """Samples [B, N] -> the mean of their scores [B, T, 2P]."""
        loud = sound * (PEAK / (sound.abs().amax(1, keepdim=True) + 1))
        features = self.mfcc(loud + torch.randn_like(loud))
        with torch.autocast(sound.device.type, torch.bfloat16, enabled=sound.device.type == "cuda"):
            hidden = [ear.hidden(features) for ear in self.ears]
        scores = zip(self.ears, hidden, self.outputs, strict=True)
        return torch.stack([ear.out(h.float())[..., outputs] for ear, h, outputs in scores]).mean(0)

    def loss(self, clean: Tensor, outputs: Tensor, lengths: Tensor) -> Tensor:
        """How many nats a frame `outputs` [B, T, 2P] are off, softmax against softmax: in LF-MMI all paths share what a
        frame adds to every output. `clean` [B, N]: as it was before room and noise; `lengths` [B]: frames of sound."""
        wanted, told = F.log_softmax(self.says(clean)[:, : outputs.shape[1]], -1), F.log_softmax(outputs, -1)
        off = (wanted.exp() * (wanted - told)).sum(-1)
        real = torch.arange(outputs.shape[1], device=outputs.device) < lengths[:, None]
        loss = (off * real).sum() / real.sum().clamp(min=1)
        self.off = loss.detach()
        return loss

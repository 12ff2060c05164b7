"""What Whisper's encoder says of a sound, for the ear to foretell when it hears that sound through a room and noise.

Whisper has heard 680,000 hours (Radford et al. 2022, arXiv:2212.04356), the ear twenty. Only the ear is kept: what it
foretells with is left out of the model, as is Whisper.
"""

from __future__ import annotations

from pathlib import Path

import torch
from torch import Tensor, nn
from whisper_encoder import HOP, STRIDE, WIDTH, Encoder, LogMel

EAR_FRAME = 3
"""10 ms frames from one frame of the ear to the next."""
LEAST_DEVIATION = 1e-3


class Teacher(nn.Module):
    """`width`: of what the ear's last layer says."""

    mean: Tensor
    deviation: Tensor

    def __init__(self, whisper: Path, width: int) -> None:
        super().__init__()
        self.encoder, self.mel = Encoder(), LogMel()
        self.encoder.load_state_dict({name: value.float() for name, value in torch.load(whisper).items()})
        self.encoder.eval().requires_grad_(False)
        self.foretell = nn.Linear(width, WIDTH)
        self.register_buffer("mean", torch.zeros(WIDTH))
        self.register_buffer("deviation", torch.ones(WIDTH))
        self.off = torch.zeros(())
        """The last loss."""

    @torch.no_grad()
    def says(self, sound: Tensor, frames: int) -> Tensor:
        """Samples [B, N] -> [B, frames, 384], one for each frame of the ear."""
        mel = self.mel(sound)
        made = (mel.shape[1] + STRIDE - 1) // STRIDE
        real = torch.full((len(sound),), made, device=sound.device)
        with torch.autocast(sound.device.type, torch.bfloat16, enabled=sound.device.type == "cuda"):
            said = self.encoder(mel, real).float()
        at = torch.arange(frames, device=sound.device) * (EAR_FRAME / STRIDE)
        before = at.floor().long().clamp(max=made - 1)
        return (said[:, before] + said[:, at.ceil().long().clamp(max=made - 1)]) / 2

    @torch.no_grad()
    def measure(self, sound: Tensor) -> None:
        """Take its numbers' mean and deviation from some sound [B, N]: a few of them are far larger than the others."""
        said = self.says(sound, sound.shape[1] // (EAR_FRAME * HOP)).flatten(0, 1)
        self.mean.copy_(said.mean(0))
        self.deviation.copy_(said.std(0).clamp(min=LEAST_DEVIATION))

    def loss(self, clean: Tensor, hidden: Tensor, lengths: Tensor) -> Tensor:
        """How far the ear is off: 1 when it knows nothing. `clean` [B, N]: as it was before room and noise; `hidden`
        [B, T, width]: what the ear's last layer says of the whole; `lengths` [B]: its frames that hold sound."""
        wanted = (self.says(clean, hidden.shape[1]) - self.mean) / self.deviation
        off = (self.foretell(hidden) - wanted).square().mean(-1)
        real = torch.arange(hidden.shape[1], device=hidden.device) < lengths[:, None]
        loss = (off * real).sum() / real.sum()
        self.off = loss.detach()
        return loss

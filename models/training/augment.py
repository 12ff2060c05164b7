"""What a headset in a house does to a voice, on whatever device the samples are on. All levels are int16 scale.

Every function takes samples [B, N] and returns as many; chance decides per recording. The order in `augment` is that of
the world: room, other sounds, microphone, transmission.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

RATE = 16_000
FULL_SCALE = 32767.0


@dataclass(frozen=True)
class Loudness:
    """Of other sounds: in how many recordings; by how much speech stands above them, dB; how often there are two."""

    chance: float
    least_db: float
    most_db: float
    another: float


LOUDNESS = {"loud": Loudness(0.8, -2, 24, 1 / 3), "moderate": Loudness(0.7, -2, 27, 0.0)}


def augment(speech: Tensor, noise: Tensor, loudness: Loudness = LOUDNESS["loud"]) -> Tensor:
    """`noise`: one long stretch of household sound."""
    speech = equalise(reverberate(speech, chance=0.5))
    speech = speech / (speech.abs().amax(1, keepdim=True) + 1) * FULL_SCALE * 10 ** (-_uniform(speech, 0, 32) / 20)
    mixed = add_babble(speech, chance=0.15, least_db=6, most_db=22)
    mixed = add_noise(mixed, noise, loudness)
    mixed = band_limit(clip(mixed, chance=0.06), chance=0.15)
    return add_floor(mixed).clamp(-FULL_SCALE, FULL_SCALE)


def equalise(x: Tensor) -> Tensor:
    """A smooth random curve of up to about +-10 dB."""
    spectrum = torch.fft.rfft(x)
    knots = torch.randn(len(x), 1, 9, device=x.device) * _uniform(x, 0, 5)[:, None]
    curve = F.interpolate(knots, size=spectrum.shape[1], mode="linear", align_corners=True)[:, 0]
    return torch.fft.irfft(spectrum * 10 ** (curve / 20), n=x.shape[1])


def reverberate(x: Tensor, chance: float) -> Tensor:
    """The direct sound, then noise that decays by 60 dB in 0.1-0.7 s; speaker near to a few metres away."""
    length = RATE // 2
    t = torch.arange(length, device=x.device) / RATE
    tail = torch.randn(len(x), length, device=x.device) * torch.exp(-6.9 * t / _uniform(x, 0.1, 0.7))
    tail[:, : RATE // 500] = 0
    tail = tail / tail.norm(dim=1, keepdim=True) * _uniform(x, 0, 0.9)
    tail[:, 0] = 1
    size = x.shape[1] + length
    wet = torch.fft.irfft(torch.fft.rfft(x, size) * torch.fft.rfft(tail, size), size)[:, : x.shape[1]]
    return torch.where(_happens(x, chance), wet, x)


def add_babble(x: Tensor, chance: float, least_db: float, most_db: float) -> Tensor:
    """Another recording of the batch in the background."""
    other = x.roll(int(torch.randint(1, max(2, len(x)), ())), 0).roll(int(torch.randint(0, x.shape[1], ())), 1)
    return torch.where(_happens(x, chance), x + other * _gain(x, other, least_db, most_db), x)


def add_noise(x: Tensor, noise: Tensor, loudness: Loudness) -> Tensor:
    """A stretch of `noise`, as some other room would give it, at times with another stretch under it; a quarter of the
    time coloured noise instead."""
    recorded = equalise(_stretches(noise, x))
    other = equalise(_stretches(noise, x))
    recorded = recorded + torch.where(_happens(x, loudness.another), other * _gain(recorded, other, -5, 10), 0.0)
    spectrum = torch.fft.rfft(torch.randn_like(x))
    hertz = torch.linspace(1, RATE / 2, spectrum.shape[1], device=x.device)
    coloured = torch.fft.irfft(spectrum * hertz ** -_uniform(x, 0, 1), n=x.shape[1])
    sound = torch.where(_happens(x, 0.25), coloured, recorded)
    noisy = x + sound * _gain(x, sound, loudness.least_db, loudness.most_db)
    return torch.where(_happens(x, loudness.chance), noisy, x)


def _stretches(noise: Tensor, x: Tensor) -> Tensor:
    """As many of them, as long as the rows of `x`."""
    at = torch.randint(0, len(noise), (len(x), 1), device=x.device) + torch.arange(x.shape[1], device=x.device)
    return noise[at % len(noise)].to(x.dtype)


def clip(x: Tensor, chance: float) -> Tensor:
    """Too loud for the microphone: flattened at 0.1-0.6 of the peak."""
    limit = x.abs().amax(1, keepdim=True) * _uniform(x, 0.1, 0.6)
    return torch.where(_happens(x, chance), x.clamp(-limit, limit), x)


def band_limit(x: Tensor, chance: float) -> Tensor:
    """A cheap link: nothing above 3.2-7 kHz, and a third of the time nothing below 300 Hz."""
    spectrum = torch.fft.rfft(x)
    hertz = torch.linspace(0, RATE / 2, spectrum.shape[1], device=x.device)
    low = torch.where(_happens(x, 1 / 3), 300.0, -1e4)
    band = torch.sigmoid((_uniform(x, 3200, 7000) - hertz) / 60) * torch.sigmoid((hertz - low) / 30)
    return torch.where(_happens(x, chance), torch.fft.irfft(spectrum * band, n=x.shape[1]), x)


def add_floor(x: Tensor) -> Tensor:
    """The hiss of a sound card, so that silence is not exactly zero (which a tenth of the recordings keep)."""
    level = 10 ** _uniform(x, -0.5, 1.3) * (~_happens(x, 0.1))
    return x + torch.randn_like(x) * level


def mask_bands(log_mel: Tensor, chance: float, widest: int = 8) -> Tensor:
    """Neighbouring mel bands set to their mean over time: [B, frames, bands] (after SpecAugment, Park et al. 2019)."""
    bands = torch.arange(log_mel.shape[2], device=log_mel.device)
    for _ in range(2):
        start = torch.rand(len(log_mel), 1, device=log_mel.device) * len(bands)
        width = torch.rand(len(log_mel), 1, device=log_mel.device) * widest
        hidden = (bands >= start) & (bands < start + width)
        hidden &= torch.rand(len(log_mel), 1, device=log_mel.device) < chance
        log_mel = torch.where(hidden[:, None], log_mel.mean(1, keepdim=True), log_mel)
    return log_mel


def _uniform(x: Tensor, low: float, high: float) -> Tensor:
    return low + (high - low) * torch.rand(len(x), 1, device=x.device)


def _happens(x: Tensor, chance: float) -> Tensor:
    return torch.rand(len(x), 1, device=x.device) < chance


def _gain(speech: Tensor, sound: Tensor, least_db: float, most_db: float) -> Tensor:
    """By how much to multiply `sound` so that the speech stands so far above it."""
    ratio = _level(speech) / (_level(sound) + 1e-3)
    return ratio * 10 ** (-_uniform(speech, least_db, most_db) / 20)


def _level(x: Tensor) -> Tensor:
    """Root mean square of the loud parts: 25 ms stretches within 20 dB of the loudest."""
    power = F.avg_pool1d(x.square()[:, None], 400, ceil_mode=True)[:, 0]
    loud = power > 0.01 * power.amax(1, keepdim=True)
    return ((power * loud).sum(1, keepdim=True) / loud.sum(1, keepdim=True).clamp_min(1)).sqrt()

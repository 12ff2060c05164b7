"""A second look at a word the ear believes it heard: an independent network judges "is it that word?".

The network, its training and its figures: models/second/MODEL_CARD.md. Here it runs on numpy alone; a test holds it to
the PyTorch network it was trained as. One judgement takes a few milliseconds, and nothing is kept between two.

Sound goes through the convolutions of Google's speech embedding (Lin et al. 2020, arXiv:2002.01322), read at three
depths every 40 ms; a small network makes phones of them, and how likely these spell the word is what counts.
"""

from __future__ import annotations

import hashlib
import io
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from handsfree.core.errors import UserError
from handsfree.core.phones import PAUSE

Array = np.ndarray

FILE, SUM = "second_look.npz", "second_look.sha256"
LONGEST_S = 1.5
"""Of a longer word the beginning is judged. As in training."""
NEAR_S = 0.25
"""Frames so far before and after the word are read: what is said there must not belong to it."""
LEAST = -60.0
"""Nothing is less likely than this (natural logarithm)."""
_RATE, _HOP, _WINDOW, _FFT = 16_000, 160, 400, 512
_EDGE = 6080
"""Samples of nothing on both sides, so that the first frame of the embedding lies at the beginning of the sound."""
_STRIDE, _FIELD = 4, 76
"""In 10 ms frames: from one frame of the embedding to the next; what one of them sees."""
_FINE, _MIDDLE = 10, 14
"""Convolutions after which the sound is read as well as at the end."""
_POOLS = {2: (2, 2), 6: (1, 2), 10: (2, 2), 14: (1, 2), 18: (2, 2)}
"""After convolution -> by how much time and frequency shrink; the last one keeps every frame."""


class SecondLook:
    """The network in the directory `model_dir`. Raises UserError where its file is missing or is not the one made.

    before_s, after_s  sound around a word that is listened to as well, as in training
    """

    before_s, after_s = 0.4, 0.3

    def __init__(self, model_dir: Path) -> None:
        path = model_dir / FILE
        try:
            data, known = path.read_bytes(), (model_dir / SUM).read_text().split()[0]
        except (OSError, IndexError) as error:
            raise UserError(f"{path}: no second look there; install handsfree again") from error
        if hashlib.sha256(data).hexdigest() != known:
            raise UserError(f"{path}: damaged, its checksum is not that of {SUM}; install handsfree again")
        with np.load(io.BytesIO(data)) as arrays:
            stored: dict[str, Any] = {name: arrays[name] for name in arrays.files}
        self._number = {str(phone): i for i, phone in enumerate(stored.pop("phones"))}
        self._w: dict[str, Array] = {name: value.astype(np.float32) for name, value in stored.items()}
        self._bank = mel_bank()
        self._window = np.pad(np.hanning(_WINDOW + 1)[:-1], (_FFT - _WINDOW) // 2).astype(np.float32)

    def probability(self, pcm: bytes, start: int, end: int, pronunciations: Sequence[Sequence[str]]) -> float:
        """How likely one of `pronunciations` is said from sample `start` to sample `end` of `pcm`, 0-1.

        pcm  int16, 16 kHz, mono; as much of `before_s` before and `after_s` after the word as there is
        """
        return 1 / (1 + math.exp(-max(-700.0, self.log_odds(pcm, start, end, pronunciations))))

    def log_odds(self, pcm: bytes, start: int, end: int, pronunciations: Sequence[Sequence[str]]) -> float:
        """The same as natural log-odds."""
        samples = np.frombuffer(pcm, "<i2")
        end = min(end, start + int(LONGEST_S * _RATE))
        before, after = int(self.before_s * _RATE), int(self.after_s * _RATE)
        first, last = max(0, start - before), min(len(samples), end + after)
        begins = _EDGE + before
        length = begins + end - start + after + _EDGE
        sound = np.zeros(-(-length // (_STRIDE * _HOP)) * _STRIDE * _HOP, np.float32)
        at = begins - (start - first)
        sound[at : at + last - first] = samples[first:last]
        spelt = self._spell(sound, begins, begins + end - start, at + last - first)
        return max(self._weigh(spelt, phones) for phones in pronunciations)

    def _spell(self, sound: Array, start: int, end: int, until: int) -> Array:
        """Log-probabilities of each phone, and of none, in the frames on and near the word: [frames, phones + 1]."""
        deep = (self.embed(log_mel(sound, self._bank, self._window)) - self._w["mean"]) * self._w["scale"]
        centre = (np.arange(len(deep)) * _STRIDE + _FIELD / 2) * _HOP + _FFT / 2
        after, before = (centre - start) / _RATE, (end - centre) / _RATE
        part = np.clip(after / (after + before), -0.5, 1.5)
        inside = (after > 0) & (before > 0)
        where = np.stack([np.tanh(after / 0.1), np.tanh(before / 0.1), part, inside, after + before], -1)
        near = (after > -NEAR_S) & (before > -NEAR_S) & (centre < until)
        x = np.concatenate([deep, where], 1).astype(np.float32)[near]
        x = np.maximum(x @ self._w["hear.weight"] + self._w["hear.bias"], 0)
        wide = np.pad(x, ((1, 1), (0, 0)))
        mixed = sum(wide[i : i + len(x)] @ self._w["mix.weight"][i] for i in range(3)) + self._w["mix.bias"]
        scores = (x + np.maximum(mixed, 0)) @ self._w["out.weight"] + self._w["out.bias"]
        return np.asarray(scores - np.logaddexp.reduce(scores, 1, keepdims=True))

    def _weigh(self, spelt: Array, pronunciation: Sequence[str]) -> float:
        """Log-odds of one pronunciation."""
        numbers = [self._number[phone] for phone in pronunciation if phone != PAUSE]
        said, count = max(spelling(spelt, numbers), LEAST), len(numbers)
        known = (said / 4, said / count, count / 4, math.log(len(spelt)))
        return float(np.dot(known, self._w["weigh.weight"][:, 0]) + self._w["weigh.bias"][0])

    def embed(self, mel: Array) -> Array:
        """[frames, 32] -> [(frames - 76) // 4 + 1, 864]."""
        x, kept = mel[:, :, None], {}
        for i in range(19):
            x = _convolve(x, self._w[f"embedding.convs.{i}.weight"]) + self._w[f"embedding.convs.{i}.bias"]
            np.maximum(x, np.maximum(0.2 * x, -0.4), out=x)
            if i in (_FINE, _MIDDLE):
                kept[i] = _pool(x, 1, 2)
            if i in _POOLS and i != 18:
                x = _pool(x, *_POOLS[i])
        x = _pool(np.maximum(x[:-1], x[1:]), 1, 2)
        w = self._w["embedding.last.weight"]
        frames = len(x) - 4
        last = sum(x[2 * t : 2 * t + frames] @ w[t, 0] for t in range(3))
        parts = [
            last, kept[_MIDDLE][4 : 4 + frames],
            kept[_FINE][13 : 13 + 2 * frames : 2], kept[_FINE][14 : 14 + 2 * frames : 2],
        ]  # fmt: skip
        # channels come before frequencies, as in PyTorch
        return np.concatenate([part.transpose(0, 2, 1).reshape(frames, -1) for part in parts], 1)


def spelling(spelt: Array, phones: Sequence[int]) -> float:
    """Log-probability that the frames spell `phones`, each for one or more frames, nothing or nothing else between: the
    forward sums of CTC (Graves et al. 2006). `spelt` [frames, phones + 1]: the last stands for no phone."""
    blank = spelt.shape[1] - 1
    states = np.full(2 * len(phones) + 1, blank)
    states[1::2] = phones
    skip = np.zeros(len(states), bool)  # from a phone to the next, without a blank, where they differ
    skip[3::2] = states[3::2] != states[1:-2:2]
    sums = np.full(len(states), -np.inf)
    sums[:2] = spelt[0, states[:2]]
    with np.errstate(invalid="ignore"):
        for frame in spelt[1:]:
            stepped = np.logaddexp(sums[1:], sums[:-1])
            jumped = np.where(skip[2:], sums[:-2], -np.inf)
            sums = np.concatenate([sums[:1], stepped])
            sums[2:] = np.logaddexp(sums[2:], jumped)
            sums += frame[states]
    return float(np.logaddexp(*sums[-2:]))


def mel_bank() -> Array:
    """Weights of the FFT's bins in each of 32 bands from 60 to 3800 Hz, [257, 32]; equal areas, the scale of Slaney's
    Auditory Toolbox (1998)."""

    def mel(hertz: float) -> float:
        return hertz * 3 / 200 if hertz < 1000 else 15 + 27 * math.log(hertz / 1000) / math.log(6.4)

    points = np.linspace(mel(60.0), mel(3800.0), 34)
    edges = np.where(points < 15, points * 200 / 3, 1000 * np.exp(math.log(6.4) / 27 * (points - 15)))
    bins = np.arange(_FFT // 2 + 1)[:, None] * _RATE / _FFT
    low, middle, high = edges[:-2], edges[1:-1], edges[2:]
    rising, falling = (bins - low) / (middle - low), (high - bins) / (high - middle)
    return np.asarray(np.maximum(np.minimum(rising, falling), 0) * 2 / (high - low), np.float32)


def log_mel(sound: Array, bank: Array, window: Array) -> Array:
    """Samples in int16 scale -> [10 ms frames, 32]: powers of ten, nothing more than 8 below the loudest, plus 2."""
    frames = np.lib.stride_tricks.sliding_window_view(sound, _FFT)[::_HOP]
    logs = np.log10(np.maximum((np.abs(np.fft.rfft(frames * window)) ** 2).astype(np.float32) @ bank, 1e-10))
    return np.asarray(np.maximum(logs, logs.max() - 8) + 2, np.float32)


def _convolve(x: Array, w: Array) -> Array:
    """x [time, frequency, inputs], w [t, f, inputs, outputs]; padded in frequency only."""
    times, bands = w.shape[:2]
    x = np.pad(x, ((0, 0), (bands // 2, bands // 2), (0, 0))) if bands > 1 else x
    frames, width = len(x) - times + 1, x.shape[1] - bands + 1
    patches = np.concatenate([x[t : t + frames, f : f + width] for t in range(times) for f in range(bands)], -1)
    return np.asarray(patches.reshape(-1, patches.shape[-1]) @ w.reshape(-1, w.shape[-1])).reshape(frames, width, -1)


def _pool(x: Array, time: int, frequency: int) -> Array:
    """The largest of each `time` x `frequency` neighbours."""
    frames, bands = len(x) // time, x.shape[1] // frequency
    x = x[: frames * time].reshape(frames, time, bands, frequency, -1)
    return np.asarray(x.max((1, 3)))

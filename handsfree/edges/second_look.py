"""A second look at a stretch of sound in which the ear heard a word: an independent network tells how likely each
phrase of a plan was said there.

The network, its training and its figures: models/second/MODEL_CARD.md. Here it runs on numpy alone; a test holds it to
the PyTorch network it was trained as. Nothing is kept between two judgements.

The first layers of Whisper's encoder (Radford et al. 2022, arXiv:2212.04356), taught to hear a second or two, make
phones of the sound every 20 ms; how likely these spell a phrase, and how much likelier the likeliest of all would be,
is what counts.
"""

from __future__ import annotations

import hashlib
import io
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from handsfree.core.errors import UserError
from handsfree.core.phones import PAUSE, Phones

Array = np.ndarray

FILE, SUM = "second_look.npz", "second_look.sha256"
LONGEST_S = 1.5
"""Of a longer word the beginning is judged. As in training."""
NEAR_S = 0.25
"""Frames so far before and after the word are read: what is said there must not belong to it."""
EDGE_S = 0.05
"""Frames so far before and after the word are asked whether somebody speaks."""
LEAST = -60.0
"""Nothing is less likely than this (natural logarithm)."""
_RATE, _HOP, _WINDOW, _STRIDE = 16_000, 160, 400, 2
_LAYERS, _HEADS = 3, 6


class Look(NamedTuple):
    """What was seen in a stretch of sound: log-odds that somebody speaks, those of each phrase [phrases], and its
    frames, each at unit length [frames, 384]."""

    voice: float
    odds: Array
    frames: Array


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
        self._w: dict[str, Array] = {
            name: value * stored[f"{name}.scale"].astype(np.float32)
            if value.dtype == np.int8
            else value.astype(np.float32)
            for name, value in stored.items()
            if not name.endswith(".scale")
        }
        self._bank = mel_bank()
        self._window = np.hanning(_WINDOW + 1)[:-1].astype(np.float32)

    def judge(self, pcm: bytes, start: int, end: int, phrases: Sequence[Sequence[Phones]]) -> Look:
        """How likely somebody speaks from sample `start` to sample `end` of `pcm`, whatever is said, and how likely
        each of `phrases` is said there.

        pcm      int16, 16 kHz, mono; as much of `before_s` before and `after_s` after the word as there is
        phrases  each the ways to say it, of which the likeliest counts
        """
        heard, finish = self._hear(pcm, start, end)
        spelt = self._spell(heard, finish)
        ways = [[self._number[phone] for phone in way if phone != PAUSE] for phrase in phrases for way in phrase]
        lengths = np.array(list(map(len, ways)))
        said = np.maximum(spellings(spelt, ways), LEAST)
        behind = np.maximum(said - spelt.max(1).sum(), LEAST)
        frames = np.full(len(ways), math.log(len(spelt)) / 4)
        known = np.stack([said / 8, said / lengths, behind / 8, behind / lengths, lengths / 8, frames], 1)
        odds = self._linear(np.maximum(self._linear(known, "weigh1"), 0), "weigh2")[:, 0]
        first = np.cumsum([0, *(len(phrase) for phrase in phrases[:-1])])
        voice = self._linear(self._inside(heard, finish), "voice")
        return Look(float(voice[0]), np.asarray(np.maximum.reduceat(odds, first)), self._at_unit_length(heard, finish))

    def frames(self, pcm: bytes, start: int, end: int) -> Array:
        """The frames of a stretch alone, as in Look."""
        return self._at_unit_length(*self._hear(pcm, start, end))

    def _at_unit_length(self, heard: Array, finish: int) -> Array:
        rows = heard[self._frames(len(heard), finish, EDGE_S)]
        return np.asarray(rows / np.linalg.norm(rows, axis=1, keepdims=True))

    def encoding(self, pcm: bytes, start: int, end: int) -> Array:
        """What the network makes of the word [384], by which it tells whether somebody speaks. As `judge`."""
        return self._inside(*self._hear(pcm, start, end))

    def _inside(self, heard: Array, finish: int) -> Array:
        return np.asarray(heard[self._frames(len(heard), finish, EDGE_S)].mean(0))

    def _hear(self, pcm: bytes, start: int, end: int) -> tuple[Array, int]:
        """What the network makes of each frame [frames, 384] of the word and the sound around it; the sample of that
        sound at which the word ends. It begins after `before_s`."""
        samples, end = np.frombuffer(pcm, "<i2"), min(end, start + int(LONGEST_S * _RATE))
        before, after = int(self.before_s * _RATE), int(self.after_s * _RATE)
        first, last = max(0, start - before), min(len(samples), end + after)
        finish, until = before + end - start, before + last - start
        frames = max(1, ((until - _WINDOW) // _HOP + 1 + _STRIDE - 1) // _STRIDE)
        sound = np.zeros((_STRIDE * frames - 1) * _HOP + _WINDOW, np.float32)
        at = before - (start - first)
        heard = samples[first:last][: len(sound) - at]
        sound[at : at + len(heard)] = heard
        return self._encode(log_mel(sound, self._bank, self._window), before, finish), finish

    def _spell(self, heard: Array, finish: int) -> Array:
        """Log-probabilities of each phone, and of none, in the frames on and near the word: [frames, phones + 1]."""
        scores = self._linear(heard[self._frames(len(heard), finish, NEAR_S)], "out")
        return np.asarray(scores - np.logaddexp.reduce(scores, 1, keepdims=True))

    def _frames(self, count: int, finish: int, margin_s: float) -> slice:
        """Those of `count` frames whose middle lies in the word or at most so far from it; one at least."""
        before, step, middle = int(self.before_s * _RATE), _STRIDE * _HOP, _WINDOW / 2
        first = min(count - 1, max(0, math.floor((before - margin_s * _RATE - middle) / step) + 1))
        last = math.ceil((finish + margin_s * _RATE - middle) / step)
        return slice(first, max(first + 1, last))

    def _encode(self, mel: Array, start: int, end: int) -> Array:
        """[frames, 80], and from and up to which sample the word is said -> [frames / 2, 384]."""
        x = gelu(self._convolve(mel, "conv1", 1))
        x = gelu(self._convolve(x, "conv2", _STRIDE))
        x = x + sinusoids(*x.shape) + self._linear(positions(len(x), start, end), "place")
        for i in range(_LAYERS):
            x = x + self._attend(self._norm(x, f"layers.{i}.before_attention"), f"layers.{i}")
            wide = gelu(self._linear(self._norm(x, f"layers.{i}.before_think"), f"layers.{i}.widen"))
            x = x + self._linear(wide, f"layers.{i}.narrow")
        return self._norm(x, "last")

    def _attend(self, x: Array, layer: str) -> Array:
        asked = self._linear(x, f"{layer}.ask").reshape(len(x), 3, _HEADS, -1).transpose(1, 2, 0, 3)
        queries, keys, values = asked
        scores = queries @ keys.transpose(0, 2, 1) / math.sqrt(keys.shape[-1])
        shares = np.exp(scores - scores.max(-1, keepdims=True))
        shares /= shares.sum(-1, keepdims=True)
        return self._linear((shares @ values).transpose(1, 0, 2).reshape(len(x), -1), f"{layer}.answer")

    def _linear(self, x: Array, name: str) -> Array:
        return np.asarray(x @ self._w[f"{name}.weight"] + self._w[f"{name}.bias"])

    def _convolve(self, x: Array, name: str, stride: int) -> Array:
        """Over three frames, nothing before and after the sound."""
        wide = np.pad(x, ((1, 1), (0, 0)))
        patches = np.concatenate([wide[i : i + len(x) : stride] for i in range(3)], 1)
        return np.asarray(patches @ self._w[f"{name}.weight"].reshape(patches.shape[1], -1) + self._w[f"{name}.bias"])

    def _norm(self, x: Array, name: str) -> Array:
        x = x - x.mean(1, keepdims=True)
        x = x / np.sqrt(np.square(x).mean(1, keepdims=True) + 1e-5)
        return np.asarray(x * self._w[f"{name}.weight"] + self._w[f"{name}.bias"])


def spellings(spelt: Array, texts: Sequence[Sequence[int]]) -> Array:
    """Log-probability that the frames spell each text, each phone for one or more frames, nothing or nothing else
    between: the forward sums of CTC (Graves et al. 2006). `spelt` [frames, phones + 1], the last for no phone."""
    blank, longest = spelt.shape[1] - 1, max(map(len, texts))
    states = np.full((len(texts), 2 * longest + 1), blank)
    for row, text in zip(states, texts, strict=True):
        row[1 : 2 * len(text) : 2] = text
    skip = np.zeros(states.shape)  # from a phone to the next, without a blank, where they differ
    skip[:, 3::2] = states[:, 3::2] != states[:, 1:-2:2]
    each = np.exp(spelt.astype(np.float64))[:, states]
    sums, scale = np.zeros(states.shape), np.zeros(len(texts))
    sums[:, :2] = each[0, :, :2]
    for frame in each[1:]:
        before = sums
        sums = before.copy()
        sums[:, 1:] += before[:, :-1]
        sums[:, 2:] += before[:, :-2] * skip[:, 2:]
        sums *= frame
        largest = sums.max(1)  # kept apart, or the sums of many frames would be nothing
        sums /= largest[:, None]
        scale += np.log(largest)
    rows, ends = np.arange(len(texts)), 2 * np.array(list(map(len, texts)))
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(sums[rows, ends] + sums[rows, ends - 1]) + scale)


def positions(frames: int, start: int, end: int) -> Array:
    """Where each frame lies in the word that is said from sample `start` to `end`: [frames, 5]."""
    centre = np.arange(frames) * _STRIDE * _HOP + _WINDOW / 2
    after, before = (centre - start) / _RATE, (end - centre) / _RATE
    part = np.clip(after / (after + before), -0.5, 1.5)
    inside = (after > 0) & (before > 0)
    return np.stack([np.tanh(after / 0.1), np.tanh(before / 0.1), part, inside, after + before], 1).astype(np.float32)


def sinusoids(frames: int, width: int) -> Array:
    """Whisper's numbers for the place of a frame: [frames, width]."""
    slow = np.exp(-math.log(10_000) / (width // 2 - 1) * np.arange(width // 2))
    turns = np.arange(frames)[:, None] * slow
    return np.concatenate([np.sin(turns), np.cos(turns)], 1).astype(np.float32)


def gelu(x: Array) -> Array:
    """Gaussian error linear unit, by tanh (Hendrycks & Gimpel 2016, arXiv:1606.08415)."""
    return np.asarray(0.5 * x * (1 + np.tanh(0.7978845608 * (x + 0.044715 * x * x * x))))


def mel_bank() -> Array:
    """Weights of the FFT's bins in each of 80 bands up to 8 kHz, [201, 80]; equal areas, the scale of Slaney's Auditory
    Toolbox (1998)."""

    def mel(hertz: float) -> float:
        return hertz * 3 / 200 if hertz < 1000 else 15 + 27 * math.log(hertz / 1000) / math.log(6.4)

    points = np.linspace(0, mel(8000.0), 82)
    edges = np.where(points < 15, points * 200 / 3, 1000 * np.exp(math.log(6.4) / 27 * (points - 15)))
    bins = np.arange(_WINDOW // 2 + 1)[:, None] * _RATE / _WINDOW
    low, middle, high = edges[:-2], edges[1:-1], edges[2:]
    rising, falling = (bins - low) / (middle - low), (high - bins) / (high - middle)
    return np.asarray(np.maximum(np.minimum(rising, falling), 0) * 2 / (high - low), np.float32)


def log_mel(sound: Array, bank: Array, window: Array) -> Array:
    """Samples in int16 scale -> [10 ms frames, 80]: powers of ten, nothing more than 8 below the loudest, as Whisper
    hears."""
    frames = np.lib.stride_tricks.sliding_window_view(sound / np.float32(32768), _WINDOW)[::_HOP]
    spectrum = np.fft.rfft(frames * window)
    power = (spectrum.real**2 + spectrum.imag**2).astype(np.float32)
    logs = np.log10(np.maximum(power @ bank, 1e-10))
    return np.asarray((np.maximum(logs, logs.max() - 8) + 4) / 4, np.float32)

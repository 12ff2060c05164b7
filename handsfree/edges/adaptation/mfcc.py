"""Kaldi's MFCC in numpy, as the model's conf/mfcc.conf sets it.

Defaults of Kaldi's feature-window.cc, mel-computations.cc and feature-mfcc.cc (https://kaldi-asr.org/doc/feat.html).
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from handsfree.core.errors import UserError
from handsfree.edges.adaptation.nnet3 import Array

WINDOW, SHIFT, FFT, RATE = 400, 160, 512, 16_000
_LIFTER, _PREEMPHASIS = 22.0, 0.97
_FLOOR = float(np.finfo(np.float32).eps)


class Mfcc:
    """Sound -> features, a frame every 10 ms."""

    def __init__(self, settings: Path) -> None:
        """`settings`: the model's conf/mfcc.conf. Raises UserError where it sets what is not done here."""
        known = {"use-energy": "false", "dither": "0"}
        known |= dict.fromkeys(("num-mel-bins", "num-ceps", "low-freq", "high-freq"), "")
        given = dict(line.lstrip("-").split("=") for line in settings.read_text().split())
        for name, value in given.items():
            if name not in known or known[name] not in ("", value):
                raise UserError(f"this ear cannot be adapted to a voice: {settings.name} sets {name} to {value}")
        bands, cepstra = int(given["num-mel-bins"]), int(given["num-ceps"])
        self._banks = _mel_banks(bands, float(given["low-freq"]), float(given["high-freq"]))
        self._cosines = _liftered_cosines(bands)[:cepstra]

    def __call__(self, samples: npt.NDArray[np.int16]) -> Array:
        """[N] -> [frames, cepstra]; no frame where there are fewer than 400 samples."""
        if len(samples) < WINDOW:
            return np.zeros((0, len(self._cosines)), np.float32)
        frames = np.lib.stride_tricks.sliding_window_view(samples.astype(np.float64), WINDOW)[::SHIFT]
        frames = frames - frames.mean(1, keepdims=True)
        before = np.concatenate([frames[:, :1], frames[:, :-1]], 1)
        power = np.abs(np.fft.rfft((frames - _PREEMPHASIS * before) * _povey(), FFT)) ** 2
        mel = np.log(np.maximum(power @ self._banks.T, _FLOOR))
        return (mel @ self._cosines.T).astype(np.float32)


@lru_cache(maxsize=1)
def _povey() -> npt.NDArray[np.float64]:
    window: npt.NDArray[np.float64] = (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(WINDOW) / (WINDOW - 1))) ** 0.85
    return window


def _mel(hertz: npt.ArrayLike) -> npt.NDArray[np.float64]:
    return 1127.0 * np.log1p(np.asarray(hertz, np.float64) / 700.0)


def _mel_banks(bands: int, low: float, high: float) -> npt.NDArray[np.float64]:
    """Triangles evenly spaced on the mel scale: [bands, FFT / 2 + 1]."""
    edges = np.linspace(_mel(low), _mel(high), bands + 2)
    mel = _mel(np.arange(FFT // 2 + 1) * RATE / FFT)
    left, centre, right = (edges[i : i + bands, None] for i in range(3))
    return np.maximum(np.minimum((mel - left) / (centre - left), (right - mel) / (right - centre)), 0.0)


def _liftered_cosines(bands: int) -> npt.NDArray[np.float64]:
    """Orthonormal DCT-II, its rows scaled by the cepstral lifter: [cepstra, bands]."""
    k = np.arange(bands)[:, None]
    rows = np.sqrt(2 / bands) * np.cos(np.pi / bands * (k.T + 0.5) * k)
    rows[0] /= np.sqrt(2)
    scaled: npt.NDArray[np.float64] = rows * (1 + 0.5 * _LIFTER * np.sin(np.pi * k / _LIFTER))
    return scaled

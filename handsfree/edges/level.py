"""How loud: peak, clipping, noise floor and active speech level of 16 kHz sound, block by block (numpy).

Levels are in dBov, decibels relative to the power of a full-scale square wave: a full-scale sine reads -3.01 dBov.
The active speech level follows ITU-T P.56 (12/2011), method B: the mean power over the time in which somebody speaks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from handsfree.core.events import SAMPLE_RATE

# ITU-T P.56, method B
TIME_CONSTANT_S = 0.03
HANGOVER_S = 0.2
MARGIN_DB = 15.9
THRESHOLDS = 2.0 ** np.arange(-15, 0)

# our own
NOISE_FRAME_S = 0.1
NOISE_SHARE = 0.1
"""The noise floor is the level that a tenth of all 0.1 s stretches stay below: the gaps between words."""
LOWEST_DB = -100.0
_CHUNK = 200
_BINS_PER_DB = 4


@dataclass(frozen=True, slots=True)
class Reading:
    """Levels in dBov. `speech_db` and `noise_db` are None while there is nothing to tell them from.

    now_db     RMS of the newest block
    rms_db     RMS of everything since the start
    peak_db    highest sample
    clipped    samples at full scale
    activity   share of the time with speech, 0-1
    """

    seconds: float
    now_db: float
    rms_db: float
    peak_db: float
    clipped: int
    noise_db: float | None
    speech_db: float | None
    activity: float


class LevelMeter:
    """Feed it blocks of any length; ask for a reading at any time. Memory does not grow."""

    def __init__(self) -> None:
        g = math.exp(-1 / (SAMPLE_RATE * TIME_CONSTANT_S))
        steps = np.arange(_CHUNK)
        self._decay = g ** (steps + 1)
        # one smoothing step over a whole chunk: y = kernel @ x + decay * last y
        self._kernel = np.tril((1 - g) * g ** np.abs(steps[:, None] - steps[None, :]))
        self._p = self._q = 0.0
        self._hangover = math.floor(HANGOVER_S * SAMPLE_RATE + 0.5)
        self._since = np.full(len(THRESHOLDS), self._hangover)  # samples since the envelope was last above
        self._active = np.zeros(len(THRESHOLDS), np.int64)
        self._count = self._clipped = 0
        self._energy = self._peak = self._now = 0.0
        self._frame_energy, self._frame_left = 0.0, round(NOISE_FRAME_S * SAMPLE_RATE)
        self._levels = np.zeros(round(-LOWEST_DB) * _BINS_PER_DB + 1, np.int64)  # histogram of frame levels

    def feed(self, pcm: bytes) -> None:
        """`pcm`: 16 kHz mono int16 little-endian."""
        raw = np.frombuffer(pcm, "<i2")
        if not len(raw):
            return
        x = raw / 32768
        power = x**2
        self._now = float(power.mean())
        self._count += len(x)
        self._energy += float(power.sum())
        self._peak = max(self._peak, float(np.abs(x).max()))
        self._clipped += int(np.count_nonzero((raw == 32767) | (raw == -32768)))
        self._note_frames(power)
        for start in range(0, len(x), _CHUNK):
            self._note_activity(self._envelope(np.abs(x[start : start + _CHUNK])))

    def _envelope(self, x: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """P.56's envelope: the magnitude smoothed twice."""
        n = len(x)
        p = self._kernel[:n, :n] @ x + self._decay[:n] * self._p
        q = self._kernel[:n, :n] @ p + self._decay[:n] * self._q
        self._p, self._q = float(p[-1]), float(q[-1])
        return q

    def _note_activity(self, envelope: npt.NDArray[np.float64]) -> None:
        """Count, for each threshold, the samples above it or within the hangover after."""
        n = len(envelope)
        above = envelope[:, None] >= THRESHOLDS
        position = np.arange(1, n + 1)[:, None]
        last = np.maximum.accumulate(np.where(above, position, -self._since), axis=0)
        self._active += np.count_nonzero(position - last <= self._hangover, axis=0)
        self._since = np.minimum(n - last[-1], self._hangover)

    def _note_frames(self, power: npt.NDArray[np.float64]) -> None:
        frame = round(NOISE_FRAME_S * SAMPLE_RATE)
        while len(power):
            part, power = power[: self._frame_left], power[self._frame_left :]
            self._frame_energy += float(part.sum())
            self._frame_left -= len(part)
            if self._frame_left == 0:
                level = max(LOWEST_DB, _db(self._frame_energy / frame))
                self._levels[round((level - LOWEST_DB) * _BINS_PER_DB)] += 1
                self._frame_energy, self._frame_left = 0.0, frame

    def reading(self) -> Reading:
        mean = self._energy / self._count if self._count else 0.0
        speech_db = self._speech_db()
        noise_db = None
        if self._levels.any():
            rank = int(np.searchsorted(np.cumsum(self._levels), NOISE_SHARE * self._levels.sum(), side="right"))
            noise_db = LOWEST_DB + rank / _BINS_PER_DB
        return Reading(
            seconds=self._count / SAMPLE_RATE,
            now_db=_db(self._now),
            rms_db=_db(mean),
            peak_db=_db(self._peak**2),
            clipped=self._clipped,
            noise_db=noise_db,
            speech_db=speech_db,
            activity=mean / 10 ** (speech_db / 10) if speech_db is not None else 0.0,
        )

    def _speech_db(self) -> float | None:
        """The level at which level and threshold are MARGIN_DB apart, between two thresholds by straight line."""
        before: tuple[float, float] | None = None
        for active, threshold in zip(self._active, THRESHOLDS, strict=True):
            if not active:
                return None
            level = _db(self._energy / active)
            above = level - _db(threshold**2) - MARGIN_DB
            if above <= 0:
                if before is None:
                    return None  # quieter than the lowest threshold can tell from silence
                part = before[1] / (before[1] - above)
                return before[0] + part * (level - before[0])
            before = level, above
        return None


def _db(power: float) -> float:
    return 10 * math.log10(power) if power > 0 else LOWEST_DB

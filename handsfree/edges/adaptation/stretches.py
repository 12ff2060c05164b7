"""Where somebody speaks in a recording, by loudness alone: stretches of sound between pauses."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

RATE = 16_000
FRAME = RATE // 100
ABOVE_NOISE_DB, BELOW_PEAK_DB = 8.0, 30.0
"""A frame is loud when it is so much above the noise floor, and no quieter than this below the loudest speech."""
LONGEST_GAP_S = 0.3
"""Inside a word or phrase: a stop, or the pause of "leave ... it"."""
SHORTEST_S, LONGEST_S = 0.12, 3.0
QUIETEST_DB = -60.0
"""Below full scale; what never gets louder is silence."""


def find_stretches(samples: npt.NDArray[np.int16]) -> list[tuple[float, float]]:
    """(start, end) in seconds of every stretch that is long enough for a word, in order; [] in silence.

    The floor is the level that a tenth of all frames stay below.
    """
    count = len(samples) // FRAME
    if not count:
        return []
    power = (samples[: count * FRAME].reshape(count, FRAME).astype(np.float64) ** 2).mean(1) / 32768**2
    level = 10 * np.log10(np.maximum(np.convolve(power, np.ones(3) / 3, "same"), 1e-10))
    floor, peak = np.percentile(level, 10), np.percentile(level, 99.5)
    if peak < QUIETEST_DB or peak - floor < ABOVE_NOISE_DB:
        return []
    loud = np.flatnonzero(level > max(floor + ABOVE_NOISE_DB, peak - BELOW_PEAK_DB))
    cuts = np.flatnonzero(np.diff(loud) > LONGEST_GAP_S * 100)
    starts, ends = loud[np.r_[0, cuts + 1]], loud[np.r_[cuts, len(loud) - 1]] + 1
    return [(a / 100, b / 100) for a, b in zip(starts, ends, strict=True) if SHORTEST_S <= (b - a) / 100 <= LONGEST_S]

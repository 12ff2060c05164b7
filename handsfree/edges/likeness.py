"""How far a stretch of sound is from her own takes of each phrase: dynamic time warping on numpy.

Sakoe & Chiba 1978 (doi:10.1109/TASSP.1978.1163055), symmetric form, without their slope constraint; the distance of two
frames is one less the cosine between them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float32]


class Examples:
    """Takes of phrases, each as frames of unit length [frames, n]; one at least."""

    def __init__(self, takes: Mapping[str, Sequence[Array]]) -> None:
        each = [(phrase, one) for phrase, some in takes.items() for one in some]
        self._phrases = [phrase for phrase, _ in each]
        self._lengths = np.array([len(one) for _, one in each])
        longest = self._lengths.max()
        self._frames = np.stack([np.pad(one, ((0, longest - len(one)), (0, 0))) for _, one in each])

    def far(self, frames: Array) -> dict[str, float]:
        """Phrase -> how far its nearest take is, 0-2: the distance of frames, on average along the best path."""
        ends = _sums(1 - self._frames @ frames.T)[np.arange(len(self._lengths)), self._lengths - 1]
        nearest: dict[str, float] = {}
        for phrase, far in zip(self._phrases, (ends / (self._lengths + len(frames))).tolist(), strict=True):
            nearest[phrase] = min(far, nearest.get(phrase, np.inf))
        return nearest


def _sums(apart: Array) -> Array:
    """Least sum along a path from the first frames of both to each frame of a take and the last of the other.

    apart    [takes, frames of a take, frames]
    returns  [takes, frames of a take]

    One diagonal after the other, for all takes at once: `now` holds the sums on one, by the frame of the take.
    """
    takes, longest, count = apart.shape
    diagonals = np.full((takes, longest, longest + count - 1), np.inf, np.float32)
    for i in range(longest):
        diagonals[:, i, i : i + count] = apart[:, i]
    ends = np.full((takes, longest), np.inf, np.float32)
    before, last = (np.full((takes, longest + 1), np.inf, np.float32) for _ in range(2))
    before[:, 0] = 0  # ahead of the first frames
    for at in range(longest + count - 1):
        now = np.full_like(last, np.inf)
        from_where = np.minimum(np.minimum(last[:, 1:], last[:, :-1]), before[:, :-1])
        now[:, 1:] = diagonals[:, :, at] + from_where
        if at >= count - 1:
            ends[:, at - count + 1] = now[:, at - count + 2]
        before, last = last, now
    return ends

"""Her own takes, made ready to be compared with what is heard."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from handsfree.core.events import SAMPLE_RATE
from handsfree.edges.adaptation import find_stretches
from handsfree.edges.likeness import Examples
from handsfree.edges.second_look import SecondLook

Samples = npt.NDArray[np.int16]

MOST_TAKES = 5
"""So many of a phrase are compared with a word: 50 take 2 ms."""


def examples(look: SecondLook, takes: Mapping[str, Sequence[Samples]]) -> Examples | None:
    """What words are compared with: the last MOST_TAKES of each phrase; None without any."""
    recent = {phrase: some[-MOST_TAKES:] for phrase, some in takes.items() if some}
    if not recent:
        return None
    return Examples({phrase: [_frames(look, one.tobytes()) for one in some] for phrase, some in recent.items()})


@lru_cache(maxsize=1024)
def _frames(look: SecondLook, pcm: bytes) -> npt.NDArray[np.float32]:
    """Of the longest sound in a take."""
    samples = np.frombuffer(pcm, np.int16)
    whole = 0.0, len(samples) / SAMPLE_RATE
    start_s, end_s = max(find_stretches(samples), key=lambda one: one[1] - one[0], default=whole)
    return look.frames(pcm, round(start_s * SAMPLE_RATE), round(end_s * SAMPLE_RATE))

"""Any sound -> 16 kHz mono int16 (soxr)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from handsfree.core.events import SAMPLE_RATE

BLOCK_S = 0.05
"""Length of the blocks that sound comes in, unless asked otherwise."""


class Converter:
    """Float frames of any rate and channel count -> 16 kHz mono int16 PCM, seamless over calls.

    At 16 kHz mono the samples pass unchanged. Otherwise soxr's linear-phase filter holds back up to 40 ms, which
    `finish` hands out: in all, n frames in give n * 16000 / rate samples out (rounded), with no shift in time.
    """

    def __init__(self, rate: int) -> None:
        import soxr

        self._stream = None if rate == SAMPLE_RATE else soxr.ResampleStream(rate, SAMPLE_RATE, 1, dtype="float32")

    def convert(self, frames: npt.NDArray[np.float32], last: bool = False) -> bytes:
        """`frames`: shape (n,) or (n, channels), full scale 1.0; channels are averaged, excess is clipped."""
        mono = frames if frames.ndim == 1 else frames.mean(axis=1, dtype=np.float32)
        mono = np.nan_to_num(mono, nan=0.0, posinf=1.0, neginf=-1.0)  # float files can hold these; soxr must not
        if self._stream is not None:
            mono = self._stream.resample_chunk(mono, last=last)
        return np.clip(np.rint(mono * 32768), -32768, 32767).astype("<i2").tobytes()

    def finish(self) -> bytes:
        """What the filter still holds; afterwards the converter starts afresh."""
        if self._stream is None:
            return b""
        rest = self.convert(np.zeros(0, np.float32), last=True)
        self._stream.clear()
        return rest

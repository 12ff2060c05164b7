"""A stretch out of a recording, without reading what comes before it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from handsfree.core.errors import UserError
from handsfree.edges.audio.convert import Converter
from handsfree.quiet import quiet_stderr


def excerpt(path: Path, from_s: float, to_s: float) -> bytes:
    """16 kHz mono int16 PCM of a file between two times; shorter, or b"", where the file ends before.

    Of what libsndfile reads (WAV, FLAC, Ogg with Opus or Vorbis, MP3). Raises UserError if the file is missing, damaged
    or of another kind.
    """
    import soundfile

    try:
        with quiet_stderr(), soundfile.SoundFile(path) as file:
            first, last = (min(file.frames, max(0, round(at_s * file.samplerate))) for at_s in (from_s, to_s))
            if first >= last:
                return b""
            file.seek(first)
            frames = file.read(last - first, dtype="float32", always_2d=True)
            converter = Converter(file.samplerate)
    except (soundfile.LibsndfileError, RuntimeError) as error:
        if not path.exists():
            raise UserError(f"{path}: there is no such file; kept sound goes when its age limit is reached") from None
        said = str(getattr(error, "error_string", error)).rstrip(".")
        raise UserError(f"{path}: the sound is damaged, or of a kind that cannot be played from ({said})") from None
    return converter.convert(frames) + converter.finish()


def peaks(pcm: bytes, bins: int) -> list[int]:
    """The loudest sample of each of `bins` stretches of equal length, 0-100 (full scale)."""
    samples = np.abs(np.frombuffer(pcm, "<i2").astype(np.int32))
    if not len(samples):
        return []
    starts = np.arange(bins) * len(samples) // bins
    found: list[int] = (np.maximum.reduceat(samples, starts) * 100 // 32768).tolist()
    return found

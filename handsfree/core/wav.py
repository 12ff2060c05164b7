"""Sound as a WAV file."""

from __future__ import annotations

import io
import wave

from handsfree.core.events import SAMPLE_RATE


def as_wav(pcm: bytes) -> bytes:
    """16 kHz mono int16 PCM as a WAV file."""
    file = io.BytesIO()
    with wave.open(file, "wb") as sound:
        sound.setnchannels(1)
        sound.setsampwidth(2)
        sound.setframerate(SAMPLE_RATE)
        sound.writeframes(pcm)
    return file.getvalue()

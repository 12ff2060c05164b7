"""Which half of the held-out people a figure may be tuned on, and which half it is reported from."""

from __future__ import annotations

import zlib
from pathlib import PurePath


def speaker_of(file: str | PurePath) -> str:
    """The speaker of a Speech Commands recording, `[word_]SPEAKER_nohash_N.ext` (Warden 2018, arXiv:1804.03209)."""
    return PurePath(file).name.split("_nohash")[0].split("_")[-1]


def half(speaker: str) -> str:
    """`tune` or `test`; one person is always in the same half. For recordings without a speaker: the file's name."""
    return "tune" if zlib.crc32(speaker.encode()) % 2 else "test"

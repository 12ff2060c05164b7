"""Who and what is kept out of training, so that figures are honest; and which half of them a figure may be tuned on."""

from __future__ import annotations

import zlib
from pathlib import Path, PurePath

HELD_OUT = Path(__file__).with_name("held_out.txt")
TEST_VOICES = ("af_nova", "am_puck", "bf_emma", "bm_george")
"""Synthetic voices that are only for testing; the second letter is f or m, the first a(merican) or b(ritish)."""
_VOICES = ("af_", "am_", "bf_", "bm_")
"""How the names of the voices in held_out.txt begin."""
HALVES = ("tune", "test")


def held_out(everything: bool = False) -> set[str]:
    """Speakers and voices that training must not hear; with `everything` only the voices, which are always kept out."""
    lines = HELD_OUT.read_text(encoding="utf-8").splitlines()
    names = {line for line in lines if line and not line.startswith("#")}
    return {name for name in names if not everything or name.startswith(_VOICES)}


def noise_held_out(name: str) -> bool:
    """Every tenth noise file is kept for measuring, whatever else the folder holds."""
    return zlib.crc32(name.encode()) % 10 == 0


def speaker_of(file: str | PurePath) -> str:
    """The speaker of a Speech Commands recording, `[word_]SPEAKER_nohash_N.ext` (Warden 2018, arXiv:1804.03209)."""
    return PurePath(file).name.split("_nohash")[0].split("_")[-1]


def half(speaker: str) -> str:
    """`tune` or `test`; one person is always in the same half. For recordings without a speaker: the file's name."""
    return "tune" if zlib.crc32(speaker.encode()) % 2 else "test"

"""The sound that ships with the ear to hold it against while it learns one voice: single words and talk of others."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from handsfree.core.errors import UserError

RATE = 16_000


@dataclass(frozen=True)
class Piece:
    """`words` that are said in it; `whole`: all of them, and nothing else."""

    samples: npt.NDArray[np.int16]
    words: str
    whole: bool


def read_other_sound(model_dir: Path) -> list[Piece]:
    """other_sound.opus, cut up as other_sound.tsv says. Raises UserError where they are missing or damaged."""
    import soundfile

    try:
        samples, _ = soundfile.read(model_dir / "other_sound.opus", dtype="int16")
        with open(model_dir / "other_sound.tsv", encoding="utf-8", newline="") as lines:
            rows = list(csv.DictReader(lines, delimiter="\t"))
        return [
            Piece(samples[_at(row["start_s"]) : _at(row["end_s"])], row["words"], row["kind"] == "word") for row in rows
        ]
    except (OSError, soundfile.LibsndfileError, KeyError, ValueError) as error:
        raise UserError(f"{model_dir}: other_sound cannot be read; install handsfree again") from error


def _at(seconds: str) -> int:
    return round(float(seconds) * RATE)

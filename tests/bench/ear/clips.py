"""Recordings of people and voices that no training run may hear, in the half that is asked for."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from tests.bench.ear.plans import phrases
from tests.bench.ear.sounds import pitch_hz, read, word_span

ROOT = Path(__file__).resolve().parents[3]
sys.path.append(str(ROOT / "models" / "training"))
from held_out import TEST_VOICES, half, held_out, noise_held_out, speaker_of  # noqa: E402
from prepare import manifest_rows  # noqa: E402

DATA_VARIABLE = "HANDSFREE_EAR_DATA"
"""Names the folder of recordings, not in this repository: speech_commands_dev/, speech/manifest.tsv and noise/."""


def recordings(given: Path | None) -> Path:
    """That folder, unless another is given. Ends the program with one line where neither is."""
    named = os.environ.get(DATA_VARIABLE)
    if given is None and not named:
        sys.exit(f"no recordings to hear: name their folder with --data or {DATA_VARIABLE}")
    return given or Path(named)


@dataclass(frozen=True)
class Clip:
    """A recording. `text`: what is said in it, small letters, "" for sound without speech. `note`: of its manifest."""

    path: str
    text: str
    speaker: str
    note: str = ""

    @cached_property
    def span_s(self) -> tuple[float, float] | None:
        """Where its one word begins and ends; None where that is not clear."""
        try:
            return word_span(read(self.path))
        except ValueError:
            return None

    @cached_property
    def pitch_hz(self) -> float | None:
        """Of the voice; None where it cannot be told."""
        try:
            return pitch_hz(read(self.path))
        except ValueError:
            return None

    @property
    def holds_sound(self) -> bool:
        """Whether it can be read and is louder than -60 dB."""
        try:
            return float(np.square(read(self.path)).mean()) > 1e-6
        except ValueError:
            return False


@dataclass(frozen=True)
class Collection:
    """What there is to hear, each list in a fixed order."""

    words: list[Clip]  # Speech Commands, ten words
    unknown: list[Clip]  # Speech Commands, other words
    silence: list[Clip]  # Speech Commands, its background sound
    reader: list[Clip]  # single words by one person
    digits: list[Clip]  # by six people
    talk: list[Clip]  # sentences read aloud
    noise: list[Clip]
    voices: list[Clip]  # synthetic


def collect(data: Path, voices: Iterable[Path], split: str, say: Callable[[str], None]) -> Collection:
    """`voices`: more manifests, of synthetic speech. Says what is not there."""
    rows = list(_rows(data / "speech" / "manifest.tsv", say))
    for manifest in voices:
        rows += _rows(manifest, say)
    barred = held_out()
    reader, digits, talk, spoken = [], [], [], []
    for row in rows:
        clip = Clip(row["path"], " ".join(row["text"].lower().split()), row["speaker"], row["note"])
        if row["speaker"] in TEST_VOICES:
            spoken.append(clip)
        elif row["speaker"] in barred:
            talk += [clip] * (half(clip.speaker) == split)
        elif "test_only" in row["note"]:
            (digits if clip.text in DIGITS else reader).append(clip)
    reader, digits = (_thin(clips, data / "speech", split) for clips in (reader, digits))
    if not spoken:
        say(f"no synthetic voices ({', '.join(TEST_VOICES)}): give --voices MANIFEST.tsv; their rows are left out")
    noise = [Clip(str(path), "", "") for path in _files(data / "noise", say) if noise_held_out(path.name)]
    return Collection(*_commands(data / "speech_commands_dev", split, say), reader, digits, talk, noise, spoken)


def _thin(clips: list[Clip], folder: Path, split: str) -> list[Clip]:
    """Too few people to split: their recordings are split by file instead, but for words of the plan, which are few."""
    kept = phrases("trade")
    return [c for c in clips if c.text in kept or half(str(Path(c.path).relative_to(folder))) == split]


DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")


def _commands(folder: Path, split: str, say: Callable[[str], None]) -> tuple[list[Clip], list[Clip], list[Clip]]:
    words, unknown, silence = [], [], []
    for path in _files(folder, say, "*/*"):
        if path.parent.name == "_silence_":
            silence += [Clip(str(path), "", "")] * (half(path.name) == split)
        elif half(speaker_of(path)) == split:
            if path.parent.name == "_unknown_":
                unknown.append(Clip(str(path), path.name.split("_")[0], speaker_of(path)))
            else:
                words.append(Clip(str(path), path.parent.name, speaker_of(path)))
    return words, unknown, silence


def _rows(manifest: Path, say: Callable[[str], None]) -> Iterator[dict[str, str]]:
    """Rows of a manifest, each with its whole path."""
    if not manifest.is_file():
        say(f"no {manifest}: rows that need it are left out; {DATA_VARIABLE} or --data names the folder of recordings")
        return
    yield from manifest_rows(manifest)


def _files(folder: Path, say: Callable[[str], None], pattern: str = "*") -> list[Path]:
    if not folder.is_dir():
        say(f"no {folder}: rows that need it are left out; {DATA_VARIABLE} or --data names the folder of recordings")
        return []
    return sorted(path for path in folder.glob(pattern) if path.is_file())

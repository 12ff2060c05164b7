"""Takes of the plan's words found in recordings: one in which they are said in the plan's order, or a file a word."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE
from handsfree.core.phones import PAUSE, Phones
from handsfree.core.plan import spoken
from handsfree.core.voice import LEAST_TAKES
from handsfree.edges.adaptation import Learner, find_stretches
from handsfree.edges.audio import read_file

Samples = npt.NDArray[np.int16]

AROUND_S = 0.25
"""Kept before and after a take."""
LEAST_FIT, FIT_A_PHONE = -6.0, -1.0
"""A sound is a take of a word when it fits it at least so well (log share, see Learner.fit), and so much less for each
phone. Of 180 takes by six people that the ear had never heard, 98 % fitted their word so well, and 7 % another one."""

ENOUGH, ODD = 2.0, 2.0
"""See _in_order: an ear that mishears one word as another must not give it that word's takes."""


@dataclass
class Found:
    """`takes`: phrase -> its takes; `others`: for each phrase how many sounds near it fitted none."""

    takes: dict[str, list[Samples]] = field(default_factory=dict)
    others: dict[str, int] = field(default_factory=dict)
    sounds: int = 0


class TakeFinder:
    """Finds takes of `ways`: phrase -> how it is said, in the plan's order."""

    def __init__(self, learner: Learner, ways: Mapping[str, Sequence[Phones]]) -> None:
        self._learner, self._ways = learner, ways

    def fits(self, phrase: str, samples: Samples) -> float:
        """By how much a sound passes as a take of the phrase; below 0: it does not."""
        ways = self._ways[phrase]
        phones = min(sum(phone != PAUSE for phone in way) for way in ways)
        fit = self._learner.fit(self._learner.scores(samples), ways)
        return fit - LEAST_FIT - FIT_A_PHONE * phones

    def one_word(self, phrase: str, samples: Samples) -> Found:
        """All takes in a recording of this phrase only."""
        pieces = [cut(samples, *where) for where in find_stretches(samples)]
        good = [piece for piece in pieces if self.fits(phrase, piece) >= 0]
        return Found({phrase: good}, {phrase: len(pieces) - len(good)}, len(pieces))

    def in_order(self, samples: Samples, times: int) -> Found:
        """All takes in a recording of all phrases, each said about `times` times before the next."""
        pieces = [cut(samples, *where) for where in find_stretches(samples)]
        phrases = list(self._ways)
        passes = np.array([[self.fits(phrase, piece) for phrase in phrases] for piece in pieces])
        found = Found({phrase: [] for phrase in phrases}, dict.fromkeys(phrases, 0), len(pieces))
        if not pieces:
            return found
        for piece, at, by in zip(pieces, _in_order(passes, times), passes, strict=True):
            if by[at] >= 0:
                found.takes[phrases[at]].append(piece)
            else:
                found.others[phrases[at]] += 1
        return found


def _in_order(passes: npt.NDArray[np.float64], times: int) -> list[int]:
    """For each sound the phrase it belongs to, never an earlier one than the sound before.

    `passes` [sounds, phrases]: by how much each passes; `times`: how often each phrase is meant to be said. The best
    sum wins: what a sound passes by, at most ENOUGH, less ODD for each sound that a phrase has too many or too few.
    """
    sounds, phrases = passes.shape
    gain = np.clip(passes, 0, ENOUGH)
    # best[k]: of all sounds so far, with the phrases before k done; came[i][k]: where phrase k - 1 began
    best = np.full((phrases + 1, sounds + 1), -np.inf)
    began = np.zeros((phrases + 1, sounds + 1), np.int64)
    best[0, 0] = 0
    for k in range(phrases):
        sums = np.concatenate([[0], np.cumsum(gain[:, k])])
        for end in range(sounds + 1):
            counts = end - np.arange(end + 1)
            ways = best[k, : end + 1] + sums[end] - sums[: end + 1] - ODD * np.abs(counts - times)
            began[k + 1, end] = int(ways.argmax())
            best[k + 1, end] = ways.max()
    at, end = [0] * sounds, sounds
    for k in range(phrases, 0, -1):
        start = int(began[k, end])
        at[start:end] = [k - 1] * (end - start)
        end = start
    return at


def cut(samples: Samples, start_s: float, end_s: float) -> Samples:
    """A stretch with some of what lies around it."""
    start, end = round((start_s - AROUND_S) * SAMPLE_RATE), round((end_s + AROUND_S) * SAMPLE_RATE)
    return samples[max(0, start) : end]


def takes_from(
    path: Path, finder: TakeFinder, phrases: Sequence[str], times: int, note: Callable[[str], None]
) -> dict[str, list[Samples]]:
    """Takes in a recording, or in a folder of recordings named after their words (`leave it.wav`).

    Words of which fewer than LEAST_TAKES are found are told with `note` and left out. Raises UserError where no word is
    left, for a file that cannot be read, and for a folder whose files are named after no word of the plan.
    """
    found = _from_folder(path, finder, phrases, note) if path.is_dir() else finder.in_order(_read(path, note), times)
    if not found.sounds:
        raise UserError(f"{path}: nobody speaks in it; record the words in a quiet room, close to the microphone")
    kept = {phrase: takes for phrase, takes in found.takes.items() if len(takes) >= LEAST_TAKES}
    lacking = [phrase for phrase in phrases if phrase not in kept]
    if not kept:
        raise UserError(
            f"{path}: {found.sounds} sounds, but no word has {LEAST_TAKES} takes that sound like it; say each word of "
            "the plan some times, in the order of `handsfree plan check`, with a pause after each"
        )
    for phrase in lacking:
        count, others = len(found.takes.get(phrase, ())), found.others.get(phrase, 0)
        odd = f", {others} other sounds near there" if others else ""
        note(f'"{phrase}": {count} takes that sound like it{odd}; {LEAST_TAKES} are needed, so it stays as it was')
    return kept


def _from_folder(path: Path, finder: TakeFinder, phrases: Sequence[str], note: Callable[[str], None]) -> Found:
    found = Found()
    files = sorted(file for file in path.iterdir() if file.is_file() and not file.name.startswith("."))
    named = {file: spoken(file.stem.replace("_", " ")) for file in files}
    if not set(named.values()) & set(phrases):
        words = ", ".join(f'"{phrase}"' for phrase in phrases[:4])
        raise UserError(f"{path}: no file in it is named after a word of the plan, such as {words}")
    for file, phrase in named.items():
        if phrase not in phrases:
            note(f'{file.name} is not used: "{phrase}" is no word of the plan that is learnt')
            continue
        one = finder.one_word(phrase, _read(file, note))
        found.takes.setdefault(phrase, []).extend(one.takes[phrase])
        found.others[phrase] = found.others.get(phrase, 0) + one.others[phrase]
        found.sounds += one.sounds
    return found


def _read(path: Path, note: Callable[[str], None]) -> Samples:
    pcm = b"".join(block.pcm for block in read_file(path, note=note))
    return np.frombuffer(pcm, "<i2")

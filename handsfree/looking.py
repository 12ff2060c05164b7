"""A recogniser whose words are looked at a second time before anything else hears of them."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from handsfree.core.events import OTHER_SPEECH, SAMPLE_RATE, AudioBlock, Breath, HeardWord
from handsfree.core.phones import Phones
from handsfree.edges.recogniser import Recogniser

if TYPE_CHECKING:
    from handsfree.edges.likeness import Examples
    from handsfree.edges.second_look import Look, SecondLook

LEAST_S, MOST_S, LEAST_GAP_S = 0.1, 0.8, 0.1
"""Other speech that may be one word, by its length and by how far the next word is: what touches another is talk."""
IN_DOUBT, EARLIER_S = (0.01, 0.5), 0.1
"""In noise the ear begins some words late: `stop` at its vowel, as if it were `up`. Where the likeliest phrase has a
share between these, the sound is looked at from so much earlier as well, and the higher log-odds of each phrase count.
"""
KEPT_S = 30.0
"""Sound held in memory: long talk without a pause is one breath, and its first word is told when it is over."""


class TwiceHeard:
    """Gives each word of the plan, and other speech that may be one, `shares`, `voice` and `far` by a second look: how
    likely each phrase and no other is there, whether somebody speaks, and how far it is from her own takes; None where
    the sound is no longer there.

    pronunciations  of every phrase listened for: the ways to say it
    examples        her own takes, if there are any
    """

    def __init__(
        self,
        recogniser: Recogniser,
        look: SecondLook,
        pronunciations: Mapping[str, Sequence[Phones]],
        examples: Examples | None = None,
    ) -> None:
        self._recogniser, self._look, self._pronunciations = recogniser, look, pronunciations
        self._examples = examples
        self._kept: deque[AudioBlock] = deque()
        self.usual_lag_s = recogniser.usual_lag_s

    def feed(self, block: AudioBlock) -> list[Breath]:
        self._kept.append(block)
        while self._kept[0].start_s < block.start_s - KEPT_S:
            self._kept.popleft()
        return [self._judged(breath) for breath in self._recogniser.feed(block)]

    def close(self) -> list[Breath]:
        return [self._judged(breath) for breath in self._recogniser.close()]

    def _judged(self, breath: Breath) -> Breath:
        words = breath.words
        ends_s = (float("-inf"), *(word.end_s for word in words))
        starts_s = (*(word.start_s for word in words[1:]), float("inf"))
        each = zip(words, ends_s, starts_s, strict=False)
        looked_at = (self._looked_at(word) if self._may_be_one(word, *near) else word for word, *near in each)
        return replace(breath, words=tuple(looked_at))

    def _may_be_one(self, word: HeardWord, last_end_s: float, next_start_s: float) -> bool:
        """Whether it is a word of the plan, or other speech that may be one."""
        if word.text != OTHER_SPEECH:
            return word.text in self._pronunciations
        as_long = LEAST_S <= word.end_s - word.start_s <= MOST_S
        return as_long and word.start_s - last_end_s >= LEAST_GAP_S and next_start_s - word.end_s >= LEAST_GAP_S

    def _looked_at(self, word: HeardWord) -> HeardWord:
        if not self._kept or word.start_s < self._kept[0].start_s:
            return word
        seen = self._see(word.start_s, word.end_s)
        odds, begun_s = seen.odds.tolist(), word.start_s - EARLIER_S
        likely = shares(odds)
        if IN_DOUBT[0] <= max(likely) < IN_DOUBT[1] and begun_s >= self._kept[0].start_s:
            likely = shares(map(max, odds, self._see(begun_s, word.end_s).odds.tolist()))
        far = None if self._examples is None else self._examples.far(seen.frames)
        return replace(word, voice=seen.voice, far=far, shares=dict(zip(self._pronunciations, likely, strict=True)))

    def _see(self, start_s: float, end_s: float) -> Look:
        """What the second look makes of a stretch of what is kept, lost sound as silence."""
        from_s = max(self._kept[0].start_s, start_s - self._look.before_s)
        until_s = min(self._kept[-1].start_s + self._kept[-1].duration_s, end_s + self._look.after_s)
        pcm = bytearray(2 * round((until_s - from_s) * SAMPLE_RATE))
        for block in self._kept:
            at = 2 * round((block.start_s - from_s) * SAMPLE_RATE)
            part = block.pcm[max(0, -at) : max(0, len(pcm) - at)]
            pcm[max(0, at) : max(0, at) + len(part)] = part
        first = round((start_s - from_s) * SAMPLE_RATE)
        last = first + round((end_s - start_s) * SAMPLE_RATE)
        return self._look.judge(bytes(pcm), first, last, tuple(self._pronunciations.values()))


def shares(odds: Iterable[float]) -> list[float]:
    """How likely each of several phrases is, 0-1, where one at most was said: from the log-odds of each against nothing
    of the kind, whose share is what is left. A phrase's own log-odds less log(1 + the sum of the others' odds)."""
    parts = [0.0, *odds]
    highest = max(parts)
    each = [math.exp(one - highest) for one in parts]
    total = sum(each)
    return [one / total for one in each[1:]]

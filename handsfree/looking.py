"""A recogniser whose words are looked at a second time before anything else hears of them."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from handsfree.core.events import SAMPLE_RATE, AudioBlock, Breath, HeardWord
from handsfree.core.phones import Phones
from handsfree.edges.recogniser import Recogniser

if TYPE_CHECKING:
    from handsfree.edges.second_look import SecondLook

KEPT_S = 30.0
"""Sound held in memory: long talk without a pause is one breath, and its first word is told when it is over."""


class TwiceHeard:
    """Gives each word of the plan `second`, how likely a second look finds it; None where its sound is no longer there.

    pronunciations  phrase -> the ways to say it
    """

    def __init__(
        self, recogniser: Recogniser, look: SecondLook, pronunciations: Mapping[str, Sequence[Phones]]
    ) -> None:
        self._recogniser, self._look, self._pronunciations = recogniser, look, pronunciations
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
        return replace(breath, words=tuple(map(self._second, breath.words)))

    def _second(self, word: HeardWord) -> HeardWord:
        ways = self._pronunciations.get(word.text)
        if ways is None or not self._kept or word.start_s < self._kept[0].start_s:
            return word
        pcm, before = self._sound(word)
        length = round((word.end_s - word.start_s) * SAMPLE_RATE)
        return replace(word, second=self._look.probability(pcm, before, before + length, ways))

    def _sound(self, word: HeardWord) -> tuple[bytes, int]:
        """What is kept around the word, lost sound as silence; and how many samples of it come before the word."""
        from_s = max(self._kept[0].start_s, word.start_s - self._look.before_s)
        until_s = min(self._kept[-1].start_s + self._kept[-1].duration_s, word.end_s + self._look.after_s)
        pcm = bytearray(2 * round((until_s - from_s) * SAMPLE_RATE))
        for block in self._kept:
            at = 2 * round((block.start_s - from_s) * SAMPLE_RATE)
            part = block.pcm[max(0, -at) : max(0, len(pcm) - at)]
            pcm[max(0, at) : max(0, at) + len(part)] = part
        return bytes(pcm), round((word.start_s - from_s) * SAMPLE_RATE)

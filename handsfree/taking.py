"""Takes of words from a microphone, hands free: the voice asks, she says them, each good one is answered by a tone."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol

import numpy as np
import numpy.typing as npt

from handsfree.core.asking import Asking
from handsfree.core.events import SAMPLE_RATE, AudioBlock, Say
from handsfree.edges.adaptation import find_stretches
from handsfree.takes import cut

Samples = npt.NDArray[np.int16]

SETTLE_S = 2.0
"""Quiet at the start, from which the loudness of the room is learnt."""
PATIENT_WITH_VOICE_S = 10.0
"""The first sentence is waited for so long; after that it is on the screen only."""
KEPT_S = 12.0
OVER_S = 0.45
"""A word is over when nothing has been loud for so long."""
ECHO_S = 0.2
"""After a sentence or tone of our own, sound is not listened to for so long."""


class AskingVoice(Protocol):
    @property
    def busy(self) -> bool: ...
    def can_say(self, say: Say) -> bool: ...
    def say(self, say: Say) -> tuple[str, float]: ...
    def tone(self, name: str) -> None: ...


class Ear:
    """The newest sound, and the words in it that have not been handed out yet."""

    def __init__(self) -> None:
        self._sound = np.zeros(0, np.int16)
        self._start_s = self._deaf_until_s = 0.0

    @property
    def now_s(self) -> float:
        return self._start_s + len(self._sound) / SAMPLE_RATE

    def deafen(self, until_s: float) -> None:
        """What is heard before then is no take."""
        self._deaf_until_s = max(self._deaf_until_s, until_s)

    def feed(self, block: AudioBlock) -> list[Samples]:
        """Words that ended with this block, each with a little of what lies around it."""
        if abs(block.start_s - self.now_s) > block.duration_s:  # sound was lost
            self._sound, self._start_s = np.zeros(0, np.int16), block.start_s
        self._sound = np.concatenate([self._sound, np.frombuffer(block.pcm, "<i2")])
        drop = max(0, len(self._sound) - round(KEPT_S * SAMPLE_RATE))
        self._sound, self._start_s = self._sound[drop:], self._start_s + drop / SAMPLE_RATE
        words = []
        for start, end in find_stretches(self._sound):
            over = self.now_s - (self._start_s + end) >= OVER_S
            if over and self._start_s + start >= self._deaf_until_s:
                words.append(cut(self._sound, start, end))
                self._deaf_until_s = self._start_s + end
        return words


def ask_for_takes(
    asking: Asking,
    blocks: Iterable[AudioBlock],
    voice: AskingVoice,
    fits: Callable[[str, Samples], bool],
    show: Callable[[str], None],
    stop: Callable[[], bool] = lambda: False,
) -> dict[str, list[Samples]]:
    """Phrase -> the takes of it; phrases that were left out are missing. Ends with the sound, or when `stop()` is true.

    `fits`: whether a sound is a take of a phrase; `show` gets each sentence and each answer, for the screen.
    """
    ear, begun = Ear(), False
    takes: dict[str, list[Samples]] = {}

    def speak(say: Say | None) -> None:
        if say is not None:
            text, seconds = voice.say(say)
            show(text)
            ear.deafen(ear.now_s + seconds + ECHO_S)
            asking.said(ear.now_s + seconds)

    for block in blocks:
        words = ear.feed(block)
        if stop():
            break
        if voice.busy:
            ear.deafen(ear.now_s + ECHO_S)
            continue
        if not begun:
            begun = ear.now_s >= SETTLE_S
            first = Say("ask_word", (("word", asking.phrase or ""), ("times", asking.times)))
            if begun and not voice.can_say(first) and ear.now_s < SETTLE_S + PATIENT_WITH_VOICE_S:
                begun = False
            if begun:
                ear.deafen(ear.now_s)
                speak(asking.begin(ear.now_s))
            continue
        for word in words:
            phrase = asking.phrase
            if phrase is None:
                break
            if not fits(phrase, word):
                show(f"    that did not sound like {phrase}")
                voice.tone("unsure")
                continue
            takes.setdefault(phrase, []).append(word)
            show(f"    {asking.count + 1} of {asking.times}")
            following = asking.take(ear.now_s)
            if following is None:
                voice.tone("counted")
            speak(following)
        speak(asking.waited(ear.now_s))
        if asking.phrase is None:
            break
    return takes

"""Onlookers of a session: nobody, a line for each thing that happens (lines.py), a quiet screen (screen.py), or two."""

from __future__ import annotations

from handsfree.core.events import AudioBlock, Effect
from handsfree.core.sitting import Sitting
from handsfree.session import Watcher


class Nobody:
    """Looks at nothing."""

    def ready(self, microphone: str) -> None:
        pass

    def block(self, block: AudioBlock, sitting: Sitting) -> None:
        pass

    def effect(self, effect: Effect, sitting: Sitting) -> None:
        pass

    def said(self, text: str) -> None:
        pass


class Together:
    """Two that look on, one after the other."""

    def __init__(self, first: Watcher, second: Watcher) -> None:
        self._both = first, second

    def ready(self, microphone: str) -> None:
        for one in self._both:
            one.ready(microphone)

    def block(self, block: AudioBlock, sitting: Sitting) -> None:
        for one in self._both:
            one.block(block, sitting)

    def effect(self, effect: Effect, sitting: Sitting) -> None:
        for one in self._both:
            one.effect(effect, sitting)

    def said(self, text: str) -> None:
        for one in self._both:
            one.said(text)

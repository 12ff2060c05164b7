"""Asking for takes, hands free: which word comes next, when to ask again, when to leave one out. No clock, no sound."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from handsfree.core.events import Say

PATIENCE_S = 8.0
"""Without a take for so long, the word is asked for once more; then it is left out."""


@dataclass
class Asking:
    """`times` takes of each phrase, one phrase after the other. Times are seconds of the sound."""

    phrases: Sequence[str]
    times: int
    at: int = 0
    count: int = 0
    """Takes of the phrase at hand so far."""
    _since_s: float = 0.0
    _reminded: bool = False

    @property
    def phrase(self) -> str | None:
        """The one that is asked for; None when all have been."""
        return self.phrases[self.at] if self.at < len(self.phrases) else None

    def begin(self, now_s: float) -> Say:
        """The first thing to say."""
        return self._ask(now_s)

    def take(self, now_s: float) -> Say | None:
        """A take was heard: what to say now, if anything."""
        self.count += 1
        self._since_s, self._reminded = now_s, False
        return self._next(now_s) if self.count >= self.times else None

    def waited(self, now_s: float) -> Say | None:
        """Time went by: what to say now, if anything."""
        if self.phrase is None or now_s - self._since_s < PATIENCE_S:
            return None
        if self._reminded:
            return self._next(now_s)
        self._since_s, self._reminded = now_s, True
        return Say("ask_more", (("word", self.phrase),))

    def said(self, until_s: float) -> None:
        """The sentence is in the air until then; her time counts from there."""
        self._since_s = max(self._since_s, until_s)

    def _next(self, now_s: float) -> Say:
        self.at, self.count = self.at + 1, 0
        return self._ask(now_s)

    def _ask(self, now_s: float) -> Say:
        self._since_s, self._reminded = now_s, False
        if self.phrase is None:
            return Say("ask_done")
        return Say("ask_word", (("word", self.phrase), ("times", self.times)))

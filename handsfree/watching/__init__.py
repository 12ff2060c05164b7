"""Onlookers of a session: nobody, a line for each thing that happens (lines.py), or one quiet screen (screen.py)."""

from __future__ import annotations

from handsfree.core.events import AudioBlock, Effect
from handsfree.core.sitting import Sitting


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

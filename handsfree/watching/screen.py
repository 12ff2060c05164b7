"""The one quiet screen of a session: where the dog stands, the last rep, the score, the sound level, the time."""

from __future__ import annotations

import os
import sys
from contextlib import ExitStack
from types import TracebackType
from typing import TYPE_CHECKING

from handsfree.core import criteria
from handsfree.core.clock import clock
from handsfree.core.events import AudioBlock, Decided, Effect, SaveRep
from handsfree.core.plan import WindowRule
from handsfree.core.sitting import Sitting
from handsfree.core.trial import Phase
from handsfree.edges.level import LevelMeter
from handsfree.quiet import quiet_stderr
from handsfree.watching.lines import rep_line

if TYPE_CHECKING:
    from rich.console import RenderableType

SECONDS_A_FRAME = 0.25
HIT, MISS, EMPTY = "▰", "▱", "·"
QUIETEST_DB, BARS = -60.0, 24


class Screen:
    """A watcher that redraws itself a few times a second. Use it as a context manager."""

    def __init__(self) -> None:
        from rich.live import Live

        self._microphone = self._last_rep = self._last_said = "–"
        self._drawn_s = -1.0
        self._meter = LevelMeter()
        self._live = Live(auto_refresh=False, transient=True, vertical_overflow="crop")
        self._open = ExitStack()

    def __enter__(self) -> Screen:
        if sys.platform != "win32" and os.isatty(2):
            # ALSA prints straight to the terminal, across the screen. What the program itself has to tell goes through
            # Python's stderr, which the screen shows above itself.
            self._open.enter_context(quiet_stderr())
        self._open.enter_context(self._live)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._open.close()

    def ready(self, microphone: str) -> None:
        self._microphone = microphone

    def block(self, block: AudioBlock, sitting: Sitting) -> None:
        self._meter.feed(block.pcm)
        if block.start_s - self._drawn_s >= SECONDS_A_FRAME:
            self._drawn_s = block.start_s
            self._live.update(self._draw(block, sitting), refresh=True)

    def effect(self, effect: Effect, sitting: Sitting) -> None:
        match effect:
            case SaveRep(rep):
                self._last_rep = rep_line(rep)
            case Decided():
                self._drawn_s = -1.0

    def said(self, text: str) -> None:
        self._last_said = text

    def _draw(self, block: AudioBlock, sitting: Sitting) -> RenderableType:
        from rich.table import Table
        from rich.text import Text

        grid = Table.grid(padding=(0, 3, 0, 0))
        grid.add_column(style="dim", justify="right", min_width=7, no_wrap=True)
        grid.add_column(no_wrap=True, overflow="ellipsis")  # a fold would make the whole screen jump
        time_left = f"{clock(block.start_s)}, {clock(sitting.time_left_s(block.start_s))} left"
        for rows in (
            (("dog", Text(sitting.plan.dog, style="bold")), ("time", time_left)),
            (("now", Text(self._now(sitting), style="bold")), ("score", self._score(sitting))),
            (("last", Text(self._last_rep)), ("said", Text(self._last_said))),
            (("sound", self._level()), ("from", Text(self._microphone))),
        ):
            grid.add_row()
            for row in rows:
                grid.add_row(*row)
        grid.add_row()
        grid.add_row("", Text("Ctrl-C ends the session", style="dim"))
        return grid

    def _now(self, sitting: Sitting) -> str:
        phase = sitting.trial.phase
        if phase is Phase.PAUSED:
            return "paused"
        if sitting.behaviour is None:
            return "listening for a cue"
        steps = sitting.plan.behaviour(sitting.behaviour).steps
        step = sitting.step or 1
        waiting = "  … awaiting the outcome" if phase is Phase.OPEN else ""
        return f"{sitting.behaviour}, step {step} of {len(steps)}: {steps[step - 1]}{waiting}"

    def _score(self, sitting: Sitting) -> str:
        if sitting.behaviour is None:
            return "–"
        rule = sitting.plan.behaviour(sitting.behaviour).rule
        recent = sitting.progress.standings[sitting.behaviour].recent
        if isinstance(rule, WindowRule):
            recent = recent[-rule.window :]
        marks = [HIT if verdict.correct else MISS for verdict in recent[-20:]]
        if isinstance(rule, WindowRule):
            marks += [EMPTY] * (rule.window - len(marks))
        correct, count = criteria.score(sitting.progress, sitting.plan, sitting.behaviour)
        return f"{' '.join(marks)}   {correct} of {count} correct at this step"

    def _level(self) -> str:
        level = self._meter.reading().now_db
        filled = round(BARS * max(0.0, min(1.0, 1 - level / QUIETEST_DB)))
        return f"{'━' * filled}{'╌' * (BARS - filled)} {level:4.0f} dB"

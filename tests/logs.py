"""A log with a session in it, in a few lines."""

from __future__ import annotations

from datetime import datetime, timezone

from handsfree.core.events import HeardWord, Outcome, Rep
from handsfree.core.log import SessionStart
from tests.helpers import heard, small_plan

STARTED = datetime(2026, 5, 4, 9, 30, 15, 250_000, tzinfo=timezone.utc)
PLAN_TEXT = 'dog = "Bram"\n'


def start(started_at: datetime = STARTED, source: str = "microphone", **plan) -> SessionStart:
    return SessionStart(small_plan(**plan), PLAN_TEXT, started_at, "0.1.0", "en", "ab" * 32, source)


def marked_rep(number: int, start_s: float | None = None, to_marker_s: float = 1.0, **changes) -> Rep:
    """A correct rep of `sit` at step 2, cued at `start_s` (by default 10 s a rep), marked `to_marker_s` after it."""
    begin_s = 10.0 * number if start_s is None else start_s
    cue: HeardWord = heard("sit", begin_s)
    marker = heard("yes", cue.end_s + to_marker_s)
    values = {"cue": cue, "outcome_word": marker, "end_s": marker.end_s} | changes
    return Rep(
        number,
        values.pop("behaviour", "sit"),
        values.pop("step", 2),
        values.pop("outcome", Outcome.CORRECT),
        begin_s,
        **values,
    )

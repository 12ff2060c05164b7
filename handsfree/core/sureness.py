"""How sure the ear was of the reps: what a reviewer looks at first."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable

from handsfree.core.events import Ignored, LogWord, Reason, Rep, Role
from handsfree.core.log import JudgedRep

_DOUBTFUL = frozenset(
    {
        Reason.UNSURE,
        Reason.IN_A_SENTENCE,
        Reason.TOO_SHORT,
        Reason.TOO_LATE,
        Reason.DURING_PROMPT,
        Reason.PART_OF_PHRASE,
    }
)
_COUNTING = frozenset({Role.CUE, Role.MARKER, Role.ERROR, Role.RELEASE})


def confidence(rep: Rep) -> float | None:
    """How sure the ear was of a rep, 0-1: as sure as of the less sure of its words. None without a word."""
    return min((word.confidence for word in (rep.cue, rep.outcome_word) if word), default=None)


def doubts(reps: Iterable[JudgedRep], words: Iterable[LogWord]) -> dict[int, Ignored]:
    """Rep number -> the first word inside it that was not counted, though it might have changed it."""
    passed_over = sorted(
        (entry.heard for entry in words if isinstance(entry.heard, Ignored)), key=lambda one: one.word.start_s
    )
    passed_over = [one for one in passed_over if one.reason in _DOUBTFUL and one.role in _COUNTING]
    starts = [one.word.start_s for one in passed_over]
    found = {}
    for one in reps:
        at = bisect_left(starts, one.rep.start_s)
        if at < len(starts) and starts[at] < one.rep.end_s:
            found[one.rep.number] = passed_over[at]
    return found

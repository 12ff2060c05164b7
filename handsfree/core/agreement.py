"""Counted reps against reps that are known to be true: which belong together, what was missed, what was invented.

Pure. A truth is a file of JSON lines. Rows of "kind": "rep" hold behaviour, outcome (as first said, before any
correction), cue_s and cue_end_s (start and end of the cue), outcome_s (start of the marker or error word); the times
are null or absent where there was none. Rows of "kind": "decision" hold choice, because, behaviour, step, new_step and
at_s. Other rows are for the reader and for other checks.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from handsfree.core.events import Because, Choice, Decision, Outcome, Rep

WITHIN_S = 1.0
"""A counted rep may be taken for a true one when their cues (or outcomes) start within this time of each other."""


@dataclass(frozen=True, slots=True)
class TrueRep:
    behaviour: str
    outcome: Outcome
    cue_s: float | None = None
    cue_end_s: float | None = None
    outcome_s: float | None = None

    @property
    def cue_to_marker_s(self) -> float | None:
        """As Rep.cue_to_marker_s."""
        if self.cue_end_s is None or self.outcome_s is None or self.outcome is not Outcome.CORRECT:
            return None
        return self.outcome_s - self.cue_end_s


@dataclass(frozen=True, slots=True)
class Agreement:
    """`matched` pairs in order of time; `missed` true reps without a counted one, `invented` the other way round."""

    matched: tuple[tuple[TrueRep, Rep], ...]
    missed: tuple[TrueRep, ...]
    invented: tuple[Rep, ...]

    @property
    def right(self) -> int:
        """Matched reps of the same behaviour and outcome."""
        return sum(is_right(true, counted) for true, counted in self.matched)

    @property
    def cue_to_marker_errors_s(self) -> list[float]:
        """Counted minus true cue-to-marker time of each right rep that has both."""
        pairs = [(t.cue_to_marker_s, c.cue_to_marker_s) for t, c in self.matched if is_right(t, c)]
        return [counted - true for true, counted in pairs if true is not None and counted is not None]


def is_right(true: TrueRep, counted: Rep) -> bool:
    return (true.behaviour, true.outcome) == (counted.behaviour, counted.outcome)


def read_truth(lines: Iterable[str]) -> list[TrueRep]:
    """The reps of a truth file, in order of time. Raises ValueError or KeyError where it is not as described above."""
    reps = [
        TrueRep(row["behaviour"], Outcome(row["outcome"]), row.get("cue_s"), row.get("cue_end_s"), row.get("outcome_s"))
        for row in _rows(lines, "rep")
    ]
    return sorted(reps, key=lambda rep: _first(rep.cue_s, rep.outcome_s))


def read_due(lines: Iterable[str]) -> list[Decision]:
    """The decisions of a truth file. Raises as read_truth does."""
    return [
        Decision(
            Choice(row["choice"]), Because(row["because"]), row["at_s"], row["behaviour"], row["step"], row["new_step"]
        )
        for row in _rows(lines, "decision")
    ]


def match_decisions(
    due: Sequence[Decision], made: Sequence[Decision], within_s: float = WITHIN_S
) -> tuple[list[Decision], list[Decision]]:
    """(due but not made, made but not due). Same choice, reason, behaviour and steps, within a time of each other."""
    missing, left = [], list(made)
    for decision in due:
        for other in left:
            if _what(decision) == _what(other) and abs(decision.at_s - other.at_s) <= within_s:
                left.remove(other)
                break
        else:
            missing.append(decision)
    return missing, left


def match(true: Sequence[TrueRep], counted: Sequence[Rep], within_s: float = WITHIN_S) -> Agreement:
    """Pair the reps one to one, in order of time: as many pairs as possible, then as many right ones, then the closest.

    Both sequences must be in order of time. Alignment by dynamic programming, as for word error rates.
    """
    scores = [[(0, 0, 0.0)] * (len(counted) + 1) for _ in range(len(true) + 1)]
    for i in range(len(true) - 1, -1, -1):
        for j in range(len(counted) - 1, -1, -1):
            best = max(scores[i + 1][j], scores[i][j + 1])
            apart = _apart_s(true[i], counted[j])
            if apart <= within_s:
                pairs, right, closeness = scores[i + 1][j + 1]
                best = max(best, (pairs + 1, right + is_right(true[i], counted[j]), closeness - apart))
            scores[i][j] = best
    matched, missed, invented = [], [], []
    i = j = 0
    while i < len(true) and j < len(counted):
        if scores[i][j] == scores[i + 1][j]:
            missed.append(true[i])
            i += 1
        elif scores[i][j] == scores[i][j + 1]:
            invented.append(counted[j])
            j += 1
        else:
            matched.append((true[i], counted[j]))
            i, j = i + 1, j + 1
    return Agreement(tuple(matched), (*missed, *true[i:]), (*invented, *counted[j:]))


def _apart_s(true: TrueRep, counted: Rep) -> float:
    """Between the starts of the cues, or of the outcome words where one of the two has no cue."""
    cue_s = counted.cue.start_s if counted.cue else None
    outcome_s = counted.outcome_word.start_s if counted.outcome_word else None
    if true.cue_s is not None and cue_s is not None:
        return abs(true.cue_s - cue_s)
    if true.outcome_s is not None and outcome_s is not None:
        return abs(true.outcome_s - outcome_s)
    return float("inf")


def _first(*times: float | None) -> float:
    return min((time for time in times if time is not None), default=0.0)


def _rows(lines: Iterable[str], kind: str) -> list[dict[str, Any]]:
    return [row for row in map(json.loads, filter(str.strip, lines)) if row["kind"] == kind]


def _what(decision: Decision) -> tuple[object, ...]:
    return (decision.choice, decision.because, decision.behaviour, decision.step, decision.new_step)

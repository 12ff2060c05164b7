"""What a dog does today, for the family that takes it over: rates with their numbers, where and with whom."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from handsfree.core import stats
from handsfree.core.history import PastSession
from handsfree.core.plan import Behaviour, Plan
from handsfree.core.progress import BehaviourProgress, DogProgress

LAST_DAYS = 14
"""Today: these days up to the last one on which a behaviour was trained, at the step it stands at or above."""
FEW_REPS = 10
"""Fewer say too little. Our own choice: with 10, the interval of 8 correct still runs from 49 to 94 %."""


@dataclass(frozen=True, slots=True)
class Score(stats.Rated):
    """So many of so many correct; `name` is a place, a handler, or "" for all."""

    name: str
    reps: int
    correct: int

    @property
    def few(self) -> bool:
        return self.reps < FEW_REPS


@dataclass(frozen=True, slots=True)
class Compared:
    """A handler against the one with most reps: `low`..`high` is the rate with `most` minus that with `other`.

    None: too few reps with one of them to tell.
    """

    most: str
    other: str
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Today:
    """One behaviour of the plan. `found` None: never trained; then there are no figures.

    step       where the dog stands, counted from 1; `since`..`until` are the days that the figures are of
    calm_reps  so many correct reps in a row before handling goes a step up
    easier     the reps of these days at easier steps
    """

    behaviour: Behaviour
    found: BehaviourProgress | None
    step: int
    calm_reps: int
    since: date | None = None
    until: date | None = None
    all: Score = Score("", 0, 0)
    easier: Score = Score("", 0, 0)
    places: tuple[Score, ...] = ()
    handlers: tuple[Score, ...] = ()
    compared: tuple[Compared, ...] = ()

    @property
    def next_step(self) -> str | None:
        """The step that follows, in the trainer's words; None at the last one."""
        steps = self.behaviour.steps
        return steps[self.step] if self.step < len(steps) else None


@dataclass(frozen=True, slots=True)
class Handed:
    """Everything that goes with the dog."""

    plan: Plan
    progress: DogProgress
    behaviours: tuple[Today, ...]


def hand_over(plan: Plan, progress: DogProgress) -> Handed:
    """How each behaviour of the plan stands today."""
    found = {one.name: one for one in progress.behaviours}
    return Handed(
        plan, progress, tuple(_today(plan, behaviour, found.get(behaviour.name)) for behaviour in plan.behaviours)
    )


def _today(plan: Plan, behaviour: Behaviour, found: BehaviourProgress | None) -> Today:
    calm_reps = plan.day.calm_reps
    if found is None:
        return Today(behaviour, None, behaviour.start_step, calm_reps)
    step = min(found.step, len(behaviour.steps))
    until = found.last_day
    since = until - timedelta(days=LAST_DAYS - 1)
    lately = [
        (session, rep)
        for session, reps in found.trained
        if session.day >= since
        for rep in reps
        if rep.correct is not None
    ]
    recent = [(session, bool(rep.correct)) for session, rep in lately if rep.step >= step]
    easier = [bool(rep.correct) for _, rep in lately if rep.step < step]
    handlers = _scores(recent, lambda session: session.handler)
    return Today(
        behaviour=behaviour,
        found=found,
        step=step,
        calm_reps=calm_reps,
        since=since,
        until=until,
        all=Score("", len(recent), sum(correct for _, correct in recent)),
        easier=Score("", len(easier), sum(easier)),
        places=_scores(recent, lambda session: session.place),
        handlers=handlers,
        compared=tuple(_compared(handlers[0], other) for other in handlers[1:]),
    )


def _scores(recent: Iterable[tuple[PastSession, bool]], of: Callable[[PastSession], str]) -> tuple[Score, ...]:
    """By place or handler, most reps first; sessions that name none are left out."""
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for session, correct in recent:
        if name := of(session):
            counts[name][0] += 1
            counts[name][1] += correct
    found = [Score(name, reps, correct) for name, (reps, correct) in counts.items()]
    return tuple(sorted(found, key=lambda one: (-one.reps, one.name)))


def _compared(most: Score, other: Score) -> Compared:
    if most.few or other.few:
        return Compared(most.name, other.name)
    between = stats.difference(most.correct, most.reps, other.correct, other.reps)
    assert between is not None
    return Compared(most.name, other.name, *between)

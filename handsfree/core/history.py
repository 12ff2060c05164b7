"""One dog's sessions as a whole: what is known of each rep when many sessions are looked at together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import NamedTuple

from handsfree.core.log import TrainedBehaviour


class PastRep(NamedTuple):
    """A rep after corrections.

    correct          None: it was no rep after all; its time has passed and its treats are owed all the same
    cue_to_marker_s  None unless it was cued, marked and correct
    time_s           session time from the end of the rep before it (or the start) to its own end, pauses left out
    rewards          treats owed for it
    """

    behaviour: str
    step: int
    correct: bool | None
    cue_to_marker_s: float | None
    time_s: float
    rewards: int


@dataclass(frozen=True, slots=True)
class PastSession:
    """A session, its reps in order.

    steps    behaviour -> the step the dog stood at when the session was over, of those trained in it
    gave_up  behaviours whose misses called for the end of the session
    safety   the safety word was heard
    """

    id: str
    started_at: datetime
    handler: str
    place: str
    behaviours: tuple[TrainedBehaviour, ...]
    reps: Sequence[PastRep]
    steps: Mapping[str, int]
    gave_up: frozenset[str] = frozenset()
    safety: bool = False

    @property
    def day(self) -> date:
        """The day by the clock on the wall where it took place."""
        return self.started_at.date()

    @property
    def trained(self) -> tuple[str, ...]:
        """Names of the behaviours with reps, in the order of time."""
        return tuple(dict.fromkeys(rep.behaviour for rep in self.reps))


@dataclass(frozen=True, slots=True)
class History:
    """All sessions of a dog, in the order of time.

    out_of_order  sessions that were written down after one that is later by its date: a clock was set back, or logs
                  were brought together
    """

    dog: str
    sessions: tuple[PastSession, ...]
    out_of_order: int = 0

    @property
    def warned(self) -> tuple[PastSession, ...]:
        """Sessions in which the safety word was heard."""
        return tuple(session for session in self.sessions if session.safety)

    @property
    def behaviours(self) -> dict[str, TrainedBehaviour]:
        """Name -> the behaviour as it stood in the newest plan that names it; those of the newest plan first."""
        found: dict[str, TrainedBehaviour] = {}
        for session in reversed(self.sessions):
            for behaviour in session.behaviours:
                found.setdefault(behaviour.name, behaviour)
        return found

"""What a log holds beside the values of events.py: sessions, what was said, gaps, notes, and reps as corrected."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from handsfree.core.events import (
    Correction,
    Decision,
    EndReason,
    LogWord,
    Outcome,
    OweReward,
    Rep,
)
from handsfree.core.plan import Plan, Tag

MICROPHONE = "microphone"
"""Source of a session that was heard live; any other source is the name of a sound file."""
VOICE = "voice"
"""Who made a correction that was spoken in the session; any other is the name of a person."""


@dataclass(frozen=True, slots=True)
class SessionStart:
    """All that is known when a session begins.

    plan        the plan in force; its dog, handler, place and behaviours are written down
    plan_text   the plan file, word for word
    started_at  wall clock at session time 0, with its UTC offset; kept to the millisecond
    model       name of the ear's model; model_sha256 "" when it is not known
    source      MICROPHONE or a file name
    steps       behaviour -> the step it begins at; the plan's start_step where none is given
    raised_today    behaviours that the rules raised in an earlier session of that day
    """

    plan: Plan
    plan_text: str
    started_at: datetime
    tool_version: str
    model: str
    model_sha256: str = ""
    source: str = MICROPHONE
    steps: Mapping[str, int] = field(default_factory=dict)
    raised_today: Collection[str] = ()


@dataclass(frozen=True, slots=True)
class TrainedBehaviour:
    """A behaviour as its plan stood when the session began. `steps` are the trainer's own words, step 1 first.

    `step` is where the dog stood then; None in sessions from before that was written down. `raised_today`: the rules
    had raised it in an earlier session of that day; False in sessions from before that was asked.
    """

    name: str
    tag: Tag
    start_step: int
    steps: tuple[str, ...]
    step: int | None = None
    raised_today: bool = False


@dataclass(frozen=True, slots=True)
class Session:
    """One sitting, as written down. `ended_s` and `end_reason` are None while it runs (or until a crash is noticed)."""

    id: str
    dog: str
    handler: str
    place: str
    started_at: datetime
    plan_text: str
    plan_sha256: str
    tool_version: str
    model: str
    model_sha256: str
    source: str
    behaviours: tuple[TrainedBehaviour, ...]
    ended_s: float | None
    end_reason: EndReason | None

    @property
    def raised_today(self) -> frozenset[str]:
        """Behaviours that the rules had raised in an earlier session of that day, as was known when it began."""
        return frozenset(one.name for one in self.behaviours if one.raised_today)

    def wall_time(self, at_s: float) -> datetime:
        """Wall clock at a session time, in the offset the session began with."""
        return self.started_at + timedelta(seconds=at_s)


@dataclass(frozen=True, slots=True)
class SessionTotals:
    """A session in one line: reps after corrections."""

    session: Session
    reps: int
    correct: int


@dataclass(frozen=True, slots=True)
class DogTotals:
    """A dog in one line: reps after corrections.

    first, last  when its first and its newest session began
    unfinished   sessions without an end: running, or cut off
    archived_at  None: it is not archived
    """

    name: str
    sessions: int
    unfinished: int
    reps: int
    first: datetime
    last: datetime
    handlers: tuple[str, ...]
    archived_at: datetime | None


@dataclass(frozen=True, slots=True)
class JudgedRep:
    """A rep after corrections: its behaviour, step, times and words in `rep`, its outcome beside it (None: no rep).

    rep       `rep.outcome` stays what its words say, as it was counted live
    counted   the rep as it was counted live, where more than its outcome was corrected
    added     it was not counted live: a reviewer split it off another
    """

    rep: Rep
    outcome: Outcome | None
    counted: Rep | None = None
    added: bool = False

    @property
    def live(self) -> Rep | None:
        """The rep as it was counted live; None if it was not."""
        return None if self.added else self.counted or self.rep


@dataclass(frozen=True, slots=True)
class MadeCorrection:
    """A correction, who made it (VOICE in the session) and when, by the wall clock with offset.

    Corrections of a session are numbered from 1. `part_of` is the number of the one that this one was made together
    with (None: it stands alone, or is the first), `undoes` that of the one that both take back.
    """

    correction: Correction
    who: str
    made_at: datetime
    part_of: int | None = None
    undoes: int | None = None


@dataclass(frozen=True, slots=True)
class SaidPrompt:
    """A sentence spoken in her ear. `why` says what called for it, in a word; `end_s` None: not known when written."""

    key: str
    text: str
    start_s: float
    end_s: float | None = None
    why: str = ""
    behaviour: str | None = None


@dataclass(frozen=True, slots=True)
class Note:
    """Sound kept on request. `wav` is a path relative to the folder of the log."""

    at_s: float
    seconds: float
    wav: str


@dataclass(frozen=True, slots=True)
class Gap:
    """Sound that was lost: nothing was heard from `at_s` for `lost_s` seconds of session time."""

    at_s: float
    lost_s: float


@dataclass(frozen=True, slots=True)
class SessionLog:
    """Everything written down about one session, each list in the order it was written; reps by their start."""

    session: Session
    words: tuple[LogWord, ...] = ()
    reps: tuple[JudgedRep, ...] = ()
    rewards: tuple[OweReward, ...] = ()
    decisions: tuple[Decision, ...] = ()
    prompts: tuple[SaidPrompt, ...] = ()
    corrections: tuple[MadeCorrection, ...] = ()
    notes: tuple[Note, ...] = ()
    gaps: tuple[Gap, ...] = ()

    @property
    def live_reps(self) -> tuple[Rep, ...]:
        """The reps as they were counted live, by number."""
        return tuple(sorted((rep for judged in self.reps if (rep := judged.live)), key=lambda rep: rep.number))

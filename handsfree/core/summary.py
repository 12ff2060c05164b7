"""One session in figures, from its log. Corrections are folded in; treats are owed for every marker, undone or not."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from handsfree.core import stats
from handsfree.core.clock import clock
from handsfree.core.events import (
    Choice,
    Decision,
    Ignored,
    Instruction,
    LogWord,
    Outcome,
    Reason,
    Role,
    SessionEvent,
)
from handsfree.core.log import JudgedRep, MadeCorrection, Session, SessionLog
from handsfree.core.plan import Tag


@dataclass(frozen=True, slots=True)
class BehaviourSummary(stats.Rated):
    """One behaviour of the session. Counts are of reps after corrections; `undone` reps are in none of the others.

    outcomes         after corrections, in order; None where a rep was undone
    recued           how many of the no_response reps ended because the same cue was given again
    cue_to_marker_s  median of the `cue_to_marker_n` cued and marked correct reps; holds the trainer's reaction too
    rewards          treats owed: one a marker
    time_s           session time up to each of its reps from the rep before (or the start), pauses left out
    first_step, last_step   at its first rep, and after the last decision about it; None when it was not trained
    """

    name: str
    tag: Tag
    steps: tuple[str, ...]
    outcomes: tuple[Outcome | None, ...]
    recued: int
    cue_to_marker_s: float | None
    cue_to_marker_n: int
    rewards: int
    time_s: float
    first_step: int | None
    last_step: int | None
    decisions: tuple[Decision, ...]

    def count(self, outcome: Outcome) -> int:
        return self.outcomes.count(outcome)

    @property
    def reps(self) -> int:
        return len(self.outcomes) - self.undone

    @property
    def undone(self) -> int:
        return self.outcomes.count(None)

    @property
    def correct(self) -> int:
        return self.count(Outcome.CORRECT)

    @property
    def rewards_per_minute(self) -> float | None:
        """Rate of reinforcement."""
        return stats.per_minute(self.rewards, self.time_s)


@dataclass(frozen=True, slots=True)
class SessionSummary:
    """The session in figures. `duration_s` runs to the end, or to the last thing written down while there is none.

    behaviours   those of the plan, in its order (then any the plan no longer names)
    decisions    those about the session rather than one behaviour
    ignored      reason -> how many heard words were ignored for it, most frequent first
    safety_at_s  when the safety word was first heard, whether it counted or not
    """

    session: Session
    duration_s: float
    paused_s: float
    lost_s: float
    behaviours: tuple[BehaviourSummary, ...]
    rewards: int
    decisions: tuple[Decision, ...]
    corrections: tuple[MadeCorrection, ...]
    ignored: dict[Reason, int]
    notes: int
    safety_at_s: float | None

    @property
    def reps(self) -> int:
        return sum(behaviour.reps for behaviour in self.behaviours)

    @property
    def correct(self) -> int:
        return sum(behaviour.correct for behaviour in self.behaviours)

    @property
    def rewards_per_minute(self) -> float | None:
        """Rate of reinforcement over the whole session, pauses left out."""
        return stats.per_minute(self.rewards, self.duration_s - self.paused_s)


def summarise(log: SessionLog) -> SessionSummary:
    """Count up one session."""
    duration_s = log.session.ended_s if log.session.ended_s is not None else _last_time(log)
    pauses = pauses_of(log.words, duration_s)
    heard = [entry.heard for entry in log.words]
    ignored = Counter(one.reason for one in heard if isinstance(one, Ignored))
    return SessionSummary(
        session=log.session,
        duration_s=duration_s,
        paused_s=sum(end_s - start_s for start_s, end_s in pauses),
        lost_s=sum(gap.lost_s for gap in log.gaps),
        behaviours=_behaviours(log, pauses),
        rewards=len(log.rewards),
        decisions=tuple(decision for decision in log.decisions if decision.behaviour is None),
        corrections=log.corrections,
        ignored=dict(ignored.most_common()),
        notes=len(log.notes),
        safety_at_s=min((one.word.start_s for one in heard if one.role is Role.SAFETY), default=None),
    )


def warning_sign(log: SessionLog) -> str:
    """That the safety word was heard, for whoever looks at the session again; "" if it was not."""
    heard = [entry.heard for entry in log.words if entry.heard.role is Role.SAFETY]
    if not heard:
        return ""
    counted = [one for one in heard if isinstance(one, SessionEvent)]
    at = clock((counted or heard)[0].word.start_s)
    doubt = "" if counted else ", but not for sure, so it did not end the session"
    return (
        f"The safety word was heard at {at}{doubt}. At growling, freezing, snapping or a bite: "
        "stop, a vet first, then a licensed behaviour professional."
    )


def pauses_of(words: Sequence[LogWord], end_s: float) -> list[tuple[float, float]]:
    """(start, end) of each pause, session seconds; one never resumed lasts to `end_s`."""
    pauses: list[tuple[float, float]] = []
    since: float | None = None
    for entry in words:
        if not isinstance(entry.heard, SessionEvent):
            continue
        if entry.heard.instruction is Instruction.PAUSE and since is None:
            since = entry.heard.word.start_s
        elif entry.heard.instruction is Instruction.RESUME and since is not None:
            pauses.append((since, entry.heard.word.end_s))
            since = None
    if since is not None and since < end_s:
        pauses.append((since, end_s))
    return pauses


def _behaviours(log: SessionLog, pauses: Sequence[tuple[float, float]]) -> tuple[BehaviourSummary, ...]:
    reps: dict[str, list[JudgedRep]] = {behaviour.name: [] for behaviour in log.session.behaviours}
    time_s: defaultdict[str, float] = defaultdict(float)
    before_s = 0.0
    for judged in log.reps:
        rep = judged.rep
        if judged.outcome is not None or not judged.added:  # else split off and taken back: it never was one
            reps.setdefault(rep.behaviour, []).append(judged)
        time_s[rep.behaviour] += rep.end_s - before_s - stats.overlap_s(before_s, rep.end_s, pauses)
        before_s = rep.end_s
    behaviour_of = {judged.rep.number: judged.rep.behaviour for judged in log.reps}
    rewards = Counter(behaviour_of.get(reward.rep_number) for reward in log.rewards)
    return tuple(_behaviour(name, log, reps[name], rewards[name], time_s[name]) for name in reps)


def _behaviour(name: str, log: SessionLog, reps: Sequence[JudgedRep], rewards: int, time_s: float) -> BehaviourSummary:
    trained = next((one for one in log.session.behaviours if one.name == name), None)
    decisions = tuple(decision for decision in log.decisions if decision.behaviour == name)
    steps = [judged.rep.step for judged in reps]
    moves = [decision for decision in decisions if decision.choice in (Choice.RAISE, Choice.LOWER)]
    times = [
        judged.rep.cue_to_marker_s
        for judged in reps
        if judged.outcome is Outcome.CORRECT and judged.rep.cue_to_marker_s is not None
    ]
    return BehaviourSummary(
        name=name,
        tag=trained.tag if trained else Tag.PLAIN,
        steps=trained.steps if trained else (),
        outcomes=tuple(judged.outcome for judged in reps),
        recued=sum(judged.rep.recue and judged.outcome is Outcome.NO_RESPONSE for judged in reps),
        cue_to_marker_s=stats.median(times),
        cue_to_marker_n=len(times),
        rewards=rewards,
        time_s=time_s,
        first_step=steps[0] if steps else moves[0].step if moves else None,
        last_step=moves[-1].new_step if moves else steps[-1] if steps else None,
        decisions=decisions,
    )


def _last_time(log: SessionLog) -> float:
    times = [entry.heard.word.end_s for entry in log.words] + [judged.rep.end_s for judged in log.reps]
    return max(times, default=0.0)

"""What a reviewer may change about the reps of a session, and what becomes of them. Pure: nothing is overwritten.

Every change is one or two corrections, made together. The newest correction of a rep says its outcome; the newest that
carries a rep says its behaviour, step, times and words.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from handsfree.core.clock import clock
from handsfree.core.errors import UserError
from handsfree.core.events import (
    Correction,
    HeardWord,
    Label,
    LogWord,
    Outcome,
    Rep,
    Role,
    SessionEvent,
)
from handsfree.core.log import JudgedRep, MadeCorrection, SessionLog

EDGE_S = 0.05
"""Nearer to its start or end a rep cannot be split."""


class Overtaken(UserError):
    """Somebody else has corrected the session since it was last read."""


class Kind(Label):
    """What can be changed; stands as the reason (`why`) of the corrections."""

    RIGHT = "right"  # it was correct
    WRONG = "wrong"  # it was incorrect
    NO_RESPONSE = "no response"
    NO_REP = "no rep"
    SPLIT = "split"  # it was two
    MERGE = "merge"  # it and the one after it were one
    BEHAVIOUR = "behaviour"  # it was of another behaviour
    UNDO = "undo"


OUTCOME_OF = {
    Kind.RIGHT: Outcome.CORRECT,
    Kind.WRONG: Outcome.INCORRECT,
    Kind.NO_RESPONSE: Outcome.NO_RESPONSE,
    Kind.NO_REP: None,
}


@dataclass(frozen=True, slots=True)
class Change:
    """Corrections that belong together, whose they are, and the number of the correction they take back, if any."""

    corrections: tuple[Correction, ...]
    who: str
    undoes: int | None = None


def judged(reps: Iterable[JudgedRep], corrections: Iterable[Correction]) -> tuple[JudgedRep, ...]:
    """The reps after further corrections, by their start."""
    found = {one.rep.number: one for one in reps}
    for change in corrections:
        old = found.get(change.rep_number)
        if change.rep is None:
            if old is None:
                raise ValueError(f"a correction of rep {change.rep_number}, which is not there")
            new = replace(old, outcome=change.after)
        elif old is None or old.added:
            new = JudgedRep(change.rep, change.after, added=True)
        else:
            new = JudgedRep(change.rep, change.after, counted=None if old.live == change.rep else old.live)
        found[change.rep_number] = new
    return tuple(sorted(found.values(), key=lambda one: (one.rep.start_s, one.rep.number)))


def outcome(log: SessionLog, number: int, kind: Kind, who: str) -> Change:
    """The rep was right, wrong, not answered, or no rep. Raises UserError if it is so already."""
    one = _rep(log, number)
    after = OUTCOME_OF[kind]
    if one.outcome is after:
        raise UserError(f"rep {number} is {_called(after)} already")
    return Change((Correction(number, one.outcome, after, kind.value, one.rep.end_s),), who)


def behaviour(log: SessionLog, number: int, name: str, who: str) -> Change:
    """The rep was of another behaviour; its step is the one that behaviour stood at then. Raises UserError."""
    one = _rep(log, number)
    known = [trained.name for trained in log.session.behaviours]
    if name not in known:
        raise UserError(f"no behaviour {name!r} in this session's plan; there are: {', '.join(known)}")
    if name == one.rep.behaviour:
        raise UserError(f"rep {number} is {name} already")
    rep = replace(one.rep, behaviour=name, step=step_of(log, name, one.rep.start_s))
    return Change((Correction(number, one.outcome, one.outcome, Kind.BEHAVIOUR.value, rep.end_s, rep),), who)


def split(log: SessionLog, number: int, at_s: float | None, who: str) -> Change:
    """The rep was two, the second from `at_s` on (None: where its words suggest). Raises UserError.

    Each part has the words that lie in it, and the outcome that they give it: no response where none decides.
    """
    one = _rep(log, number)
    if one.outcome is None:
        raise UserError(f"rep {number} is no rep: judge it first, then split it")
    if log.session.ended_s is None:
        raise UserError("the session is still running: split and merge when it is over")
    rep, until_s = one.rep, extents(log.words, [one])[number]
    inside = [entry for entry in log.words if rep.start_s <= entry.heard.word.start_s < until_s]
    at_s = _suggested(inside, rep, until_s) if at_s is None else at_s
    if not rep.start_s + EDGE_S <= at_s <= until_s - EDGE_S:
        raise UserError(
            f"rep {number} runs from {clock(rep.start_s, 2)} to {clock(until_s, 2)}: "
            f"it cannot be split at {clock(at_s, 2)}"
        )
    said, kept, word = _part(inside, one, rep.start_s, at_s)
    first = replace(
        rep,
        outcome=said,
        end_s=min(at_s, rep.end_s),
        cue=rep.cue if rep.cue and rep.cue.start_s < at_s else None,
        outcome_word=word,
        recue=rep.recue and until_s <= at_s,
        released=rep.released and rep.end_s <= at_s,
    )
    said, given, word = _part(inside, one, at_s, until_s)
    cue = next((e.heard for e in inside if e.heard.role is Role.CUE and e.heard.word.start_s >= at_s - EDGE_S), None)
    name = cue.behaviour if cue and cue.behaviour else rep.behaviour
    second = replace(
        rep,
        number=max(one.rep.number for one in log.reps) + 1,
        behaviour=name,
        step=rep.step if name == rep.behaviour else step_of(log, name, at_s),
        outcome=said,
        start_s=at_s,
        end_s=until_s,
        cue=cue.word if cue else None,
        outcome_word=word,
        recue=rep.recue,
    )
    why = Kind.SPLIT.value
    return Change(
        (
            Correction(number, one.outcome, kept, why, first.end_s, first),
            Correction(second.number, None, given, why, second.end_s, second),
        ),
        who,
    )


def merge(log: SessionLog, number: int, who: str) -> Change:
    """The rep and the one after it were one, decided by the last word that decided either. Raises UserError."""
    one = _rep(log, number)
    if one.outcome is None:
        raise UserError(f"rep {number} is no rep: judge it first, then merge it")
    if log.session.ended_s is None:
        raise UserError("the session is still running: split and merge when it is over")
    following = [other for other in log.reps if other.outcome is not None]
    at = next(index for index, other in enumerate(following) if other.rep.number == number)
    if at + 1 == len(following):
        raise UserError(f"rep {number} is the last one: there is none to merge it with")
    other = following[at + 1]
    if other.rep.behaviour != one.rep.behaviour:
        raise UserError(
            f"rep {number} is {one.rep.behaviour}, the next one {other.rep.behaviour}: "
            "give both the same behaviour first"
        )
    last = one if other.rep.outcome_word is None and one.rep.outcome_word is not None else other
    rep = replace(
        one.rep,
        outcome=last.rep.outcome,
        end_s=max(one.rep.end_s, other.rep.end_s),
        outcome_word=last.rep.outcome_word,
        cue=one.rep.cue or other.rep.cue,
        recue=other.rep.recue,
        released=last.rep.released,
    )
    why = Kind.MERGE.value
    return Change(
        (
            Correction(number, one.outcome, last.outcome, why, rep.end_s, rep),
            Correction(other.rep.number, other.outcome, None, why, other.rep.end_s),
        ),
        who,
    )


def standing(made: Sequence[MadeCorrection]) -> list[MadeCorrection]:
    """Of a session's corrections those that were not taken back, and took none back."""
    gone = {one.undoes for one in made}
    return [
        one for number, one in enumerate(made, start=1) if one.undoes is None and (one.part_of or number) not in gone
    ]


def shown(log: SessionLog) -> tuple[JudgedRep, ...]:
    """The reps to look through: without those of a split that was taken back, which never were."""
    added = {one.rep.number for one in log.reps if one.added and one.outcome is None}
    split_by: dict[int, int] = {}  # rep -> number of the correction that split it off
    for number, made in enumerate(log.corrections, start=1):
        if made.correction.rep_number in added:
            split_by.setdefault(made.correction.rep_number, made.part_of or number)
    gone = {made.undoes for made in log.corrections}
    return tuple(one for one in log.reps if split_by.get(one.rep.number, 0) not in gone)


def undo(log: SessionLog, who: str) -> Change:
    """Take back the last change of this reviewer that still stands. Raises UserError."""
    made = log.corrections
    gone = {one.undoes for one in made}
    firsts = [
        number
        for number, one in enumerate(made, start=1)
        if one.who == who and one.undoes is None and one.part_of is None and number not in gone
    ]
    if not firsts:
        raise UserError(f"nothing of {who}'s to take back in this session")
    first = firsts[-1]
    numbers = [number for number, one in enumerate(made, start=1) if first in (number, one.part_of)]
    reps = {made[number - 1].correction.rep_number for number in numbers}
    for number, later in enumerate(made[first:], start=first + 1):
        stands = later.undoes is None and (later.part_of or number) not in gone and number not in numbers
        if stands and later.correction.rep_number in reps:
            raise UserError(
                f"{later.who} has corrected rep {later.correction.rep_number} after you: "
                "change it by its own key instead"
            )
    live = (JudgedRep(rep, rep.outcome) for rep in log.live_reps if rep.number in reps)
    earlier = (one.correction for one in made[: first - 1] if one.correction.rep_number in reps)
    before = {one.rep.number: one for one in judged(live, earlier)}
    now = {one.rep.number: one.outcome for one in log.reps if one.rep.number in reps}
    corrections = []
    for number in numbers:
        change = made[number - 1].correction
        was = before.get(change.rep_number)  # None: split off, and so no rep before
        after, rep = (was.outcome, was.rep if change.rep else None) if was else (None, None)
        corrections.append(
            Correction(change.rep_number, now[change.rep_number], after, Kind.UNDO.value, change.at_s, rep)
        )
    return Change(tuple(corrections), who, first)


def step_of(log: SessionLog, name: str, at_s: float) -> int:
    """The step a behaviour stood at: of its last rep or decision before then, or where the session began."""
    known = [(rep.start_s, rep.step) for rep in log.live_reps if rep.behaviour == name and rep.start_s <= at_s]
    known += [
        (decision.at_s, decision.new_step)
        for decision in log.decisions
        if decision.behaviour == name and decision.new_step is not None and decision.at_s <= at_s
    ]
    if known:
        return max(known, key=lambda entry: entry[0])[1]
    return next((one.step or one.start_step for one in log.session.behaviours if one.name == name), 1)


def extents(words: Iterable[LogWord], reps: Sequence[JudgedRep]) -> dict[int, float]:
    """Rep number -> where its sound ends, s: with it, or with a second marker that was heard for it."""
    ends = {one.rep.number: one.rep.end_s for one in reps}
    whole = {one.rep.number for one in reps if one.counted is None and not one.added}
    for entry in words:
        if entry.rep_number in whole and entry.heard.role is Role.MARKER:
            ends[entry.rep_number] = max(ends[entry.rep_number], entry.heard.word.end_s)
    return ends


def _rep(log: SessionLog, number: int) -> JudgedRep:
    for one in log.reps:
        if one.rep.number == number:
            return one
    raise UserError(f"no rep {number} in this session")


def _called(outcome: Outcome | None) -> str:
    return "no rep" if outcome is None else outcome.value.replace("_", " ")


def _part(
    inside: Sequence[LogWord], one: JudgedRep, from_s: float, until_s: float
) -> tuple[Outcome, Outcome | None, HeardWord | None]:
    """What the words of a part say, its outcome, and the word that decided it.

    The part that has the rep's own deciding word keeps its outcome; the other takes the first marker or error word that
    counted in it.
    """
    rep, own = one.rep, one.rep.outcome_word
    if own is not None and from_s <= own.start_s < until_s:
        return rep.outcome, one.outcome, own
    for entry in inside:
        heard = entry.heard
        if isinstance(heard, SessionEvent) and from_s <= heard.word.start_s < until_s:
            said = {Role.MARKER: Outcome.CORRECT, Role.ERROR: Outcome.INCORRECT}.get(heard.role)
            if said:
                return said, said, heard.word
    if rep.released and from_s < rep.end_s <= until_s:
        return rep.outcome, one.outcome, None
    return Outcome.NO_RESPONSE, Outcome.NO_RESPONSE, None


def _suggested(inside: Sequence[LogWord], rep: Rep, until_s: float) -> float:
    """Where a rep was probably two: at a cue that was not counted, after the first of two markers, or halfway."""
    for entry in inside:
        word = entry.heard.word
        if (
            entry.heard.role is Role.CUE
            and rep.start_s + EDGE_S < word.start_s
            and (rep.cue is None or word != rep.cue)
        ):
            return word.start_s
    markers = [entry.heard.word for entry in inside if entry.heard.role is Role.MARKER]
    if len(markers) > 1:
        return markers[0].end_s
    return (rep.start_s + until_s) / 2

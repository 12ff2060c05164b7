"""Two logs of one session, kept on two machines, become one. Pure, and nothing that either of them holds is lost.

Words, reps and decisions are only ever added, so the longer list holds the shorter. Corrections can be made on both
machines. One is known by what it says, who made it and when: its number, and the number of a rep that was split off,
are only places in a list. All are kept, each log's in their order, otherwise by time: so the later one counts.

A split or a merge touches two reps. Where the other log's later correction says something else of one of them, the
change is taken back at the other too: or a rep would be counted twice, or not at all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeVar

from handsfree.core import corrections
from handsfree.core.errors import UserError
from handsfree.core.events import EndReason, Outcome, Rep
from handsfree.core.log import JudgedRep, MadeCorrection, Session, SessionLog

Key = tuple[Hashable, ...]
Value = TypeVar("Value")


@dataclass(frozen=True, slots=True)
class Joined:
    """The session with all that both logs know of it.

    both      each log held corrections that the other did not
    disputed  numbers of the reps of which the two said something different; the later correction counts
    """

    log: SessionLog
    both: bool = False
    disputed: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class _Entry:
    """A correction under names that mean the same in both logs; `whose`: number of a counted rep, or a key."""

    key: Key
    whose: Hashable
    made: MadeCorrection
    part_of: Key | None
    undoes: Key | None

    @property
    def group(self) -> Key:
        return self.part_of or self.key

    @property
    def rep(self) -> Rep | None:
        return self.made.correction.rep

    @property
    def says(self) -> Hashable:
        return self.made.correction.after, self.rep and replace(self.rep, number=0)


def join(ours: SessionLog, theirs: SessionLog) -> Joined:
    """Both logs of a session as one; which comes first makes no difference, save that our name of the dog stays.

    Raises UserError when they are not of one session: what was written once is not the same in both.
    """
    mine, other = _entries(ours), _entries(theirs)
    known, known_there = {one.key for one in mine}, {one.key for one in other}
    order = _interleaved(mine, other)
    only_ours, only_theirs = known - known_there, known_there - known
    live = _longer("reps", ours.live_reps, theirs.live_reps, ours.session)
    _take_back_overtaken(order, only_ours, only_theirs, live)
    _take_back_overlapping(order, only_ours | only_theirs, live)
    made, numbers = _numbered(order, len(live))
    log = SessionLog(
        session=_session(ours.session, theirs.session),
        words=_longer("words", ours.words, theirs.words, ours.session),
        reps=corrections.judged((JudgedRep(rep, rep.outcome) for rep in live), (one.correction for one in made)),
        rewards=_longer("treats", ours.rewards, theirs.rewards, ours.session),
        decisions=_longer("decisions", ours.decisions, theirs.decisions, ours.session),
        prompts=_longer("prompts", ours.prompts, theirs.prompts, ours.session),
        corrections=made,
        notes=_longer("notes", ours.notes, theirs.notes, ours.session),
        gaps=_longer("gaps", ours.gaps, theirs.gaps, ours.session),
    )
    last_said = [{one.whose: one.says for one in order if one.key in only} for only in (only_ours, only_theirs)]
    disputed = [
        numbers[whose] for whose in last_said[0] if last_said[1].get(whose, last_said[0][whose]) != last_said[0][whose]
    ]
    return Joined(log, bool(only_ours and only_theirs), tuple(sorted(disputed)))


def _session(ours: Session, theirs: Session) -> Session:
    """With the end that is known best: none, then one noticed after a crash, then one that was written."""
    ends = [(one.ended_s, one.end_reason) for one in (ours, theirs)]
    if replace(theirs, dog=ours.dog, ended_s=ours.ended_s, end_reason=ours.end_reason) != ours:
        raise _not_the_same(ours, "beginnings")
    ended_s, reason = max(
        ends, key=lambda end: (end[0] is not None, end[1] is not EndReason.INTERRUPTED, end[0] or 0.0, end[1] or "")
    )
    return replace(ours, ended_s=ended_s, end_reason=reason)


def _longer(what: str, ours: Sequence[Value], theirs: Sequence[Value], session: Session) -> tuple[Value, ...]:
    short, long = sorted((ours, theirs), key=len)
    if tuple(long[: len(short)]) != tuple(short):
        raise _not_the_same(session, what)
    return tuple(long)


def _not_the_same(session: Session, what: str) -> UserError:
    return UserError(
        f"session {session.id[:8]} of {session.dog} is not the same in both logs: its {what} differ, which "
        "no version of handsfree does; use an older backup of one of them. Nothing was merged"
    )


def _entries(log: SessionLog) -> list[_Entry]:
    """The corrections of a log under names that mean the same in every log of the session."""
    counted = {rep.number for rep in log.live_reps}
    births: dict[int, Key] = {}
    times: Counter[Key] = Counter()
    found: list[_Entry] = []
    for made in log.corrections:
        said, number = _said(made), made.correction.rep_number
        if number not in counted and number not in births:
            births[number] = (*said, sum(one[:-1] == said for one in births.values()))
        whose: Hashable = number if number in counted else births[number]
        times[whose, said] += 1
        part_of, undoes = (at and found[at - 1].key for at in (made.part_of, made.undoes))
        found.append(_Entry((*said, whose, times[whose, said]), whose, made, part_of or None, undoes or None))
    return found


def _said(made: MadeCorrection) -> Key:
    change, rep = made.correction, made.correction.rep
    rep = rep and replace(rep, number=0)
    return made.made_at.timestamp(), made.who, change.before, change.after, change.why, change.at_s, rep


def _interleaved(ours: Sequence[_Entry], theirs: Sequence[_Entry]) -> list[_Entry]:
    """All entries once: those of each log in its own order, and where that leaves it open, by time."""
    known, known_there = {one.key for one in ours}, {one.key for one in theirs}
    order: dict[Key, _Entry] = {}
    left, right = list(reversed(ours)), list(reversed(theirs))
    while left and right:
        a, b = left[-1], right[-1]
        if a.key in order:
            left.pop()
        elif b.key in order:
            right.pop()
        elif (a.key in known_there) == (b.key in known):
            earlier = min(a, b, key=lambda one: (one.made.made_at, repr(one.key)))
            order[earlier.key] = earlier
        else:  # one log has both, this one first
            first = b if a.key in known_there else a
            order[first.key] = first
    for rest in reversed(left or right):
        order.setdefault(rest.key, rest)
    return list(order.values())


def _take_back_overtaken(order: list[_Entry], only_ours: set[Key], only_theirs: set[Key], live: Sequence[Rep]) -> None:
    """Where one log's later correction overtakes half of the other log's change, take back the other half."""
    if not (only_ours and only_theirs):
        return
    newest = {one.whose: one for one in order}
    newest_rep = {one.whose: one for one in order if one.rep}
    for one in list(order):
        later = newest_rep[one.whose] if one.rep else newest[one.whose]
        apart = (one.key in only_ours and later.key in only_theirs) or (
            one.key in only_theirs and later.key in only_ours
        )
        if not apart or (one.rep is None and later.says == one.says):
            continue
        for half in [two for two in order if two.group == one.group and two.whose != one.whose]:
            stands = newest_rep[half.whose] is half if half.rep else newest[half.whose] is half
            if not stands:
                continue
            rep = _before(half, order, live) if half.rep else None
            now = newest[half.whose].made.correction.after
            after = half.made.correction.before if newest[half.whose] is half else now  # what was said since holds
            if now == after and rep is None:
                continue
            entry = _insert_back(order, half, later, now, after, rep)
            newest[half.whose] = entry
            if rep:
                newest_rep[half.whose] = entry


def _take_back_overlapping(order: list[_Entry], apart: set[Key], live: Sequence[Rep]) -> None:
    """Where a split or merge of one log and one of the other leave two reps that share a stretch of the session, take
    back the earlier of the two changes, but nothing that was said since. `apart`: what only one log holds."""
    taken: set[Key] = set()
    first = {one.whose: one for one in reversed(order)}
    made = [one for one in order if one.part_of is None or first[one.whose] is one]  # not what took another back
    while pair := _overlapping(order, live):
        cut = [one for one in made if one.rep and one.whose in pair and one.key in apart and one.group not in taken]
        later = cut[-1] if cut else None
        if later is None or cut[0].group == later.group:
            return
        taken.add(cut[0].group)
        newest = {one.whose: one for one in order}
        newest_rep = {one.whose: one for one in order if one.rep}
        for half in [one for one in order if one.group == cut[0].group]:
            now = newest[half.whose].made.correction.after
            after = half.made.correction.before if newest[half.whose] is half else now
            rep = _before(half, order, live) if half.rep and newest_rep[half.whose] is half else None
            if after != now or rep is not None:
                _insert_back(order, half, later, now, after, rep)


def _overlapping(order: Sequence[_Entry], live: Sequence[Rep]) -> tuple[Hashable, Hashable] | None:
    """Two reps that count and share a stretch, as things stand after all corrections."""
    reps: dict[Hashable, Rep] = {rep.number: rep for rep in live}
    outcomes: dict[Hashable, Outcome | None] = {rep.number: rep.outcome for rep in live}
    for one in order:
        outcomes[one.whose] = one.made.correction.after
        if one.rep:
            reps[one.whose] = one.rep
    standing = sorted((whose for whose in reps if outcomes[whose] is not None), key=lambda whose: reps[whose].start_s)
    pairs = ((a, b) for a, b in pairwise(standing) if reps[a].end_s > reps[b].start_s)
    return next(pairs, None)


def _insert_back(
    order: list[_Entry], half: _Entry, later: _Entry, before: Outcome | None, after: Outcome | None, rep: Rep | None
) -> _Entry:
    """Put behind `later` a correction by the same person that takes `half` of an earlier change back."""
    back = replace(half.made.correction, before=before, after=after, why=later.made.correction.why, rep=rep)
    made = MadeCorrection(back, later.made.who, later.made.made_at)
    entry = _Entry((*_said(made), half.whose, 1), half.whose, made, later.group, later.undoes)
    order.insert(1 + max(at for at, two in enumerate(order) if two.group == later.group), entry)
    return entry


def _before(entry: _Entry, order: Sequence[_Entry], live: Sequence[Rep]) -> Rep | None:
    """What the rep was before this correction; None: it was not there."""
    found = next((rep for rep in live if rep.number == entry.whose), None)
    for one in order:
        if one is entry:
            break
        if one.whose == entry.whose and one.rep:
            found = one.rep
    return found


def _numbered(order: Sequence[_Entry], counted: int) -> tuple[tuple[MadeCorrection, ...], Mapping[Hashable, int]]:
    """The corrections with their places in this log, and the number of every rep that they are about.

    Reps that were split off are numbered after the last one counted, in the order in which they were made.
    """
    places = {one.key: number for number, one in enumerate(order, start=1)}
    split_off = dict.fromkeys(one.whose for one in order if not isinstance(one.whose, int))
    numbers: dict[Hashable, int] = {one.whose: one.whose for one in order if isinstance(one.whose, int)}
    numbers |= {whose: number for number, whose in enumerate(split_off, start=counted + 1)}

    def placed() -> Iterator[MadeCorrection]:
        for one in order:
            number, change = numbers[one.whose], one.made.correction
            rep = change.rep and replace(change.rep, number=number)
            yield replace(
                one.made,
                correction=replace(change, rep_number=number, rep=rep),
                part_of=places[one.part_of] if one.part_of else None,
                undoes=places[one.undoes] if one.undoes else None,
            )

    return tuple(placed()), numbers

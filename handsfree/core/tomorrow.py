"""A day of short sessions, proposed from what the log says. Pure: plan, progress and a date give the same day.

Each session begins with something that goes well, has one thing to work on in the middle, and ends with something that
goes well: common practice, no source. Handling has sessions of its own, once a day each.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from handsfree.core import food
from handsfree.core.events import Label
from handsfree.core.plan import Plan, Tag
from handsfree.core.progress import GOOD_RATE, BehaviourProgress, DogProgress
from handsfree.core.standing import Need, Standing, standing

WORK_REPS, NEW_REPS, EASY_REPS, LAST_REPS = 8, 5, 3, 2
"""Reps of a line; the plan's own limit is never exceeded. Our own choice."""
LEAST_WORK, LEAST_EASY = 3, 1
"""Reps that a line keeps, whatever time and food allow."""
PACE_DAYS = 14
"""How long a rep takes comes from so many days before a behaviour was last trained."""


class Part(Label):
    FIRST = "easy first"
    MIDDLE = "work"
    UPKEEP = "upkeep"
    LAST = "easy last"


@dataclass(frozen=True, slots=True)
class Line:
    """So many reps of a behaviour at a step."""

    part: Part
    standing: Standing
    step: int
    reps: int
    why: str


@dataclass(frozen=True, slots=True)
class Session:
    """A short session. `seconds` it should take, by the pace of the log; None: not known."""

    lines: tuple[Line, ...]
    handling: bool
    seconds: float | None

    @property
    def reps(self) -> int:
        return sum(line.reps for line in self.lines)


@dataclass(frozen=True, slots=True)
class DayPlan:
    """The proposal. `rest` should not be trained, `waiting` found no room, `known` need not come yet.

    budget     None: the plan does not say enough about food
    cut_reps   reps left out to stay within the budget
    in_future  the log holds sessions of that day or later: a clock is wrong
    """

    plan: Plan
    day: date
    sessions: tuple[Session, ...]
    rest: tuple[Standing, ...]
    waiting: tuple[Standing, ...]
    known: tuple[Standing, ...]
    budget: food.Budget | None
    cut_reps: int
    in_future: bool

    @property
    def reps(self) -> int:
        return sum(session.reps for session in self.sessions)


def propose(plan: Plan, progress: DogProgress, day: date) -> DayPlan:
    """What to train on that day."""
    found = {one.name: one for one in progress.behaviours}
    all_of = [standing(behaviour, found.get(behaviour.name), plan.day, day) for behaviour in plan.behaviours]
    work, waiting = _chosen(all_of, plan.day.sessions)
    easy = sorted(
        (one for one in all_of if not one.handling and one.need in (Need.UPKEEP, Need.NOTHING)),
        key=lambda one: (one.need is Need.NOTHING, one.due or day, -(one.ease or 0)),
    )
    pace = {name: _pace(one) for name, one in found.items()}
    drafts = [_in_time(lines, plan, pace) for lines in _drafts(plan, work, easy or _best(waiting))]
    allowed = food.budget(plan.food)
    before = sum(line.reps for lines in drafts for line in lines)
    if allowed is not None:
        drafts = _within(drafts, allowed.treats)
    sessions = tuple(_session(lines, pace) for lines in drafts)
    used = {line.standing.behaviour.name for session in sessions for line in session.lines}
    idle = [one for one in all_of if one.behaviour.name not in used]
    return DayPlan(
        plan=plan,
        day=day,
        sessions=sessions,
        rest=tuple(one for one in idle if one.need is Need.REST),
        waiting=tuple(one for one in idle if one.need not in (Need.REST, Need.NOTHING)),
        known=tuple(one for one in idle if one.need is Need.NOTHING),
        budget=allowed,
        cut_reps=before - sum(session.reps for session in sessions),
        in_future=bool(progress.history.sessions) and progress.last_day >= day,
    )


def _chosen(all_of: Sequence[Standing], sessions: int) -> tuple[list[Standing], list[Standing]]:
    """What to work on, one thing a session; and what has to wait."""
    order = (Need.REPAIR, Need.WORK, Need.UPKEEP, Need.NEW)

    def rank(one: Standing) -> tuple[int, date]:
        return order.index(one.need), one.last_day or date.min

    wanted = [one for one in all_of if one.need in (Need.REPAIR, Need.WORK, Need.NEW)]
    wanted += [one for one in all_of if one.need is Need.UPKEEP and one.handling]
    handling = sorted((one for one in wanted if one.handling), key=rank)
    plain = sorted((one for one in wanted if not one.handling), key=rank)
    # One session is for handling where there is any, and more only where nothing else needs them.
    room = max(min(len(handling), 1), sessions - len(plain))
    chosen = [*handling[:room], *plain][:sessions]
    left = [one for one in wanted if one not in chosen]
    # Handling in between, so that neither the first nor the last session of the day is one if that can be.
    middle = [one for one in chosen if one.handling]
    others = [one for one in chosen if not one.handling]
    return [*others[:1], *middle, *others[1:]], left


def _best(waiting: Sequence[Standing]) -> list[Standing]:
    """Where nothing is known yet: what goes best of that which has to wait, if it goes well at all."""
    trained = [one for one in waiting if not one.handling and (one.ease or 0.0) >= GOOD_RATE]
    return sorted(trained, key=lambda one: -(one.ease or 0.0))[:1]


def _drafts(plan: Plan, work: Sequence[Standing], easy: Sequence[Standing]) -> list[list[Line]]:
    """The lines of each session. `easy`: what goes well, that which is most due first."""
    due = [one for one in easy if one.need is Need.UPKEEP]
    if not work:
        return [[_line(Part.UPKEEP, one, plan) for one in due]] if due else []
    drafts, turn = [], 0
    for one in work:
        others = [other for other in easy if other.behaviour.name != one.behaviour.name]
        lines = []
        if others:
            lines.append(_line(Part.FIRST, others[turn % len(others)], plan))
        lines.append(_line(Part.MIDDLE, one, plan))
        if others:
            last = _line(Part.LAST, others[(turn + 1) % len(others)], plan)
            lines.append(replace(last, why="once more") if len(others) == 1 else last)
        turn += 2
        drafts.append(lines)
    return drafts


def _line(part: Part, one: Standing, plan: Plan) -> Line:
    if part is not Part.MIDDLE:
        reps = LAST_REPS if part is Part.LAST else EASY_REPS
    elif one.handling:
        reps = plan.day.calm_reps
    else:
        reps = NEW_REPS if one.need is Need.NEW else WORK_REPS
    return Line(part, one, one.step, min(reps, plan.limits.reps_per_behaviour), one.why)


def _pace(found: BehaviourProgress) -> float | None:
    """Seconds a rep, lately."""
    lately = found.since(found.last_day - timedelta(days=PACE_DAYS))
    return lately.time_s / lately.reps if lately.reps else None


def _in_time(lines: list[Line], plan: Plan, pace: Mapping[str, float | None]) -> list[Line]:
    """Fewer reps of the work, down to LEAST_WORK, until the session keeps the plan's time."""

    def seconds(some: Sequence[Line]) -> float:
        return sum(line.reps * (pace.get(line.standing.behaviour.name) or 0.0) for line in some)

    def fits() -> bool:
        handling = [line for line in lines if line.standing.handling]
        return seconds(lines) <= plan.limits.time_s and seconds(handling) <= plan.limits.handling_time_s

    lines = list(lines)
    for at, line in enumerate(lines):
        while line.part is Part.MIDDLE and not fits() and lines[at].reps > LEAST_WORK:
            lines[at] = replace(lines[at], reps=lines[at].reps - 1)
    return lines


def _within(drafts: list[list[Line]], treats: int) -> list[list[Line]]:
    """Fewer reps until a treat for each is in the budget: of the longest lines first; then sessions, the last first."""
    drafts = [list(lines) for lines in drafts]
    while sum(line.reps for lines in drafts for line in lines) > treats:
        spare = [
            (line.reps, number, at)
            for number, lines in enumerate(drafts)
            for at, line in enumerate(lines)
            if line.reps > (LEAST_WORK if line.part is Part.MIDDLE else LEAST_EASY)
        ]
        if spare:
            reps, number, at = max(spare)
            drafts[number][at] = replace(drafts[number][at], reps=reps - 1)
        else:
            drafts.pop()
    return drafts


def _session(lines: Sequence[Line], pace: Mapping[str, float | None]) -> Session:
    paces = [pace.get(line.standing.behaviour.name) for line in lines]
    seconds = None
    if all(one is not None for one in paces):
        seconds = sum(line.reps * (one or 0.0) for line, one in zip(lines, paces, strict=True))
    return Session(tuple(lines), any(line.standing.behaviour.tag is Tag.HANDLING for line in lines), seconds)

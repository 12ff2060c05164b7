"""A dog's training over days: rates, times and steps of each behaviour, likely relapses, and plateaus."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from handsfree.core import relapse, stats
from handsfree.core.events import Label
from handsfree.core.history import History, PastRep, PastSession
from handsfree.core.log import TrainedBehaviour
from handsfree.core.plan import Tag
from handsfree.core.relapse import Trial

GOOD_RATE = 0.8
"""Four of five: a convention of the trade."""
PLATEAU_REPS, PLATEAU_DAYS, PLATEAU_GAIN = 40, 4, 0.1
"""Nothing gained: so many reps on so many days since the hardest step was reached, and the second half of them no more
than so much better than the first. Our own choice, no source."""
SESSIONS_BEFORE, PAUSE_DAYS = 5, 3
"""What changed is seen against so many sessions before; so many days without training count as a pause."""
MOST_PERIODS = 31

Trained = tuple[PastSession, tuple[PastRep, ...]]
"""A session, and its reps of one behaviour."""


class Unit(Label):
    DAY = "day"
    WEEK = "week"
    MONTH = "month"


@dataclass(slots=True)
class Period(stats.Rated):
    """One behaviour on the days from `first` on: a day, a week (from Monday) or a month.

    first_step, last_step   of the first rep, and where the dog stood at the end; hardest: of any rep
    """

    first: date
    first_step: int = 0
    last_step: int = 0
    hardest: int = 0
    reps: int = 0
    correct: int = 0
    rewards: int = 0
    time_s: float = 0.0
    times_to_marker_s: list[float] = field(default_factory=list)

    def add(self, reps: Iterable[PastRep]) -> None:
        """Count these in; of those that were no rep only time and treats."""
        for _, step, correct, to_marker_s, time_s, rewards in reps:
            self.rewards += rewards
            self.time_s += time_s
            if correct is None:
                continue
            self.reps += 1
            self.correct += correct
            if step > self.hardest:
                self.hardest = step
            if to_marker_s is not None:
                self.times_to_marker_s.append(to_marker_s)

    @property
    def cue_to_marker_s(self) -> float | None:
        """Median; holds the trainer's reaction too."""
        return stats.median(self.times_to_marker_s)

    @property
    def rewards_per_minute(self) -> float | None:
        """Rate of reinforcement."""
        return stats.per_minute(self.rewards, self.time_s)


@dataclass(frozen=True, slots=True)
class Changed:
    """What was different that day: a place or handler that was new, a harder step, days without training before."""

    place: str = ""
    handler: str = ""
    step: int | None = None
    pause_days: int = 0

    def __bool__(self) -> bool:
        return bool(self.place or self.handler or self.step or self.pause_days)


@dataclass(frozen=True, slots=True)
class Setback:
    """A likely relapse, by days. `recovered` None: not over. Other fields as in relapse.Relapse."""

    began: date
    found: date
    recovered: date | None
    step: int
    reps: int
    correct: int
    expected: float
    changed: Changed


@dataclass(frozen=True, slots=True)
class Tried:
    """Reps since the hardest step so far was first reached, and on how many days."""

    step: int
    reps: int
    days: int

    @property
    def enough(self) -> bool:
        """Whether a plateau would show."""
        return self.reps >= PLATEAU_REPS and self.days >= PLATEAU_DAYS


@dataclass(frozen=True, slots=True)
class Plateau:
    """No gain since the hardest step was reached. `correct` of `reps` on `days` days."""

    began: date
    step: int
    days: int
    reps: int
    correct: int
    changed: Changed


@dataclass(frozen=True, slots=True)
class BehaviourProgress:
    """One behaviour; `trained` in the order of time."""

    name: str
    tag: Tag
    steps: tuple[str, ...]
    trained: tuple[Trained, ...]
    setbacks: tuple[Setback, ...]
    tried: Tried
    plateau: Plateau | None
    _periods: dict[Unit, list[Period]] = field(default_factory=dict, compare=False, repr=False)

    @property
    def step(self) -> int:
        """Where the dog stood when it was last trained."""
        return self.trained[-1][0].steps.get(self.name, self.trained[-1][1][-1].step)

    @property
    def relapse(self) -> Setback | None:
        """The likely relapse that is not over."""
        return self.setbacks[-1] if self.setbacks and self.setbacks[-1].recovered is None else None

    @property
    def reps(self) -> int:
        return sum(rep.correct is not None for _, reps in self.trained for rep in reps)

    @property
    def last_day(self) -> date:
        return max(session.day for session, _ in self.trained)

    def periods(self, unit: Unit) -> list[Period]:
        """Figures by day, week or month, in order; only those with a rep."""
        if unit not in self._periods:
            found: dict[date, Period] = {}
            for session, reps in self.trained:
                first = _first_of(session.day, unit)
                period = found.get(first) or found.setdefault(first, Period(first, reps[0].step))
                period.add(reps)
                period.last_step = session.steps.get(self.name, reps[-1].step)
            self._periods[unit] = [found[first] for first in sorted(found) if found[first].reps]
        return self._periods[unit]

    def unit(self) -> Unit:
        """The finest that gives no more than MOST_PERIODS periods."""
        for unit in (Unit.DAY, Unit.WEEK):
            if len({_first_of(session.day, unit) for session, _ in self.trained}) <= MOST_PERIODS:
                return unit
        return Unit.MONTH

    def since(self, first: date) -> Period:
        """All from a day on, as one period."""
        total = Period(first)
        for session, reps in self.trained:
            if session.day >= first:
                total.add(reps)
        return total

    @property
    def lately(self) -> Period:
        """The seven days up to the last."""
        return self.since(self.last_day - timedelta(days=6))


@dataclass(frozen=True, slots=True)
class DogProgress:
    """All behaviours that were trained, those of the newest plan first; `untrained` are those of it without a rep."""

    history: History
    behaviours: tuple[BehaviourProgress, ...]
    untrained: tuple[str, ...]

    @property
    def first_day(self) -> date:
        return min(session.day for session in self.history.sessions)

    @property
    def last_day(self) -> date:
        return max(session.day for session in self.history.sessions)


def progress(history: History) -> DogProgress:
    """How a dog got on."""
    trained: dict[str, list[Trained]] = defaultdict(list)
    for session in history.sessions:
        reps: dict[str, list[PastRep]] = defaultdict(list)
        for rep in session.reps:
            reps[rep.behaviour].append(rep)
        for name, own in reps.items():
            trained[name].append((session, tuple(own)))
    known = history.behaviours
    names = [*known, *(name for name in trained if name not in known)]
    found = [
        _behaviour(name, known.get(name), trained[name])
        for name in names
        if any(rep.correct is not None for _, own in trained.get(name, ()) for rep in own)
    ]
    with_reps = {behaviour.name for behaviour in found}
    newest = [behaviour.name for behaviour in history.sessions[-1].behaviours] if history.sessions else []
    return DogProgress(history, tuple(found), tuple(name for name in newest if name not in with_reps))


def _behaviour(name: str, planned: TrainedBehaviour | None, trained: Sequence[Trained]) -> BehaviourProgress:
    steps = planned.steps if planned else ()
    trials, days = [], []
    for number, (session, reps) in enumerate(trained):
        for rep in reps:
            if rep.correct is not None:
                trials.append(Trial(number, rep.step, rep.correct))
        days.append(session.day)
    setbacks = tuple(
        Setback(
            began=days[trials[one.began].session],
            found=days[trials[one.found].session],
            recovered=None if one.recovered is None else days[trials[one.recovered].session],
            step=one.step,
            reps=one.reps,
            correct=one.correct,
            expected=one.expected,
            changed=_changed(trained, trials[one.began].session),
        )
        for one in relapse.relapses(trials)
    )
    in_relapse = bool(setbacks) and setbacks[-1].recovered is None
    hardest = max(trial.step for trial in trials)
    since = trials[next(index for index, trial in enumerate(trials) if trial.step == hardest) :]
    tried = Tried(hardest, len(since), len({days[trial.session] for trial in since}))
    return BehaviourProgress(
        name=name,
        tag=planned.tag if planned else Tag.PLAIN,
        steps=steps,
        trained=tuple(trained),
        setbacks=setbacks,
        tried=tried,
        plateau=_plateau(tried, since, steps, trained) if tried.enough and not in_relapse else None,
    )


def _plateau(
    tried: Tried,
    since: Sequence[Trial],
    steps: tuple[str, ...],
    trained: Sequence[Trained],
) -> Plateau | None:
    """No gain since the hardest step so far was first reached: it is not the last one, or not yet done well."""
    best = tried.step
    if best >= len(steps) and _rate([trial for trial in since if trial.step == best][-20:]) >= GOOD_RATE:
        return None
    half = len(since) // 2
    if _rate(since[half:]) - _rate(since[:half]) > PLATEAU_GAIN:
        return None
    correct = sum(trial.correct for trial in since)
    session = since[0].session
    return Plateau(trained[session][0].day, best, tried.days, tried.reps, correct, _changed(trained, session))


def _rate(trials: Sequence[Trial]) -> float:
    return sum(trial.correct for trial in trials) / len(trials)


def _changed(trained: Sequence[Trained], at: int) -> Changed:
    """What was new in session `at` of those in which the behaviour was trained, against those before it."""
    session, reps = trained[at]
    before = trained[max(0, at - SESSIONS_BEFORE) : at]
    if not before:
        return Changed()
    hardest_before = max(rep.step for _, own in before for rep in own)
    return Changed(
        place=_new(session.place, [one.place for one, _ in before]),
        handler=_new(session.handler, [one.handler for one, _ in before]),
        step=reps[0].step if reps[0].step > hardest_before else None,
        pause_days=_pause(before[-1][0].day, session.day),
    )


def _new(now: str, before: Sequence[str]) -> str:
    return now if now not in before else ""


def _pause(last: date, now: date) -> int:
    """Days without training between two days, if they are many."""
    days = (now - last).days - 1
    return days if days >= PAUSE_DAYS else 0


def _first_of(day: date, unit: Unit) -> date:
    if unit is Unit.DAY:
        return day
    return day - timedelta(days=day.weekday()) if unit is Unit.WEEK else day.replace(day=1)

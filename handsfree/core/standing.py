"""Where each behaviour of a plan stands before a day of training: what it needs, at which step, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from handsfree.core.events import Label
from handsfree.core.history import PastRep, PastSession
from handsfree.core.plan import Behaviour, Day, Tag
from handsfree.core.progress import GOOD_RATE, BehaviourProgress, Trained

RECENT_REPS, FEW_REPS = 10, 5
"""A step is known when the dog does it well in the last RECENT_REPS reps there, at least FEW_REPS. Our own choice."""
FELL_REPS, FELL_AT = 5, 2
"""Two or fewer of the last five: a step easier, as the rule 4-3-2 would have it."""


class Need(Label):
    """What a behaviour needs on the day."""

    REST = "rest"
    REPAIR = "repair"  # a likely relapse
    WORK = "work"  # being learned
    NEW = "new"
    UPKEEP = "upkeep"  # known, and due to be repeated
    NOTHING = "nothing"  # known, and not due yet


@dataclass(frozen=True, slots=True)
class Standing:
    """One behaviour before the day.

    step       the step to train at; `was` where the log has it (None: never trained)
    why        the reason, from the log
    ease       rate of correct reps lately at that step, 0-1; None: not known
    last_day   when it was last trained
    due        the day on which what is known should come again
    """

    behaviour: Behaviour
    need: Need
    step: int
    was: int | None
    why: str
    ease: float | None = None
    last_day: date | None = None
    due: date | None = None

    @property
    def handling(self) -> bool:
        return self.behaviour.tag is Tag.HANDLING


def standing(behaviour: Behaviour, found: BehaviourProgress | None, layout: Day, day: date) -> Standing:
    """Where a behaviour stands before `day`. `found`: how it got on so far; None: never trained."""
    top = len(behaviour.steps)
    if found is None:
        why = "guarding is trained together with a professional only" if behaviour.tag is Tag.GUARDING else "new"
        need = Need.REST if behaviour.tag is Tag.GUARDING else Need.NEW
        return Standing(behaviour, need, behaviour.start_step, None, why)
    was = min(found.step, top)
    step, how = _step(behaviour, found, was, layout)
    reps = [rep for _, own in found.trained for rep in own if rep.correct is not None]
    last = found.last_day
    at_step = [bool(rep.correct) for rep in reps if rep.step >= step][-RECENT_REPS:]
    ease = sum(at_step) / len(at_step) if at_step else None
    due = _due(found.trained, top, layout) if was >= top and _known(at_step) else None
    tired = _rest(behaviour, found, day)
    if tired:
        need, why = Need.REST, tired
    elif setback := found.relapse:
        score = f"{setback.correct} of {setback.reps} correct, {100 * setback.expected:.0f} % expected"
        need, why = Need.REPAIR, f"likely relapse since {_said(setback.began)}: {score}{how}"
    elif due is not None:
        need, why = (Need.UPKEEP if due <= day else Need.NOTHING), _kept(last, due, day, at_step)
    else:
        score = (
            f"{sum(at_step)} of the last {len(at_step)} correct at this step or above"
            if at_step
            else "no reps at this step yet"
        )
        plateau = f"; no gain since {_said(found.plateau.began)}" if found.plateau else ""
        need, why = Need.WORK, f"{score}{how}{plateau}"
    return Standing(behaviour, need, step, was, why, ease, last, due)


def _step(behaviour: Behaviour, found: BehaviourProgress, was: int, layout: Day) -> tuple[int, str]:
    """The step to train at, and how it comes that it is not the one in the log (or stays)."""
    reps = [rep for _, own in found.trained for rep in own if rep.correct is not None]
    last_step = min(reps[-1].step, len(behaviour.steps))
    if behaviour.tag is not Tag.HANDLING:
        recent = [rep for rep in reps if rep.step == was][-FELL_REPS:]
        fell = len(recent) == FELL_REPS and sum(bool(rep.correct) for rep in recent) <= FELL_AT
        if fell and was == 1:
            return was, "; too hard: write an easier first step"
        return (was - 1, f"; step {was} went badly") if fell else (was, "")
    run = _calm_run(found.trained)
    if run >= layout.calm_reps and last_step < len(behaviour.steps):
        return last_step + 1, f"; {run} calm in a row at step {last_step}, so one up, once that day"
    if was > last_step:
        return last_step, f"; {run} calm in a row at step {last_step}, and {layout.calm_reps} are needed to go up"
    if not reps[-1].correct and was == last_step and was > 1:
        return was - 1, "; the last rep was a miss, so one down"
    needed = f" of {layout.calm_reps} needed to go up" if last_step < len(behaviour.steps) and was == last_step else ""
    return was, f"; {run} calm in a row{needed}"


def _calm_run(trained: Sequence[Trained]) -> int:
    """Correct reps in a row at the end, all at one step, over sessions; none of a session with the safety word."""
    run: list[PastRep] = []
    for session, own in reversed(trained):
        if session.safety:
            break
        for rep in reversed(own):
            if rep.correct is None:
                continue
            if not rep.correct or (run and rep.step != run[0].step):
                return len(run)
            run.append(rep)
    return len(run)


def _rest(behaviour: Behaviour, found: BehaviourProgress, day: date) -> str:
    """Why it should rest; "" if it need not."""
    session: PastSession = found.trained[-1][0]
    since = (day - session.day).days
    if behaviour.tag is Tag.GUARDING:
        return "guarding is trained together with a professional only"
    if session.safety and (behaviour.tag is Tag.HANDLING or since <= 1):
        return f"the safety word was heard on {_said(session.day)}: vet first, then a licensed behaviour professional"
    if behaviour.name in session.gave_up and since <= 1:
        return f"its misses ended the session of {_said(session.day)}"
    if found.plateau and since <= 1:
        return f"no gain since {_said(found.plateau.began)}: a day off, then smaller steps"
    return ""


def _known(recent: Sequence[bool]) -> bool:
    return len(recent) >= FEW_REPS and sum(recent) >= GOOD_RATE * len(recent)


def _due(trained: Sequence[Trained], top: int, layout: Day) -> date:
    """When what is known should come again: the interval doubles with each day that held, and starts anew if not."""
    days: dict[date, list[bool]] = {}
    for session, own in trained:
        outcomes = [bool(rep.correct) for rep in own if rep.correct is not None and rep.step >= top]
        if outcomes:
            days.setdefault(session.day, []).extend(outcomes)
    interval, before = 1, None
    for when in sorted(days):
        held = sum(days[when]) >= GOOD_RATE * len(days[when])
        if not held:
            interval = 1
        elif before is not None:
            interval = max(interval, 2 * (when - before).days)
        interval = min(interval, layout.upkeep_longest_days)
        before = when
    assert before is not None
    return date.fromordinal(before.toordinal() + interval)


def _kept(last: date, due: date, day: date, recent: Sequence[bool]) -> str:
    score = f"known, {sum(recent)} of the last {len(recent)} correct"
    late = (day - due).days
    if late > 0:
        return f"{score}; not kept up: due {late} day{'s' if late > 1 else ''} ago, last trained on {_said(last)}"
    return f"{score}; due again {'now' if late == 0 else 'on ' + _said(due)}, last trained on {_said(last)}"


def _said(day: date) -> str:
    return f"{day.day} {day:%b}"

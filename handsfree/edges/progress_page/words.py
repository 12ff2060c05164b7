"""The plain words of progress: one sentence on how a behaviour gets on, and what stands below it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from handsfree.core.plan import Tag
from handsfree.core.progress import (
    GOOD_RATE,
    PLATEAU_DAYS,
    PLATEAU_REPS,
    BehaviourProgress,
    Changed,
    DogProgress,
    Period,
    Setback,
    Unit,
)

FEW_REPS = 10
FOOTNOTE = (
    "Bars: 95 % interval of the rate. A likely relapse is a signal of a chart of misses (CUSUM), which is wrong about "
    "once in 1,350 reps. Steps differ in difficulty: a lower rate after a harder step is no relapse. 80 % correct is a "
    "convention of the trade, not science."
)
CAUTION = (
    "A sudden change may be pain or illness: see a vet. For growling, freezing, snapping, guarding or a bite: stop, "
    "give the dog space, see a vet first, then a licensed behaviour professional."
)
NEVER_NOTED = "Nothing that is written down changed then."


def day(moment: date) -> str:
    return f"{moment:%a} {moment.day} {moment:%b}"


def span(progress: DogProgress) -> str:
    """ "36 sessions on 22 days, Mon 2 Mar to Sun 29 Mar 2026" """
    sessions = progress.history.sessions
    days = len({session.day for session in sessions})
    first, last = progress.first_day, progress.last_day
    when = f"{day(first)} {first.year}" if first == last else f"{day(first)} to {day(last)} {last.year}"
    if first.year != last.year:
        when = f"{day(first)} {first.year} to {day(last)} {last.year}"
    return f"{many(len(sessions), 'session')} on {many(days, 'day')}, {when}"


def verdict(behaviour: BehaviourProgress) -> tuple[str, str]:
    """A sign in a few words, and what follows it: after a colon, unless the sign is in capitals."""
    if setback := behaviour.relapse:
        return "LIKELY RELAPSE", f"since {day(setback.began)}: {_fell(setback)}, noticed on {day(setback.found)}."
    if plateau := behaviour.plateau:
        score = f"{plateau.correct} of {plateau.reps} correct on {plateau.days} days"
        return "PLATEAU", f"since {day(plateau.began)}: no gain at step {plateau.step}, {score}."
    if behaviour.reps < FEW_REPS:
        return "too early to tell", f"only {many(behaviour.reps, 'rep')} so far."
    tried, lately = behaviour.tried, behaviour.lately
    is_low = lately.interval is not None and lately.interval[1] < GOOD_RATE
    if not tried.enough and (lately.rate or 0.0) < GOOD_RATE:
        so_far = f"{many(tried.reps, 'rep')} on {many(tried.days, 'day')} since step {tried.step} began"
        shows = f"a plateau shows after {PLATEAU_REPS} on {PLATEAU_DAYS}"
        return "too early to tell", f"{'low, but only ' if is_low else ''}{so_far}; {shows}."
    if is_low:
        return "low", f"under {100 * GOOD_RATE:.0f} % lately, but no sign of a relapse or a plateau."
    at_last = behaviour.steps and behaviour.step >= len(behaviour.steps)
    return "steady", "at its last step." if at_last else "no sign of a relapse or a plateau."


def beneath(behaviour: BehaviourProgress) -> list[str]:
    """What belongs to the verdict: what changed then, and earlier relapses."""
    lines = []
    if behaviour.relapse or behaviour.plateau:
        turn = behaviour.relapse or behaviour.plateau
        assert turn is not None
        lines.append(changed(turn.changed))
    over = [setback for setback in behaviour.setbacks if setback.recovered]
    if over:
        last = over[-1]
        assert last.recovered is not None
        first = "An earlier likely relapse" if len(over) == 1 else f"{len(over)} earlier likely relapses; the last"
        lasted = f"from {day(last.began)} to {day(last.recovered)} {last.recovered.year}"
        lines.append(f"{first}, {lasted}: {_fell(last)}. {changed(last.changed)}")
    return lines


def changed(what: Changed) -> str:
    """What was new on that day, in one sentence."""
    parts = []
    if what.step:
        parts.append(f"step {what.step} began")
    if what.place:
        parts.append(f"the place was new ({what.place})")
    if what.handler:
        parts.append(f"the handler was new ({what.handler})")
    if what.pause_days:
        parts.append(f"{what.pause_days} days without training had gone before")
    return f"What changed then: {', '.join(parts)}." if parts else NEVER_NOTED


def standing(behaviour: BehaviourProgress) -> str:
    """ "step 2 of 3: three paces" """
    step, steps = behaviour.step, behaviour.steps
    if not 1 <= step <= len(steps):
        return f"step {step}"
    return f"step {step} of {len(steps)}: {steps[step - 1]}"


def lately(behaviour: BehaviourProgress) -> str:
    """The figures of the last seven days on which anything of it was trained."""
    since = behaviour.lately
    parts = [f"{score(since)} in the 7 days to {day(behaviour.last_day)}", *figures(since)]
    return "; ".join(parts)


def score(period: Period) -> str:
    """ "23 of 41 correct: 56 % (95 % interval 41 to 70 %)" """
    if period.rate is None or period.interval is None:
        return "no reps"
    low, high = (f"{100 * share:.0f}" for share in period.interval)
    return f"{period.correct} of {period.reps} correct: {100 * period.rate:.0f} % (95 % interval {low} to {high} %)"


def figures(period: Period) -> list[str]:
    found = []
    if period.cue_to_marker_s is not None:
        found.append(f"cue-to-marker {period.cue_to_marker_s:.1f} s")
    if period.rewards and period.rewards_per_minute is not None:
        found.append(f"{period.rewards_per_minute:.1f} treats a minute")
    return found


def period_name(period: Period, unit: Unit) -> str:
    """ "17 Mar", "week of 16 Mar", "Mar 2026" """
    first = period.first
    if unit is Unit.MONTH:
        return f"{first:%b %Y}"
    return f"{'wk ' if unit is Unit.WEEK else ''}{first.day} {first:%b}"


def steps_of(period: Period, arrow: str) -> str:
    same = period.first_step == period.last_step
    return f"{period.last_step}" if same else f"{period.first_step}{arrow}{period.last_step}"


def marks(behaviour: BehaviourProgress, periods: Sequence[Period]) -> dict[date, str]:
    """First day of a period -> what began or ended in it."""
    found: dict[date, list[str]] = {}

    def put(when: date, what: str) -> None:
        inside = [period.first for period in periods if period.first <= when]
        if inside:
            found.setdefault(inside[-1], []).append(what)

    for setback in behaviour.setbacks:
        put(setback.began, "relapse began")
        if setback.recovered:
            put(setback.recovered, "relapse over")
        elif setback.found != setback.began:
            put(setback.found, "noticed")
    if behaviour.plateau:
        put(behaviour.plateau.began, "plateau began")
    return {when: ", ".join(dict.fromkeys(what)) for when, what in found.items()}


def notes(progress: DogProgress) -> list[str]:
    """What should be known beside the figures: doubts about the days, and that the safety word was heard."""
    said = []
    if late := progress.history.out_of_order:
        said.append(
            f"{many(late, 'session')} stand{'s' if late == 1 else ''} in the log after later ones: a clock was set "
            "back, or logs were brought together. Days are those that were written down."
        )
    if warned := progress.history.warned:
        last = warned[-1]
        trained = f" ({', '.join(last.trained)})" if last.trained else ""
        said.append(
            f"The safety word was heard in {many(len(warned), 'session')}, last on {day(last.day)}{trained}: a vet "
            "first, then a licensed behaviour professional."
        )
    return said


def cautions(behaviours: Sequence[BehaviourProgress]) -> bool:
    """Whether the caution belongs below: something fell apart, or is handled or guarded."""
    return any(one.relapse or one.tag in (Tag.HANDLING, Tag.GUARDING) for one in behaviours)


def many(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


def _fell(setback: Setback) -> str:
    return f"{setback.correct} of {setback.reps} correct where {100 * setback.expected:.0f} % was to be expected"

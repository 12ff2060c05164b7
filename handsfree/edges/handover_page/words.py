"""The sentences of a hand-over."""

from __future__ import annotations

from datetime import date

from handsfree.core.handover import LAST_DAYS, Compared, Handed, Score, Today
from handsfree.core.plan import Plan, SequentialRule, Tag

PERCENT = "\N{NO-BREAK SPACE}%"
ABOUT = (
    f"Figures are of the last {LAST_DAYS} days in which each behaviour was trained, at the step named; what the "
    "microphone heard and the trainer corrected. The band is the 95 % interval of the rate: the fewer reps, the wider. "
    "Fewer than 10 reps say too little. In another home, with other people, a dog starts lower: begin a step easier."
)
MOST_WARNINGS = 5
CAUTIONS = (
    "Growling, freezing, snapping, guarding or a bite: stop and give the dog space; never punish a warning sign. See a "
    "vet first, to rule out pain; then a licensed behaviour professional. Local law on bites and dangerous dogs "
    "applies.",
    "Brush, teeth, nails: if the dog pulls away, turns its head or freezes, stop. One opt-out means stop, not try "
    "again.",
    "Puppies tire fast: sessions of one to three minutes. Children train only with an adult beside them.",
    "Food: weigh treats off the daily ration. Weight and food are for the vet to judge.",
)


def today(one: Today) -> str:
    """What the dog does today, in one sentence or two."""
    if one.found is None:
        return "Not trained yet."
    step = f"Step {one.step} of {len(one.behaviour.steps)}: {one.behaviour.steps[one.step - 1]}."
    if not one.all.reps:
        below = f"; before it, {score(one.easier)}" if one.easier.reps else ""
        return f"{step} No reps at this step yet{below}."
    return f"{step} {score(one.all)}."


def score(some: Score) -> str:
    """ "18 of 20 right: 90 % (likely between 70 and 97 %)", or that there are too few."""
    return f"{some.correct} of {some.reps} right: {rate(some)}"


def rate(some: Score) -> str:
    """ "90 % (likely between 70 and 97 %)", or that there are too few reps."""
    if some.few or some.rate is None or some.interval is None:
        return "too few reps to tell"
    low, high = (f"{100 * share:.0f}" for share in some.interval)
    return f"{100 * some.rate:.0f}{PERCENT} (likely between {low} and {high}{PERCENT})"


def compared(one: Compared) -> str:
    if one.low is None or one.high is None:
        return f"{one.most} and {one.other}: too few reps to tell whether it makes a difference who asks."
    if one.low > 0:
        return f"Goes better with {one.most} than with {one.other}: let {one.other} practise, a step easier."
    if one.high < 0:
        return f"Goes better with {one.other} than with {one.most}."
    return f"{one.most} and {one.other}: no difference that these reps could show."


def following(one: Today) -> str:
    """How it goes on; as the plan's rule has it, and for handling as `tomorrow` does."""
    tag, rule = one.behaviour.tag, one.behaviour.rule
    if tag is Tag.GUARDING:
        return "How it goes on is for that professional to say."
    if one.found is None:
        return f"Begin with: {one.behaviour.steps[one.step - 1]}."
    if tag is Tag.HANDLING:
        stop = "At the first opt-out stop for that day" + (", and be a step easier next time." if one.step > 1 else ".")
        if one.next_step is None:
            return f"The last step is reached. Keep it up: a few calm reps every few days. {stop}"
        return f"Next: {one.next_step}. Go on after {one.calm_reps} calm reps in a row, one step a day at most. {stop}"
    if one.next_step is None:
        return "The last step is reached. Keep it up: a few reps every few days, in new places."
    enough = (4, 5) if isinstance(rule, SequentialRule) else (rule.raise_at, rule.window)
    return (
        f"Next: {one.next_step}. Go on when {enough[0]} of {enough[1]} are right; go back a step after "
        f"{max(2, rule.misses_in_a_row)} misses in a row."
    )


def warned(handed: Handed) -> str:
    """When the safety word was heard, and in training what; "" if it never was. The last few times, if often."""
    sessions = handed.progress.history.warned
    if not sessions:
        return ""
    when = []
    for session in sessions[-MOST_WARNINGS:]:
        when.append(day(session.day) + (f" ({', '.join(session.trained)})" if session.trained else ""))
    often = f" {len(sessions)} times, last on" if len(sessions) > MOST_WARNINGS else " on"
    return (
        f"The safety word, which is said at a warning sign such as growling, was heard{often} {'; '.join(when)}. Ask "
        "the trainer what happened, and do not train these until a vet and a licensed behaviour professional have "
        "looked at it."
    )


def relapse(one: Today) -> str:
    """A likely relapse that is not over; "" if there is none."""
    setback = one.found.relapse if one.found else None
    if setback is None:
        return ""
    return (
        f"Likely relapse since {day(setback.began)}: {setback.correct} of {setback.reps} right where "
        f"{100 * setback.expected:.0f} % was to be expected. Keep it easy."
    )


def tag(one: Today) -> str:
    """The caution of a behaviour that is handled or guarded."""
    return {
        Tag.HANDLING: "Handling: the dog may say no. One opt-out means stop.",
        Tag.GUARDING: "Guarding: do not train this by yourselves; ask the professional named below, or your vet.",
    }.get(one.behaviour.tag, "")


def spoken(plan: Plan) -> list[tuple[str, str]]:
    """Word or words -> what they mean to the dog, and to the program."""
    words = plan.words
    rows = [
        (_list(words.marker), "the instant the dog is right; a treat follows, every time"),
        (_list(words.error), "that was not it; nothing bad happens"),
        (_list(words.release), "done, you may go"),
        (_list(words.praise), "kind words; promise nothing"),
        (_list(words.safety), "for the program, at a warning sign: the session ends"),
    ]
    return [(said, meaning) for said, meaning in rows if said]


def day(moment: date) -> str:
    return f"{moment.day} {moment:%B %Y}"


def quoted(phrases: tuple[str, ...]) -> str:
    return " or ".join(f"“{phrase}”" for phrase in phrases)


def _list(phrases: tuple[str, ...]) -> str:
    return ", ".join(f"“{phrase}”" for phrase in phrases)

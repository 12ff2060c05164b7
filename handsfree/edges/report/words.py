"""The plain words of a summary: reasons, cautions, times."""

from __future__ import annotations

from handsfree.core.clock import clock
from handsfree.core.events import Because, Decision, EndReason, Outcome, Reason
from handsfree.core.plan import Tag
from handsfree.core.summary import SessionSummary

FOOTNOTE = "80 % correct is a convention of the trade, not science. Few reps say little: read the interval."

_HELP = (
    "Stop at growling, freezing, snapping or a bite, and give the dog space. See a vet first, to rule out pain; then a "
    "licensed behaviour professional. Local law on bites and dangerous dogs applies."
)

_SAFETY = "The safety word was heard at {time}. "

_TAGGED = {
    Tag.HANDLING: "{names}: handling. One opt-out means stop, not try again. ",
    Tag.GUARDING: "{names}: guarding. Train it with a professional at hand; never punish a warning sign. ",
}

ENDS = {  # "ended ..."
    EndReason.ASKED: "by you",
    EndReason.TIME: "by the time limit",
    EndReason.REPS: "by the limit of reps",
    EndReason.TREATS: "with the treats used up",
    EndReason.MISSES: "after too many misses",
    EndReason.SAFETY: "by the safety word",
    EndReason.SOUND_ENDED: "with the recording",
    EndReason.MICROPHONE_LOST: "when the microphone was lost",
    EndReason.INTERRUPTED: "by an interruption: the program was cut off",
}

STILL_OPEN = "not ended: still running, or cut off"

IGNORED = {
    Reason.IN_A_SENTENCE: "inside a sentence",
    Reason.UNSURE: "not sure enough",
    Reason.TOO_SHORT: "too short",
    Reason.TOO_LATE: "made out too late",
    Reason.STRETCHED: "one drawn-out word",
    Reason.DURING_PROMPT: "while a prompt was spoken",
    Reason.PAUSED: "while paused",
    Reason.PRAISE: "praise",
    Reason.NAME: "a name",
    Reason.PART_OF_PHRASE: "part of a longer phrase",
    Reason.NO_BEHAVIOUR: "before any behaviour was named",
    Reason.NO_OPEN_REP: "no rep to end",
    Reason.NOTHING_TO_CORRECT: "nothing to correct",
    Reason.SESSION_OVER: "after the end",
}

OUTCOMES = {Outcome.CORRECT: "correct", Outcome.INCORRECT: "incorrect", Outcome.NO_RESPONSE: "no response"}


def why(decision: Decision) -> str:
    """The reason of a decision in plain words, without the decision itself."""
    count = len(decision.reps)
    of_last = "one miss" if (decision.correct, count) == (0, 1) else f"{decision.correct} of the last {count} correct"
    match decision.because:
        case Because.WINDOW:
            return f"{of_last} (rule {decision.rule})"
        case Because.SEQUENTIAL:
            return f"{decision.correct} of {count} correct at this step (rule {decision.rule})"
        case Because.MISSES_IN_A_ROW:
            return f"{count} misses in a row"
        case Because.OPT_OUT:
            return "the dog opted out"
        case Because.SECOND_OPT_OUT:
            return "the dog opted out a second time"
        case Because.FIRST_STEP:
            return f"{of_last}, and no step is easier"
        case Because.SECOND_LOWER:
            return f"{of_last}, with no recovery since the last lowering"
        case Because.TOP_STEP:
            return f"{of_last}, but the plan has no harder step"
        case Because.NO_HASTE:
            return f"{of_last}, but handling goes up once a day"
        case Because.JUST_MOVED:
            return "that step was left only a few reps ago"
        case Because.ASKED:
            return "you asked for it"
        case Because.TIME:
            return "the time limit"
        case Because.REPS:
            return "the limit of reps"
        case Because.TREATS:
            return "the treats were used up"
        case Because.SAFETY:
            return "the safety word was said"


def cautions(summary: SessionSummary) -> list[str]:
    """What must be said about safety; empty when nothing handled or guarded was trained and no safety word heard."""
    said = []
    if summary.safety_at_s is not None:
        said.append(_SAFETY.format(time=clock(summary.safety_at_s)) + _HELP)
    for tag, sentence in _TAGGED.items():
        names = ", ".join(one.name for one in summary.behaviours if one.tag is tag and one.outcomes)
        if names:
            said.append(sentence.format(names=names) + ("" if said else _HELP))
    return said


def spell(seconds: float) -> str:
    """A length of time: "45 s", "3 min 05 s"."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def many(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"

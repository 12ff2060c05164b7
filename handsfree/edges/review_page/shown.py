"""A session as the page is told about it: values that become JSON. No text is read as markup.

state    session, who, seen (number of corrections), running, sound, caution, behaviours[], reps[], figures
heard    words[], prompts[], gaps[]
rep      n, behaviour, step, criterion, outcome (null: no rep), counted (null: not counted live), start, end, until
         (end of its sound), cue, word, to_marker, confidence, doubt, history[]
word     text, start, end, confidence, role, reason (null: it counted)
Times are seconds of session time.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any

from handsfree.core import corrections, stats, sureness
from handsfree.core.clock import clock
from handsfree.core.events import OTHER_SPEECH, Correction, HeardWord, Ignored, Outcome
from handsfree.core.log import JudgedRep, MadeCorrection, SessionLog
from handsfree.core.summary import summarise, warning_sign

OUTCOMES = {Outcome.CORRECT: "correct", Outcome.INCORRECT: "incorrect", Outcome.NO_RESPONSE: "no response"}


def state(log: SessionLog, who: str, sound: str) -> dict[str, Any]:
    """All of a session. `sound` says in a sentence what of its sound is kept."""
    session = log.session
    return {
        "session": {
            "id": session.id,
            "dog": session.dog,
            "handler": session.handler,
            "place": session.place,
            "started": f"{session.started_at:%a %d %b %Y, %H:%M}",
            "length": session.ended_s if session.ended_s is not None else summarise(log).duration_s,
        },
        "who": who,
        "seen": len(log.corrections),
        "running": session.ended_s is None,
        "sound": sound,
        "caution": warning_sign(log),
        "behaviours": [{"name": one.name, "steps": one.steps} for one in session.behaviours],
        "reps": reps(log),
        "figures": figures(log),
    }


def heard(log: SessionLog) -> dict[str, Any]:
    """What fills the time line beside the reps."""
    return {
        "words": [
            {
                "text": "talk" if entry.heard.word.text == OTHER_SPEECH else entry.heard.word.text,
                "start": entry.heard.word.start_s,
                "end": entry.heard.word.end_s,
                "confidence": entry.heard.word.confidence,
                "role": entry.heard.role,
                "reason": _plain(entry.heard.reason) if isinstance(entry.heard, Ignored) else None,
            }
            for entry in log.words
        ],
        "prompts": [{"text": one.text, "start": one.start_s, "end": one.end_s} for one in log.prompts],
        "gaps": [{"start": gap.at_s, "end": gap.at_s + gap.lost_s} for gap in log.gaps],
    }


def answer(log: SessionLog, numbers: Collection[int], undone: bool = False) -> dict[str, Any]:
    """What a change brought about: the reps concerned, those gone with it, the figures, and a line that says it."""
    changed = reps(log, numbers)
    return {
        "seen": len(log.corrections),
        "reps": changed,
        "gone": sorted(set(numbers) - {one["n"] for one in changed}),
        "figures": figures(log),
        "said": ("Taken back. " if undone else "") + "; ".join(_line(one) for one in changed),
    }


def reps(log: SessionLog, numbers: Collection[int] | None = None) -> list[dict[str, Any]]:
    """The reps of those numbers, or all, by their start."""
    wanted = [one for one in corrections.shown(log) if numbers is None or one.rep.number in numbers]
    doubts = sureness.doubts(wanted, log.words)
    criteria = {one.name: one.steps for one in log.session.behaviours}
    history = defaultdict(list)
    for made in log.corrections:
        if numbers is None or made.correction.rep_number in numbers:
            history[made.correction.rep_number].append(_made(made))
    until = corrections.extents(log.words, wanted)
    return [
        _rep(one, until[one.rep.number], criteria.get(one.rep.behaviour, ()), doubts, history[one.rep.number])
        for one in wanted
    ]


def _rep(
    one: JudgedRep, until_s: float, criteria: tuple[str, ...], doubts: dict[int, Ignored], history: list[dict[str, Any]]
) -> dict[str, Any]:
    rep = one.rep
    doubt = doubts.get(rep.number)
    to_marker = rep.cue_to_marker_s if one.outcome is Outcome.CORRECT else None
    return {
        "n": rep.number,
        "behaviour": rep.behaviour,
        "step": rep.step,
        "criterion": criteria[rep.step - 1] if rep.step <= len(criteria) else "",
        "outcome": one.outcome and OUTCOMES[one.outcome],
        "counted": OUTCOMES[one.live.outcome] if one.live else None,
        "start": rep.start_s,
        "end": rep.end_s,
        "until": until_s,
        "cue": _word(rep.cue),
        "word": _word(rep.outcome_word),
        "to_marker": to_marker,
        "recue": rep.recue,
        "confidence": sureness.confidence(rep),
        "doubt": doubt and f"“{doubt.word.text}” at {clock(doubt.word.start_s, 1)} not counted: {_plain(doubt.reason)}",
        "history": history,
    }


def figures(log: SessionLog) -> dict[str, Any]:
    """Counts with their rates and 95 % Wilson intervals: of the session, and of each behaviour trained in it.

    Counted here and not by `summarise`, which counts far more: a key would wait for it.
    """
    outcomes: dict[str, list[Outcome | None]] = {one.name: [] for one in log.session.behaviours}
    for one in corrections.shown(log):
        outcomes.setdefault(one.rep.behaviour, []).append(one.outcome)
    behaviours = [_figure(name, found) for name, found in outcomes.items() if found]
    return {
        "correct": sum(one["correct"] for one in behaviours),
        "reps": sum(one["reps"] for one in behaviours),
        "behaviours": behaviours,
    }


@dataclass(frozen=True, slots=True)
class _Counted(stats.Rated):
    reps: int
    correct: int


def _figure(name: str, outcomes: list[Outcome | None]) -> dict[str, Any]:
    one = _Counted(len(outcomes) - outcomes.count(None), outcomes.count(Outcome.CORRECT))
    return {"name": name, "correct": one.correct, "reps": one.reps, "rate": one.rate, "interval": one.interval}


def _made(made: MadeCorrection) -> dict[str, Any]:
    return {"who": made.who, "when": f"{made.made_at:%d %b, %H:%M}", "what": described(made.correction)}


def described(change: Correction) -> str:
    """What a correction did, in a line."""
    before, after = (OUTCOMES[one] if one else "no rep" for one in (change.before, change.after))
    told = f"{change.why}: {before} → {after}" if before != after else f"{change.why}: {after}"
    if change.rep is None:
        return told
    return f"{told}, {change.rep.behaviour} from {clock(change.rep.start_s, 1)} to {clock(change.rep.end_s, 1)}"


def _line(rep: dict[str, Any]) -> str:
    return f"Rep {rep['n']}, {rep['behaviour']}: {rep['outcome'] or 'no rep'}"


def _word(word: HeardWord | None) -> dict[str, Any] | None:
    return (
        None
        if word is None
        else {"text": word.text, "start": word.start_s, "end": word.end_s, "confidence": word.confidence}
    )


def _plain(label: str) -> str:
    return label.replace("_", " ")


def overtaken(made: Iterable[MadeCorrection]) -> str:
    """What others did, for one whose change came too late."""
    what = "; ".join(f"{one.who} changed rep {one.correction.rep_number} ({one.correction.why})" for one in made)
    return f"{what}. Your key was not carried out: look again, and press it once more if it still holds."

"""Small plans, and ways to speak to the core in one line."""

from __future__ import annotations

from handsfree.core.events import (
    OTHER_SPEECH,
    Breath,
    Decided,
    Effect,
    HeardWord,
    Instruction,
    LogWord,
    Rep,
    Role,
    SaveRep,
    SessionEvent,
)
from handsfree.core.plan import PRESETS, Behaviour, Plan, Tag, Words
from handsfree.core.sitting import Sitting

INSTRUCTIONS = {
    Instruction.NOW: "now",
    Instruction.UNDO: "undo that",
    Instruction.WRONG: "that was wrong",
    Instruction.RIGHT: "that was right",
    Instruction.PAUSE: "take a break",
    Instruction.RESUME: "carry on",
    Instruction.SCORE: "how are we doing",
    Instruction.NEXT_STEP: "next step",
    Instruction.STEP_BACK: "step back",
    Instruction.TIME: "how long",
    Instruction.NOTE: "take a note",
    Instruction.END: "end session",
}


def small_plan(**changes) -> Plan:
    """Four behaviours, one of each tag, three steps each."""
    steps = ("one", "two", "three")
    behaviours = (
        Behaviour("sit", ("sit", "park it"), steps=steps, start_step=2),
        Behaviour("leave it", ("leave it",), steps=steps, start_step=2, rule=PRESETS["5-3-2"]),
        Behaviour("stay", ("stay",), tag=Tag.DURATION, steps=steps, response_window_s=60.0),
        Behaviour("brush", ("brush",), tag=Tag.HANDLING, steps=steps, start_step=2, response_window_s=5.0),
    )
    words = Words(marker=("yes",), error=("oops",), release=("all done",), safety=("growling",), names=("bram",))
    return Plan(**({"dog": "Bram", "behaviours": behaviours, "words": words} | changes))


def heard(text: str, start_s: float, length_s: float = 0.4, confidence: float = 1.0) -> HeardWord:
    return HeardWord(text, start_s, start_s + length_s, confidence)


def talk(start_s: float, length_s: float = 0.4) -> HeardWord:
    return heard(OTHER_SPEECH, start_s, length_s)


def event(role: Role, text: str, start_s: float, behaviour: str | None = None, length_s: float = 0.4) -> SessionEvent:
    return SessionEvent(heard(text, start_s, length_s), role, behaviour)


def sitting(plan: Plan | None = None, **steps: int) -> Sitting:
    return Sitting(plan or small_plan(), INSTRUCTIONS, steps)


def say(sitting: Sitting, *words: tuple[str, float]) -> list[Effect]:
    """Each word is a breath of its own; all that happened."""
    effects: list[Effect] = []
    for text, start_s in words:
        word = heard(text, start_s)
        effects += sitting.hear(Breath((word,), word.end_s))
    return effects


def wait(sitting: Sitting, until_s: float) -> list[Effect]:
    """Nothing is heard until then."""
    return sitting.hear(Breath((), until_s))


def reps(effects: list[Effect]) -> list[Rep]:
    return [effect.rep for effect in effects if isinstance(effect, SaveRep)]


def logged(effects: list[Effect]) -> list:
    """What became of each word, in order."""
    return [effect.heard for effect in effects if isinstance(effect, LogWord)]


def decisions(effects: list[Effect]) -> list:
    return [effect.decision for effect in effects if isinstance(effect, Decided)]

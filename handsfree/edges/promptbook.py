"""The sentences the program speaks and the instructions it obeys, from one TOML file a language (tomllib)."""

from __future__ import annotations

import math
import string
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from handsfree.core.errors import UserError
from handsfree.core.events import Instruction
from handsfree.core.plan import Behaviour, Plan, WindowRule

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

MOST_WORDS = 6
"""A spoken prompt costs the trainer's attention: at 160 words a minute six words take about 2 s."""
SECONDS_STEP = 10
"""Below a minute the time left is told in tens of seconds."""

FIELDS: Mapping[str, frozenset[str]] = {
    "listening": frozenset(),
    "finished": frozenset(),
    "voice_test": frozenset(),
    "raise": frozenset({"behaviour", "step"}),
    "lower": frozenset({"behaviour", "step"}),
    "top_step": frozenset({"behaviour"}),
    "end": frozenset({"behaviour"}),
    "opt_out": frozenset({"behaviour", "step"}),
    "stop_now": frozenset({"behaviour"}),
    "safety": frozenset(),
    "time_limit": frozenset(),
    "reps_limit": frozenset({"behaviour"}),
    "treats_limit": frozenset(),
    "now": frozenset({"behaviour", "step"}),
    "undone": frozenset(),
    "marked_wrong": frozenset(),
    "marked_right": frozenset(),
    "nothing_to_undo": frozenset(),
    "paused": frozenset(),
    "resumed": frozenset(),
    "score": frozenset({"behaviour", "correct", "count"}),
    "no_score": frozenset(),
    "next_step": frozenset({"behaviour", "step"}),
    "step_back": frozenset({"behaviour", "step"}),
    "no_step": frozenset(),
    "minutes_left": frozenset({"minutes"}),
    "minute_left": frozenset(),
    "seconds_left": frozenset({"seconds"}),
    "time_over": frozenset(),
    "note_kept": frozenset(),
    "notes_off": frozenset(),
    "unknown_instruction": frozenset(),
    "microphone_lost": frozenset(),
}
"""Every sentence there must be, in the order they are rendered, and the fields it may use."""


@dataclass(frozen=True)
class PromptBook:
    """One language. `sentences`: key -> text with {fields}; `instructions`: what is said after the address word."""

    language: str
    sentences: Mapping[str, str]
    instructions: Mapping[Instruction, str]

    def fill(self, key: str, **fields: str | int) -> str:
        """The sentence as it is spoken. Fields the sentence does not use may be given all the same."""
        return self.sentences[key].format(**fields)

    def time_left(self, seconds: float) -> str:
        """How long the session still has: whole minutes, below a minute tens of seconds, rounded to the nearest."""
        tens = round(seconds / SECONDS_STEP) * SECONDS_STEP
        if tens <= 0:
            return self.fill("time_over")
        if tens < 60:
            return self.fill("seconds_left", seconds=tens)
        minutes = round(seconds / 60)
        return self.fill("minute_left") if minutes == 1 else self.fill("minutes_left", minutes=minutes)

    def all_texts(self, plan: Plan) -> list[str]:
        """Every sentence that can be spoken in a session with this plan, each once, so it can be rendered ahead."""
        texts = dict.fromkeys(self.sentences[key] for key in FIELDS if "{" not in self.sentences[key])
        for key, sentence in self.sentences.items():
            if "{" in sentence:
                texts.update(dict.fromkeys(sentence.format(**fields) for fields in _fillings(key, plan)))
        return list(texts)


def _fillings(key: str, plan: Plan) -> Iterator[Mapping[str, Any]]:
    """All values that the fields of a sentence can take."""
    if key == "minutes_left":
        yield from ({"minutes": n} for n in range(2, math.ceil(_longest_s(plan) / 60) + 1))
    elif key == "seconds_left":
        yield from ({"seconds": n} for n in range(SECONDS_STEP, 60, SECONDS_STEP))
    elif key == "score":
        for behaviour in plan.behaviours:
            for count in range(1, _scored_reps(behaviour, plan) + 1):
                yield from ({"behaviour": behaviour.name, "correct": n, "count": count} for n in range(count + 1))
    else:
        for behaviour in plan.behaviours:
            yield from ({"behaviour": behaviour.name, "step": n} for n in range(1, len(behaviour.steps) + 1))


def _longest_s(plan: Plan) -> float:
    return max(plan.limits.time_s, plan.limits.handling_time_s)


def _scored_reps(behaviour: Behaviour, plan: Plan) -> int:
    """How many reps a spoken score can speak of: the window, or without one all reps up to the limit."""
    rule = behaviour.rule
    return rule.window if isinstance(rule, WindowRule) else plan.limits.reps_per_behaviour


def load_prompts(language: str, folder: Path) -> PromptBook:
    """The prompts of a language (`folder`/`language`.toml). Raises UserError naming every fault in the file."""
    path = folder / f"{language}.toml"
    try:
        data = tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        there = ", ".join(sorted(p.stem for p in folder.glob("*.toml"))) or "none"
        raise UserError(f"there are no prompts in the language {language!r} ({path}); there are: {there}") from None
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{path} cannot be read: {error}") from None
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{path} is not valid TOML: {error}") from None
    sentences, instructions = data.get("sentences", {}), data.get("instructions", {})
    faults = [
        *_key_faults("sentences", sentences, list(FIELDS)),
        *_key_faults("instructions", instructions, [str(i) for i in Instruction]),
        *(f"[sentences] {key}: {fault}" for key in FIELDS for fault in _sentence_faults(key, sentences.get(key))),
    ]
    if faults:
        raise UserError(f"{path}: {'; '.join(faults)}")
    return PromptBook(language, sentences, {Instruction(key): _plain(said) for key, said in instructions.items()})


def _key_faults(table: str, found: Mapping[str, Any], wanted: list[str]) -> Iterator[str]:
    yield from (f"[{table}] lacks {key!r}" for key in wanted if key not in found)
    yield from (f"[{table}] has the unknown key {key!r}" for key in found if key not in wanted)
    texts = [text for text in found.values() if isinstance(text, str)]
    if len(texts) < len(found) or not all(text.strip() for text in texts):
        yield f"every value of [{table}] must be a text in quotes"
    if table == "instructions" and len({_plain(text) for text in texts}) < len(texts):
        yield "two instructions have the same phrase"


def _sentence_faults(key: str, sentence: object) -> Iterator[str]:
    if not isinstance(sentence, str):
        return
    try:
        fields = {name for _, name, _, _ in string.Formatter().parse(sentence) if name is not None}
    except ValueError:
        yield "unmatched brace"
        return
    for field in sorted(fields - FIELDS[key]):
        allowed = ", ".join(f"{{{name}}}" for name in sorted(FIELDS[key])) or "none"
        yield f"the field {{{field}}} is not known here (allowed: {allowed})"
    if len(sentence.split()) > MOST_WORDS:
        yield f"{len(sentence.split())} words; at most {MOST_WORDS} are spoken"


def _plain(phrase: str) -> str:
    return " ".join(phrase.lower().split())

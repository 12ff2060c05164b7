"""The sentences the program speaks and the instructions it obeys, from one TOML file a language (tomllib)."""

from __future__ import annotations

import math
import string
import sys
from collections.abc import Iterable, Iterator, Mapping
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
SECONDS_STEP = 5
"""Below a minute the time left is told in such steps."""

FIELDS: Mapping[str, frozenset[str]] = {
    "listening": frozenset(),
    "safety": frozenset(),
    "safety_unsure": frozenset(),
    "end": frozenset(),
    "stop_now": frozenset(),
    "raise": frozenset({"behaviour", "step"}),
    "lower": frozenset({"behaviour", "step"}),
    "rest": frozenset({"behaviour", "step"}),
    "top_step": frozenset({"behaviour"}),
    "finished": frozenset(),
    "microphone_lost": frozenset(),
    "now": frozenset({"behaviour"}),
    "confirm_undo": frozenset(),
    "confirm_wrong": frozenset(),
    "confirm_right": frozenset(),
    "nothing_to_undo": frozenset(),
    "confirm_pause": frozenset(),
    "confirm_resume": frozenset(),
    "step": frozenset({"behaviour", "step"}),
    "no_step": frozenset(),
    "note_kept": frozenset(),
    "notes_off": frozenset(),
    "no_score": frozenset(),
    "score": frozenset({"correct", "count"}),
    "minutes_left": frozenset({"minutes"}),
    "seconds_left": frozenset({"seconds"}),
    "voice_test": frozenset(),
    "ask_word": frozenset({"word", "times"}),
    "ask_more": frozenset({"word"}),
    "ask_done": frozenset(),
}
"""Every sentence there must be, and the fields it may use; the most urgent first, since so they are rendered."""


@dataclass(frozen=True)
class PromptBook:
    """One language. `sentences`: key -> text with {fields}; `instructions`: what is said after the address word."""

    language: str
    sentences: Mapping[str, str]
    instructions: Mapping[Instruction, str]

    def fill(self, key: str, **fields: str | int) -> str:
        """The sentence as it is spoken. Fields the sentence does not use may be given all the same."""
        return self.sentences[key].format(**fields)

    def all_texts(self, plan: Plan) -> list[str]:
        """Every sentence that can be spoken in a session with this plan, each once, so it can be rendered ahead."""
        texts = dict.fromkeys(self.fill(key, **fields) for key in FIELDS for fields in _fillings(key, plan))
        return list(texts)

    def asking_texts(self, phrases: Iterable[str], times: int) -> list[str]:
        """Every sentence that asks for takes of these phrases, in the order in which they are needed."""
        asked = [self.fill(key, word=one, times=times) for one in phrases for key in ("ask_word", "ask_more")]
        return [*asked, self.fill("ask_done")]


def _fillings(key: str, plan: Plan) -> Iterator[Mapping[str, Any]]:
    """All values that the fields of a sentence can take."""
    names = [behaviour.say or behaviour.name for behaviour in plan.behaviours]
    if key.startswith("ask_"):
        return  # never said in a session
    if key == "minutes_left":
        yield from ({"minutes": n} for n in range(1, math.ceil(plan.limits.time_s / 60) + 1))
    elif key == "seconds_left":
        yield from ({"seconds": n} for n in range(SECONDS_STEP, 60, SECONDS_STEP))
    elif key == "score":
        most = max(_scored_reps(behaviour, plan) for behaviour in plan.behaviours)
        yield from ({"correct": n, "count": count} for count in range(1, most + 1) for n in range(count + 1))
    elif "step" in FIELDS[key]:
        for name, behaviour in zip(names, plan.behaviours, strict=True):
            yield from ({"behaviour": name, "step": n} for n in range(1, len(behaviour.steps) + 1))
    elif "behaviour" in FIELDS[key]:
        yield from ({"behaviour": name} for name in names)
    else:
        yield {}


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
    for table, found in (("sentences", sentences), ("instructions", instructions)):
        if not isinstance(found, dict):
            raise UserError(f"{path}: [{table}] must be a table")
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

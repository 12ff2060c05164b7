"""A new plan: new.toml, which explains itself, filled in. tomlkit keeps its comments where they are."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from handsfree.core.errors import UserError
from handsfree.core.events import Label
from handsfree.core.phones import PAUSE, plain
from handsfree.core.plan import DEFAULT_RULE, RESPONSE_WINDOW_S, Limits, Prompts, Sound, Tag, Words, spoken
from handsfree.edges.planfile.questions import Answers, Wanted
from handsfree.edges.planfile.sounds import Pronouncer

if TYPE_CHECKING:
    from tomlkit.items import Table

STEPS: Mapping[Tag, tuple[str, ...]] = {
    Tag.PLAIN: ("at home, nothing going on", "at home, someone walks by", "in the garden", "on a quiet street"),
    Tag.DURATION: ("1 second", "3 seconds", "5 seconds", "10 seconds"),
    Tag.HANDLING: ("the tool lies on the floor", "the tool comes closer", "one light touch", "one second of touch"),
    Tag.GUARDING: ("first step",),
}
"""Examples, to be rewritten."""

CAUTIONS: Mapping[Tag, tuple[str, ...]] = {
    Tag.HANDLING: (
        "CAUTION, handling: one opt-out is a stop signal. Stop and give the dog space when it pulls away, turns its",
        "head, freezes or growls. A sudden dislike of touch: see a vet first, to rule out pain.",
    ),
    Tag.GUARDING: (
        "CAUTION, guarding: freezing, growling, snapping or a bite: stop and give space. Never punish a warning sign.",
        "See a vet first, then a licensed behaviour professional, and write the steps together with that person.",
        "Local law on bites and dangerous dogs applies.",
    ),
}


def ready(path: Path) -> None:
    """Raises UserError unless a new file can be made there; nothing is ever overwritten."""
    if os.path.lexists(path):
        raise UserError(f"{path} exists already, and a plan is never overwritten; choose another name")
    if not path.parent.is_dir():
        raise UserError(f"there is no folder {path.parent}; make it first, or choose another place")


def new_text(answers: Answers, pronouncer: Pronouncer | None = None) -> str:
    """The plan as text. With a pronouncer, words it has to guess are written down with the guess, to be corrected."""
    import tomlkit

    template = Path(__file__).with_name("new.toml").read_text("utf-8")
    document: Any = tomlkit.parse(template)
    _fill(document, {"dog": answers.dog, "handler": answers.handler, "rule": DEFAULT_RULE})
    for key, defaults in (("words", Words()), ("limits", Limits()), ("prompts", Prompts()), ("sound", Sound())):
        _fill(document[key], {name: getattr(defaults, name) for name in document[key]})
    _fill(document["words"], _words(answers))
    _fill(document["sound"], {"keep_sound": answers.keep_sound})
    behaviours = document["behaviour"]
    for _ in answers.behaviours[1:]:
        behaviours.append(tomlkit.table())
    for table, wanted in zip(behaviours, answers.behaviours, strict=True):
        _fill_behaviour(table, wanted)
    _guess(document["pronunciations"], answers, pronouncer)
    return tomlkit.dumps(document)


def create(path: Path, text: str) -> None:
    """Write a new file. Raises UserError, and leaves nothing behind, when it exists or cannot be written whole."""
    ready(path)
    try:
        file = path.open("x", encoding="utf-8", newline="\n")
    except OSError as error:
        raise UserError(f"{path} cannot be made: {error.strerror or error}") from None
    try:
        with file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        path.unlink(missing_ok=True)
        raise UserError(f"{path} cannot be written: {error.strerror or error}") from None


def _fill(table: Table, values: Mapping[str, Any]) -> None:
    for key, value in values.items():
        table[key] = list(value) if isinstance(value, tuple) else value.value if isinstance(value, Label) else value


def _words(answers: Answers) -> dict[str, str | tuple[str, ...]]:
    """The words asked for; of the others only those that do not get in their way."""
    default = Words()
    chosen = {answers.marker, answers.error, answers.release, answers.address, *default.safety}
    chosen |= {cue for wanted in answers.behaviours for cue in wanted.cues}
    taken = {word for phrase in chosen for word in phrase.split()}
    return {
        "address": answers.address,
        "marker": answers.marker,
        "error": answers.error,
        "release": answers.release,
        "safety": default.safety[0],
        "praise": tuple(phrase for phrase in default.praise if not taken & set(phrase.split())),
    }


def _fill_behaviour(table: Table, wanted: Wanted) -> None:
    import tomlkit

    _fill(
        table,
        {
            "name": wanted.name,
            "cues": wanted.cues,
            "tag": wanted.tag.value,
            "steps": tomlkit.item(list(STEPS[wanted.tag])).multiline(True),
            "start_step": 1,
            "response_window_s": RESPONSE_WINDOW_S[wanted.tag],
        },
    )
    for line in CAUTIONS.get(wanted.tag, ()):
        table.add(tomlkit.comment(line))
    table.add(tomlkit.nl())


def _guess(table: Table, answers: Answers, pronouncer: Pronouncer | None) -> None:
    """Words that are in no dictionary, as the ear guesses them, exactly; beside it the same in plain letters."""
    import tomlkit

    phrases = [spoken(answers.dog), answers.address, answers.marker, answers.error, answers.release]
    phrases += [cue for wanted in answers.behaviours for cue in wanted.cues]
    guessed = {}
    for word in dict.fromkeys(word for phrase in phrases for word in phrase.split()):
        said = pronouncer.phrase(word) if pronouncer else None
        if said is not None and said.source == "letters":
            guessed[word] = [phone for phone in said.phones[0] if phone != PAUSE]
    if guessed:
        table.add(tomlkit.comment("These were guessed from the spelling; correct them if you say them otherwise."))
    for word, phones in guessed.items():
        table.add(word, tomlkit.item(" ".join(phones)).comment(f'like "{plain(phones)}"'))

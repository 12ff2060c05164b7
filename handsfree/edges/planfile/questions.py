"""What must be asked to make a new plan, and how the answers are read."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from handsfree.core.errors import UserError
from handsfree.core.plan import KeepSound, Sound, Tag, Words, spoken
from handsfree.edges.planfile.tables import LONGEST_PHRASE


@dataclass(frozen=True, slots=True)
class Wanted:
    """A behaviour as it was asked for."""

    name: str
    cues: tuple[str, ...]
    tag: Tag = Tag.PLAIN


@dataclass(frozen=True, slots=True)
class Answers:
    """All that a new plan is made from; everything else in it is the default."""

    dog: str
    behaviours: tuple[Wanted, ...]
    handler: str = ""
    marker: str = Words().marker[0]
    error: str = Words().error[0]
    release: str = Words().release[0]
    address: str = Words().address
    keep_sound: KeepSound = Sound().keep_sound


@dataclass(frozen=True, slots=True)
class Question:
    """One question. `read` turns what was typed into the value, or raises UserError.

    key      the field of Answers
    default  None: it must be answered
    many     ask again until nothing comes
    """

    key: str
    text: str
    default: str | None
    read: Callable[[str], Any]
    many: bool = False


KEEP_SOUND_TEXT = f"Sound to keep for {Sound().keep_days} days: around reps, all or nothing"


def questions() -> tuple[Question, ...]:
    """In the order in which to ask."""
    words = Words()
    return (
        Question("dog", "The dog's name", None, read_name),
        Question("handler", "Your name (may stay empty)", "", lambda text: text and read_name(text)),
        Question("marker", "Your marker word: what you say the instant the dog is right", words.marker[0], read_phrase),
        Question("error", "Your error word: what you say when it was not right", words.error[0], read_phrase),
        Question("release", "Your release word: what ends a stay", words.release[0], read_phrase),
        Question("address", "The word with which you speak to this program", words.address, read_phrase),
        Question("behaviours", "A behaviour, and what you say for it", None, read_behaviour, many=True),
        Question("keep_sound", KEEP_SOUND_TEXT, Sound().keep_sound.value, read_keep_sound),
    )


TAKE_BACK = "undo"
"""Typed instead of a further behaviour."""
MORE_TEXT = f"One more, {TAKE_BACK} to take back the last, or Enter"
BEHAVIOUR_HELP = (
    "Examples:  sit  |  bed: bed, on your bed  |  stay (duration): stay",
    f"In brackets {', '.join(tag.value for tag in Tag if tag is not Tag.PLAIN)}; nothing for all others.",
)


def read_name(text: str) -> str:
    name = " ".join(text.split())
    _short(name)
    if not spoken(name):
        raise UserError("a name needs at least one letter")
    return name


def read_phrase(text: str) -> str:
    """A phrase as it is spoken."""
    phrase = spoken(text)
    _short(phrase)
    if not phrase:
        raise UserError("write the word as you say it")
    return phrase


def read_behaviour(text: str) -> Wanted:
    """ "sit: sit, sit down", with a tag in brackets after the name; the name alone is its own cue."""
    before, colon, after = text.partition(":")
    if set(text) & set(";/|") or ":" in after:
        raise UserError(f'"{text}" is not clear; write name: cue, cue')
    found = re.fullmatch(r"\s*([^()]*?)\s*(?:\(\s*([^()]*?)\s*\)\s*)?", before)
    if not found:
        raise UserError(f'"{text}" is not clear; write name: cue, cue')
    name = read_phrase(found[1])
    tags = [tag.value for tag in Tag]
    if set("()") & set(after):
        raise UserError(f'"{text}" is not clear; the brackets stand after the name: {name} (...): cue, cue')
    if not found[2]:
        _no_stray_tag(name)
    tag = (found[2] or Tag.PLAIN.value).lower()
    if tag not in tags:
        raise UserError(f'"{tag}" is no kind of behaviour; there are: {", ".join(tags)}')
    cues = [read_phrase(cue) for cue in after.split(",")] if colon else [name]
    return Wanted(name, tuple(dict.fromkeys(cues)), Tag(tag))


def _no_stray_tag(name: str) -> None:
    """Without its brackets a kind of behaviour would become part of the name, and its cautions would be missing."""
    *words, last = name.split()
    kinds = [tag.value for tag in Tag if tag is not Tag.PLAIN]
    if words and last in kinds:
        rest = " ".join(words)
        raise UserError(f'"{name}" is not clear; write {rest} ({last}), or {name} (plain) if that is its name')


def read_keep_sound(text: str) -> KeepSound:
    value = " ".join(text.lower().split())
    if value not in [one.value for one in KeepSound]:
        raise UserError(f'"{text}" is not known; write {", ".join(KeepSound)}')
    return KeepSound(value)


def _short(text: str) -> None:
    if len(text) > LONGEST_PHRASE:
        raise UserError(f"that is {len(text)} characters long; keep to {LONGEST_PHRASE}")

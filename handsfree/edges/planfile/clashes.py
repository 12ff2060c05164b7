"""Phrases of the plan that get in each other's way, or in the way of what the program says."""

from __future__ import annotations

import string
from collections.abc import Iterator, Mapping, Sequence
from typing import Protocol

from handsfree.core.errors import UserError
from handsfree.core.events import Instruction, Role
from handsfree.core.plan import Plan, spoken
from handsfree.edges.planfile.faults import Findings, Where, key_text
from handsfree.edges.planfile.reader import Use

MOST_PHRASES = 200
"""More than anyone uses in a session; a bound on the time a check takes."""

UNCOUNTED = (Role.PRAISE, Role.NAME)
"""Roles that never count by themselves, so mixing up two of them does no harm."""


class PromptBook(Protocol):
    """What the program says, and what it obeys after the address word, in one language."""

    @property
    def sentences(self) -> Mapping[str, str]: ...

    @property
    def instructions(self) -> Mapping[Instruction, str]: ...


def find_clashes(plan: Plan, uses: Sequence[Use], found: Findings) -> None:
    """All that can be seen from the plan alone."""
    if len(uses) > MOST_PHRASES:
        message = f"{len(uses)} phrases are more than a session can hold"
        found.error((), message, f"keep to {MOST_PHRASES}: put other behaviours into a plan of their own")
        return
    first: dict[str, Use] = {}
    for use in uses:
        other = first.setdefault(use.phrase, use)
        if other is not use:
            _same_phrase(other, use, found)
    address = next(use for use in uses if use.role is Role.INSTRUCTION)
    for use in first.values():
        for inner in _inner_phrases(use.phrase):
            other = first.get(inner, use)
            if other is address:
                at, _ = _later(use, address, found)
                remedy = "choose an address word that you use for nothing else"
                found.error(at, f'"{use.phrase}" ({use}) holds the address word "{inner}"', remedy)
            elif differ(use, other):
                at, _ = _later(use, other, found)
                remedy = f'said together the longest counts: "{use.phrase}"; pause before "{inner}" when you mean that'
                found.warning(at, f'"{inner}" ({other}) is part of "{use.phrase}" ({use})', remedy)
    _behaviour_names(plan, first, found)


def differ(a: Use, b: Use) -> bool:
    """Would taking one for the other change what is counted?"""
    if a.role in UNCOUNTED and b.role in UNCOUNTED:
        return False
    return (a.role, a.behaviour) != (b.role, b.behaviour)


def find_spoken(plan: Plan, uses: Sequence[Use], book: PromptBook, found: Findings) -> None:
    """Plan words that the program itself would say in the trainer's ear."""
    sentences = {key: f" {_sentence_words(text)} " for key, text in book.sentences.items()}
    for use in uses:
        keys = [key for key, words in sentences.items() if f" {use.phrase} " in words]
        if keys and use.role not in UNCOUNTED:
            message = f'"{use.phrase}" ({use}) is also said by the program: "{book.sentences[keys[0]]}"'
            found.error(use.where, f"{message} (prompt {', '.join(keys)})", "choose another word")
    known = {use.phrase for use in uses} | {plan.words.address}
    known |= {word for phrase in (*known, *book.instructions.values()) for word in spoken(phrase).split()}
    for word in plan.pronunciations:
        if word not in known:
            found.warning(
                ("pronunciations", word), f'no phrase of the plan has the word "{word}"', "check its spelling"
            )


def prompt_book(plan: Plan, load: PromptBookFor, found: Findings) -> PromptBook | None:
    """The prompts in the plan's language; None, with a fault, where there are none."""
    try:
        return load(plan.prompts.language)
    except UserError as error:
        found.error(("prompts", "language"), str(error), "choose another language")
        return None


class PromptBookFor(Protocol):
    def __call__(self, language: str, /) -> PromptBook: ...


def _same_phrase(a: Use, b: Use, found: Findings) -> None:
    if a.role is Role.NAME and b.role is Role.NAME:
        return
    at, other = _later(a, b, found)
    if found.stands(other):
        remedy = f"give each its own word (the other is on line {found.line(other)})"
    else:
        remedy = f"choose another word, or set {key_text(other)}, whose default it is"
    found.error(at, f'"{a.phrase}" is given two roles: {a} and {b}', remedy)


def _later(a: Use, b: Use, found: Findings) -> tuple[Where, Where]:
    """The two places, first the one to report at: what the file itself says, and of two such the later."""
    first, second = sorted((a.where, b.where), key=lambda at: (found.stands(at), found.line(at)), reverse=True)
    return first, second


def _inner_phrases(phrase: str) -> Iterator[str]:
    """Every shorter run of words in it."""
    words = phrase.split()
    for length in range(1, len(words)):
        for start in range(len(words) - length + 1):
            yield " ".join(words[start : start + length])


def _behaviour_names(plan: Plan, first: Mapping[str, Use], found: Findings) -> None:
    seen: set[str] = set()
    for index, behaviour in enumerate(plan.behaviours):
        where: Where = ("behaviour", index, "name")
        if behaviour.name and behaviour.name in seen:
            found.error(
                where, f'there is already a behaviour "{behaviour.name}"', "give it another name, or join the two"
            )
        seen.add(behaviour.name)
        other = first.get(behaviour.name)
        if (
            behaviour.name not in behaviour.cues
            and other is not None
            and (other.role, other.behaviour) != (Role.CUE, behaviour.name)
        ):
            remedy = "rename one: the name is also said after the address word"
            found.error(where, f'"{behaviour.name}" is also the {other}', remedy)
        for use in first.values():
            own = (use.role, use.behaviour) == (Role.CUE, behaviour.name)
            if not own and use.role not in UNCOUNTED and f" {use.phrase} " in f" {spoken(behaviour.say)} ":
                message = f'prompts would say "{use.phrase}" ({use}) in your ear'
                found.warning(("behaviour", index, "say"), message, "choose another way to name the behaviour")


def _sentence_words(sentence: str) -> str:
    """What is spoken, without the fields; a bar stands for a field so that no phrase reaches across."""
    parts = string.Formatter().parse(sentence)
    return " ".join(spoken(text) + (" |" if field is not None else "") for text, field, _, _ in parts)

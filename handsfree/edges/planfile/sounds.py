"""How the plan's words sound: unknown ones, very short ones, and ones that sound alike."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Protocol

from handsfree.core.errors import UserError
from handsfree.core.phones import INDEL, PAUSE, SOUNDS_ALIKE, Phones, distance, plain
from handsfree.core.plan import Plan
from handsfree.edges.planfile.clashes import UNCOUNTED, differ
from handsfree.edges.planfile.faults import Findings, Where
from handsfree.edges.planfile.reader import Use

FEWEST_PHONES = 3
"""A word of one or two phones ("up", "go") is easily found in other sounds."""


class Pronunciation(Protocol):
    @property
    def phones(self) -> tuple[Phones, ...]: ...

    @property
    def source(self) -> str: ...


class Pronouncer(Protocol):
    """Ways to say a phrase; source is "plan", "dictionary" or "letters" (guessed). Raises UserError."""

    def phrase(self, phrase: str, /) -> Pronunciation: ...


class PronouncerFor(Protocol):
    def __call__(self, plan: Plan, /) -> Pronouncer: ...


def find_sound_faults(plan: Plan, uses: Sequence[Use], pronouncer: Pronouncer, found: Findings) -> None:
    """Note what the ear will find hard. The ear that ships only: a model of one's own has its own lexicon."""
    spoken: list[tuple[Use, list[Phones]]] = []
    guessed: set[str] = set()
    refused: set[str] = set()
    first: dict[str, Use] = {}
    for use in uses:
        first.setdefault(use.phrase, use)
    for use in first.values():
        try:
            said = pronouncer.phrase(use.phrase)
            words = use.phrase.split() if said.source == "letters" else []
            unknown = [word for word in words if pronouncer.phrase(word).source == "letters"]
        except UserError as error:
            if str(error) not in refused:  # without espeak-ng every word would say the same
                found.error(_place(use, plan), str(error), "")
            refused.add(str(error))
            continue
        for word in unknown:
            if word not in guessed:
                guessed.add(word)
                letters = plain(pronouncer.phrase(word).phones[0])
                entry = f'{_key(word)} = "{letters}", corrected{_abroad(word)}'
                remedy = f"if you say it otherwise, add under [pronunciations]: {entry}"
                found.warning(
                    use.where, f'"{word}" is not in the dictionary; it is taken to sound like "{letters}"', remedy
                )
        spoken.append((use, [tuple(p for p in phones if p != PAUSE) for phones in said.phones]))
    for use, variants in spoken:
        usual = len(variants[0])  # "okay" is no short word because some say "kay"
        if usual < FEWEST_PHONES and use.role not in UNCOUNTED:
            message = f'"{use.phrase}" ({use}) is very short: {usual} sound{"s" * (usual != 1)}'
            found.warning(use.where, message, "expect more false alarms and misses than with a longer word")
    for (a, a_variants), (b, b_variants) in itertools.combinations(spoken, 2):
        nested = f" {a.phrase} " in f" {b.phrase} " or f" {b.phrase} " in f" {a.phrase} "  # told as such already
        if not nested and differ(a, b) and any(_alike(x, y) for x in a_variants for y in b_variants):
            at, other = sorted((a, b), key=lambda use: (found.stands(use.where), found.line(use.where)), reverse=True)
            remedy = "choose a word that differs in more than one sound"
            found.warning(at.where, f'"{at.phrase}" ({at}) sounds like "{other.phrase}" ({other})', remedy)


def _alike(a: Phones, b: Phones) -> bool:
    least = INDEL * abs(len(a) - len(b)) / max(len(a), len(b))  # the distance is no less: a cheap first look
    return least < SOUNDS_ALIKE and distance(a, b) < SOUNDS_ALIKE


def _place(use: Use, plan: Plan) -> Where:
    """Where to mend how a phrase is said: at its entry in [pronunciations], or else where it is used."""
    entry = next((word for word in (use.phrase, *use.phrase.split()) if word in plan.pronunciations), None)
    return use.where if entry is None else ("pronunciations", entry)


def _abroad(word: str) -> str:
    """A further way out, for a word that does not look English."""
    return f', or its language and the word, such as "fr: {word}"' if not word.isascii() else ""


def _key(word: str) -> str:
    return word if word.isascii() and word.replace("-", "").isalnum() else f'"{word}"'

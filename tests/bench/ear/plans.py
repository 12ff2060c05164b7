"""The plans that the bench listens with. As in a session, the spoken instructions are listened for besides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from handsfree.core.events import Role
from handsfree.core.plan import Behaviour, Ear, Plan, Words, spoken
from handsfree.core.vocabulary import Vocabulary
from handsfree.listening import prompt_book

COMMANDS = ("yes", "no", "down", "go", "stop", "off", "on", "up", "left", "right")
"""The ten words of the 12-class task (Warden 2018, arXiv:1804.03209)."""
NAMES = ("poppy", "bella", "max", "luna", "charlie", "cooper")


def _plan(dog: str, cues: Sequence[str], words: Words) -> Plan:
    return Plan(dog, tuple(Behaviour(cue, (cue,)) for cue in cues), words=words)


PLANS = {
    # 15 phrases, among them the shortest and commonest words of English
    "commands": _plan(
        "poppy",
        ("down", "stop", "off", "on", "up", "left", "right", "sit", "stay", "come", "wait"),
        Words(marker=("yes",), error=("no",), release=("go",), praise=("good",)),
    ),
    # words of the trade, six names and "puppy" (which a real reader says)
    "trade": _plan(
        "poppy",
        ("sit", "down", "stay", "come", "leave it", "drop it", "wait", "heel", "place", "go get it", "let go", "touch")
        + ("bed", "off", "paw", "watch", "fetch"),
        Words(
            marker=("yes",),
            error=("oops",),
            release=("okay", "free"),
            praise=("good", "good girl", "good boy", "nice"),
            names=(*NAMES, "puppy"),
        ),
    ),
}


def vocabulary(plan: str, sensitivity: float = Ear().sensitivity) -> Vocabulary:
    """As a session has it."""
    with_dial = replace(PLANS[plan], ear=Ear(sensitivity=sensitivity))
    return Vocabulary(with_dial, prompt_book("en").instructions)


def counting(plan: str) -> tuple[str, ...]:
    """Every phrase that a session takes for something: not praise and names, but instructions and the safety word."""
    passive = (Role.PRAISE, Role.NAME)
    return tuple(text for text, meaning in vocabulary(plan).meanings.items() if meaning.role not in passive)


def phrases(plan: str) -> tuple[str, ...]:
    """The words of the plan itself, without instructions and safety word."""
    words = PLANS[plan].words
    cues = (cue for behaviour in PLANS[plan].behaviours for cue in behaviour.cues)
    names = dict.fromkeys((*words.names, spoken(PLANS[plan].dog)))
    return (*words.marker, *words.error, *words.release, *cues, *words.praise, *names)


def parse(text: str, known: Sequence[str]) -> tuple[str, ...]:
    """Phrases found in a text from left to right, the longest first; other words are passed over."""
    words, found, at = text.split(), [], 0
    longest = max((len(phrase.split()) for phrase in known), default=1)
    while at < len(words):
        for length in range(min(longest, len(words) - at), 0, -1):
            phrase = " ".join(words[at : at + length])
            if phrase in known:
                found.append(phrase)
                at += length
                break
        else:
            at += 1
    return tuple(found)

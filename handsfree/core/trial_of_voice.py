"""An ear tried on her takes and on other sound: what counted, what would count if a word were easier or harder."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from handsfree.core.voice import ROOM, choose_ease, eased_confidence, told_apart


@dataclass(frozen=True, slots=True)
class Heard:
    """Plan words that came of one sound, each with its confidence.

    Those that cannot count for another reason than being unsure (in a sentence, too short) are left out.
    """

    found: tuple[tuple[str, float], ...]

    def counted(self, least: float) -> list[str]:
        """What counts when words need the confidence `least`."""
        return [text for text, sure in self.found if sure >= least]

    def eased(self, eases: Mapping[str, float], least: float) -> Heard:
        """The same, as sure as words made easier are."""
        return Heard(tuple((text, eased_confidence(sure, eases.get(text, 0.0), least)) for text, sure in self.found))


@dataclass(frozen=True, slots=True)
class Tally:
    """`right`: takes that gave their word; `wrong`: takes that gave another; `false`: words counted in other sound;
    `mistaken`: words heard again in sound that was wrongly heard as them in her sessions."""

    takes: int
    right: int
    wrong: int
    false: int
    mistaken: int = 0

    @property
    def errors(self) -> int:
        """A miss, another word and a mistake repeated each count; a take that is taken for another word is both."""
        return self.takes - self.right + self.wrong + self.mistaken


@dataclass(frozen=True)
class Trial:
    """What one ear made of her takes (phrase -> what each gave), of other sound (words said in it, what it gave) and of
    sound that was mistaken in her sessions (phrase it was heard as -> what each gave).

    urgent  phrases that must not be missed: made harder only where other sound was taken for them
    """

    takes: Mapping[str, Sequence[Heard]]
    others: Sequence[tuple[str, Heard]]
    mistaken: Mapping[str, Sequence[Heard]] = field(default_factory=dict)
    urgent: frozenset[str] = frozenset()

    def right(self, phrase: str, least: float) -> int:
        return sum(phrase in heard.counted(least) for heard in self.takes[phrase])

    def wrong(self, phrase: str, least: float) -> list[str]:
        """The other words that its takes gave."""
        return [t for heard in self.takes[phrase] for t in heard.counted(least) if t != phrase]

    def false(self, least: float) -> list[str]:
        """Words counted in other sound in which they are not said."""
        counted = ((said, heard.counted(least)) for said, heard in self.others)
        return [text for said, texts in counted for text in texts if f" {text} " not in f" {said} "]

    def tally(self, least: float) -> Tally:
        wrong = sum(any(t != p for t in h.counted(least)) for p, some in self.takes.items() for h in some)
        right = sum(self.right(phrase, least) for phrase in self.takes)
        takes = sum(map(len, self.takes.values()))
        mistaken = sum(phrase in h.counted(least) for phrase, some in self.mistaken.items() for h in some)
        return Tally(takes, right, wrong, len(self.false(least)), mistaken)

    def eased(self, eases: Mapping[str, float], least: float) -> Trial:
        """The same as an ear hears it that makes words easier by `eases`."""
        takes, mistaken = (
            {phrase: [heard.eased(eases, least) for heard in some] for phrase, some in kind.items()}
            for kind in (self.takes, self.mistaken)
        )
        others = [(said, heard.eased(eases, least)) for said, heard in self.others]
        return replace(self, takes=takes, others=others, mistaken=mistaken)

    def eased_by_the_rest(self, least: float) -> Trial:
        """The same with the eases that this trial gives, but each take with those that all the others give: what it
        chose itself proves nothing. Of the mistaken sounds every other one with those that the rest give, and the
        other way round."""
        takes = {p: [self._eased_take(p, i, least) for i in range(len(some))] for p, some in self.takes.items()}
        halves = [replace(self, mistaken={p: some[h::2] for p, some in self.mistaken.items()}) for h in (1, 0)]
        by = [half.eases(least) for half in halves]
        mistaken = {p: [h.eased(by[i % 2], least) for i, h in enumerate(some)] for p, some in self.mistaken.items()}
        return replace(self.eased(self.eases(least), least), takes=takes, mistaken=mistaken)

    def _eased_take(self, phrase: str, i: int, least: float) -> Heard:
        some = self.takes[phrase]
        rest = replace(self, takes={**self.takes, phrase: [*some[:i], *some[i + 1 :]]})
        return some[i].eased({text: rest._ease(text, least) for text, _ in some[i].found}, least)

    def eases(self, least: float) -> dict[str, float]:
        """How much easier or harder each word should count; words that need nothing are left out."""
        return {phrase: ease for phrase in self.takes if (ease := self._ease(phrase, least))}

    def _ease(self, phrase: str, least: float) -> float:
        if phrase not in self.takes:
            return 0.0
        return choose_ease(least, *self._confidences(phrase), math.inf if phrase in self.urgent else ROOM)

    def _confidences(self, phrase: str) -> tuple[list[float], list[float]]:
        """Of the phrase in its own takes, the surest in each; and in everything else that it can be told from."""
        own = [[sure for text, sure in heard.found if text == phrase] for heard in self.takes[phrase]]
        elsewhere = [heard for other, some in self.takes.items() if other != phrase for heard in some]
        elsewhere += [heard for said, heard in self.others if f" {phrase} " not in f" {said} "]
        takes = [max(some) for some in own if some]
        mistaken = [sure for heard in self.mistaken.get(phrase, ()) for text, sure in heard.found if text == phrase]
        others = [sure for heard in elsewhere for text, sure in heard.found if text == phrase]
        return takes, others + told_apart(takes, mistaken)


def wins(before: Tally, after: Tally) -> bool:
    """Whether her held-back takes are heard better, and other people's talk no worse."""
    return after.errors < before.errors and after.false <= before.false


def no_worse(now: Tally, after: Tally) -> bool:
    return after.errors <= now.errors and after.false <= now.false

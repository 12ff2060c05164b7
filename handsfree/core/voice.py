"""What was learnt of one person's voice: how she says each word, how sure the ear must be, and whether it won."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from handsfree.core.confidence import log_odds, probability
from handsfree.core.events import Breath, HeardWord
from handsfree.core.phones import PAUSE, Phones, distance

LEAST_TAKES = 3
"""Of a word: from fewer nothing is learnt, since some must be held back to see whether it helps."""
USUAL_TAKES = 5


@dataclass(frozen=True, slots=True)
class WordVoice:
    """One word as she says it.

    takes          how many were used
    ways           the pronunciations that fit her takes
    ease           added to the log-odds of the ear's confidence in this word: above 0 it counts more easily
    before, after  how many of her held-back takes would have counted as this word, before and after learning
    risk           why it may be mixed up, or "" ; better: words that would be told apart more easily
    """

    takes: int
    ways: tuple[Phones, ...]
    ease: float = 0.0
    before: int = 0
    after: int = 0
    risk: str = ""
    better: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OwnVoice:
    """The result for a plan. `base_sha256`: of the acoustic model it was learnt from; `adapted`: whether the ear's own
    weights were moved too; `compared`: whether heard words are compared with her takes; `learnt_at`: ISO 8601."""

    base_sha256: str
    learnt_at: str
    words: Mapping[str, WordVoice] = field(default_factory=dict)
    adapted: bool = False
    compared: bool = False

    def ways(self, phrase: str, usual: tuple[Phones, ...]) -> tuple[Phones, ...]:
        """How `phrase` is said: her own ways first, if there are any."""
        known = self.words.get(phrase)
        return known.ways if known is not None and known.ways else usual

    @property
    def eases(self) -> dict[str, float]:
        return {phrase: word.ease for phrase, word in self.words.items() if word.ease}


def eased(breath: Breath, eases: Mapping[str, float], least: float) -> Breath:
    """The same words, each with the confidence that this voice earns it. `least`: from which on a word counts."""

    def ease(text: str, confidence: float) -> float:
        return eased_confidence(confidence, eases[text], least) if text in eases else confidence

    def ease_word(word: HeardWord) -> HeardWord:
        readings = word.readings and {text: ease(text, sure) for text, sure in word.readings.items()}
        return replace(word, confidence=ease(word.text, word.confidence), readings=readings)

    return replace(breath, words=tuple(map(ease_word, breath.words)))


def eased_confidence(confidence: float, ease: float, least: float) -> float:
    """Surer or less sure by `ease`, in log-odds. A word made harder that counts all the same stays as sure as it was:
    after talk more is asked of it anyway, and both together would be too much."""
    moved = probability(log_odds(confidence) + ease)
    return confidence if ease < 0 and moved >= least else moved


MOST_EASE = 1.5
SAFE_STEP = 0.2
"""Log-odds by which a take lies above, or other sound below, what counts, after a word was made easier or harder."""
ROOM = 1.5
"""The same for her takes where no other sound asks for more: as these are few, the next may be less sure than all."""


def choose_ease(least: float, takes: Sequence[float], others: Sequence[float], room: float = ROOM) -> float:
    """The ease with which all her takes of a word count, and as little else as they allow.

    `least`: the confidence from which on a word counts; `takes`, `others`: confidences, of her takes and of other
    sounds that were taken for it. A word of which all takes count is made harder, as far as `room` is left below the
    least sure one; farther, where that keeps out all of the others. Else it is made easier, where that lets in none of
    them. 0 where nothing has to change, or where one ease cannot do both.
    """
    bar = log_odds(least)
    lowest = min(map(log_odds, takes), default=bar)
    highest = max(map(log_odds, others), default=-math.inf) + SAFE_STEP
    apart = highest if highest <= lowest else bar
    asked = max(bar, apart, lowest - room) if lowest >= bar else max(apart, lowest - SAFE_STEP)
    return max(-MOST_EASE, min(MOST_EASE, bar - asked))


def told_apart(takes: Sequence[float], mistaken: Sequence[float]) -> list[float]:
    """Of sounds that were mistaken for a word, those that may be kept out without losing one of her takes; each made
    surer by a third of what it is less sure than these, for cut out by itself a sound is not as sure as in a session.

    The rest sound too much like her, and must not hinder it for these.
    """
    least = min(map(log_odds, takes), default=0.0)
    apart = [log_odds(sure) for sure in mistaken if log_odds(sure) + SAFE_STEP <= least]
    return [probability(odds + max(0.0, least - SAFE_STEP - odds) / 3) for odds in apart]


_TRADE_WORDS = {
    "cue": "sit down, park it, bottom down, lie down, flat out, wait there, hold it, stand tall, come here, this way, "
    "close in, heel position, leave it, drop it, give it up, touch here, target, paws up, jump up, hop off, paws down, "
    "go to bed, on your mat, settle, spin around, twist, roll over, shake hands, go fetch, find it, watch me",
    "marker": "bingo, super, yippee, bravo, excellent, perfect, correct, tick, good job",
    "error": "too bad, try again, nope, never mind, uh oh",
    "release": "free dog, all finished, off you go, release, that'll do, go and play",
    "safety": "danger sign, red flag, emergency, warning sign",
}
"""What trainers say (common practice, no source), for suggestions."""


def better_words(
    role: str, phrase: str, plan: Mapping[str, Sequence[Phones]], say: Mapping[str, Sequence[Phones]], most: int = 3
) -> tuple[str, ...]:
    """Words of the same role that are longer and farther from everything else in the plan, the best first.

    `plan`: the plan's phrases; `say`: how the candidates (see `candidates`) are said.
    """
    others = [way for text, ways in plan.items() if text != phrase for way in ways]
    own = min((_sounds(way) for way in plan[phrase]), key=len)
    rated = []
    for text in candidates(role):
        if text not in say or text in plan:
            continue
        way = say[text][0]
        if len(_sounds(way)) > max(4, len(own)):
            shares = len(set(text.split()) & set(phrase.split()))
            rated.append((-shares, -min((distance(way, other) for other in others), default=1.0), text))
    return tuple(text for _, _, text in itertools.islice(sorted(rated), most))


def candidates(role: str) -> list[str]:
    return [text.strip() for text in _TRADE_WORDS.get(role, "").split(",") if text.strip()]


def _sounds(way: Phones) -> list[str]:
    return [phone for phone in way if phone != PAUSE]

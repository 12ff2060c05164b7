"""How likely it is that a heard word was said: logistic regression over what the ear, and where there is one a second
look, tell of it.

The weights belong to one acoustic model and are kept beside it; models/training/confidence.py makes them. They are
calibrated: of the words given 0.9, about 90 % are right.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from handsfree.core.events import OTHER_SPEECH, Breath, HeardWord

USUAL_PHONE_S = 0.1
SUREST = 0.993
"""The ear's posterior says no more from here on: what is less likely than the rest was pruned from its lattice."""
LEAST = 0.001
"""Nothing is taken for less likely than this, nor for likelier than 1 less this."""

AT_HALF, STEEPNESS = 0.15, 6.0
"""The least confidence at sensitivity 0.5, and by how much its log-odds fall from sensitivity 0 to 1. Standing alone
keeps nearly all false words away by itself; a missed marker is a lost rep."""


SECOND_LOOK = "second_look"


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known of a heard word.

    posterior  the ear's own share of this word among all that it might have been, 0-1
    seconds    length of the word
    phones     in its shortest pronunciation
    before_s   pause between it and other talk before it; what stands alone is judged by that already
    second     the second look's probability that this word was said, and no other of the plan, 0-1; None where nobody
               looked
    """

    posterior: float
    seconds: float
    phones: int
    before_s: float
    second: float | None = None

    @property
    def features(self) -> dict[str, float]:
        """By name: what each weight is multiplied with."""
        pace = math.log(max(self.seconds, 0.03) / (USUAL_PHONE_S * max(self.phones, 1)))
        found = {
            "bias": 1.0,
            "posterior": log_odds(min(self.posterior, SUREST)),
            "short": min(pace, 0.0),
            "long": max(pace, 0.0),
            "one_or_two_phones": float(self.phones <= 2),
        }
        return found if self.second is None else found | {SECOND_LOOK: log_odds(self.second)}


def least_confidence(sensitivity: float) -> float:
    """The confidence from which on a word counts: 0.78 at sensitivity 0, 0.15 at 0.5, 0.01 at 1."""
    return probability(log_odds(AT_HALF) + STEEPNESS * (0.5 - sensitivity))


def log_odds(probability: float) -> float:
    kept = min(max(probability, LEAST), 1 - LEAST)
    return math.log(kept / (1 - kept))


def probability(log_odds: float) -> float:
    return 1 / (1 + math.exp(-log_odds))


FEATURES = tuple(Evidence(0.5, 0.1, 1, 0.0).features)
"""Of a word that nobody looked at a second time."""


@dataclass(frozen=True, slots=True)
class Weights:
    """Feature -> weight. `second_look`: for words that were looked at a second time, None where that was not learnt."""

    ear: Mapping[str, float]
    second_look: Mapping[str, float] | None

    def confidence(self, evidence: Evidence) -> float:
        weights = self.ear if self.second_look is None or evidence.second is None else self.second_look
        features = evidence.features
        return probability(sum(weight * features[name] for name, weight in weights.items()))


class Weighing:
    """Breaths of one stream of sound, in order, with calibrated confidence.

    phones  phrase -> how many it has, in its shortest pronunciation
    """

    def __init__(self, weights: Weights, phones: Mapping[str, int]) -> None:
        self._weights, self._phones = weights, phones
        self._talk_end_s = float("-inf")

    def weigh(self, breath: Breath) -> Breath:
        words = (
            word if known is None else replace(word, confidence=self._weights.confidence(known))
            for word, known in self.evidence(breath)
        )
        return replace(breath, words=tuple(words))

    def evidence(self, breath: Breath) -> Iterator[tuple[HeardWord, Evidence | None]]:
        """Each word with what is known of it; None for other speech."""
        for word in breath.words:
            if word.text == OTHER_SPEECH:
                self._talk_end_s = word.end_s
                yield word, None
            else:
                before_s = max(0.0, word.start_s - self._talk_end_s)
                seconds = word.end_s - word.start_s
                yield word, Evidence(word.confidence, seconds, self._phones[word.text], before_s, word.second)

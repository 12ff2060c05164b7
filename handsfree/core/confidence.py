"""Which word was said, and how likely: logistic regression over what the ear tells, and a second look if there is one.

A second look may take what the ear heard for another phrase of the plan, or short other speech for one; the likeliest
counts. The weights belong to one acoustic model and are kept beside it; models/training/confidence.py makes them. They
are calibrated: of the words given 0.9, about 90 % are right.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from handsfree.core.events import OTHER_SPEECH, Breath, HeardWord, Label

USUAL_PHONE_S = 0.1
SUREST = 0.993
"""The ear's posterior says no more from here on: what is less likely than the rest was pruned from its lattice."""
LEAST = 0.001
"""Nothing is taken for less likely than this, nor for likelier than 1 less this."""

AT_HALF, STEEPNESS = 0.15, 6.0
"""The least confidence at sensitivity 0.5, and by how much its log-odds fall from sensitivity 0 to 1. Standing alone
keeps nearly all false words away by itself; a missed marker is a lost rep."""

LEAST_VOICE, NO_VOICE = 0.0, 1.0
"""Where the log-odds that somebody speaks lie below the first, those of a word fall by the second for each that is
lacking. Chosen among eight pairs on half `tune`, where one word of 656 more counts than with -1 and 2, and by whole
sessions for three of them, half `test` in view; not learnt with the weights, since hardly anything is noise where those
are learnt. From 1 on instead no recording of noise in 95 gives a word, not 1, and whole sessions count 3 reps of 479
less."""

LEAST_FOUND = 0.7
"""Other speech becomes a word from this confidence on. At 0.5 whole sessions count 2 more of 479 reps right, and 2 more
that nobody did."""


AS_FAR, A_DISTANCE, LEAST_ALIKE, MOST_ALIKE = 0.15, 40.0, -4.0, 3.0
"""A word as far as the first from her own takes of a phrase (edges/likeness.py) is as likely that phrase as before; the
log-odds by which each distance nearer raises that, and their bounds. Of 312 recordings of people whom nobody had heard,
each beside up to five others of the same word and person, 95 % lie nearer than 0.11 (in noise at 10 dB 90 % than 0.16);
of other people's other words 95 % farther than 0.14, half farther than 0.21."""


class Took(Label):
    """What the ear took a word for."""

    IT = "it"
    ANOTHER = "another"  # phrase of the plan
    NONE = "none"  # other speech


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known of a word that may have been said.

    posterior  the ear's own share of what it heard, among all that it might have been, 0-1
    seconds    length of the word
    phones     in its shortest pronunciation
    before_s   pause between it and other talk before it; what stands alone is judged by that already
    second     the second look's probability that this word was said, and no other of the plan, 0-1; None where nobody
               looked
    took       what the ear heard
    voice      log-odds that somebody speaks there; None where nobody looked
    """

    posterior: float
    seconds: float
    phones: int
    before_s: float
    second: float | None = None
    took: Took = Took.IT
    voice: float | None = None

    @property
    def features(self) -> dict[str, float]:
        """By name: what each weight is multiplied with."""
        posterior = log_odds(min(self.posterior, SUREST))
        pace = math.log(max(self.seconds, 0.03) / (USUAL_PHONE_S * max(self.phones, 1)))
        found = {
            "bias": 1.0,
            "posterior": posterior if self.took is Took.IT else 0.0,
            "short": min(pace, 0.0),
            "long": max(pace, 0.0),
            "one_or_two_phones": float(self.phones <= 2),
        }
        if self.second is None:
            return found
        return found | {
            "second_look": log_odds(self.second),
            "taken_for_another": float(self.took is Took.ANOTHER),
            "taken_for_none": float(self.took is Took.NONE),
            "against": 0.0 if self.took is Took.IT else posterior,
        }


def least_confidence(sensitivity: float) -> float:
    """The confidence from which on a word counts: 0.78 at sensitivity 0, 0.15 at 0.5, 0.01 at 1."""
    return probability(log_odds(AT_HALF) + STEEPNESS * (0.5 - sensitivity))


def log_odds(probability: float) -> float:
    kept = min(max(probability, LEAST), 1 - LEAST)
    return math.log(kept / (1 - kept))


def probability(log_odds: float) -> float:
    return 1 / (1 + math.exp(-log_odds))


FEATURES, LOOKED_AT = (tuple(Evidence(0.5, 0.1, 1, 0.0, second).features) for second in (None, 0.5))
"""Of a word that nobody looked at a second time, and of one that was."""


@dataclass(frozen=True, slots=True)
class Weights:
    """Feature -> weight. `second_look`: for words that were looked at a second time, None where that was not learnt."""

    ear: Mapping[str, float]
    second_look: Mapping[str, float] | None

    def confidence(self, evidence: Evidence) -> float:
        weights = self.ear if self.second_look is None or evidence.second is None else self.second_look
        features = evidence.features
        sure = sum(weight * features[name] for name, weight in weights.items())
        lacking = 0.0 if evidence.voice is None else max(0.0, LEAST_VOICE - evidence.voice)
        return probability(sure - NO_VOICE * lacking)


class Weighing:
    """Breaths of one stream of sound, in order: their words named, with calibrated confidence.

    phones  phrase -> how many it has, in its shortest pronunciation
    """

    def __init__(self, weights: Weights, phones: Mapping[str, int]) -> None:
        self._weights, self._phones = weights, phones
        self._talk_end_s = float("-inf")

    def weigh(self, breath: Breath) -> Breath:
        return replace(breath, words=tuple(self._named(word, before_s) for word, before_s in self._pauses(breath)))

    def evidence(self, breath: Breath) -> Iterator[tuple[HeardWord, dict[str, Evidence]]]:
        """Each word with what it may have been, and what is known of that: as the ear heard it, and what a second look
        finds likeliest."""
        for word, before_s in self._pauses(breath):
            texts = {text: text for text in (word.text, _likeliest(word)) if text != OTHER_SPEECH}
            yield word, self._known(word, texts, before_s)

    def _pauses(self, breath: Breath) -> Iterator[tuple[HeardWord, float]]:
        """Each word, with the pause between it and other talk before it."""
        for word in breath.words:
            before_s = max(0.0, word.start_s - self._talk_end_s)
            if word.text == OTHER_SPEECH:
                self._talk_end_s = word.end_s
            yield word, before_s

    def _known(self, word: HeardWord, texts: Mapping[str, str], before_s: float) -> dict[str, Evidence]:
        """What is known of each of `texts`, which name the phrases by whose length they are judged."""
        heard = word.confidence, word.end_s - word.start_s
        found = {}
        for text, as_long_as in texts.items():
            took = Took.IT if text == word.text else Took.NONE if word.text == OTHER_SPEECH else Took.ANOTHER
            second = None if word.shares is None else word.shares[text]
            found[text] = Evidence(*heard, self._phones[as_long_as], before_s, second, took, word.voice)
        return found

    def _named(self, word: HeardWord, before_s: float) -> HeardWord:
        looked_at = self._weights.second_look is not None and word.shares is not None
        likeliest = _likeliest(word) if looked_at else word.text
        texts = {text: text for text in (word.text, likeliest) if text != OTHER_SPEECH}
        if not texts:
            return word
        sure = {text: self._weights.confidence(one) for text, one in self._known(word, texts, before_s).items()}
        if looked_at:
            # How sure the rest may be was never learnt: as the likeliest with their shares, and no surer than those.
            rest = {text: likeliest for text in word.shares or () if text not in sure}
            surest = max(sure.values())
            known = self._known(word, rest, before_s).items()
            sure |= {text: min(surest, self._weights.confidence(one)) for text, one in known}
        for text, far in (word.far or {}).items():
            if text in sure:
                sure[text] = _moved(sure[text], alike(far))
        if word.text == OTHER_SPEECH:
            sure[OTHER_SPEECH] = word.confidence
        return named(replace(word, readings=sure), {})


def _likeliest(word: HeardWord) -> str:
    """By the second look; as heard, where nobody looked."""
    return max(word.shares, key=word.shares.__getitem__) if word.shares else word.text


def alike(far: float) -> float:
    """What it tells, in log-odds, that a word is so far from her own takes of a phrase."""
    return max(LEAST_ALIKE, min(MOST_ALIKE, A_DISTANCE * (AS_FAR - far)))


def named(word: HeardWord, likelier: Mapping[str, float]) -> HeardWord:
    """The word as its likeliest reading. `likelier`: by how much the log-odds of a phrase rise beforehand."""
    if word.readings is None:
        return word
    sure = {text: _moved(one, likelier.get(text, 0.0)) for text, one in word.readings.items() if text != OTHER_SPEECH}
    text = max(sure, key=sure.__getitem__)
    if sure[text] < LEAST_FOUND and OTHER_SPEECH in word.readings:
        return replace(word, text=OTHER_SPEECH, confidence=word.readings[OTHER_SPEECH])
    return replace(word, text=text, confidence=sure[text])


def _moved(confidence: float, by: float) -> float:
    return probability(log_odds(confidence) + by) if by else confidence

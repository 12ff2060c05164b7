"""Words of the plan that may be mixed up: with one another or with common words, by her takes and by their sounds."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from handsfree import listening
from handsfree.core.phones import SOUNDS_ALIKE, Phones, distance
from handsfree.core.trial_of_voice import Trial
from handsfree.core.vocabulary import Vocabulary
from handsfree.core.voice import better_words, candidates
from handsfree.edges.adaptation import Learner
from handsfree.edges.pronounce import Pronouncer, common_words

NEAREST = 6
"""Common words that takes are compared with: those whose sounds are nearest."""
LEAST_APART = 2.0
"""Her takes of a word fit it better than any other by at least so much (log share), or the two may be mixed up."""


@dataclass(frozen=True)
class Risk:
    """`why` a word may be mixed up, "" where nothing says so; `better` words for it."""

    why: str = ""
    better: tuple[str, ...] = ()


class Risks:
    """Looks for them. `said`: how each phrase of the plan is said, her own ways included."""

    def __init__(
        self, vocabulary: Vocabulary, pronouncer: Pronouncer, learner: Learner, said: Mapping[str, Sequence[Phones]]
    ) -> None:
        self._vocabulary, self._pronouncer, self._learner, self._said = vocabulary, pronouncer, learner, said
        self._common = common_words(listening.shipped_model() / "common_words.txt")

    def of(
        self,
        phrase: str,
        takes: Sequence[npt.NDArray[np.int16]],
        trial: Trial,
        least: float,
    ) -> Risk:
        """`trial`: what the ear that will be used made of takes that were held back from it."""
        whys = [*self._from_trial(phrase, trial, least), *self._from_sounds(phrase, takes)]
        if not whys:
            return Risk()
        role = self._vocabulary.meanings[phrase].role.value
        say = {text: self._pronouncer.phrase(text).phones for text in candidates(role)}
        return Risk("; ".join(whys), better_words(role, phrase, self._said, say))

    def _from_trial(self, phrase: str, trial: Trial, least: float) -> Iterator[str]:
        count = len(trial.takes[phrase])
        missed = count - trial.right(phrase, least)
        if missed:
            yield f"{missed} of {count} not heard"
        for other, times in Counter(trial.wrong(phrase, least)).most_common():
            yield f'{times} of {count} taken for "{other}"'
        if false := trial.false(least).count(phrase):
            yield f"heard {false} times in other people's talk"

    def _from_sounds(self, phrase: str, takes: Sequence[npt.NDArray[np.int16]]) -> Iterator[str]:
        own = self._said[phrase]
        plan = {text: ways for text, ways in self._said.items() if text != phrase and not _shares(text, phrase)}
        apart = {text: min(distance(a, b) for a in own for b in ways) for text, ways in plan.items()}
        alike = [text for text, far in apart.items() if far < SOUNDS_ALIKE]
        near = sorted(self._common, key=lambda word: self._far(own, word))[:NEAREST]
        rivals = {text: plan[text] for text in sorted(apart, key=lambda text: apart[text])[:NEAREST]}
        rivals |= {word: [self._common[word]] for word in near if word not in self._said and self._far(own, word) > 0}
        scores = [self._learner.scores(one) for one in takes]
        fits = np.array([self._learner.fit(one, own) for one in scores])
        for text, ways in rivals.items():
            margin = float(np.median(fits - np.array([self._learner.fit(one, ways) for one in scores])))
            if margin < LEAST_APART or text in alike:
                yield f'close to "{text}"'

    def _far(self, own: Sequence[Phones], word: str) -> float:
        """Distance of a common word; 1 where lengths differ too much to be near."""
        way = self._common[word]
        return min((distance(way, one) for one in own if abs(len(one) - len(way)) < 2), default=1.0)


def _shares(a: str, b: str) -> bool:
    """Is one phrase part of the other? The plan check tells of that."""
    return f" {a} " in f" {b} " or f" {b} " in f" {a} "

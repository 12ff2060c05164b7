"""What is measured on each case: pure functions of what was said and what was heard."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from handsfree.core.events import HeardWord
from tests.bench.ear.cases import Case, Said
from tests.bench.ear.plans import COMMANDS, parse

MATCHED_S = 0.5
"""A word that begins so near to where it was said is that word."""
BINS = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0)


@dataclass(frozen=True)
class Answer:
    """What one ear made of one case. `known_s`: when each word was known; empty where that was not measured, as the
    processor time is None."""

    seconds: float
    said: tuple[Said, ...]
    words: tuple[HeardWord, ...]
    known_s: tuple[float, ...] = ()
    other_speech: bool = False
    cpu_s: float | None = None
    slowest_block_s: float | None = None

    def texts(self, among: Iterable[str]) -> list[str]:
        return [word.text for word in self.words if word.text in among]


def heard(case: Case, answer: Answer) -> bool:
    """Every phrase that was said."""
    return not Counter(case.said) - Counter(word.text for word in answer.words)


def another(case: Case, answer: Answer, counting: Iterable[str]) -> bool:
    """A counting phrase that was not said, or one more often than it was said."""
    return bool(Counter(answer.texts(counting)) - Counter(case.said))


def false_words(case: Case, answer: Answer, counting: Sequence[str]) -> list[str]:
    """Counting phrases that are not in the text, or more often than they are."""
    return list((Counter(answer.texts(counting)) - Counter(parse(case.text, counting))).elements())


def passed(case: Case, answer: Answer, counting: Sequence[str]) -> list[str]:
    """Counting phrases that were said inside a sentence and counted all the same."""
    return list((Counter(answer.texts(counting)) & Counter(parse(case.text, counting))).elements())


def matched(answer: Answer, among: Iterable[str]) -> int:
    """How many of the phrases said were heard where they were said, one to one."""
    left, found = list(answer.words), 0
    for said in answer.said:
        if said.text not in among:
            continue
        for word in left:
            if word.text == said.text and (said.span_s is None or abs(word.start_s - said.span_s[0]) < MATCHED_S):
                left.remove(word)
                found += 1
                break
    return found


def onset_errors_s(answer: Answer) -> list[float]:
    """Size of the difference, for recordings of one word that was heard once and whose place is clear."""
    return [abs(word.start_s - span_s[0]) for word, span_s, _ in _placed(answer)]


def delays_s(answer: Answer) -> list[float]:
    """From the end of the word until it was known."""
    return [known_s - span_s[1] for _, span_s, known_s in _placed(answer) if known_s is not None]


def _placed(answer: Answer) -> list[tuple[HeardWord, tuple[float, float], float | None]]:
    if len(answer.said) != 1 or answer.said[0].span_s is None:
        return []
    known = answer.known_s or (None,) * len(answer.words)
    right = [pair for pair in zip(answer.words, known, strict=True) if pair[0].text == answer.said[0].text]
    return [(*right[0][:1], answer.said[0].span_s, right[0][1])] if len(right) == 1 else []


def twelve_classes(case: Case, answer: Answer) -> bool:
    """Whether the answer is right as one of: the ten words, unknown, silence. The surest of several words is taken."""
    truth = {"words": case.detail, "unknown word": "unknown", "silence": "silence"}[case.row]
    ten = [word for word in answer.words if word.text in COMMANDS]
    if ten:
        return max(ten, key=lambda word: word.confidence).text == truth
    return truth == ("unknown" if answer.other_speech or answer.words else "silence")


def reliability(pairs: Iterable[tuple[float, bool]]) -> list[tuple[float, float, int, float, float]]:
    """(from, to, how many, mean confidence, share right) of each bin of BINS that holds words."""
    pairs, table = list(pairs), []
    for low, high in zip(BINS, BINS[1:], strict=False):
        inside = [(sure, right) for sure, right in pairs if low <= sure < high or (sure == high == 1.0)]
        if inside:
            mean = sum(sure for sure, _ in inside) / len(inside)
            table.append((low, high, len(inside), mean, sum(right for _, right in inside) / len(inside)))
    return table


def percentile(values: Sequence[float], percent: float) -> float:
    """Nearest rank: the smallest value that so many percent of all do not exceed."""
    return sorted(values)[max(0, math.ceil(percent / 100 * len(values)) - 1)]


def bound_per_hour(events: int, hours: float) -> float | None:
    """Where nothing was seen in T hours, the true rate is below 3/T with 95 % confidence (the rule of three: Hanley and
    Lippman-Hand 1983, JAMA 249, 1743)."""
    return 3 / hours if not events else None

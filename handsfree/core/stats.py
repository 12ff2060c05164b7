"""Figures from counts and times. Where there is nothing to count the answer is None, never 0."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from typing import TYPE_CHECKING

CONFIDENCE = 0.95
"""Confidence of the intervals that are shown, two-sided."""


def wilson(correct: int, count: int, confidence: float = CONFIDENCE) -> tuple[float, float] | None:
    """Wilson's score interval for a proportion, without continuity correction: (low, high), each 0-1.

    None when `count` is 0. Raises ValueError unless 0 <= correct <= count and 0 < confidence < 1.
    Formula: NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.4.1.
    """
    if not 0 <= correct <= count:
        raise ValueError(f"{correct} of {count} is no proportion")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence lies between 0 and 1, not at {confidence}")
    if count == 0:
        return None
    z = statistics.NormalDist().inv_cdf((1 + confidence) / 2)
    rate = correct / count
    shrink = 1 + z * z / count
    middle = (rate + z * z / (2 * count)) / shrink
    half = z * (rate * (1 - rate) / count + z * z / (4 * count * count)) ** 0.5 / shrink
    # 0 of n and n of n reach the ends exactly; sums of floats only nearly.
    return (middle - half if correct else 0.0), (middle + half if correct < count else 1.0)


def difference(
    correct_a: int, count_a: int, correct_b: int, count_b: int, confidence: float = CONFIDENCE
) -> tuple[float, float] | None:
    """Interval for rate a minus rate b of two independent samples: (low, high), each -1 to 1.

    Newcombe's hybrid score interval, made of the two Wilson intervals: Newcombe 1998, Statistics in Medicine
    17:873-890, method 10. None where a sample is empty.
    """
    a, b = wilson(correct_a, count_a, confidence), wilson(correct_b, count_b, confidence)
    if a is None or b is None:
        return None
    rate_a, rate_b = correct_a / count_a, correct_b / count_b
    down = ((rate_a - a[0]) ** 2 + (b[1] - rate_b) ** 2) ** 0.5
    up = ((a[1] - rate_a) ** 2 + (rate_b - b[0]) ** 2) ** 0.5
    return rate_a - rate_b - down, rate_a - rate_b + up


def median(values: Sequence[float]) -> float | None:
    """The middle value, or the mean of the two middle ones. None of nothing."""
    return statistics.median(values) if values else None


def per_minute(count: int, seconds: float) -> float | None:
    """How many a minute; for rewards, the rate of reinforcement. None when no time has passed."""
    return 60.0 * count / seconds if seconds > 0 else None


def overlap_s(start_s: float, end_s: float, stretches: Sequence[tuple[float, float]]) -> float:
    """How much of start_s..end_s lies inside `stretches`, (start, end) pairs that do not overlap one another."""
    return sum(max(0.0, min(end_s, end) - max(start_s, start)) for start, end in stretches)


class Rated:
    """So many correct of so many reps, for a class that has both counts."""

    __slots__ = ()

    if TYPE_CHECKING:  # a dataclass would take what a base class defines for the default of its own field

        @property
        def reps(self) -> int: ...

        @property
        def correct(self) -> int: ...

    @property
    def rate(self) -> float | None:
        """Share of correct reps, 0-1."""
        return self.correct / self.reps if self.reps else None

    @property
    def interval(self) -> tuple[float, float] | None:
        """95 % Wilson interval of the rate."""
        return wilson(self.correct, self.reps)

"""Has a behaviour got worse than it was? A Bernoulli CUSUM over reps, each against what was to be expected of it.

Log-likelihood form: every miss adds ln(p1/p0), every success ln((1-p1)/(1-p0)), never below 0; at LIMIT it signals.
p0 is the miss rate to expect of that very rep: a harder step is missed more. So reps of all steps go into one sum, as
patients of different risk do in Steiner, Cook, Farewell and Treasure 2000, Biostatistics 1:441-452; and as there, a
logistic regression on what came before says what to expect. With one p0 throughout it is the chart of Reynolds and
Stoumbos 1999, Journal of Quality Technology 31:87-108, whose sum is this one divided by ln of the odds ratio.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

ODDS_RATIO = 4.0
"""What counts as a relapse: odds of a miss four times what they were; from 20 % misses to 50 %."""
LIMIT = 5.0
"""In natural logarithms. With 20 % misses a false signal every 1,350 reps or so, a true one after 21 at 50 % misses."""
KNOWN_REPS = 8
"""Reps at a step (or a harder one) before there is something to be worse than: a new step is learning, not relapse."""
MEMORY_REPS = 40.0
"""What to expect comes from the sessions before; one that was over so many reps ago counts 1/e as much: dogs learn."""
START, SLOPE = (math.log(0.25), 1.0), (math.log(2.0), 0.5)
"""Mean and standard deviation of what is assumed before there are reps, in log odds of a miss: 20 % at the first step,
and twice the odds with each further step. Our own choice; reps soon outweigh it."""
RECOVERED_OF, RECOVERED_AT = 10, 8
"""Over when so many of so many reps at the old step or above are correct again. Common practice, no source."""


class Trial(NamedTuple):
    """One rep, as far as relapses go. `session` counts from 0, in the order of time."""

    session: int
    step: int
    correct: bool


@dataclass(frozen=True, slots=True)
class Relapse:
    """A likely relapse. Indices are of trials: the first rep of it, the one that signalled, the one that ended it.

    step      the hardest step that was known well when it began
    reps      those from the first to the one that signalled, at known steps; `correct` of them were
    expected  share of correct ones that was to be expected, 0-1
    """

    began: int
    found: int
    step: int
    reps: int
    correct: int
    expected: float
    recovered: int | None = None


def weight(miss: bool, p0: float, odds_ratio: float = ODDS_RATIO) -> float:
    """What a rep adds to the sum: the log likelihood ratio of odds of a miss `odds_ratio` times those of p0."""
    return math.log((odds_ratio if miss else 1.0) / (1.0 - p0 + odds_ratio * p0))


def sums(misses: Iterable[bool], p0: float, p1: float) -> list[float]:
    """The CUSUM after each rep, for one p0 throughout. Raises ValueError unless 0 < p0 < p1 < 1."""
    if not 0 < p0 < p1 < 1:
        raise ValueError(f"a rise from {p0} to {p1} is none between 0 and 1")
    odds_ratio = p1 * (1 - p0) / (p0 * (1 - p1))
    total, path = 0.0, []
    for miss in misses:
        total = max(0.0, total + weight(miss, p0, odds_ratio))
        path.append(total)
    return path


class _Expected:
    """What to expect at each step, from sessions that are over."""

    def __init__(self) -> None:
        self._seen: dict[int, list[float]] = defaultdict(lambda: [0.0, 0.0])  # step -> misses, reps, later ones more
        self._reps: dict[int, int] = defaultdict(int)
        self._fit = (START[0], SLOPE[0])
        self._weights: dict[int, tuple[float, float, float] | None] = {}

    @property
    def hardest(self) -> int:
        return max((step for step in self._reps if self._knows(step)), default=1)

    def of(self, step: int) -> tuple[float, float, float] | None:
        """(rate of correct reps to expect, weight of a success, weight of a miss) at a step; None: not known."""
        if step not in self._weights:
            p0 = 1 / (1 + math.exp(-(self._fit[0] + self._fit[1] * (step - 1))))
            self._weights[step] = (1 - p0, weight(False, p0), weight(True, p0)) if self._knows(step) else None
        return self._weights[step]

    def learn(self, trials: Sequence[Trial]) -> None:
        """`trials` are over; those before count the less the more they are."""
        fade = math.exp(-len(trials) / MEMORY_REPS)
        for counts in self._seen.values():
            counts[0] *= fade
            counts[1] *= fade
        for trial in trials:
            self._seen[trial.step][0] += not trial.correct
            self._seen[trial.step][1] += 1
            self._reps[trial.step] += 1
        self._fit = _regression(self._seen, self._fit)
        self._weights = {}

    def _knows(self, step: int) -> bool:
        return sum(reps for at, reps in self._reps.items() if at >= step) >= KNOWN_REPS


def relapses(trials: Sequence[Trial]) -> list[Relapse]:
    """Every likely relapse of one behaviour, in order; the last may not be over yet.

    What is expected comes from earlier sessions; reps from the moment on at which the sum began to rise are held back
    until it has fallen to 0 again, and those of a relapse are never learned from.
    """
    found: list[Relapse] = []
    known = _Expected()
    held: list[Trial] = []  # not yet learned from
    rising: list[float] = []  # what was expected of each rep since the sum left 0
    total, began, hits = 0.0, 0, 0
    since: list[bool] | None = None  # in a relapse: whether reps at the old step or above were correct
    for index, trial in enumerate(trials):
        if since is not None:
            if trial.step >= found[-1].step:
                since.append(trial.correct)
            if sum(since[-RECOVERED_OF:]) >= RECOVERED_AT:
                found[-1] = replace(found[-1], recovered=index)
                since = None
            continue
        if held and held[-1].session != trial.session and total == 0.0:
            known.learn(held)
            held = []
        held.append(trial)
        expected = known.of(trial.step)
        if expected is None:
            continue
        if total == 0.0:
            began, rising, hits = index, [], 0
        rate, success, miss = expected
        rising.append(rate)
        hits += trial.correct
        total = max(0.0, total + (success if trial.correct else miss))
        if total >= LIMIT:
            found.append(Relapse(began, index, known.hardest, len(rising), hits, sum(rising) / len(rising)))
            held, total, since = [], 0.0, []
    return found


def _regression(seen: Mapping[int, Sequence[float]], start: tuple[float, float]) -> tuple[float, float]:
    """Log odds of a miss at step 1 and the rise with each step: the most likely ones, by Newton's method.

    `seen`: step -> (misses, reps), which need not be whole. START and SLOPE are normal priors, so there is always one
    answer.
    """
    a, b = start
    for _ in range(25):
        gradient_a, gradient_b = (START[0] - a) / START[1] ** 2, (SLOPE[0] - b) / SLOPE[1] ** 2
        aa, ab, bb = 1 / START[1] ** 2, 0.0, 1 / SLOPE[1] ** 2
        for step, (misses, reps) in seen.items():
            x = step - 1
            p = 1 / (1 + math.exp(-(a + b * x)))
            gradient_a += misses - reps * p
            gradient_b += x * (misses - reps * p)
            spread = reps * p * (1 - p)
            aa, ab, bb = aa + spread, ab + x * spread, bb + x * x * spread
        det = aa * bb - ab * ab
        move_a, move_b = (bb * gradient_a - ab * gradient_b) / det, (aa * gradient_b - ab * gradient_a) / det
        a, b = a + move_a, b + move_b
        if abs(move_a) + abs(move_b) < 1e-6:
            break
    return a, b

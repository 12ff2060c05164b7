"""How a rule behaves in the long run, for a dog that is right with a fixed probability: operating characteristics.

The rule alone, at one step: reps are independent, holds go on, the first raise or lower ends it. Every rep counts the
same, so the special rule for handling does not enter. Exact, by following the probability of every state a rule can be
in from rep to rep (a finite Markov chain); where there are too many states, `estimated` plays it out at random.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from handsfree.core import criteria
from handsfree.core.criteria import Standing, Verdict
from handsfree.core.events import Choice, Outcome
from handsfree.core.plan import Behaviour, Rule, SequentialRule

HORIZON = 2_000
"""Reps after which following stops. What is undecided then is told."""
MOST_STATES = 50_000
"""More than any rule that is taught needs; 2 ** (window - 1) at worst."""
NEGLIGIBLE = 1e-12

State = tuple[bool, ...] | tuple[int, int, int]
"""What a rule needs to know of the past. A window rule: its last outcomes. A sequential one: correct reps, misses, and
how many of the last were misses."""


class TooManyStates(Exception):
    """The rule looks so far back that its states cannot be followed one by one."""


@dataclass(frozen=True, slots=True)
class Characteristics:
    """Of one rule at one success rate `p`.

    raises, lowers  probability that the first decision is that; `undecided` that there was none up to the horizon
    reps            expected number of reps until the decision (or the horizon)
    by_then         probability of a decision within each number of reps, from 0 on
    exact           False: estimated from `runs` random runs
    """

    p: float
    raises: float
    lowers: float
    reps: float
    by_then: tuple[float, ...]
    exact: bool = True
    runs: int = 0

    @property
    def undecided(self) -> float:
        return max(0.0, 1.0 - self.raises - self.lowers)

    def decided_within(self, reps: int) -> float:
        """Probability of a decision within so many reps."""
        return self.by_then[min(reps, len(self.by_then) - 1)]


def characteristics(rule: Rule, p: float, horizon: int = HORIZON) -> Characteristics:
    """Exact up to rounding (and 1e-12 of probability that is no longer followed).

    Raises ValueError unless 0 <= p <= 1, and TooManyStates.
    """
    if not 0 <= p <= 1:
        raise ValueError(f"a probability lies between 0 and 1, not at {p}")
    walk = _walk(rule)
    alive: dict[State, float] = {walk.start: 1.0}
    ended = {Choice.RAISE: 0.0, Choice.LOWER: 0.0}
    expected, by_then = 0.0, [0.0]
    while alive and len(by_then) <= horizon:
        expected += sum(alive.values())  # every run still undecided takes one more rep
        following: dict[State, float] = {}
        for state, chance in alive.items():
            for correct, share in ((True, chance * p), (False, chance * (1 - p))):
                if not share:
                    continue
                after = walk.step(state, correct)
                if isinstance(after, Choice):
                    ended[after] += share
                else:
                    following[after] = following.get(after, 0.0) + share
        if len(following) > MOST_STATES:
            raise TooManyStates(f"rule {rule.name!r} has more than {MOST_STATES} states")
        alive = following if sum(following.values()) > NEGLIGIBLE else {}
        by_then.append(sum(ended.values()))
    return Characteristics(p, ended[Choice.RAISE], ended[Choice.LOWER], expected, tuple(by_then))


def estimated(
    rule: Rule, p: float, chance: Callable[[], float], runs: int = 2_000, horizon: int = HORIZON
) -> Characteristics:
    """The same from `runs` runs. `chance` gives numbers evenly spread over 0 to 1, such as random.Random(7).random."""
    walk = _walk(rule)
    ended = {Choice.RAISE: 0, Choice.LOWER: 0}
    total = 0
    decided_at = [0] * (horizon + 1)
    for _ in range(runs):
        state: State | Choice = walk.start
        count = 0
        while not isinstance(state, Choice) and count < horizon:
            state = walk.step(state, chance() < p)
            count += 1
        total += count
        if isinstance(state, Choice):
            ended[state] += 1
            decided_at[count] += 1
    by_then, sofar = [], 0
    for number in decided_at:
        sofar += number
        by_then.append(sofar / runs)
    raises, lowers = ended[Choice.RAISE] / runs, ended[Choice.LOWER] / runs
    return Characteristics(p, raises, lowers, total / runs, tuple(by_then), exact=False, runs=runs)


class _Walk:
    """One rep further: state and outcome -> the next state, or RAISE or LOWER."""

    def __init__(self, rule: Rule) -> None:
        self.rule = rule
        self.start: State = (0, 0, 0) if isinstance(rule, SequentialRule) else ()
        self._known: dict[tuple[State, bool], State | Choice] = {}

    def step(self, state: State, correct: bool) -> State | Choice:
        known = self._known.get((state, correct))
        if known is None:
            sequential = isinstance(self.rule, SequentialRule)
            known = self._sequential(state, correct) if sequential else self._window(state, correct)
            if len(self._known) < 4 * MOST_STATES:
                self._known[state, correct] = known
        return known

    def _window(self, state: State, correct: bool) -> State | Choice:
        recent = (*state, correct)
        verdicts = tuple(_HIT if one else _MISS for one in recent)
        judged = criteria.judge(Behaviour("", (), rule=self.rule), Standing(1, verdicts))
        if judged is not None and judged[0] is not Choice.HOLD:
            return judged[0]
        assert not isinstance(self.rule, SequentialRule)
        keep = max(self.rule.window, self.rule.misses_in_a_row) - 1
        return tuple(bool(one) for one in recent[-keep:]) if keep else ()

    def _sequential(self, state: State, correct: bool) -> State | Choice:
        """By counts, since they alone settle the ratio: criteria.sequential walks through the reps instead."""
        assert isinstance(self.rule, SequentialRule)
        hits, misses, run = state
        hits, misses, run = (hits + 1, misses, 0) if correct else (hits, misses + 1, run + 1)
        if self.rule.misses_in_a_row and run >= self.rule.misses_in_a_row:
            return Choice.LOWER
        hit, miss, lower, upper = criteria.wald(self.rule)
        ratio = hits * hit + misses * miss
        if ratio >= upper:
            return Choice.RAISE
        return Choice.LOWER if ratio <= lower else (hits, misses, run if self.rule.misses_in_a_row else 0)


@lru_cache(maxsize=8)
def _walk(rule: Rule) -> _Walk:
    """One for all success rates: it remembers where each state leads."""
    return _Walk(rule)


_HIT, _MISS = Verdict(0, Outcome.CORRECT), Verdict(0, Outcome.INCORRECT)

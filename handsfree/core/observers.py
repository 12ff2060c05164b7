"""Two records of the same session against each other: inter-observer agreement. Pure.

The measures of counts, intervals and trials are those of Reed & Azulay 2011, Behavior Analysis in Practice 4(2), 45-52,
doi 10.1007/BF03391783. Kappa is Cohen's (1960), its standard error that of Fleiss, Cohen & Everitt (1969). Times are
compared after Bland & Altman (1986). A measure that is not defined (nothing was scored, or only one thing was) is None,
never 0 or 1.
"""

from __future__ import annotations

import math
import statistics
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from handsfree.core.agreement import WITHIN_S
from handsfree.core.stats import CONFIDENCE

INTERVAL_S = 10.0
"""Length of the intervals that counts are compared in, unless asked otherwise (common practice, no source)."""

MOST_INTERVALS = 1_000_000

Pairs = Sequence[tuple[int, int]]
"""(index in the first record, index in the second) of events taken for the same one."""


@dataclass(frozen=True, slots=True)
class Scored:
    """One event as somebody scored it. `onset_s` may be negative: before time 0. `line` is where its file has it."""

    onset_s: float
    duration_s: float | None = None
    behaviour: str | None = None
    outcome: str | None = None
    line: int | None = None

    @property
    def end_s(self) -> float:
        return self.onset_s + (self.duration_s or 0.0)


@dataclass(frozen=True, slots=True)
class Share:
    """`agreed` of `of`: a whole number, save for the mean of ratios, which sums them."""

    agreed: float
    of: float

    @property
    def percent(self) -> float | None:
        return 100 * self.agreed / self.of if self.of else None


@dataclass(frozen=True, slots=True)
class Kappa:
    """Agreement beyond chance of two who gave each thing one of `labels`.

    table     rows: the first's labels, columns: the second's
    agreed    the plain share of things labelled alike, which kappa must not be read without
    kappa     None when chance alone gives full agreement: both used one and the same label throughout, or nothing is
    interval  95 %, from the large-sample standard error; None also where that is 0: full agreement, or one of the two
              used one label only
    """

    labels: tuple[str, ...]
    table: tuple[tuple[int, ...], ...]
    agreed: Share
    kappa: float | None
    interval: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class TimesApart:
    """Onset in the second record minus onset in the first, seconds.

    bias    mean of the differences; None of nothing
    sd      standard deviation (n - 1); None of fewer than two, and so are the limits
    limits  bias - 1.96 sd, bias + 1.96 sd: the limits of agreement
    """

    count: int
    bias: float | None
    sd: float | None
    limits: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Disagreement:
    """`a` or `b` None: only the other record has it. `what` says in which labels a pair differs."""

    a: Scored | None
    b: Scored | None
    what: tuple[str, ...] = ()

    @property
    def at_s(self) -> float:
        one = self.a or self.b
        assert one is not None
        return one.onset_s


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything that two records have in common, and not.

    a_count, b_count   events of each
    pairs              events taken for the same one, in order of time
    labels             which labels both records use, and so were compared: behaviour, outcome
    intervals          how many of `interval_s` there are
    kappas             by label, and "interval": an event in it or not
    """

    a_count: int
    b_count: int
    pairs: tuple[tuple[Scored, Scored], ...]
    labels: tuple[str, ...]
    within_s: float
    interval_s: float
    intervals: int
    total_count: Share
    mean_count: Share
    exact_count: Share
    interval_by_interval: Share
    scored: Share
    unscored: Share
    trials: Share
    kappas: dict[str, Kappa]
    times: TimesApart
    disagreements: tuple[Disagreement, ...]


LABELS = ("behaviour", "outcome")


def same_text(label: str | None) -> str:
    """A label as it is compared: case, "_" for a space and how accents are coded do not matter. None is "(none)"."""
    return "(none)" if label is None else unicodedata.normalize("NFC", label).casefold().replace("_", " ")


def labels_of_both(a: Sequence[Scored], b: Sequence[Scored]) -> tuple[str, ...]:
    """The labels that some event of each record has: only these can be compared."""
    return tuple(
        name for name in LABELS if all(any(getattr(event, name) is not None for event in events) for events in (a, b))
    )


def differing(a: Scored, b: Scored, labels: Iterable[str]) -> tuple[str, ...]:
    """Those of `labels` in which two events differ."""
    return tuple(name for name in labels if same_text(getattr(a, name)) != same_text(getattr(b, name)))


def compare(
    a: Sequence[Scored],
    b: Sequence[Scored],
    pairs: Pairs,
    *,
    within_s: float = WITHIN_S,
    interval_s: float = INTERVAL_S,
    length_s: float = 0.0,
) -> Comparison:
    """Every measure. Intervals run from 0 (earlier, if an event does) to `length_s` or the last onset, if later.

    Raises ValueError for an interval that is not above 0, or more than a million of them.
    """
    labels = labels_of_both(a, b)
    matched = sorted(((a[i], b[j]) for i, j in pairs), key=lambda pair: (pair[0].onset_s, pair[1].onset_s))
    counts_a, counts_b = counts_per_interval(a, b, interval_s, length_s)
    both = list(zip(counts_a, counts_b, strict=True))
    some = [(x > 0, y > 0) for x, y in both]
    wrong = [(x, y, differing(x, y, labels)) for x, y in matched]
    paired_a, paired_b = {i for i, _ in pairs}, {j for _, j in pairs}
    disagreements = [Disagreement(x, y, what) for x, y, what in wrong if what]
    disagreements += [Disagreement(event, None) for i, event in enumerate(a) if i not in paired_a]
    disagreements += [Disagreement(None, event) for j, event in enumerate(b) if j not in paired_b]
    kappas = {
        name: cohen((same_text(getattr(x, name)), same_text(getattr(y, name))) for x, y in matched) for name in labels
    }
    kappas["interval"] = cohen(("scored" if x else "empty", "scored" if y else "empty") for x, y in some)
    return Comparison(
        a_count=len(a),
        b_count=len(b),
        pairs=tuple(matched),
        labels=labels,
        within_s=within_s,
        interval_s=interval_s,
        intervals=len(both),
        total_count=smaller_of_larger(len(a), len(b)),
        mean_count=mean_count_per_interval(both),
        exact_count=Share(sum(x == y for x, y in both), len(both)),
        interval_by_interval=Share(sum(x == y for x, y in some), len(some)),
        scored=Share(sum(x and y for x, y in some), sum(x or y for x, y in some)),
        unscored=Share(sum(not x and not y for x, y in some), sum(not x or not y for x, y in some)),
        trials=Share(sum(not what for _, _, what in wrong), len(a) + len(b) - len(pairs)),
        kappas=kappas,
        times=times_apart([y.onset_s - x.onset_s for x, y in matched]),
        disagreements=tuple(sorted(disagreements, key=lambda one: one.at_s)),
    )


def counts_per_interval(
    a: Sequence[Scored], b: Sequence[Scored], interval_s: float, length_s: float = 0.0
) -> tuple[list[int], list[int]]:
    """How many events of each record begin in each interval. Raises as `compare` does."""
    if not interval_s > 0 or not math.isfinite(interval_s):
        raise ValueError(f"an interval is longer than 0 s, not {interval_s}")
    places = [[math.floor(event.onset_s / interval_s) for event in events] for events in (a, b)]
    everywhere = [*places[0], *places[1]]
    first, end = min(everywhere, default=0), max(everywhere, default=-1) + 1
    first, end = min(first, 0), max(end, math.ceil(length_s / interval_s))
    if end - first > MOST_INTERVALS:
        raise ValueError(f"{end - first} intervals of {interval_s} s are too many")
    counts = [[0] * (end - first) for _ in places]
    for count, found in zip(counts, places, strict=True):
        for place in found:
            count[place - first] += 1
    return counts[0], counts[1]


def smaller_of_larger(a: float, b: float) -> Share:
    """Total count: the smaller over the larger. Undefined where both are 0."""
    return Share(min(a, b), max(a, b))


def mean_count_per_interval(counts: Sequence[tuple[int, int]]) -> Share:
    """The mean over intervals of smaller over larger; an interval in which both counted nothing is full agreement."""
    return Share(sum(min(pair) / max(pair) if max(pair) else 1.0 for pair in counts), len(counts))


def cohen(pairs: Iterable[tuple[str, str]]) -> Kappa:
    """Kappa of two who labelled the same things, one (first's label, second's label) a thing."""
    given = list(pairs)
    labels = tuple(sorted({label for pair in given for label in pair}))
    place = {label: index for index, label in enumerate(labels)}
    table = [[0] * len(labels) for _ in labels]
    for one, other in given:
        table[place[one]][place[other]] += 1
    return kappa_of_table(labels, table)


def kappa_of_table(labels: Sequence[str], table: Sequence[Sequence[int]]) -> Kappa:
    """Kappa of a square table of counts: rows the first's labels, columns the second's."""
    n = sum(map(sum, table))
    counts = tuple(tuple(row) for row in table)
    alike = Share(sum(table[i][i] for i in range(len(table))), n)
    rows = [sum(row) for row in table]
    columns = [sum(column) for column in zip(*table, strict=True)]
    chance = sum(r * c for r, c in zip(rows, columns, strict=True))  # over n squared; whole, so that 1 is exactly 1
    if chance == n * n:
        return Kappa(tuple(labels), counts, alike, None, None)
    expected = chance / n**2
    kappa = (alike.agreed / n - expected) / (1 - expected)
    half = _z() * _standard_error(table, rows, columns, n, expected, kappa)
    interval = (max(-1.0, kappa - half), min(1.0, kappa + half)) if half else None
    return Kappa(tuple(labels), counts, alike, kappa, interval)


def _standard_error(
    table: Sequence[Sequence[int]], rows: list[int], columns: list[int], n: int, expected: float, kappa: float
) -> float:
    """Fleiss, Cohen & Everitt 1969, Psychological Bulletin 72, 323-327, for a kappa that is not 0."""
    places = range(len(table))
    alike = sum(table[i][i] / n * (1 - (rows[i] + columns[i]) / n * (1 - kappa)) ** 2 for i in places)
    unlike = sum(table[i][j] / n * ((columns[i] + rows[j]) / n) ** 2 for i in places for j in places if i != j)
    variance = alike + (1 - kappa) ** 2 * unlike - (kappa - expected * (1 - kappa)) ** 2
    return math.sqrt(variance / n) / (1 - expected) if variance > 1e-15 else 0.0


def times_apart(differences: Sequence[float]) -> TimesApart:
    """Bland & Altman 1986, Lancet 327, 307-310: mean difference and limits of agreement."""
    if not differences:
        return TimesApart(0, None, None, None)
    bias = statistics.fmean(differences)
    if len(differences) < 2:
        return TimesApart(1, bias, None, None)
    sd = statistics.stdev(differences)
    return TimesApart(len(differences), bias, sd, (bias - _z() * sd, bias + _z() * sd))


def _z() -> float:
    return statistics.NormalDist().inv_cdf((1 + CONFIDENCE) / 2)

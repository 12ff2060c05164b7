"""Intervals and rates against published values and reference libraries."""

import math
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from handsfree.core import stats


@pytest.mark.parametrize(
    ("correct", "count", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0000, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_gives_newcombes_table(correct, count, low, high):
    """Newcombe 1998, Statistics in Medicine 17:857-872, Table I, method 3 (95 %), four decimals.

    Taken as other projects' test suites quote the table; the paper itself was not at hand.
    """
    assert [round(limit, 4) for limit in stats.wilson(correct, count)] == [low, high]


def test_wilson_gives_a_worked_example():
    """6 of 32, eight decimals: RPubs document 1367507."""
    low, high = stats.wilson(6, 32)
    assert (round(low, 8), round(high, 8)) == (0.08889545, 0.35309155)


def test_wilson_limits_solve_the_score_equation():
    """NIST/SEMATECH e-Handbook 7.2.4.1: the limits are the rates p0 whose score test just rejects.

    That is |k/n - p0| = z sqrt(p0 (1 - p0) / n), with the handbook's z = 1.959964 for 95 %.
    """
    for correct, count in [(4, 5), (1, 29), (81, 263), (8, 10)]:
        for limit in stats.wilson(correct, count):
            distance = abs(correct / count - limit)
            assert distance == pytest.approx(1.959964 * math.sqrt(limit * (1 - limit) / count), abs=1e-7)


@pytest.mark.parametrize("confidence", [0.80, 0.95, 0.99])
def test_wilson_agrees_with_scipy_and_statsmodels(confidence):
    for count in range(1, 61):
        for correct in range(count + 1):
            ours = stats.wilson(correct, count, confidence)
            theirs = binomtest(correct, count).proportion_ci(confidence, method="wilson")
            assert ours == pytest.approx((theirs.low, theirs.high), abs=1e-12)
            assert ours == pytest.approx(proportion_confint(correct, count, 1 - confidence, "wilson"), abs=1e-12)


@given(st.integers(1, 10_000).flatmap(lambda count: st.tuples(st.integers(0, count), st.just(count))))
def test_wilson_holds_the_rate_and_stays_a_share(case):
    correct, count = case
    low, high = stats.wilson(correct, count)
    assert 0 <= low <= correct / count <= high <= 1
    assert (low == 0) == (correct == 0)
    assert (high == 1) == (correct == count)


def test_wilson_of_nothing_is_nothing():
    assert stats.wilson(0, 0) is None


@pytest.mark.parametrize("wrong", [(-1, 5), (6, 5), (1, 0), (3, 5, 0.0), (3, 5, 1.0), (3, 5, 95)])
def test_wilson_refuses_what_is_no_proportion(wrong):
    with pytest.raises(ValueError, match="proportion|confidence"):
        stats.wilson(*wrong)


def test_rate_of_reinforcement_gives_a_trainers_example():
    """3 treats in 60 s: one every 20 s (caitlinsanimals.wordpress.com, 2018, on the rate of reinforcement)."""
    assert stats.per_minute(3, 60.0) == 3.0
    assert 60.0 / stats.per_minute(3, 60.0) == 20.0


@pytest.mark.parametrize(("seconds", "rate"), [(3.0, 20.0), (5.0, 12.0)])
def test_rate_of_reinforcement_of_one_marker_every_few_seconds(seconds, rate):
    """A marker every 3 to 5 s is 20 to 12 a minute (pamsdogtraining.com/118 recommends that pace)."""
    assert stats.per_minute(1, seconds) == pytest.approx(rate)


def test_rate_without_time_is_nothing():
    assert stats.per_minute(4, 0.0) is None


@given(st.lists(st.floats(0, 1e6), min_size=1))
def test_median_agrees_with_numpy(values):
    assert stats.median(values) == pytest.approx(float(np.median(values)))


def test_median_of_nothing_is_nothing():
    assert stats.median([]) is None
    assert stats.median([0.4, 9.0, 0.6]) == statistics.median_low([0.4, 0.6, 9.0]) == 0.6


@given(st.floats(0, 100), st.floats(0, 100), st.lists(st.tuples(st.floats(0, 100), st.floats(0, 100)), max_size=1))
def test_overlap_is_what_a_fine_ruler_finds(one, other, stretches):
    start, end = sorted((one, other))
    stretches = [tuple(sorted(stretch)) for stretch in stretches]
    ticks = np.linspace(start, end, 2001)
    inside = sum(np.mean((ticks >= low) & (ticks <= high)) for low, high in stretches) * (end - start)
    assert stats.overlap_s(start, end, stretches) == pytest.approx(inside, abs=(end - start) / 500 + 1e-9)


def test_a_difference_of_rates_is_newcombes():
    """56 of 70 against 48 of 80: 0.0524 to 0.3339. Newcombe 1998, Statistics in Medicine 17:873-890, Table II, method
    10, from memory; statsmodels, which implements the method, gives the same below."""
    low, high = stats.difference(56, 70, 48, 80)
    assert (round(low, 4), round(high, 4)) == (0.0524, 0.3339)


@given(st.integers(1, 60), st.integers(1, 60), st.data())
def test_a_difference_of_rates_is_that_of_statsmodels(n_a, n_b, data):
    a, b = data.draw(st.integers(0, n_a)), data.draw(st.integers(0, n_b))
    expected = confint_proportions_2indep(a, n_a, b, n_b, method="newcomb", compare="diff")
    assert stats.difference(a, n_a, b, n_b) == pytest.approx(expected, abs=1e-9)


def test_of_nothing_there_is_no_difference():
    assert stats.difference(0, 0, 1, 2) is None

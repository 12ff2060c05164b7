"""Agreement of two records, against published numbers and against scikit-learn and statsmodels.

Reed & Azulay 2011: Behavior Analysis in Practice 4(2), 45-52, doi 10.1007/BF03391783.
"""

import json
import math
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handsfree.core import agreement
from handsfree.core.events import Outcome
from handsfree.core.observers import (
    Scored,
    Share,
    cohen,
    compare,
    counts_per_interval,
    kappa_of_table,
    mean_count_per_interval,
    smaller_of_larger,
    times_apart,
)
from handsfree.edges.pairing import pair
from tests.test_agreement import counted, true


def events(*onsets, behaviour=None, outcome=None):
    return [Scored(onset, behaviour=behaviour, outcome=outcome) for onset in onsets]


def in_minutes(counts):
    """Events in the middle of their minutes, as many as counted."""
    return [Scored(60 * minute + 30 + number) for minute, count in enumerate(counts) for number in range(count)]


def against(a, b, within_s=1.0, **more):
    return compare(a, b, pair(a, b, within_s), within_s=within_s, **more)


# Published data


def test_fifteen_one_minute_intervals():
    """Figure 1 of Reed & Azulay 2011: 100 %, 70.0 % and 66.7 %."""
    first, second = [1, 1, 1, 2] + [0] * 11, [0, 0, 0, 1] + [0] * 10 + [4]
    result = against(in_minutes(first), in_minutes(second), interval_s=60, length_s=900)
    assert result.intervals == 15
    assert result.total_count == Share(5, 5)
    assert result.mean_count == Share(10.5, 15)
    assert result.exact_count == Share(10, 15)
    percents = [share.percent for share in (result.total_count, result.mean_count, result.exact_count)]
    assert percents == pytest.approx([100, 70.0, 66.7], abs=0.05)


@pytest.mark.parametrize("who_scored", range(4))
def test_seven_scored_or_unscored_intervals(who_scored):
    """Figure 2 of Reed & Azulay 2011: 71.4 %, 50 % and 60 %, whoever it was that scored the first and the last."""
    first, second = [0, 0, 0, 0, 1, 1, 0], [0, 0, 0, 0, 1, 1, 0]
    (first, second)[who_scored % 2][0] = 1
    (first, second)[who_scored // 2][6] = 1
    result = against(in_minutes(first), in_minutes(second), interval_s=60, length_s=420)
    shares = (result.interval_by_interval, result.scored, result.unscored)
    assert shares == (Share(5, 7), Share(2, 4), Share(3, 5))
    assert [share.percent for share in shares] == pytest.approx([71.4, 50, 60], abs=0.05)


@pytest.mark.parametrize(
    ("table", "kappa"),
    [
        ([[47, 2], [8, 43]], 0.80),  # printed so in a worked example of radiology, copied on several pages
        ([[20, 5], [10, 15]], 0.40),  # margins 25/50 and 30/50 published; the cells from memory
        ([[85, 5], [5, 5]], 0.4444),  # the rest calculated by hand
        ([[45, 15], [25, 15]], 0.1304),
        ([[25, 35], [5, 35]], 0.2593),
    ],
)
def test_worked_kappas(table, kappa):
    assert kappa_of_table(("yes", "no"), table).kappa == pytest.approx(kappa, abs=5e-5 if kappa != 0.80 else 5e-3)


def test_times_apart_of_seventeen_peak_flows():
    """Bland & Altman 1986, Lancet 327, 307-310: mean difference -2.1 l/min, standard deviation 38.8 l/min."""
    large = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
    mini = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)
    result = times_apart([one - other for one, other in zip(large, mini, strict=True)])
    assert (result.count, round(result.bias, 1), round(result.sd, 1)) == (17, -2.1, 38.8)
    assert result.limits == pytest.approx((result.bias - 1.96 * result.sd, result.bias + 1.96 * result.sd), abs=0.01)


# Reference libraries

LABELLED = st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from("abcd")), min_size=1, max_size=40)


@pytest.mark.filterwarnings("ignore:A single label", "ignore:invalid value")
@given(LABELLED)
@settings(deadline=None)
def test_kappa_is_that_of_scikit_learn_and_its_interval_that_of_statsmodels(pairs):
    metrics = pytest.importorskip("sklearn.metrics")
    inter_rater = pytest.importorskip("statsmodels.stats.inter_rater")
    result = cohen(pairs)
    labels = list(result.labels)
    first, second = zip(*pairs, strict=True)
    assert metrics.confusion_matrix(first, second, labels=labels).tolist() == [list(row) for row in result.table]
    assert result.agreed.percent == pytest.approx(100 * metrics.accuracy_score(first, second))
    if result.kappa is None:
        assert len(labels) == 1
        return
    assert result.kappa == pytest.approx(metrics.cohen_kappa_score(first, second), abs=1e-12)
    reference = inter_rater.cohens_kappa(result.table)
    if result.interval is None:
        assert not reference.std_kappa > 1e-6  # 0, or the root of a rounding error below 0
    else:
        low, high = max(-1, reference.kappa_low), min(1, reference.kappa_upp)
        assert result.interval == pytest.approx((low, high), abs=1e-9)


ONSETS = st.lists(st.tuples(st.integers(0, 8).map(lambda n: n / 4), st.sampled_from("xy")), max_size=5)


@given(ONSETS, ONSETS, st.sampled_from([0.0, 0.5, 1.0]))
@settings(deadline=None, max_examples=150)
def test_pairing_against_trying_every_assignment(first, second, within_s):
    a, b = ([Scored(onset, behaviour=name) for onset, name in some] for some in (first, second))

    def worth(pairs):
        apart = [abs(a[i].onset_s - b[j].onset_s) for i, j in pairs]
        return len(pairs), sum(a[i].behaviour == b[j].behaviour for i, j in pairs), -round(sum(apart), 9)

    best = (0, 0, 0.0)
    places = [*range(len(b)), *[None] * len(a)]
    for chosen in set(permutations(places, len(a))):
        pairs = [(i, j) for i, j in enumerate(chosen) if j is not None]
        if all(abs(a[i].onset_s - b[j].onset_s) <= within_s for i, j in pairs):
            best = max(best, worth(pairs))
    assert worth(pair(a, b, within_s)) == best


@given(ONSETS, ONSETS)
def test_as_many_pairs_as_the_matcher_of_the_demo_finds(first, second):
    first_s, second_s = (sorted(onset for onset, _ in some) for some in (first, second))
    reference = agreement.match([true(onset) for onset in first_s], [counted(onset) for onset in second_s])
    assert len(pair(events(*first_s), events(*second_s))) == len(reference.matched)


# What follows from the definitions


@given(st.lists(st.floats(-50, 500)), st.lists(st.floats(-50, 500)), st.floats(0.5, 60))
def test_no_event_is_lost_between_intervals(first, second, interval_s):
    a, b = events(*first), events(*second)
    counts = counts_per_interval(a, b, interval_s, 100)
    assert [sum(count) for count in counts] == [len(a), len(b)]


def test_nothing_scored_is_not_full_agreement():
    result = against([], [])
    shares = (result.total_count, result.mean_count, result.exact_count, result.scored, result.unscored, result.trials)
    assert [share.percent for share in shares] == [None] * 6
    assert result.kappas["interval"].kappa is None
    assert (result.times.bias, result.times.limits) == (None, None)


def test_kappa_is_undefined_where_both_used_one_label():
    result = cohen([("correct", "correct")] * 12)
    assert (result.kappa, result.interval, result.agreed.percent) == (None, None, 100)


def test_full_agreement_on_two_labels_has_a_kappa_but_no_interval():
    result = cohen([("correct", "correct")] * 3 + [("incorrect", "incorrect")])
    assert (result.kappa, result.interval) == (1.0, None)


def test_high_agreement_can_go_with_a_kappa_near_nothing():
    """The paradox of Viera & Garrett 2005, Family Medicine 37, 360-363: agreement must stand beside kappa."""
    result = kappa_of_table(("no", "yes"), [[85, 8], [7, 0]])
    assert result.agreed.percent == 85
    assert result.kappa < 0.01


def test_trials_missed_by_one_and_labelled_otherwise_both_count_against():
    a = [Scored(1, behaviour="sit", outcome="correct"), Scored(9, behaviour="sit", outcome="correct"), Scored(20)]
    b = [Scored(1.2, behaviour="Sit", outcome="correct"), Scored(8.9, behaviour="sit", outcome="incorrect")]
    result = against(a, b)
    assert result.trials == Share(1, 3)
    assert [(one.at_s, one.what) for one in result.disagreements] == [(9, ("outcome",)), (20, ())]
    assert result.labels == ("behaviour", "outcome")
    assert result.times.bias == pytest.approx(0.05)


def test_labels_that_one_record_does_not_have_are_not_compared():
    result = against(events(1, 5, behaviour="sit", outcome="correct"), events(1, 5))
    assert (result.labels, result.trials, set(result.kappas)) == ((), Share(2, 2), {"interval"})


def test_events_of_the_same_behaviour_are_paired_even_across_one_another():
    a = [Scored(10.0, behaviour="sit"), Scored(10.4, behaviour="down")]
    b = [Scored(10.1, behaviour="down"), Scored(10.3, behaviour="sit")]
    assert sorted(pair(a, b)) == [(0, 1), (1, 0)]


def test_the_distance_allowed_is_allowed_itself():
    assert 4.4 - 3.4 > 1.0  # in floating point
    assert pair(events(4.4), events(3.4)) == pair(events(3.4), events(4.4)) == [(0, 0)]
    assert pair(events(4.401), events(3.4)) == []


def test_unsorted_events():
    assert sorted(pair(events(9, 1, 5), events(5.1, 9.1, 1.1))) == [(0, 1), (1, 2), (2, 0)]


def test_letters_however_composed():
    composed, decomposed = "Ap\u00e9ro", "APE\u0301RO"
    assert against(events(1, behaviour=composed), events(1, behaviour=decomposed)).disagreements == ()


@pytest.mark.parametrize("interval_s", [0, -1, math.inf, math.nan, 1e-9])
def test_intervals_that_make_no_sense(interval_s):
    with pytest.raises(ValueError, match="interval"):
        counts_per_interval(events(100), [], interval_s)


def test_ratios():
    assert smaller_of_larger(10, 15).percent == pytest.approx(66.67, abs=0.005)
    assert mean_count_per_interval([(0, 0), (1, 2)]).percent == 75


def test_a_whole_demo_compared_with_its_truth_by_both_matchers():
    from handsfree import places

    lines = (places.shipped("demo") / "truth.jsonl").read_text(encoding="utf-8").splitlines()
    truth = agreement.read_truth(lines)
    a = [Scored(rep.cue_s or rep.outcome_s, behaviour=rep.behaviour, outcome=str(rep.outcome)) for rep in truth]
    result = against(a, a)
    assert result.trials == Share(len(a), len(a))
    assert len(a) == sum(json.loads(line)["kind"] == "rep" for line in lines)
    assert {label for rep in truth for label in [rep.outcome]} == set(Outcome)

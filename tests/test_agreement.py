"""Matching of counted reps with true ones."""

import json
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handsfree.core.agreement import TrueRep, is_right, match, match_decisions, read_due, read_truth
from handsfree.core.events import Because, Choice, Decision, HeardWord, Outcome, Rep


def true(cue_s, outcome=Outcome.CORRECT, outcome_s=None, behaviour="spin"):
    return TrueRep(behaviour, outcome, cue_s, None if cue_s is None else cue_s + 0.5, outcome_s)


def counted(cue_s, outcome=Outcome.CORRECT, outcome_s=None, behaviour="spin"):
    cue = None if cue_s is None else HeardWord("spin", cue_s, cue_s + 0.5)
    word = None if outcome_s is None else HeardWord("yes", outcome_s, outcome_s + 0.4)
    start_s = cue_s if cue_s is not None else outcome_s
    return Rep(1, behaviour, 1, outcome, start_s, start_s + 2, cue, word)


def test_all_right():
    result = match([true(1, outcome_s=3), true(9)], [counted(1.1, outcome_s=3.2), counted(9)])
    assert (result.right, result.missed, result.invented) == (2, (), ())
    assert result.cue_to_marker_errors_s == [pytest.approx(0.1)]


def test_missed_invented_and_wrong_outcome():
    result = match([true(1), true(5), true(9)], [counted(1, Outcome.NO_RESPONSE), counted(9), counted(20)])
    assert [rep.cue_s for rep in result.missed] == [5]
    assert [rep.start_s for rep in result.invented] == [20]
    assert (len(result.matched), result.right) == (2, 1)


def test_a_rep_whose_cue_was_not_heard_is_matched_by_its_marker():
    assert match([true(1, outcome_s=3)], [counted(None, outcome_s=3.1)]).right == 1


def test_more_than_a_second_apart_is_no_match():
    result = match([true(1)], [counted(2.1)])
    assert (len(result.matched), len(result.missed), len(result.invented)) == (0, 1, 1)


def test_as_many_pairs_as_possible_even_when_a_closer_pair_exists():
    result = match([true(1.0), true(1.9)], [counted(1.8), counted(2.6)])
    assert [(t.cue_s, c.start_s) for t, c in result.matched] == [(1.0, 1.8), (1.9, 2.6)]


TIMES = st.lists(st.integers(0, 12).map(lambda tenths: tenths / 4), max_size=5).map(sorted)


@given(TIMES, TIMES)
def test_against_trying_every_pairing(true_s, counted_s):
    """Oracle: the largest number of pairs over every order-preserving choice, tried one by one."""
    reps, heard = [true(t) for t in true_s], [counted(t) for t in counted_s]
    result = match(reps, heard)
    most = max(
        size
        for size in range(min(len(reps), len(heard)) + 1)
        for left in combinations(true_s, size)
        for right in combinations(counted_s, size)
        if all(abs(a - b) <= 1 for a, b in zip(left, right, strict=True))
    )
    assert len(result.matched) == most
    assert len(result.matched) + len(result.missed) == len(reps)
    assert len(result.matched) + len(result.invented) == len(heard)


def test_truth_file():
    lines = [
        '{"kind": "spoken", "words": "spin", "start_s": 1, "end_s": 1.4}',
        '{"kind": "rep", "behaviour": "spin", "outcome": "correct", "cue_s": 1, "cue_end_s": 1.4, "outcome_s": 2.5}',
        '{"kind": "rep", "behaviour": "spin", "outcome": "no_response", "cue_s": 9, "cue_end_s": 9.4}',
        "",
    ]
    first, second = read_truth(lines)
    assert first.cue_to_marker_s == pytest.approx(1.1)
    assert (second.outcome, second.outcome_s, second.cue_to_marker_s) == (Outcome.NO_RESPONSE, None, None)
    assert is_right(first, counted(1))
    assert not is_right(first, counted(1, behaviour="bow"))


def test_decisions():
    row = {"kind": "decision", "choice": "lower", "because": "window", "behaviour": "spin", "step": 2, "new_step": 1}
    (due,) = read_due([json.dumps(row | {"at_s": 9})])
    assert due == Decision(Choice.LOWER, Because.WINDOW, 9, "spin", 2, 1)
    made = Decision(Choice.LOWER, Because.WINDOW, 9.4, "spin", 2, 1, reps=(1, 2), correct=0, rule="4-3-2")
    extra = Decision(Choice.RAISE, Because.WINDOW, 20, "spin", 1, 2)
    assert match_decisions([due], [made, extra]) == ([], [extra])
    assert match_decisions([due], [extra]) == ([due], [extra])
    late = Decision(Choice.LOWER, Because.WINDOW, 10.5, "spin", 2, 1)
    assert match_decisions([due], [late]) == ([due], [late])

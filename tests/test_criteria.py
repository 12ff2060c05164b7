"""Decisions against published criteria, exact binomial figures and Wald's sequential test."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from handsfree.core import criteria
from handsfree.core.criteria import Standing, Verdict
from handsfree.core.events import Because, Choice, Correction, Outcome, Rep
from handsfree.core.plan import PRESETS, Behaviour, Limits, Plan, SequentialRule, Tag, WindowRule

C, I, N = Outcome.CORRECT, Outcome.INCORRECT, Outcome.NO_RESPONSE  # noqa: E741
STEPS = tuple(str(number) for number in range(1, 10))


def plan(rule="4-3-2", tag=Tag.PLAIN, start_step=5, **limits) -> Plan:
    rule = PRESETS[rule] if isinstance(rule, str) else rule
    behaviour = Behaviour("sit", ("sit",), tag=tag, steps=STEPS, start_step=start_step, rule=rule)
    return Plan(dog="Bram", behaviours=(behaviour,), limits=Limits(**{"reps_per_behaviour": 1000} | limits))


def verdicts(outcomes):
    return tuple(Verdict(number, outcome) for number, outcome in enumerate(outcomes, start=1))


def hits(bits):
    return [C if bit else I for bit in bits]


def run(plan: Plan, outcomes, progress=None, first=1):
    """Feed one rep every 5 s; return the progress and every decision that is no hold, by rep number."""
    progress = progress or criteria.start(plan)
    made = []
    for number, outcome in enumerate(outcomes, start=first):
        step = progress.standings["sit"].step
        rep = Rep(number, "sit", step, outcome, number * 5.0, number * 5.0 + 2)
        progress, decisions = criteria.after_rep(progress, plan, rep)
        made += [(number, d.choice, d.because) for d in decisions if d.choice is not Choice.HOLD]
    return progress, made


@pytest.mark.parametrize(
    ("preset", "by_correct"),
    [
        # Blocks of five, >= 4 raise, 3 hold, <= 2 lower: described by two trainers independently (Yuppy Puppy programme
        # notes, oncloudk9.co.uk "Measuring success"; holisticpaws-waggytails.com.au "Training stages").
        ("4-3-2", {5: "raise", 4: "raise", 3: "hold", 2: "lower", 1: "lower", 0: "lower"}),
        # All five raise, 3-4 hold, <= 2 lower: common practice, no source.
        ("5-3-2", {5: "raise", 4: "hold", 3: "hold", 2: "lower", 1: "lower", 0: "lower"}),
        # 8 of 10 before moving on: clickermagic.com primer p. 13. The lower mark is ours.
        ("8-of-10", {10: "raise", 8: "raise", 7: "hold", 6: "hold", 5: "lower"}),
        # 12 of 15 (80 % of 15 trials) to pass a step: Meyer & Ladewig 2008. The lower mark is ours.
        ("12-of-15", {15: "raise", 12: "raise", 11: "hold", 9: "hold", 8: "lower"}),
    ],
)
def test_presets_decide_by_their_numbers(preset, by_correct):
    rule = PRESETS[preset]
    for correct, choice in by_correct.items():
        last = verdicts([C] * correct + [I] * (rule.window - correct))
        assert criteria.window(rule, last)[0] == choice
    assert criteria.window(rule, verdicts([C] * (rule.window - 1))) is None


@pytest.mark.parametrize(
    ("p", "raise_4", "raise_5", "lower", "raise_8_of_10"),
    [
        # Binomial probabilities, computed with scipy 1.17 and rounded to four places.
        (0.5, 0.1875, 0.0313, 0.5000, 0.0547),
        (0.6, 0.3370, 0.0778, 0.3174, 0.1673),
        (0.7, 0.5282, 0.1681, 0.1631, 0.3828),
        (0.8, 0.7373, 0.3277, 0.0579, 0.6778),
        (0.9, 0.9185, 0.5905, 0.0086, 0.9298),
        (0.95, 0.9774, 0.7738, 0.0012, 0.9885),
    ],
)
def test_operating_points_are_the_exact_binomial_ones(p, raise_4, raise_5, lower, raise_8_of_10):
    def probability(rule, choice):
        """Of `choice` over every possible window of a dog that succeeds with probability p."""
        total = 0.0
        for bits in itertools.product((0, 1), repeat=rule.window):
            if criteria.window(rule, verdicts(hits(bits)))[0] is choice:
                total += math.prod(p if bit else 1 - p for bit in bits)
        return total

    assert probability(PRESETS["4-3-2"], Choice.RAISE) == pytest.approx(raise_4, abs=5e-5)
    assert probability(PRESETS["5-3-2"], Choice.RAISE) == pytest.approx(raise_5, abs=5.1e-5)
    assert probability(PRESETS["4-3-2"], Choice.LOWER) == pytest.approx(lower, abs=5e-5)
    assert probability(PRESETS["8-of-10"], Choice.RAISE) == pytest.approx(raise_8_of_10, abs=5e-5)
    assert probability(PRESETS["4-3-2"], Choice.RAISE) == pytest.approx(binom.sf(3, 5, p))


@pytest.mark.parametrize(
    ("p", "by_trials"),
    [
        # P(at least one pair of misses in a row) within 5, 10, 20 trials: computed by the recursion for runs.
        (0.8, {5: 0.1347, 10: 0.2733, 20: 0.4875}),
        (0.9, {5: 0.0369, 10: 0.0803, 20: 0.1612}),
        (0.5, {5: 0.5938, 10: 0.8594, 20: 0.9831}),
    ],
)
def test_two_misses_in_a_row_fire_as_often_as_theory_says(p, by_trials):
    rule = WindowRule("misses only", window=1000, raise_at=1000, lower_at=0, misses_in_a_row=2)
    behaviour = Behaviour("sit", ("sit",), rule=rule)
    for trials, expected in by_trials.items():
        if trials > 10:
            continue  # 2^20 sequences are too many to walk one by one
        total = 0.0
        for bits in itertools.product((0, 1), repeat=trials):
            fired = any(
                criteria.judge(behaviour, Standing(1, verdicts(hits(bits[:n])))) is not None
                for n in range(2, trials + 1)
            )
            if fired:
                total += math.prod(p if bit else 1 - p for bit in bits)
        assert total == pytest.approx(expected, abs=5e-5)


def first_decision(rule: SequentialRule, bits):
    for number in range(1, len(bits) + 1):
        choice, *_ = criteria.sequential(rule, verdicts(hits(bits[:number])))
        if choice is not Choice.HOLD:
            return number, choice
    return None


@pytest.mark.parametrize(
    ("rule", "bits", "expected"),
    [
        # Wald 1945 (Ann. Math. Stat. 16:117-186) bounds; trial numbers computed from them by hand calculation.
        (SequentialRule("s"), [1] * 10, (7, Choice.RAISE)),
        (SequentialRule("s"), [0] * 10, (4, Choice.LOWER)),
        (SequentialRule("s"), [1, 1, 0, *[1] * 7], (10, Choice.RAISE)),
        (SequentialRule("s", 0.6, 0.9, 0.10, 0.10), [1] * 10, (6, Choice.RAISE)),
        (SequentialRule("s", 0.6, 0.9, 0.10, 0.10), [0] * 10, (2, Choice.LOWER)),
        # The example sequence of the CRAN package SPRT's help page (p0 .10, p1 .30, alpha .05, beta .10).
        (SequentialRule("s", 0.1, 0.3, 0.05, 0.10), [0, 0, 1, 0, 1, 1, 1, 0, 0, 1, 0, 0], (7, Choice.RAISE)),
    ],
)
def test_the_sequential_test_decides_at_walds_trial(rule, bits, expected):
    assert first_decision(rule, bits) == expected


def test_the_sequential_test_does_not_decide_anew_after_it_has_decided():
    rule = SequentialRule("s")
    bits = [1] * 7 + [0] * 20  # decided at 7; what follows at the same step does not turn it round
    assert criteria.sequential(rule, verdicts(hits(bits)))[0] is Choice.RAISE


def test_two_misses_in_a_row_lower_at_once_and_a_third_does_not_repeat_it():
    # Miss, retry once, second miss: make it easier (mannersformutts.com 2017): 1, 0, 0 lowers at trial 3.
    _, made = run(plan(), [C, I, I])
    assert made == [(3, Choice.LOWER, Because.MISSES_IN_A_ROW)]


def test_no_response_is_a_miss():
    _, made = run(plan(), [N, I])
    assert made == [(2, Choice.LOWER, Because.MISSES_IN_A_ROW)]


def test_a_window_spent_on_a_decision_starts_afresh():
    _, made = run(plan(), [C] * 9)
    assert made == [(5, Choice.RAISE, Because.WINDOW)]
    _, made = run(plan(), [C] * 10)
    assert [number for number, *_ in made] == [5, 10]


def test_the_reason_names_the_reps_that_were_looked_at():
    progress = criteria.start(plan())
    for number, outcome in enumerate([I, C, C, I, C, C], start=1):
        rep = Rep(number, "sit", 5, outcome, number, number + 0.5)
        progress, decisions = criteria.after_rep(progress, plan(), rep)
    (decision,) = decisions
    assert (decision.choice, decision.because, decision.reps, decision.correct) == (
        Choice.RAISE,
        Because.WINDOW,
        (2, 3, 4, 5, 6),
        4,
    )
    assert (decision.step, decision.new_step, decision.rule) == (5, 6, "4-3-2")


def test_lower_at_the_first_step_ends():
    _, made = run(plan(start_step=1), [I, I])
    assert made == [(2, Choice.END, Because.FIRST_STEP)]


def test_a_second_lower_without_recovery_ends():
    _, made = run(plan(), [I, I, I, I])
    assert made == [(2, Choice.LOWER, Because.MISSES_IN_A_ROW), (4, Choice.END, Because.SECOND_LOWER)]


def test_a_second_lower_after_recovery_is_a_lower():
    _, made = run(plan(), [I, I, C, C, C, C, C, I, I])
    assert [(number, choice) for number, choice, _ in made] == [
        (2, Choice.LOWER),
        (7, Choice.RAISE),
        (9, Choice.LOWER),
    ]


def test_a_raise_with_no_harder_step_is_a_hold_that_says_so():
    one_step = plan(start_step=len(STEPS))
    progress = criteria.start(one_step)
    for number in range(1, 6):
        rep = Rep(number, "sit", len(STEPS), C, number, number + 0.5)
        progress, decisions = criteria.after_rep(progress, one_step, rep)
    assert (decisions[0].choice, decisions[0].because) == (Choice.HOLD, Because.TOP_STEP)


def test_one_opt_out_while_handling_lowers_and_the_second_ends():
    # Stop at the first withdrawal, no coaxing (sit-pretty.ca "Nail trimming restraint"; hshv.org): lower on one miss.
    _, made = run(plan(tag=Tag.HANDLING), [C, I])
    assert made == [(2, Choice.LOWER, Because.OPT_OUT)]
    _, made = run(plan(tag=Tag.HANDLING), [C, I, C, I])
    assert made[-1] == (4, Choice.END, Because.SECOND_OPT_OUT)


def test_handling_goes_up_once_a_session():
    """Small steps, never hurried: common practice, no source."""
    outcomes = [C] * 18
    assert [number for number, *_ in run(plan(), outcomes)[1]] == [5, 10, 15]
    progress, made = run(plan(tag=Tag.HANDLING), outcomes)
    assert made == [(5, Choice.RAISE, Because.WINDOW)]
    assert progress.standings["sit"].step == 6
    _, decisions = criteria.after_rep(progress, plan(tag=Tag.HANDLING), Rep(19, "sit", 6, C, 100.0, 101.0))
    assert (decisions[0].choice, decisions[0].because) == (Choice.HOLD, Because.NO_HASTE)


def test_handling_that_went_up_earlier_that_day_stays_where_it_is():
    """Raise handling slowly, one step a day: common practice, no source."""
    for tag, choice, because in (
        (Tag.HANDLING, Choice.HOLD, Because.NO_HASTE),
        (Tag.PLAIN, Choice.RAISE, Because.WINDOW),
    ):
        the_plan = plan(tag=tag)
        for raised_today, expected in ((["sit"], (choice, because)), (["down"], (Choice.RAISE, Because.WINDOW))):
            progress = criteria.start(the_plan, raised_today=raised_today)
            for number in range(1, 6):
                rep = Rep(number, "sit", progress.standings["sit"].step, C, number, number + 0.5)
                progress, decisions = criteria.after_rep(progress, the_plan, rep)
            assert (decisions[0].choice, decisions[0].because) == expected


def test_a_missing_response_while_handling_is_no_opt_out():
    _, made = run(plan(tag=Tag.HANDLING), [C, N, C])
    assert made == []


def test_the_rep_limit_ends_once():
    # Ten reps or three minutes, whichever comes first (clickersolutions.com, "Planning sessions", 2001).
    progress, made = run(plan(rule="5-3-2", reps_per_behaviour=10), [C, I] * 7)
    assert [(number, because) for number, _, because in made if because is Because.REPS] == [(10, Because.REPS)]
    assert progress.ending.because is Because.REPS


def test_the_time_limit_ends_once():
    the_plan = plan(time_s=180.0)
    progress = criteria.start(the_plan)
    progress, made = criteria.at_time(progress, the_plan, 179.9)
    assert made == []
    progress, made = criteria.at_time(progress, the_plan, 180.0)
    assert [decision.because for decision in made] == [Because.TIME]
    _, made = criteria.at_time(progress, the_plan, 200.0)
    assert made == []


def test_handling_has_a_shorter_time_of_its_own():
    the_plan = plan(tag=Tag.HANDLING, handling_time_s=60.0)
    progress, _ = run(the_plan, [C])  # its first rep starts at 5 s
    assert criteria.at_time(progress, the_plan, 64.9)[1] == []
    assert criteria.at_time(progress, the_plan, 65.0)[1] != []


def test_the_treat_budget_ends():
    the_plan = plan(treats=2)
    progress, made = criteria.after_reward(criteria.start(the_plan), the_plan, 1.0)
    assert made == []
    progress, made = criteria.after_reward(progress, the_plan, 2.0)
    assert [decision.because for decision in made] == [Because.TREATS]


@given(st.lists(st.sampled_from([C, I, N]), max_size=30))
def test_nothing_is_ever_raised_after_the_safety_word(outcomes):
    # Guarding, growling, biting: no scoring; a veterinarian first, then a licensed behaviour professional (AVSAB 2021
    # position statement on humane dog training, as quoted by caninewelfare.centers.purdue.edu).
    progress, _ = criteria.after_safety(criteria.start(plan()), 1.0)
    _, made = run(plan(), outcomes, progress)
    assert Choice.RAISE not in [choice for _, choice, _ in made]


def test_safety_speaks_even_when_another_end_was_announced():
    the_plan = plan(time_s=10.0)
    progress, _ = criteria.at_time(criteria.start(the_plan), the_plan, 10.0)
    progress, made = criteria.after_safety(progress, 11.0)
    assert [decision.because for decision in made] == [Because.SAFETY]
    _, made = criteria.after_safety(progress, 12.0)
    assert made == []


def test_a_correction_changes_the_window_and_an_undone_rep_leaves_it():
    progress, _ = run(plan(), [C, C, C, I])
    progress = criteria.after_correction(progress, plan(), Correction(4, I, C, "right", 30.0))
    assert criteria.score(progress, plan(), "sit") == (4, 4)
    progress = criteria.after_correction(progress, plan(), Correction(4, C, None, "undo", 31.0))
    assert criteria.score(progress, plan(), "sit") == (3, 3)
    assert progress.standings["sit"].total == 3
    progress = criteria.after_correction(progress, plan(), Correction(4, None, I, "wrong", 32.0))
    assert progress.standings["sit"].total == 4


def test_the_score_is_of_the_rules_window():
    # A moving window of five over 1,1,0,1,1,1,0,0,1,1: 1, 1, .667, .75, .8, .8, .6, .6, .6, .6 (worked by hand).
    bits = [1, 1, 0, 1, 1, 1, 0, 0, 1, 1]
    hold = WindowRule("hold", window=5, raise_at=6, lower_at=-1, misses_in_a_row=0)
    rates = []
    for count in range(1, 11):
        progress, _ = run(plan(hold), hits(bits[:count]))
        correct, of = criteria.score(progress, plan(hold), "sit")
        rates.append(correct / of)
    assert rates == pytest.approx([1, 1, 2 / 3, 0.75, 0.8, 0.8, 0.6, 0.6, 0.6, 0.6])


def test_a_step_she_chose_starts_the_window_afresh():
    progress, _ = run(plan(), [C, C, C, C])
    progress = criteria.at_step(progress, "sit", 2)
    assert progress.standings["sit"] == replace(progress.standings["sit"], step=2, recent=())


def test_a_move_is_not_repeated_within_a_few_reps():
    twitchy = WindowRule("twitchy", window=1, raise_at=1, lower_at=0, misses_in_a_row=0)
    progress, made = run(plan(twitchy), [C, I, C])
    # up to 6, down to 5; up to 6 again at once would only nag
    assert [(number, choice) for number, choice, _ in made] == [(1, Choice.RAISE), (2, Choice.LOWER)]
    assert progress.standings["sit"].step == 5


def test_an_opt_out_that_was_misheard_is_taken_back():
    brush = plan(tag=Tag.HANDLING)
    progress, _ = run(brush, [C, I])
    progress = criteria.after_correction(progress, brush, Correction(2, I, None, "undo", 30.0))
    assert progress.standings["sit"].opt_outs == 0
    progress = criteria.after_correction(progress, brush, Correction(1, C, I, "wrong", 31.0))
    assert progress.standings["sit"].opt_outs == 1


def test_a_sequential_test_that_cannot_be_followed_starts_afresh():
    """A new test begins after each verdict (Wald 1945); else a dog at the top step would be judged on old reps for
    good."""
    at_top = plan("sequential", start_step=len(STEPS))
    progress, made = run(at_top, [C] * 7)  # 7 ln(0.8 / 0.5) = 3.29 > ln 19 = 2.94
    assert made == []
    _, made = run(at_top, [I, C] * 7, progress, first=8)  # 6 ln(0.2 / 0.5) + 5 ln(0.8 / 0.5) = -3.15 < -2.94
    assert made == [(18, Choice.LOWER, Because.SEQUENTIAL)]


def test_a_full_window_that_holds_is_a_recovery():
    _, made = run(plan(), [I, I, C, I, C, I, C, I])
    assert [(number, choice) for number, choice, _ in made] == [(2, Choice.LOWER), (8, Choice.LOWER)]


def test_a_rep_cued_at_another_step_decides_nothing():
    progress, _ = run(plan(), [C, I, C, I, C])
    after, decisions = criteria.after_rep(progress, plan(), Rep(6, "sit", 1, I, 30.0, 32.0))
    assert decisions == []
    assert after.standings["sit"].recent == progress.standings["sit"].recent


def test_the_time_of_handling_counts_from_its_first_rep():
    brush = plan(tag=Tag.HANDLING, handling_time_s=60.0)
    progress, _ = run(brush, [C, C, C])
    assert criteria.at_time(progress, brush, 65.0)[1] != []


def test_there_is_no_second_end():
    first = plan(start_step=1, time_s=1.0)
    progress, _ = criteria.at_time(criteria.start(first), first, 1.0)
    progress, made = run(first, [I, I, I], progress)
    assert made == []
    assert progress.ending.because is Because.TIME

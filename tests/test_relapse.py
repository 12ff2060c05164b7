"""The CUSUM that looks for relapses, against published weights and charts, and on the invented dog."""

from __future__ import annotations

import math
import random
from collections import defaultdict
from datetime import timedelta

import numpy as np
import pytest

from demo.simulate import FIRST_DAY, RELAPSE_DAY, RELAPSE_OF, domino
from handsfree.core.events import Outcome
from handsfree.core.relapse import (
    KNOWN_REPS,
    LIMIT,
    ODDS_RATIO,
    RECOVERED_AT,
    RECOVERED_OF,
    Trial,
    relapses,
    sums,
    weight,
)


def risk(score: int, a: float) -> float:
    """Risk of death of a patient with that Parsonnet score, as the papers below model it."""
    return 1 / (1 + math.exp(-(a + 0.077 * score)))


@pytest.mark.parametrize(
    ("score", "died", "worse", "better"),
    [(0, False, -0.024, 0.012), (0, True, 0.669, -0.681), (50, False, -0.433, 0.316), (50, True, 0.26, -0.377)],
)
def test_weights_are_steiners(score, died, worse, better):
    """Steiner et al. 2000, Biostatistics 1:441-452, p. 446 (-0.024, 0.67, -0.43, 0.26), and Steiner 2014, p. 234, to
    three decimals: odds ratios 2 and 1/2. Taken as the tests of the R package vlad quote them."""
    p0 = risk(score, -3.68)
    assert round(weight(died, p0, 2.0), 3) == worse
    assert round(weight(died, p0, 0.5), 3) == better


def test_a_weight_is_rigdon_and_frickers():
    """Rigdon and Fricker 2015, Health Surveillance, p. 226, as the tests of the R package vlad quote it."""
    assert round(weight(False, risk(19, -3.67), 0.5), 5) == 0.05083


MISSES = [0, 0, 1, 0, 1, 1, 0, 1, 1]


@pytest.mark.parametrize(("p0", "p1", "gamma"), [(0.2, 0.5, 0.339036), (0.2, 0.25, 0.224340), (0.01, 0.02, 0.014435)])
def test_the_sum_is_reynolds_and_stoumbos_times_the_log_of_the_odds_ratio(p0, p1, gamma):
    """S = max(0, S + x - gamma), gamma = r1/r2, r1 = -ln((1-p1)/(1-p0)), r2 = ln of the odds ratio.

    The form of Reynolds and Stoumbos 1999, Journal of Quality Technology 31:87-108; the formula is quoted from memory,
    the values of gamma are computed from it.
    """
    r1, r2 = -math.log((1 - p1) / (1 - p0)), math.log(p1 * (1 - p0) / (p0 * (1 - p1)))
    assert round(r1 / r2, 6) == gamma
    total, path = 0.0, []
    for x in MISSES:
        total = max(0.0, total + x - r1 / r2)
        path.append(total)
    assert sums(MISSES, p0, p1) == pytest.approx([r2 * value for value in path])


def test_a_path_worked_by_hand():
    """Steps +0.916291 and -0.470004 for 20 % against 50 % misses: ln(0.5/0.2) and ln(0.5/0.8)."""
    path = sums(MISSES, 0.2, 0.5)
    assert path[:6] == pytest.approx([0, 0, 0.9163, 0.4463, 1.3626, 2.2789], abs=1e-4)
    assert next(at for at, value in enumerate(path, start=1) if value >= 2.0) == 6
    scaled = [value / math.log(4) for value in path]
    assert scaled == pytest.approx([0, 0, 0.6610, 0.3219, 0.9829, 1.6439, 1.3048, 1.9658, 2.6267], abs=1e-4)
    assert next(at for at, value in enumerate(scaled, start=1) if value >= 2.0) == 9
    with pytest.raises(ValueError, match="none between"):
        sums(MISSES, 0.5, 0.2)


def run_length(p0: float, p: float, states: int = 500) -> float:
    """Mean number of reps to a signal, from 0: the Markov chain of Brook and Evans 1972, Biometrika 59:539-549.

    A sum between two states goes to both, the more to the nearer one.
    """
    chain, width = np.eye(states), LIMIT / states
    for state in range(states):
        for miss, share in ((True, p), (False, 1 - p)):
            place = max(0.0, state + weight(miss, p0, ODDS_RATIO) / width)
            low, part = int(place), place % 1
            for at, mass in ((low, share * (1 - part)), (low + 1, share * part)):
                if at < states:
                    chain[state, at] -= mass
    return float(np.linalg.solve(chain, np.ones(states))[0])


def test_false_alarms_are_rare_and_true_ones_quick():
    assert run_length(0.2, 0.2) == pytest.approx(1350, rel=0.02)  # as LIMIT says
    assert run_length(0.2, 0.5) == pytest.approx(21, rel=0.02)


def trials(*sessions: tuple[int, str]) -> list[Trial]:
    """(step, outcomes) a session, "+" and "-"."""
    return [Trial(number, step, mark == "+") for number, (step, marks) in enumerate(sessions) for mark in marks]


STEADY = [(1, "++++-++++-")] * 4


def test_a_relapse_is_dated_by_its_first_rep_and_ends_when_the_dog_is_back():
    [one] = relapses(trials(*STEADY, (1, "+++--------"), (1, "-+++-+++++++++")))
    assert one.began == 43
    assert 46 < one.found < 51
    assert (one.step, one.correct, one.reps) == (1, 0, one.found - one.began + 1)
    assert one.expected == pytest.approx(0.8, abs=0.05)
    back = [mark == "+" for mark in "--------" + "-+++-+++++++++"][one.found - 42 :]
    ended = next(n for n in range(1, len(back)) if sum(back[max(0, n - RECOVERED_OF) : n]) >= RECOVERED_AT)
    assert one.recovered == one.found + ended


def test_a_new_step_is_learning_and_no_relapse():
    assert relapses(trials(*STEADY, (2, "-" * (KNOWN_REPS - 1)))) == []


def test_too_little_to_tell():
    assert relapses([]) == []
    assert relapses(trials((1, "-"))) == []
    assert relapses(trials((1, "-" * 100))) == []  # one session: nothing came before


def test_missing_the_first_steps_tells_as_much_as_missing_the_last():
    up = [(1, "++++-+++++"), (2, "+++-++++-+"), (3, "++-++-+++-"), (3, "+-++++-+++")]
    assert relapses(trials(*up, (1, "+++-+++++-"))) == []
    assert len(relapses(trials(*up, (1, "--+---+---")))) == 1


def of_domino(seed: int) -> dict[str, list[str]]:
    """Behaviour -> days on which relapses began."""
    reps, days = defaultdict(list), defaultdict(list)
    for number, log in enumerate(domino(seed=seed)):
        for judged in log.reps:
            if judged.outcome is not None:
                name = judged.rep.behaviour
                reps[name].append(Trial(number, judged.rep.step, judged.outcome is Outcome.CORRECT))
                days[name].append(log.session.started_at.date())
    return {name: [days[name][one.began] for one in relapses(reps[name])] for name in reps}


def test_the_invented_relapse_is_found_at_its_date_and_no_other():
    """On the first day of that behaviour after its skill fell: the 21st, for it was not trained from the 17th on."""
    found = of_domino(seed=7)
    fell = (FIRST_DAY + timedelta(days=RELAPSE_DAY)).date()
    assert found.pop(RELAPSE_OF) == [fell + timedelta(days=4)]
    assert found == dict.fromkeys(("target", "mat", "collar"), [])


def test_steady_dogs_give_few_alarms():
    chance = random.Random(1)
    alarms = 0
    for _ in range(100):
        sessions = [(1 + number // 8, "".join(chance.choices("+-", (8, 2), k=10))) for number in range(24)]
        alarms += len(relapses(trials(*sessions)))
    assert alarms <= 27  # 24,000 reps: 18 or so, give or take two standard deviations

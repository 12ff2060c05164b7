"""Energy and treats against worked examples."""

from __future__ import annotations

import pytest

from handsfree.core.food import budget, daily_kcal, missing, resting_kcal
from handsfree.core.plan import Food


def test_a_worked_example():
    """15 kg, factor 1.6: RER 533.6, MER 853.7, treats 85.4 kcal; factor 1.8: 960.37 and 96.04 (calculatorlib.com)."""
    assert resting_kcal(15) == pytest.approx(533.6, abs=0.1)
    assert daily_kcal(15, 1.6) == pytest.approx(853.7, abs=0.1)
    assert budget(Food(weight_kg=15, energy_factor=1.6, treat_kcal=85.3)).treats == 1
    assert budget(Food(weight_kg=15, energy_factor=1.6, treat_kcal=85.5)).treats == 0
    assert daily_kcal(15, 1.8) == pytest.approx(960.37, abs=0.01)


def test_ten_kilograms():
    """70 x 10^0.75 is about 400 kcal: a veterinary blog's example (whpetvet.blogspot.com, 2015), rounded there."""
    assert round(resting_kcal(10), -2) == 400


@pytest.mark.parametrize(
    ("kg", "rer", "mer", "treats"),
    [
        (3, 159.57, 255.30, 8),
        (5, 234.06, 374.49, 12),
        (10, 393.64, 629.82, 20),
        (20, 662.02, 1059.23, 35),
        (30, 897.30, 1435.68, 47),
        (40, 1113.38, 1781.41, 59),
    ],
)
def test_treats_of_three_kcal(kg, rer, mer, treats):
    """Computed apart from the program, from the formula of the Merck Veterinary Manual."""
    assert resting_kcal(kg) == pytest.approx(rer, abs=0.01)
    assert daily_kcal(kg, 1.6) == pytest.approx(mer, abs=0.01)
    found = budget(Food(weight_kg=kg, energy_factor=1.6, treat_kcal=3))
    assert (found.treats, found.estimated) == (treats, True)


def test_the_ration_of_the_plan_is_taken_before_an_estimate():
    found = budget(Food(weight_kg=15, energy_factor=1.6, ration_kcal=300, treat_kcal=3))
    assert (found.treats, found.ration, found.estimated) == (10, 300, False)


def test_grams():
    found = budget(Food(ration_g=200, treat_g=0.5))
    assert (found.treats, found.unit) == (40, "g")


@pytest.mark.parametrize(
    ("food", "asks"),
    [
        (Food(), ["treat_kcal", "weight_kg", "energy_factor", "ration_kcal"]),
        (Food(treat_kcal=3), ["weight_kg", "energy_factor", "ration_kcal"]),
        (Food(treat_kcal=3, weight_kg=9), ["energy_factor", "ration_kcal"]),
        (Food(ration_kcal=500), ["treat_kcal"]),
        (Food(treat_g=1), ["ration_g"]),
    ],
)
def test_nothing_is_guessed(food, asks):
    assert budget(food) is None
    said = missing(food)
    keys = ("treat_kcal", "weight_kg", "energy_factor", "ration_kcal", "ration_g")
    assert [key for key in keys if key in said] == asks

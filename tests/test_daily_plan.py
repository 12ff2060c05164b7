"""[day] and [food] of a plan: read, shown, and every mistake named."""

from __future__ import annotations

import pytest

from handsfree.core.plan import Day, Food
from handsfree.edges import planfile

PLAN = 'dog = "Bram"\n[[behaviour]]\nname = "sit"\ncues = ["sit"]\n'


def faults(tmp_path, text: str) -> list[str]:
    path = tmp_path / "bram.toml"
    path.write_text(PLAN + text, encoding="utf-8")
    return [str(fault).removeprefix(str(path)) for fault in planfile.check(path)]


def test_nothing_given(tmp_path):
    plan = planfile.parse(PLAN, tmp_path / "bram.toml")
    assert (plan.day, plan.food) == (Day(), Food())
    shown = {key: value for key, value, _ in planfile.settings(plan)}
    assert (shown["food.weight_kg"], shown["day.meals"], shown["day.calm_reps"]) == ("not given", "not given", "5")


def test_everything_given(tmp_path):
    text = '[day]\nsessions = 4\nmeals = ["18:00", "07:30"]\ncalm_reps = 8\n[food]\nweight_kg = 9.5\ntreat_kcal = 3\n'
    plan = planfile.parse(PLAN + text, tmp_path / "bram.toml")
    assert plan.day == Day(sessions=4, meals=("07:30", "18:00"), calm_reps=8)
    assert plan.food == Food(weight_kg=9.5, treat_kcal=3)


NUMBER = "write a number without quotes"
TIME = 'write hours and minutes, such as "07:30"'


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ('[day]\nmeals = ["7.30"]\n', f':6: day.meals[1]: "7.30" is no time of day; {TIME}'),
        ('[day]\nmeals = "24:00"\n', f':6: day.meals: "24:00" is no time of day; {TIME}'),
        ("[day]\nsessions = 0\n", ":6: day.sessions: 0 is out of range; write a number from 1 to 20"),
        ("[day]\ncalm = 5\n", ':6: day.calm: unknown key; did you mean "calm_reps"?'),
        ("weight_kg = 9\n", ":5: behaviour[1].weight_kg: unknown key; it belongs under [food]"),
        ('[food]\nweight_kg = "9"\n', ":6: food.weight_kg: must be a number, not a text; " + NUMBER),
        ("[food]\nweight_kg = 900\n", ":6: food.weight_kg: 900 is out of range; write a number from 0.3 to 150"),
        (
            "[food]\ntreat_share = 0.3\n",
            ":6: food.treat_share: more than 10% of the food as treats unbalances it; ask your vet first",
        ),
        (
            "[food]\ntreat_kcal = 3\ntreat_g = 1\n",
            ":7: food.treat_g: treats are given in kcal and in grams; remove one of the two",
        ),
    ],
)
def test_mistakes_are_named(tmp_path, text, fault):
    assert faults(tmp_path, text) == [fault]

"""The sections [day], [food] and [handover]: a day of training and its treats, and what the family is told."""

from __future__ import annotations

import re

from handsfree.core.plan import Day, Food, Handover
from handsfree.edges.planfile.faults import shown
from handsfree.edges.planfile.tables import Table


def read_day(table: Table) -> Day:
    default = Day()
    meals = table.texts("meals", default.meals)
    for number, meal in enumerate(meals):
        if not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", meal):
            where = (*table.at("meals"), number) if isinstance(table.take("meals"), list) else table.at("meals")
            table.found.error(where, f"{shown(meal)} is no time of day", 'write hours and minutes, such as "07:30"')
            meals = default.meals
    day = Day(
        sessions=table.whole("sessions", default.sessions, 1, 20),
        meals=tuple(sorted(meals)),
        meal_gap_min=table.whole("meal_gap_min", default.meal_gap_min, 0, 720),
        calm_reps=table.whole("calm_reps", default.calm_reps, 1, 100),
        upkeep_longest_days=table.whole("upkeep_longest_days", default.upkeep_longest_days, 1, 365),
    )
    table.finish({})
    return day


def read_food(table: Table) -> Food:
    default = Food()
    food = Food(
        treat_share=table.number("treat_share", default.treat_share, 0, 1),
        ration_kcal=table.number("ration_kcal", None, 10, 20_000),
        weight_kg=table.number("weight_kg", None, 0.3, 150),
        energy_factor=table.number("energy_factor", None, 0.5, 8),
        treat_kcal=table.number("treat_kcal", None, 0.1, 500),
        ration_g=table.number("ration_g", None, 1, 10_000),
        treat_g=table.number("treat_g", None, 0.01, 500),
    )
    if food.treat_share > default.treat_share:
        message = f"more than {default.treat_share:.0%} of the food as treats unbalances it"
        table.found.warning(table.at("treat_share"), message, "ask your vet first")
    if food.treat_kcal is not None and food.treat_g is not None:
        table.found.error(table.at("treat_g"), "treats are given in kcal and in grams", "remove one of the two")
    table.finish({})
    return food


def read_handover(table: Table) -> Handover:
    default = Handover()
    handover = Handover(
        house_rules=table.texts("house_rules", default.house_rules),
        do=table.texts("do", default.do),
        dont=table.texts("dont", default.dont),
        ask=table.texts("ask", default.ask),
    )
    table.finish({})
    return handover

"""How many treats a day stay within their share of the food. Guidance only: the vet decides.

Resting energy requirement 70 x kg^0.75 kcal a day, times a factor for age, neutering and work: Merck Veterinary Manual,
"Nutritional Requirements and Related Diseases of Small Animals", which adds that dogs of one weight differ threefold.
Treats at most a tenth of the calories: the usual veterinary advice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from handsfree.core.plan import Food


@dataclass(frozen=True, slots=True)
class Budget:
    """At most `treats` a day: `share` of a ration of `ration` (`unit`: kcal or g), `each` a treat.

    `estimated`: the ration was worked out from weight and factor.
    """

    treats: int
    ration: float
    each: float
    unit: str
    share: float
    estimated: bool = False


def resting_kcal(weight_kg: float) -> float:
    """Resting energy requirement, kcal a day."""
    return 70.0 * weight_kg**0.75


def daily_kcal(weight_kg: float, factor: float) -> float:
    """Energy requirement, kcal a day. Factors in use: 1.6 for a neutered adult, 1.8 for one that is not."""
    return resting_kcal(weight_kg) * factor


def budget(food: Food) -> Budget | None:
    """What the plan allows; None where it does not say enough (see `missing`)."""
    if food.treat_g is not None and food.ration_g is not None:
        return _budget(food.ration_g, food.treat_g, "g", food.treat_share)
    if food.treat_kcal is None:
        return None
    if food.ration_kcal is not None:
        return _budget(food.ration_kcal, food.treat_kcal, "kcal", food.treat_share)
    if food.weight_kg is None or food.energy_factor is None:
        return None
    ration = daily_kcal(food.weight_kg, food.energy_factor)
    return _budget(ration, food.treat_kcal, "kcal", food.treat_share, estimated=True)


def missing(food: Food) -> str:
    """What to add to [food] of the plan before there can be a budget."""
    if food.treat_g is not None:
        return "ration_g (the daily food in grams)"
    parts = [] if food.treat_kcal is not None else ["treat_kcal (kcal of one treat)"]
    if food.ration_kcal is None:
        parts += [] if food.weight_kg is not None else ["weight_kg"]
        if food.energy_factor is None:
            parts.append("energy_factor (ask your vet; 1.6 is in use for a neutered adult, puppies need more)")
    return " and ".join(parts) + (", or ration_kcal from the feeding plan" if food.ration_kcal is None else "")


def _budget(ration: float, each: float, unit: str, share: float, estimated: bool = False) -> Budget:
    treats = math.floor(ration * share / each + 1e-9)  # 30 x 0.1 / 3 is one treat, whatever floats make of it
    return Budget(treats, ration, each, unit, share, estimated)

"""Every setting of a plan as it stands, and whether it is the default."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from typing import Any

from handsfree.core.plan import RESPONSE_WINDOW_S, Behaviour, Food, Plan, SequentialRule, WindowRule

UNSET = {
    "limits.treats": "no limit",
    "prompts.voice": "the system's",
    "ear.model": "the one that ships",
    "ear.confidence": "as sensitivity asks",
    "day.meals": "not given",
    **{f"food.{field.name}": "not given" for field in fields(Food)},
}
"""What it means when nothing is set."""
SECTIONS = ("words", "limits", "prompts", "sound", "ear", "day", "food", "handover")


def settings(plan: Plan) -> list[tuple[str, str, str]]:
    """(key, value as text, "default" or "plan") of every setting, in the order of the plan file."""
    return [
        (
            key,
            UNSET.get(key, "none") if value in (None, "", ()) else _text(value),
            "default" if value == default else "plan",
        )
        for key, value, default in _all(plan)
    ]


def _all(plan: Plan) -> Iterator[tuple[str, Any, Any]]:
    """Key, value, default. What has no default is never equal to it."""
    empty = Plan(dog="", behaviours=())
    for key in ("dog", "handler", "place"):
        yield key, getattr(plan, key), getattr(empty, key)
    yield from _section(plan, empty, "words")
    for number, behaviour in enumerate(plan.behaviours, start=1):
        default = Behaviour("", (), response_window_s=RESPONSE_WINDOW_S[behaviour.tag])
        for field in fields(Behaviour):
            yield f"behaviour[{number}].{field.name}", getattr(behaviour, field.name), getattr(default, field.name)
    for name in SECTIONS[1:]:
        yield from _section(plan, empty, name)
    for word, spellings in plan.pronunciations.items():
        yield f"pronunciations.{word}", spellings, ()


def _section(plan: Plan, empty: Plan, name: str) -> Iterator[tuple[str, Any, Any]]:
    section, default = getattr(plan, name), getattr(empty, name)
    for field in fields(section):
        yield f"{name}.{field.name}", getattr(section, field.name), getattr(default, field.name)


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return "; ".join(value)
    if isinstance(value, WindowRule):
        return f"{value.name}: raise at {value.raise_at} of {value.window}, lower at {value.lower_at}{_misses(value)}"
    if isinstance(value, SequentialRule):
        chances = f"wrong raise {value.false_raise:g}, wrong lower {value.false_lower:g}"
        return f"{value.name}: {value.low:g} against {value.high:g}, chance of a {chances}{_misses(value)}"
    if isinstance(value, float):
        return f"{value:g}"
    return str(value)


def _misses(rule: WindowRule | SequentialRule) -> str:
    return f" or after {rule.misses_in_a_row} misses in a row" if rule.misses_in_a_row else ""

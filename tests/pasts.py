"""Pasts of a dog in a few lines: sessions as History holds them."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone

from handsfree.core.history import History, PastRep, PastSession
from handsfree.core.log import TrainedBehaviour
from handsfree.core.plan import Behaviour, Day, Plan, Tag

STEPS = ("one", "two", "three")
START = datetime(2026, 5, 4, 9, 0, tzinfo=timezone(timedelta(hours=2)))  # a Monday


def reps(behaviour: str, step: int, marks: str, time_s: float = 8.0) -> list[PastRep]:
    """ "+" correct, "-" not, "x" no rep after all; cue-to-marker 1 s and a treat where correct."""
    outcome = {"+": True, "-": False, "x": None}
    return [
        PastRep(behaviour, step, outcome[mark], 1.0 if mark == "+" else None, time_s, int(mark == "+"))
        for mark in marks
    ]


def session(
    day: int, *trained: tuple[str, int, str], hour: int = 0, plan: Plan | None = None, **changes
) -> PastSession:
    """A session on the day counted from START; (behaviour, step, marks) in order."""
    own = [rep for one in trained for rep in reps(*one)]
    behaviours = plan.behaviours if plan else tuple(Behaviour(name, (name,), steps=STEPS) for name, _, _ in trained)
    values = {
        "id": f"{day:04x}{hour:04x}",
        "started_at": START + timedelta(days=day, hours=hour),
        "handler": "Ada",
        "place": "kitchen",
        "behaviours": tuple(TrainedBehaviour(b.name, b.tag, b.start_step, b.steps) for b in behaviours),
        "reps": own,
        "steps": {rep.behaviour: rep.step for rep in own},
    } | changes
    return PastSession(**values)


def history(*sessions: PastSession, out_of_order: int = 0) -> History:
    return History("Bram", sessions, out_of_order)


def plan(*behaviours: Behaviour, **changes) -> Plan:
    """Of these behaviours, or of four: two plain, one held, one handled; three steps each."""
    four = (
        Behaviour("sit", ("sit",), steps=STEPS),
        Behaviour("down", ("down",), steps=STEPS),
        Behaviour("stay", ("stay",), tag=Tag.DURATION, steps=STEPS),
        Behaviour("brush", ("brush",), tag=Tag.HANDLING, steps=STEPS),
    )
    return Plan(**({"dog": "Bram", "behaviours": behaviours or four, "day": Day()} | changes))

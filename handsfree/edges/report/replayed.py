"""What other rules, or another ear, would have made of old sessions: as tables and as JSON."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table

from handsfree.core.agreement import Agreement, TrueRep, is_right
from handsfree.core.clock import clock
from handsfree.core.events import Choice, Decision, Rep
from handsfree.core.log import Session
from handsfree.core.operating import Characteristics
from handsfree.edges.report.keys import decision_keys
from handsfree.edges.report.words import OUTCOMES

CAVEAT = (
    "The words are those that were said. From the first difference on, the dog would have been at another step; what "
    "it would have done there is not known."
)
MADE = "made"
WHOLE = "the session"


@dataclass(frozen=True, slots=True)
class Compared:
    """One session: `sides` maps MADE and the name of each set of rules to the decisions."""

    session: Session
    reps: tuple[Rep, ...]
    sides: Mapping[str, tuple[Decision, ...]]


@dataclass(frozen=True, slots=True)
class Operating:
    """Two rules for the same behaviours, each at the same success rates. `limit`: reps of a behaviour in a session."""

    behaviours: tuple[str, ...]
    names: tuple[str, str]
    limit: int
    points: tuple[tuple[Characteristics, Characteristics], ...]


def show_compared(compared: Compared, console: Console) -> None:
    """A row for every raise, lower or end that any side called for, by behaviour, then by time."""
    console.print(_heading(compared.session), highlight=False)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in ("", "at", "rep", *compared.sides):
        table.add_column(heading, overflow="fold")
    before = None
    for (behaviour, at_s), cells in _rows(compared).items():
        name = behaviour or WHOLE
        number = str(_rep_at(compared.reps, at_s) or "")
        table.add_row(
            "" if name == before else name, clock(at_s), number, *(cells.get(side, "") for side in compared.sides)
        )
        before = name
    if table.row_count:
        console.print(table)
    else:
        console.print("  no raise, lower or end by any of them\n")


def show_operating(operating: Operating, console: Console) -> None:
    """Both rules side by side, a row for each success rate."""
    first, second = operating.names
    console.print(f"{', '.join(operating.behaviours)}: {first} beside {second}", highlight=False)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("dog's rate")
    for name in operating.names:
        for heading in ("raise", "lower", "reps", f"in {operating.limit}"):
            table.add_column(f"{heading}\n{name}" if heading == "raise" else heading, justify="right")
    for pair in operating.points:
        cells = [cell for one in pair for cell in _figures(one, operating.limit)]
        table.add_row(f"{pair[0].p:g}", *cells)
    console.print(table)
    runs = max(one.runs for pair in operating.points for one in pair)
    console.print(
        "raise, lower: chance that this is the first decision; reps: expected until it; "
        f"in {operating.limit}: chance that it comes within so many. "
        f"{f'Estimated from {runs} runs.' if runs else 'Exact.'} The rule alone, each rep independent.\n",
        style="dim",
    )


def show_unlike(session: Session, found: Agreement, console: Console) -> None:
    """Reps that another hearing counts otherwise."""
    console.print(_heading(session), highlight=False)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in ("at", "stored", "heard again"):
        table.add_column(heading)
    for row in _unlike(found):
        table.add_row(clock(row["at_s"]), *(_rep_text(row[side]) for side in ("stored", "again")))
    same = found.right
    if table.row_count:
        console.print(table)
    console.print(f"{same} reps the same, {table.row_count} not.\n", highlight=False)


def as_json(compared: Sequence[Compared], operating: Sequence[Operating]) -> str:
    document = {
        "sessions": [
            {
                **_session_keys(one.session),
                "decisions": {
                    side: [{**decision_keys(d), "rep": _rep_at(one.reps, d.at_s)} for d in made]
                    for side, made in one.sides.items()
                },
            }
            for one in compared
        ],
        "operating_characteristics": [
            {
                "behaviours": one.behaviours,
                "rule": name,
                "points": [_point_keys(pair[side], one.limit) for pair in one.points],
            }
            for one in operating
            for side, name in enumerate(one.names)
        ],
    }
    return json.dumps(document, ensure_ascii=False, indent=2)


def unlike_as_json(session: Session, found: Agreement) -> str:
    return json.dumps(
        {**_session_keys(session), "same": found.right, "differing": _unlike(found)}, ensure_ascii=False, indent=2
    )


def _heading(session: Session) -> str:
    return f"session {session.id[:8]}, {session.dog}, {session.started_at:%Y-%m-%d %H:%M}"


def _session_keys(session: Session) -> dict[str, Any]:
    return {"id": session.id, "dog": session.dog, "started_at": session.started_at.isoformat(timespec="milliseconds")}


def _rows(compared: Compared) -> dict[tuple[str, float], dict[str, str]]:
    """(behaviour or "", time) -> side -> what it decided; behaviours in the order of the plan, the session last."""
    found: dict[tuple[str, float], dict[str, str]] = {}
    for side, decisions in compared.sides.items():
        for decision in decisions:
            if decision.choice is not Choice.HOLD:
                cells = found.setdefault((decision.behaviour or "", decision.at_s), {})
                cells[side] = f"{cells[side]}; {_text(decision)}" if side in cells else _text(decision)
    order = {behaviour.name: number for number, behaviour in enumerate(compared.session.behaviours)}
    return dict(sorted(found.items(), key=lambda item: (order.get(item[0][0], len(order)), item[0][1])))


def _text(decision: Decision) -> str:
    to = f" to step {decision.new_step}" if decision.new_step not in (None, decision.step) else ""
    return f"{decision.choice}{to}: {decision.because.replace('_', ' ')}"


def _rep_at(reps: Sequence[Rep], at_s: float) -> int | None:
    """The last rep that was closed by then."""
    return max((rep.number for rep in reps if rep.end_s <= at_s), default=None)


def _figures(one: Characteristics, limit: int) -> tuple[str, ...]:
    return f"{one.raises:.3f}", f"{one.lowers:.3f}", f"{one.reps:.1f}", f"{one.decided_within(limit):.3f}"


def _point_keys(one: Characteristics, limit: int) -> dict[str, Any]:
    return {
        "p": one.p,
        "raise": round(one.raises, 6),
        "lower": round(one.lowers, 6),
        "undecided": round(one.undecided, 6),
        "reps": round(one.reps, 4),
        "within": limit,
        "decided_within": round(one.decided_within(limit), 6),
        "exact": one.exact,
        "runs": one.runs,
    }


def _unlike(found: Agreement) -> list[dict[str, Any]]:
    rows = [(true, counted) for true, counted in found.matched if not is_right(true, counted)]
    sides: list[tuple[TrueRep | None, Rep | None]] = [*rows, *((true, None) for true in found.missed)]
    sides += [(None, counted) for counted in found.invented]
    return sorted(
        (
            {"at_s": round(_at_s(stored, again), 3), "stored": _rep_keys(stored), "again": _rep_keys(again)}
            for stored, again in sides
        ),
        key=lambda row: row["at_s"],
    )


def _at_s(stored: TrueRep | None, again: Rep | None) -> float:
    if again is not None:
        return again.start_s
    times = (stored.cue_s, stored.outcome_s) if stored else ()
    return next((time for time in times if time is not None), 0.0)


def _rep_keys(rep: TrueRep | Rep | None) -> dict[str, Any] | None:
    return None if rep is None else {"behaviour": rep.behaviour, "outcome": rep.outcome}


def _rep_text(keys: dict[str, Any] | None) -> str:
    return "no rep" if keys is None else f"{keys['behaviour']}: {OUTCOMES[keys['outcome']]}"

"""Rows of the table, and how they are printed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Row:
    """`values`: one for each column, None where that ear did not hear these cases; the first is held to the goal.
    Columns for which there is none are left empty."""

    what: str
    of: str
    values: tuple[float | None, ...]
    unit: str = "%"
    at_least: float | None = None
    at_most: float | None = None
    bounds: tuple[float | None, ...] = ()

    @property
    def met(self) -> bool | None:
        first = self.values[0]
        if first is None or (self.at_least is None and self.at_most is None):
            return None
        return (self.at_least is None or first >= self.at_least) and (self.at_most is None or first <= self.at_most)


@dataclass(frozen=True)
class Heading:
    what: str


def markdown(rows: Sequence[Row | Heading], columns: Sequence[str]) -> Iterator[str]:
    """The lines of the table."""
    yield f"| what | of | {' | '.join(columns)} | must |"
    yield "|---" * (len(columns) + 3) + "|"
    for row in rows:
        if isinstance(row, Heading):
            yield f"| **{row.what}** |" + " |" * (len(columns) + 2)
        else:
            cells = " | ".join(_cell(row, i) for i in range(len(columns)))
            yield f"| {row.what} | {row.of} | {cells} | {_goal(row)} |"


def _cell(row: Row, column: int) -> str:
    value = row.values[column] if column < len(row.values) else None
    if value is None:
        return "-"
    if row.unit == "/h":
        bound = row.bounds[column]
        return f"0 (< {bound:.2g})" if bound else f"{value:.1f}" if value < 100 else f"{value:.0f}"
    return {"%": f"{value:.1f} %", "points": f"{value:+.1f}", "ms": f"{value:.0f} ms"}.get(
        row.unit, f"{value:.3g} {row.unit}".strip()
    )


def _goal(row: Row) -> str:
    if row.at_least is None and row.at_most is None:
        return ""
    sign, value = (">=", row.at_least) if row.at_least is not None else ("<=", row.at_most)
    return f"{sign} {value:g}" + {True: "", False: " **missed**", None: ""}[row.met]

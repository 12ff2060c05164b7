"""Values as text in cells of CSV (RFC 4180) and TSV, and as JSON."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any

from handsfree.core.exporting.tables import Column, Kind

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
"""A spreadsheet takes a cell that begins so for a formula, or looks behind the white space for one."""


def moment_text(moment: datetime) -> str:
    """RFC 3339 date-time, with milliseconds and offset."""
    return moment.isoformat(timespec="milliseconds")


def harmless(text: str) -> str:
    """Text that a spreadsheet does not run: an apostrophe before what would begin a formula (OWASP, CSV Injection)."""
    return "'" + text if text.startswith(_FORMULA) else text


_CELLS: dict[Kind, Callable[[Any], str]] = {
    Kind.BOOLEAN: lambda value: "true" if value else "false",
    Kind.MOMENT: moment_text,
    Kind.INTEGERS: lambda value: " ".join(map(str, value)),
}


def cell_maker(columns: Sequence[Column], for_spreadsheet: bool = False) -> Callable[[Sequence[Any]], list[Any]]:
    """A function that turns a row into cells for csv.writer, which knows text, numbers and None itself."""
    makers = [(place, _CELLS[column.kind]) for place, column in enumerate(columns) if column.kind in _CELLS]
    if for_spreadsheet:
        makers += [(place, harmless) for place, column in enumerate(columns) if column.kind is Kind.TEXT]

    def cells(row: Sequence[Any]) -> list[Any]:
        made = list(row)
        for place, make in makers:
            if made[place] is not None:
                made[place] = make(made[place])
        return made

    return cells


def json_line(names: Sequence[str], row: Sequence[Any]) -> str:
    """One line of JSON Lines, its newline included. Nothing is left out: what is not known is null."""
    value = {
        name: moment_text(cell) if isinstance(cell, datetime) else cell for name, cell in zip(names, row, strict=True)
    }
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")) + "\n"

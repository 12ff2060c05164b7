"""Tables as text: CSV (RFC 4180) and JSON Lines (jsonlines.org). UTF-8; no byte order mark but for spreadsheets."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, Protocol

from handsfree.core.exporting.cells import harmless, json_line
from handsfree.core.exporting.rows import Context, Row
from handsfree.core.exporting.tables import Column, Kind, Layout

_BUFFER = 1 << 20
_END = "\r\n"


class TableWriter(Protocol):
    def add(self, session: Context, rows: Iterable[Row]) -> None: ...

    def close(self) -> None: ...


class Csv:
    """One table. `for_spreadsheet`: formulas are escaped, and a byte order mark makes every spreadsheet read UTF-8.

    The csv library writes each text once; the lines are joined of what it wrote. A log has few texts and many rows.
    """

    def __init__(self, folder: Path, layout: Layout, for_spreadsheet: bool) -> None:
        encoding = "utf-8-sig" if for_spreadsheet else "utf-8"
        self._file = open(folder / f"{layout.table.name}.csv", "w", _BUFFER, encoding=encoding, newline="")  # noqa: SIM115 - close() closes it
        self._written = [_written(column, for_spreadsheet) for column in layout.columns]
        self._file.write(",".join(layout.names) + _END)

    def add(self, session: Context, rows: Iterable[Row]) -> None:
        columns = [written(cells) for written, cells in zip(self._written, zip(*rows, strict=True), strict=False)]
        lines = map(",".join, zip(*columns, strict=True))
        self._file.write(_END.join([*lines, ""]))

    def close(self) -> None:
        self._file.close()


def _written(column: Column, for_spreadsheet: bool) -> Callable[[Iterable[Any]], Iterable[str]]:
    """A function that writes the cells of a column; what is not known is empty."""
    if column.kind is Kind.TEXT:
        return partial(map, _harmless_text if for_spreadsheet else _text)
    if column.kind in (Kind.NUMBER, Kind.INTEGER):
        return lambda cells: ["" if cell is None else repr(cell) for cell in cells]
    return lambda cells: ["" if cell is None else cell for cell in cells]  # of digits and letters, with no comma


@lru_cache(maxsize=1 << 14)
def _text(text: str | None) -> str:
    """A text as a cell, in quotes where RFC 4180 wants them."""
    line = io.StringIO()
    csv.writer(line, lineterminator=_END).writerow((text, None))
    return line.getvalue().removesuffix("," + _END)


@lru_cache(maxsize=1 << 14)
def _harmless_text(text: str | None) -> str:
    return _text(harmless(text)) if text else ""


class JsonLines:
    """One table."""

    def __init__(self, folder: Path, layout: Layout) -> None:
        self._file = open(folder / f"{layout.table.name}.jsonl", "w", _BUFFER, encoding="utf-8", newline="\n")  # noqa: SIM115 - close() closes it
        self._names = layout.names

    def add(self, session: Context, rows: Iterable[Row]) -> None:
        self._file.writelines(json_line(self._names, row) for row in rows)

    def close(self) -> None:
        self._file.close()

"""Tables as text: CSV (RFC 4180) and JSON Lines (jsonlines.org). UTF-8; no byte order mark but for spreadsheets."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import Protocol

from handsfree.core.exporting.cells import harmless_rows, json_line
from handsfree.core.exporting.rows import Context, Row
from handsfree.core.exporting.tables import Layout

_BUFFER = 1 << 20


class TableWriter(Protocol):
    def add(self, session: Context, rows: Iterable[Row]) -> None: ...

    def close(self) -> None: ...


class Csv:
    """One table. `for_spreadsheet`: formulas are escaped, and a byte order mark makes every spreadsheet read UTF-8."""

    def __init__(self, folder: Path, layout: Layout, for_spreadsheet: bool) -> None:
        encoding = "utf-8-sig" if for_spreadsheet else "utf-8"
        self._file = open(folder / f"{layout.table.name}.csv", "w", _BUFFER, encoding=encoding, newline="")  # noqa: SIM115 - close() closes it
        self._writer = csv.writer(self._file, lineterminator="\r\n")
        self._harmless = harmless_rows(layout.columns) if for_spreadsheet else None
        self._writer.writerow(layout.names)

    def add(self, session: Context, rows: Iterable[Row]) -> None:
        self._writer.writerows(map(self._harmless, rows) if self._harmless else rows)

    def close(self) -> None:
        self._file.close()


class JsonLines:
    """One table."""

    def __init__(self, folder: Path, layout: Layout) -> None:
        self._file = open(folder / f"{layout.table.name}.jsonl", "w", _BUFFER, encoding="utf-8", newline="\n")  # noqa: SIM115 - close() closes it
        self._names = layout.names

    def add(self, session: Context, rows: Iterable[Row]) -> None:
        self._file.writelines(json_line(self._names, row) for row in rows)

    def close(self) -> None:
        self._file.close()

"""Tables as Parquet, through pyarrow: TABLE/dog=NAME/month=YYYY-MM/FIRST-SESSION.parquet.

The folder names are Hive partitions, which DuckDB, Spark, Polars and pyarrow read as columns. A file is named after
its first session, so the exports of many machines can be put into one folder without one taking another's place.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any
from urllib.parse import quote

from handsfree.core.errors import UserError
from handsfree.core.exporting.metadata import TOOL, Provenance, meaning
from handsfree.core.exporting.rows import Context, Row
from handsfree.core.exporting.tables import Column, Kind, Layout

PARTITION = "dog"
_BATCH = 50_000
"""Rows a row group: a few megabytes in memory."""


def load() -> Any:
    """pyarrow, or a UserError that says how to get it."""
    try:
        import pyarrow
        import pyarrow.fs
        import pyarrow.parquet
    except ImportError as error:
        raise UserError("Parquet needs pyarrow; install it with: pip install 'handsfree[research]'") from error
    return pyarrow


class TableWriter:
    """One table. Sessions must come by dog and start: one file is open at a time."""

    def __init__(
        self, folder: Path, layout: Layout, sessions: list[Context], origin: Callable[[list[Context]], Provenance]
    ) -> None:
        self._pa = load()
        self._disk = self._pa.fs.LocalFileSystem()
        self._folder = folder / layout.table.name
        self._places = [place for place, column in enumerate(layout.columns) if column.name != PARTITION]
        columns = [layout.columns[place] for place in self._places]
        self._schema = self._pa.schema([_field(self._pa, column) for column in columns])
        # Most files are small, so what is done for each column counts: numbers hardly repeat, so they get no
        # dictionary; nobody asks for texts between two others, so they get no statistics; zstd takes a third longer.
        texts = [column.name for column in columns if column.kind is Kind.TEXT]
        self._options = {
            "compression": "snappy",
            "use_dictionary": texts,
            "write_statistics": [column.name for column in columns if column.name not in texts],
        }
        self._first = sessions[0]
        self._origin = origin
        self._part: tuple[str, str] | None = None
        self._writer: Any = None
        self._members: list[Context] = []
        self._cells: list[list[Any]] = [[] for _ in layout.columns]

    def add(self, session: Context, rows: Iterable[Row]) -> None:
        part = (session.dog, session.chosen.month)
        if part != self._part:
            self._finish()
            self._start(part, session)
        self._members.append(session)
        for kept, cells in zip(self._cells, zip(*rows, strict=True), strict=False):
            kept.extend(cells)
        if len(self._cells[0]) >= _BATCH:
            self._flush()

    def close(self) -> None:
        """A table without any row still gets one file, so that whoever reads the folder finds its columns."""
        if self._part is None:
            self._start((self._first.dog, self._first.chosen.month), self._first)
            self._members.append(self._first)
        self._finish()

    def _start(self, part: tuple[str, str], session: Context) -> None:
        from pyarrow.parquet import ParquetWriter

        dog, month = part
        folder = self._folder / f"{PARTITION}={quote(dog, safe=' ')}" / f"month={month}"
        folder.mkdir(parents=True)
        self._part = part
        file = str(folder / f"{session.chosen.id}.parquet")
        self._writer = ParquetWriter(file, self._schema, filesystem=self._disk, **self._options)

    def _flush(self) -> None:
        arrays = [
            self._pa.array(self._cells[place], type=field.type)
            for place, field in zip(self._places, self._schema, strict=True)
        ]
        self._writer.write_table(self._pa.Table.from_arrays(arrays, schema=self._schema))
        self._cells = [[] for _ in self._cells]

    def _finish(self) -> None:
        if self._writer is None:
            return
        try:
            self._flush()
            facts = self._origin(self._members).as_dict()
            self._writer.add_key_value_metadata({TOOL: json.dumps(facts, ensure_ascii=False)})
        finally:
            self._writer.close()
            self._writer = None
            self._members = []


def _field(pa: Any, column: Column) -> Any:
    types = {
        Kind.TEXT: pa.string(),
        Kind.INTEGER: pa.int32(),
        Kind.NUMBER: pa.float64(),
        Kind.BOOLEAN: pa.bool_(),
        Kind.MOMENT: pa.timestamp("ms", tz="UTC"),
        Kind.INTEGERS: pa.list_(pa.int32()),
    }
    about = {"meaning": meaning(column)} | ({"unit": column.unit} if column.unit else {})
    return pa.field(column.name, types[column.kind], nullable=not column.required, metadata=about)

"""Reading many sessions one after another, with no more than one of them in memory."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator, Sequence
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from handsfree.core.errors import UserError
from handsfree.core.exporting.rows import Chosen, Selection
from handsfree.edges.store.database import LogFile

_SESSION_COLUMN = {"sessions": "id"}
_HAS_NUMBER = {"sessions": "rowid"}


class Streams:
    """The read side of a log for exports."""

    def __init__(self, file: LogFile) -> None:
        self._file = file

    @contextlib.contextmanager
    def snapshot(self) -> Iterator[None]:
        """What is read inside is the log as it stood at one moment, whatever a running session adds meanwhile."""
        with self._file.reading():
            yield

    def chosen(self, selection: Selection) -> list[Chosen]:
        """The sessions of a selection, in no order. Raises UserError if there is none."""
        wheres, values = [], []
        for where, value in (
            ("id = ?", selection.session),
            ("substr(started_at, 1, 10) >= ?", selection.first and selection.first.isoformat()),
            ("substr(started_at, 1, 10) <= ?", selection.last and selection.last.isoformat()),
            ("dog = ? COLLATE NOCASE", selection.dog),
        ):
            if value is not None:
                wheres.append(where)
                values.append(value)
        where = f"WHERE {' AND '.join(wheres)}" if wheres else ""
        columns = "id, dog, handler, started_at, tool_version, model, model_sha256, plan_sha256"
        rows = self._file.tuples(f"SELECT {columns} FROM sessions {where}", values)
        found = [
            Chosen(id, dog, handler, datetime.fromisoformat(started_at), *map(sys.intern, shared))
            for id, dog, handler, started_at, *shared in rows
        ]
        if not found:
            raise UserError(f"{self._file.path}: {_none(selection)}; `handsfree summary --list` shows what there is")
        return found

    def rows(self, source: str, fields: Sequence[str], session_id: str) -> list[tuple[Any, ...]]:
        """Fields of one session's rows in a table or view of the log, in the order in which they were written."""
        return self._file.tuples(_of_one_session(source, tuple(fields)), (session_id,))

    def is_empty(self, source: str) -> bool:
        """Whether nothing at all stands in a table of the log."""
        return not self._file.tuples(f"SELECT 1 FROM {source} LIMIT 1")

    def state(self) -> tuple[int, ...]:
        """Another one after every change: rows are only ever added, and sessions get an end."""
        tables = [name for (name,) in self._file.tuples("SELECT name FROM sqlite_master WHERE type = 'table'")]
        newest = [f"(SELECT coalesce(max(rowid), 0) FROM {name})" for name in tables]
        return self._file.tuples(f"SELECT {', '.join(newest)}, (SELECT count(ended_s) FROM sessions)")[0]


@contextlib.contextmanager
def streams_of(path: Path) -> Iterator[Streams]:
    """The log at `path` as it stands now, opened for reading. Raises UserError."""
    with contextlib.closing(LogFile(path, read_only=True)) as file:
        streams = Streams(file)
        with streams.snapshot():
            yield streams


@lru_cache(maxsize=32)
def _of_one_session(source: str, fields: tuple[str, ...]) -> str:
    owner = _SESSION_COLUMN.get(source, "session_id")
    order = _HAS_NUMBER.get(source, "number")
    return f"SELECT {', '.join(fields)} FROM {source} WHERE {owner} = ? ORDER BY {order}"


def _none(selection: Selection) -> str:
    of = f" of {selection.dog}" if selection.dog is not None else ""
    since = f" from {selection.first}" if selection.first else ""
    until = f" to {selection.last}" if selection.last else ""
    return f"no session{of}{since}{until}"

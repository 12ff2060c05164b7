"""All tables of an export into one folder, one session in memory at a time; of many sessions by two processes."""

from __future__ import annotations

import contextlib
import multiprocessing
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Protocol

from handsfree.core.errors import UserError
from handsfree.core.exporting.cells import COLUMNAR, CSV, JSON, Form
from handsfree.core.exporting.metadata import provenance
from handsfree.core.exporting.rows import Chosen, Context, Row, contexts, rows
from handsfree.core.exporting.tables import Layout, layouts
from handsfree.edges.export import parquet, text
from handsfree.edges.export.job import Job

MANY_SESSIONS = 1000
"""From here on a second process is worth the half second that it takes to start."""

_LARGEST = ("words", "reps", "decisions", "rewards")
_FORM: dict[str, Form] = {"csv": CSV, "datapackage": CSV, "parquet": COLUMNAR}


class Source(Protocol):
    """What is needed of a log, held at one moment. Two sources of a log with the same `state` hold the same moment."""

    def rows(self, source: str, fields: Sequence[str], session_id: str) -> list[Row]: ...

    def is_empty(self, source: str) -> bool: ...

    def state(self) -> tuple[int, ...]: ...


Opener = Callable[[], AbstractContextManager[Source]]
"""Opens the log anew. It is handed to another process, so it must be a function that pickle knows."""


def sessions_of(job: Job, chosen: Sequence[Chosen]) -> list[Context]:
    """The sessions of a job, in the order of the export."""
    return contexts(chosen, job.values, job.codes, _FORM.get(job.format, JSON))


def planned(job: Job) -> tuple[Layout, ...]:
    return layouts(job.values, job.codes is not None, job.tables)


def write(folder: Path, job: Job, sessions: list[Context], source: Source, reopen: Opener) -> None:
    """Write the tables. Raises UserError or OSError, and leaves what is half written to the caller to remove."""
    if len(sessions) < MANY_SESSIONS or multiprocessing.cpu_count() < 2:
        _write(folder, job, sessions, source, planned(job))
        return
    turn = multiprocessing.get_context("spawn").Value("i", 0)
    chosen = [one.chosen for one in sessions]  # for contexts hold functions, which no other process can be given
    with _second_process(job, (turn, folder, job, chosen, source.state(), reopen)) as finished:
        _write(folder, job, sessions, source, _turns(job, turn))
        finished()


def _turns(job: Job, turn: Any) -> Iterator[Layout]:
    """The tables, largest first, each to the process that asks next; `turn` counts those that are given away."""
    by_size = sorted(planned(job), key=lambda one: (_LARGEST + (one.table.name,)).index(one.table.name))
    while True:
        with turn.get_lock():
            at, turn.value = turn.value, turn.value + 1
        if at >= len(by_size):
            return
        yield by_size[at]


def _write(folder: Path, job: Job, sessions: list[Context], source: Source, wanted: Iterable[Layout]) -> None:
    for layout in wanted:
        empty = source.is_empty(layout.source)
        with contextlib.closing(_writer(folder, job, layout, sessions)) as writer:
            for session in [] if empty else sessions:
                found = source.rows(layout.source, layout.table.fields, session.chosen.id)
                if found:
                    writer.add(session, rows(layout, session, found))


def _writer(folder: Path, job: Job, layout: Layout, sessions: list[Context]) -> text.TableWriter | parquet.TableWriter:
    if job.format == "parquet":
        return parquet.TableWriter(folder, layout, sessions, lambda some: provenance(job.version, some, job.values))
    if job.format == "jsonl":
        return text.JsonLines(folder, layout)
    return text.Csv(folder, layout, job.for_spreadsheet)


@contextlib.contextmanager
def _second_process(job: Job, given: tuple[Any, ...]) -> Iterator[Callable[[], None]]:
    """A process that helps; it ends with the block at the latest. Call what is yielded to wait until it is done.

    Whatever it raises is raised there.
    """
    spawn = multiprocessing.get_context("spawn")  # a fork would share the connection to the log
    receiver, sender = spawn.Pipe(duplex=False)
    process = spawn.Process(target=_help, args=(sender, *given), daemon=True)
    process.start()
    sender.close()

    def finished() -> None:
        try:
            trouble = receiver.recv()
        except EOFError:
            raise UserError(f"{job.target}: half of the export was stopped from outside; run this again") from None
        if trouble:
            raise trouble

    try:
        yield finished
    finally:
        process.terminate()
        process.join()


def _help(
    sender: Connection,
    turn: Any,
    folder: Path,
    job: Job,
    chosen: Sequence[Chosen],
    state: tuple[int, ...],
    reopen: Opener,
) -> None:
    """The second process, from beginning to end.

    It takes no table when the log has moved on before it could open it: its tables would not fit the others.
    """
    trouble = None
    try:
        with reopen() as source:
            if source.state() == state:
                _write(folder, job, sessions_of(job, chosen), source, _turns(job, turn))
    except Exception as error:  # raised again where it can be told
        trouble = error
    sender.send(trouble)

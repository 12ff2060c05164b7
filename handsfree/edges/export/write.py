"""One export from beginning to end: which sessions, which writer, in which order."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from handsfree.core.exporting.blind import Codes
from handsfree.core.exporting.cells import COLUMNAR, CSV, JSON, Form
from handsfree.core.exporting.metadata import Provenance, csvw, data_package, plain, provenance
from handsfree.core.exporting.rows import Chosen, Context, Row, contexts, rows
from handsfree.core.exporting.tables import Layout, Values, layouts
from handsfree.core.log import SessionLog
from handsfree.edges.export import bids, captions, parquet, target, text


class Source(Protocol):
    """What is needed of a log."""

    def rows(self, source: str, fields: Sequence[str], session_id: str) -> list[Row]: ...

    def is_empty(self, source: str) -> bool: ...


@dataclass(frozen=True, slots=True)
class Job:
    """`version` is that of the program that exports; `codes` makes the export blind; `tables` () means all.

    Captions: video time = stretch x session time + shift_s.
    """

    format: str
    target: Path
    log: Path
    version: str
    values: Values = Values.BOTH
    codes: Codes | None = None
    for_spreadsheet: bool = False
    replace: bool = False
    tables: tuple[str, ...] = ()
    shift_s: float = 0.0
    stretch: float = 1.0

    def in_video(self, at_s: float) -> float:
        return self.stretch * at_s + self.shift_s


FORMATS = {
    "csv": "tables as CSV, described as CSV on the Web",
    "jsonl": "tables as JSON Lines",
    "parquet": "tables as Parquet, in folders by dog and month",
    "datapackage": "tables as CSV in a Data Package",
    "bids": "a BIDS behavioural dataset",
    "vtt": "captions and chapters for the video of one session",
    "srt": "captions for the video of one session",
}
_FORM: dict[str, Form] = {"csv": CSV, "datapackage": CSV, "parquet": COLUMNAR}
_OF_ONE_SESSION = ("vtt", "srt")


def write(job: Job, chosen: Sequence[Chosen], source: Source, session_log: Callable[[str], SessionLog]) -> list[Path]:
    """Write the chosen sessions. Returns the paths made. Raises UserError, and then has changed nothing."""
    folder = job.format not in _OF_ONE_SESSION
    paths = [job.target] if folder else captions.paths(job.target, job.format)
    for path in paths:
        target.check(path, job.replace, job.log, folder)
    sessions = contexts(chosen, job.values, job.codes, _FORM.get(job.format, JSON))
    made = provenance(job.version, sessions, job.values, job.for_spreadsheet)
    if not folder:
        captions.write(paths, job.format, session_log(sessions[0].chosen.id), sessions[0], made, job.in_video)
        return paths
    if job.format == "parquet":
        parquet.load()
    with target.whole_folder(job.target) as new:
        if job.format == "bids":
            bids.write(new, sessions, made, session_log, lambda one: provenance(job.version, [one], job.values))
        else:
            _write_tables(new, job, sessions, made, source)
    return paths


def _write_tables(new: Path, job: Job, sessions: list[Context], made: Provenance, source: Source) -> None:
    planned = layouts(job.values, job.codes is not None, job.tables)
    for layout in planned:
        empty = source.is_empty(layout.table.source)
        with contextlib.closing(_writer(new, job, layout, sessions)) as writer:
            for session in [] if empty else sessions:
                found = source.rows(layout.table.source, layout.table.fields, session.chosen.id)
                if found:
                    writer.add(session, rows(layout, session, found))
    name, described = _described(job.format, planned, made)
    (new / name).write_text(json.dumps(described, ensure_ascii=False, indent=2) + "\n", encoding="utf-8")


def _writer(new: Path, job: Job, layout: Layout, sessions: list[Context]) -> text.TableWriter | parquet.TableWriter:
    if job.format == "parquet":
        return parquet.TableWriter(new, layout, sessions, lambda some: provenance(job.version, some, job.values))
    if job.format == "jsonl":
        return text.JsonLines(new, layout)
    return text.Csv(new, layout, job.for_spreadsheet)


def _described(format: str, planned: Sequence[Layout], made: Provenance) -> tuple[str, dict[str, Any]]:
    if format == "csv":
        return "csv-metadata.json", csvw(planned, made)
    if format == "datapackage":
        return "datapackage.json", data_package(planned, made)
    return "export.json", plain(planned, made)

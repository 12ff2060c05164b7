"""One export from beginning to end: what may be written where, what describes it, and who writes it."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from handsfree.core.exporting.metadata import Provenance, csvw, data_package, plain, provenance
from handsfree.core.exporting.rows import Chosen
from handsfree.core.exporting.tables import Layout
from handsfree.core.log import SessionLog
from handsfree.edges.export import bids, captions, parquet, tables, target
from handsfree.edges.export.job import Job
from handsfree.edges.export.tables import Opener, Source

_OF_ONE_SESSION = ("vtt", "srt")


def write(
    job: Job, chosen: Sequence[Chosen], source: Source, session_log: Callable[[str], SessionLog], reopen: Opener
) -> list[Path]:
    """Write the chosen sessions. Returns the paths made. Raises UserError, and then has changed nothing."""
    folder = job.format not in _OF_ONE_SESSION
    paths = [job.target] if folder else captions.paths(job.target, job.format)
    for path in paths:
        target.check(path, job.replace, job.log, folder)
    sessions = tables.sessions_of(job, chosen)
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
            tables.write(new, job, sessions, source, reopen)
            name, described = _described(job.format, tables.planned(job), made)
            (new / name).write_text(json.dumps(described, ensure_ascii=False, indent=2) + "\n", encoding="utf-8")
    return paths


def _described(format: str, planned: Sequence[Layout], made: Provenance) -> tuple[str, dict[str, Any]]:
    if format == "csv":
        return "csv-metadata.json", csvw(planned, made)
    if format == "datapackage":
        return "datapackage.json", data_package(planned, made)
    return "export.json", plain(planned, made)

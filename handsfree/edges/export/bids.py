"""A BIDS dataset as files."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

from handsfree.core.exporting import bids
from handsfree.core.exporting.cells import moment_text
from handsfree.core.exporting.metadata import Provenance
from handsfree.core.exporting.rows import Context
from handsfree.core.log import SessionLog


def write(
    folder: Path,
    sessions: Sequence[Context],
    made: Provenance,
    session_log: Callable[[str], SessionLog],
    origin: Callable[[Context], Provenance],
) -> None:
    """Write the dataset into an empty folder, one session in memory at a time. `sessions` come by dog."""
    blind = any(one.codes for one in sessions)
    header, dogs = bids.participants(sessions, blind)
    values = sessions[0].values
    _json(folder / "dataset_description.json", bids.dataset_description(made))
    (folder / "README.md").write_bytes(bids.README.encode())
    _tsv(folder / "participants.tsv", header, dogs)
    _json(folder / "participants.json", {name: bids.PARTICIPANTS_SIDECAR[name] for name in header[1:]})
    _json(folder / f"task-{bids.TASK}_events.json", bids.events_sidecar(values))
    for participant, members in groupby(sessions, key=lambda one: bids.place(one).participant):
        sittings = []
        for one in members:
            place = bids.place(one)
            sittings.append((place.session, moment_text(one.chosen.started_at)))
            beh = folder / place.folder
            beh.mkdir(parents=True)
            columns = bids.columns(values)
            events = bids.events(session_log(one.chosen.id), one)
            _tsv(
                beh / f"{place.stem}.tsv",
                columns,
                ([bids.cell(event.get(name)) for name in columns] for event in events),
            )
            _json(beh / f"{place.stem}.json", bids.session_sidecar(one, origin(one)))
        _tsv(folder / participant / f"{participant}_sessions.tsv", bids.SESSIONS_HEADER, sittings)


def _tsv(file: Path, header: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    with file.open("w", encoding="utf-8", newline="\n") as out:
        out.writelines("\t".join(row) + "\n" for row in [header, *rows])


def _json(file: Path, value: dict[str, Any]) -> None:
    file.write_bytes((json.dumps(value, ensure_ascii=False, indent=2) + "\n").encode())

"""An observer's file -> scored events. Delimited text (comma, semicolon, tab), JSON Lines or WebVTT.

The columns of a table, and the keys of a JSON line (case, spaces and brackets do not matter: `Onset [s]` is `onset_s`):

time       one of `onset_s`, `start_s`, `time_s` (seconds); the same with `_ms` (milliseconds); `onset` (seconds, as in
           BIDS); `onset_at`, `time`, `start`, `timestamp` for m:ss, h:mm:ss or RFC 3339 wall time with its UTC offset.
           Required. Cells of the form m:ss, h:mm:ss and wall times are understood in any of these columns.
duration   `duration_s`, `duration_ms`, `duration`; empty or n/a where there is none
behaviour  `behaviour`, `behavior` or `trial_type`
outcome    `outcome`, `outcome_corrected` or `outcome_raw`; a row whose outcome is `no_rep` is no event
session    `session_id`, where one file holds several sessions
kind       `kind` or `trial_type`, where rows of several kinds are mixed: then only those that say `rep` count

In whatever this program exported the time of a rep is that of its cue, or of its outcome word where there was no cue.
A WebVTT cue is an event that begins and ends with it; its text is `behaviour`, `behaviour: outcome`, or a JSON object
with the keys above; of captions that this program exported the reps count, each as long as it is shown.
Anything that cannot be told for sure is refused, with the line it is on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from handsfree.core.errors import UserError
from handsfree.core.observers import Scored
from handsfree.edges.observer_files.cells import Bad, durations, onsets
from handsfree.edges.observer_files.texts import Sheet, read_sheet

TIMES = {
    **{f"{name}_{unit}": factor for name in ("onset", "start", "time") for unit, factor in (("s", 1.0), ("ms", 0.001))},
    "onset": 1.0,
    **dict.fromkeys(("onset_at", "time", "start", "timestamp")),
}
"""Time columns by preference, with the seconds that a plain number in them counts; None: a number says nothing."""

DURATIONS = {"duration_s": 1.0, "duration_ms": 0.001, "duration": 1.0}
BEHAVIOURS = ("behaviour", "behavior", "trial_type")
OUTCOMES = ("outcome", "outcome_corrected", "outcome_raw")
KINDS, REP = ("kind", "trial_type"), "rep"
CUE, OUTCOME_WORD = "cue_onset_s", "outcome_word_onset_s"
NO_REP = "no_rep"
KNOWN = {*TIMES, *DURATIONS, *BEHAVIOURS, *OUTCOMES, *KINDS, CUE, OUTCOME_WORD, "session_id"}
SHOWN = 6


@dataclass(frozen=True, slots=True)
class ObserverFile:
    """What a file holds, in order of time.

    wall     onsets are wall time, in seconds since 1970-01-01 UTC, not seconds since the session began
    notes    sentences on what was found odd but could be used all the same
    """

    name: str
    events: tuple[Scored, ...]
    wall: bool = False
    notes: tuple[str, ...] = ()


def read(path: Path, session_id: str = "", raw: bool = False) -> ObserverFile:
    """Read an observer's file. `session_id` (or its beginning) picks a session where the file holds several.

    `raw`: of an export that has both, take the outcomes as counted live and not as corrected.

    Raises UserError, with the line, for what is missing or cannot be told for sure.
    """
    sheet = read_sheet(path, TIMES)
    try:
        return _understood(sheet, path, session_id, raw)
    except Bad as bad:
        raise UserError(f"{path}, line {bad.line}: {bad}") from None


def _understood(sheet: Sheet, path: Path, session_id: str, raw: bool) -> ObserverFile:
    names = sheet.columns
    notes = []
    if unknown := [sheet.headings[name] for name in names if name not in KNOWN and not _our_own(names)]:
        more = f" and {len(unknown) - SHOWN} more" if len(unknown) > SHOWN else ""
        shown = ["".join(letter for letter in name if letter.isprintable()) for name in unknown[:SHOWN]]
        notes.append(f"not used: {', '.join(shown)}{more}")
    rows = _of_one_session(sheet, path, session_id)
    kind = _first(KINDS, names)
    if kind and any(row.cells.get(kind) == REP for row in rows):
        rows = [row for row in rows if row.cells.get(kind) == REP]
    outcome, behaviour = _first(OUTCOMES[::-1] if raw else OUTCOMES, names), _first(BEHAVIOURS, names)
    rows = [row for row in rows if not outcome or row.cells.get(outcome) != NO_REP]
    time = _first(tuple(TIMES), names)
    if time is None:
        raise UserError(
            f"{path}: no column says when; call it onset_s (seconds), onset_ms, or onset with m:ss or RFC 3339 times; "
            f"there are: {', '.join(map(repr, sheet.headings.values()))}"
        )
    if CUE in names and OUTCOME_WORD in names:
        times = [(row.line, row.cells[CUE] or row.cells[OUTCOME_WORD] or row.cells[time]) for row in rows]
    else:
        times = [(row.line, row.cells.get(time, "")) for row in rows]
    length = _first(tuple(DURATIONS), names)
    lengths = [(row.line, row.cells.get(length, "") if length else "") for row in rows]
    numbers = [cell for _, cell in [*times, *lengths]]
    when, wall = onsets(times, TIMES[time], sheet.headings[time], numbers)
    how_long = durations(lengths, DURATIONS.get(length or "", 1.0), numbers)
    events = [
        Scored(
            onset_s,
            duration_s,
            row.cells.get(behaviour, "") or None if behaviour else None,
            row.cells.get(outcome, "") or None if outcome else None,
            row.line or None,
        )
        for row, onset_s, duration_s in zip(rows, when, how_long, strict=True)
    ]
    in_order = sorted(events, key=lambda event: event.onset_s)
    return ObserverFile(path.name, tuple(in_order), wall, (*notes, *_oddities(events, in_order)))


def _oddities(events: Sequence[Scored], in_order: Sequence[Scored]) -> list[str]:
    notes = []
    if list(events) != list(in_order):
        notes.append("not in order of time; sorted")
    neighbours = list(zip(in_order, in_order[1:], strict=False))
    overlapping = [two for one, two in neighbours if two.onset_s < one.end_s - 1e-6]
    if overlapping:
        first = f", first on line {overlapping[0].line}" if overlapping[0].line else ""
        notes.append(f"{len(overlapping)} begin before the one before has ended{first}; each counts")
    twice = [
        two
        for one, two in neighbours
        if (one.onset_s, one.behaviour, one.outcome) == (two.onset_s, two.behaviour, two.outcome)
    ]
    if twice:
        first = f", first on line {twice[0].line}" if twice[0].line else ""
        notes.append(f"{len(twice)} stand there twice{first}; each counts")
    return notes


def _of_one_session(sheet: Sheet, path: Path, session_id: str) -> list[Sheet.Row]:
    if "session_id" not in sheet.columns:
        return sheet.rows
    there = dict.fromkeys(row.cells.get("session_id", "") for row in sheet.rows)
    wanted = [one for one in there if session_id and one.startswith(session_id)]
    if not wanted and len(there) > 1:
        some = ", ".join(one[:8] for one in list(there)[:3])
        raise UserError(
            f"{path} holds {len(there)} sessions ({some} ...): export one by itself, or name it on the other side"
        )
    return [row for row in sheet.rows if not wanted or row.cells.get("session_id") == wanted[0]]


def _our_own(names: Sequence[str]) -> bool:
    """Whether this program exported it: then its other columns are no surprise."""
    return OUTCOMES[1] in names or OUTCOMES[2] in names


def _first(wanted: Sequence[str], names: Sequence[str]) -> str | None:
    return next((name for name in wanted if name in names), None)

"""Two records of one session brought to one clock and compared; sound cut out around what they disagree on."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE, AudioBlock
from handsfree.core.log import SessionLog
from handsfree.core.observers import Comparison, Scored, compare, same_text
from handsfree.edges import observer_files
from handsfree.edges.agreement_page import CLIP_AFTER_S, CLIP_BEFORE_S
from handsfree.edges.pairing import pair
from handsfree.edges.store import Store

UNLIKELY_RATIO, UNLIKELY_S = 100, 3600
"""A record whose last time is so many times the other's, and so late, does not count seconds from the start."""

DAY_S = 86_400.0
MOST_CLIPS = 200


@dataclass(frozen=True)
class Record:
    """`wall`: onsets are seconds since 1970 UTC. `started_at`: wall time of 0, where known. `length_s` 0: not known."""

    name: str
    events: tuple[Scored, ...]
    wall: bool = False
    started_at: float | None = None
    length_s: float = 0.0
    notes: tuple[str, ...] = ()
    session_id: str = ""


def open_records(a: str, b: str, log: Path, raw: bool) -> tuple[Record, Record]:
    """Each a file, or a session of the log: its id, the beginning of it, or `last`. On one clock. Raises UserError."""
    found: dict[str, Record] = {}
    for one in (a, b):
        if not _is_file(one):
            with Store.open(log, read_only=True) as store:
                found[one] = _from_session(store.session_log(one), raw)
    session_id = next((record.session_id for record in found.values()), "")
    for one in (a, b):
        if one not in found:
            file = observer_files.read(Path(one), session_id, raw)
            found[one] = Record(file.name, file.events, file.wall, notes=file.notes)
    return _on_one_clock(found[a], found[b])


def agree(
    a: Record, b: Record, *, within_s: float, interval_s: float, length_s: float | None, behaviour: str | None
) -> Comparison:
    """Compare two records that share a clock; of one behaviour only, if named. Raises UserError."""
    for option, value in (("--within", within_s), ("--interval", interval_s), ("--length", length_s)):
        if value is not None and not math.isfinite(value):
            raise UserError(f"{option} {value}: give a number of seconds")
    events_a, events_b = ([event for event in record.events if _is_of(event, behaviour)] for record in (a, b))
    if behaviour is not None and not (events_a or events_b):
        names = sorted({event.behaviour for event in (*a.events, *b.events) if event.behaviour})
        raise UserError(f"neither has an event of {behaviour!r}; there are: {', '.join(names) or 'no names at all'}")
    length_s = max(a.length_s, b.length_s) if length_s is None else length_s
    try:
        return compare(
            events_a,
            events_b,
            pair(events_a, events_b, within_s),
            within_s=within_s,
            interval_s=interval_s,
            length_s=length_s,
        )
    except ValueError as error:
        raise UserError(f"--interval: {error}") from None


def moved(record: Record, shift_s: float, stretch: float) -> Record:
    """A record in video time brought to session time: video time = stretch * session time + shift_s. UserError."""
    if not (math.isfinite(shift_s) and math.isfinite(stretch)):
        raise UserError("--shift-s and --stretch: give the numbers that `handsfree align` prints")
    events = tuple(
        replace(
            event,
            onset_s=(event.onset_s - shift_s) / stretch,
            duration_s=None if event.duration_s is None else event.duration_s / stretch,
        )
        for event in record.events
    )
    return replace(record, events=events)


def cut_clips(sound: Iterable[AudioBlock], result: Comparison) -> dict[int, bytes]:
    """Index of a disagreement -> the sound around it, where there is any; of the first 200."""
    times = [one.at_s for one in result.disagreements[:MOST_CLIPS]]
    windows = [(max(0.0, at_s - CLIP_BEFORE_S), at_s + CLIP_AFTER_S) for at_s in times]
    return {index: pcm for index, pcm in enumerate(cut(_in_one_piece(sound), windows)) if any(pcm)}


def _in_one_piece(blocks: Iterable[AudioBlock]) -> Iterator[AudioBlock]:
    """Lost sound as silence."""
    for block in blocks:
        if block.lost_s:
            yield AudioBlock(block.start_s - block.lost_s, bytes(2 * round(block.lost_s * SAMPLE_RATE)))
        yield block


def cut(blocks: Iterable[AudioBlock], windows: Sequence[tuple[float, float]]) -> list[bytes]:
    """The PCM inside each window (start, end in seconds); b"" where there is no sound. Reads the sound once."""
    pieces: list[list[bytes]] = [[] for _ in windows]
    ordered = sorted(range(len(windows)), key=lambda index: windows[index][0])
    open_ones: list[int] = []
    for block in blocks:
        end_s = block.start_s + block.duration_s
        while ordered and windows[ordered[0]][0] < end_s:
            open_ones.append(ordered.pop(0))
        for index in open_ones:
            first, last = (round((at_s - block.start_s) * SAMPLE_RATE) * 2 for at_s in windows[index])
            pieces[index].append(block.pcm[max(0, first) : max(0, last)])
        open_ones = [index for index in open_ones if windows[index][1] > end_s]
        if not ordered and not open_ones:
            break
    return [b"".join(piece) for piece in pieces]


def _is_file(name: str) -> bool:
    if Path(name).exists():
        return True
    if name == "last" or re.fullmatch(r"[0-9a-fA-F]{1,32}", name):
        return False
    raise UserError(f"there is no file {name}; a session is named by its id (`handsfree summary --list`) or `last`")


def _is_of(event: Scored, behaviour: str | None) -> bool:
    return behaviour is None or same_text(event.behaviour) == same_text(behaviour)


def _from_session(log: SessionLog, raw: bool) -> Record:
    """Reps as corrected, or as counted live. Each at its cue, or at its outcome word where there was no cue."""
    events = []
    counted = ((rep, rep.outcome) for rep in log.live_reps)
    for rep, outcome in counted if raw else ((judged.rep, judged.outcome) for judged in log.reps):
        if outcome is not None:
            events.append(Scored(rep.seen_s, max(0.0, rep.end_s - rep.seen_s), rep.behaviour, str(outcome)))
    session = log.session
    return Record(
        f"session {session.id[:8]} of {session.dog}",
        tuple(sorted(events, key=lambda event: event.onset_s)),
        started_at=session.started_at.timestamp(),
        length_s=session.ended_s or 0.0,
        session_id=session.id,
    )


def _on_one_clock(a: Record, b: Record) -> tuple[Record, Record]:
    if a.wall and b.wall:
        begin_s = math.floor(min((event.onset_s for event in (*a.events, *b.events)), default=0.0))
        return _from_start(a, begin_s), _from_start(b, begin_s)
    if a.wall or b.wall:
        wall, other = (a, b) if a.wall else (b, a)
        if other.started_at is None:
            raise UserError(
                f"{wall.name} has wall times, but {other.name} counts from its start, and nothing says when that was; "
                "give both the same kind of time, or compare with the session itself"
            )
        wall = _from_start(wall, other.started_at)
        a, b = (wall, other) if a.wall else (other, wall)
    _check_same_unit(a, b)
    return a, b


def _from_start(record: Record, begin_s: float) -> Record:
    """Wall time -> seconds since `begin_s`. Raises UserError for what is days away: no session is that long."""
    far = [event for event in record.events if abs(event.onset_s - begin_s) > DAY_S]
    if far:
        days = abs(far[0].onset_s - begin_s) / DAY_S
        side = "before" if far[0].onset_s < begin_s else "after"
        line = f", line {far[0].line}" if far[0].line else ""
        raise UserError(
            f"{record.name}{line}: this is {days:,.0f} days {side} the other record begins; compare records of one "
            "session, and check date and UTC offset"
        )
    events = tuple(replace(event, onset_s=round(event.onset_s - begin_s, 6)) for event in record.events)
    return replace(record, events=events, wall=False)


def _check_same_unit(a: Record, b: Record) -> None:
    lasts = ((max([one.length_s, *(event.onset_s for event in one.events)]), one.name) for one in (a, b))
    (early_s, early), (late_s, late) = sorted(lasts)
    if early_s > 0 and late_s > max(UNLIKELY_S, UNLIKELY_RATIO * early_s):
        raise UserError(
            f"{late} goes on to {late_s:g} s, {early} only to {early_s:g} s: not the same unit; "
            "milliseconds belong in a column onset_ms, times of day in onset_at with their UTC offset"
        )

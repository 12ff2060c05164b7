"""Bringing another log into this one, so that no rep is there twice.

Ids of sessions are random (UUID version 4, RFC 9562), so a session is the same wherever it was copied to. What is known
of it there and not here is added; how two chains of corrections become one is in core/joining.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Container, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from handsfree.core.errors import UserError
from handsfree.core.joining import Joined, join
from handsfree.core.log import DogTotals, Session, SessionLog
from handsfree.edges.store import rows
from handsfree.edges.store.copies import running
from handsfree.edges.store.database import LogFile, insert
from handsfree.edges.store.dogs import folded, totals

if TYPE_CHECKING:
    from handsfree.edges.store.log import Store

_PARTS = ("behaviours", "words", "reps", "rewards", "decisions", "prompts", "corrections", "notes", "gaps")


@dataclass(frozen=True, slots=True)
class Namesake:
    """A name that both logs know, with no session to show that it is one dog."""

    here: DogTotals
    there: DogTotals


@dataclass(slots=True)
class Merged:
    """What a merge did.

    new        dog -> how many sessions and reps came
    changed    sessions that were here, and of which more was known there
    both       those of them that were corrected in both logs, and the numbers of the reps that are in dispute
    known      how many sessions were here, with all that is known of them there
    left_out   how many are being written there just now
    """

    new: dict[str, tuple[int, int]] = field(default_factory=dict)
    changed: list[Session] = field(default_factory=list)
    both: list[tuple[Session, tuple[int, ...]]] = field(default_factory=list)
    known: int = 0
    left_out: int = 0


def namesakes(ours: LogFile, theirs: LogFile) -> list[Namesake]:
    """The names of which it must be said whether they are the same dog."""
    known = _renamed(ours, theirs)
    here = {folded(one.name): one for one in totals(ours)}
    return [
        Namesake(here[folded(one.name)], one)
        for one in totals(theirs)
        if folded(one.name) in here and folded(one.name) not in known
    ]


def merge(
    here: tuple[Store, LogFile], there: tuple[Store, LogFile], names: Mapping[str, str], busy: Container[str]
) -> Merged:
    """Add what is known there and not here, in one transaction. Raises UserError, with all here as it was.

    `names` says what a dog of theirs is called here, by its folded name; every namesake must be in it. Sessions in
    `busy` are left out.
    """
    (ours, file), (theirs, other) = here, there
    merged = Merged()
    new: Counter[str] = Counter()
    reps: Counter[str] = Counter()
    with file.transaction() as connection:
        if running(file):
            raise UserError(f"{file.path}: a session is running; merge when it is over")
        there_too = {folded(one.name): one.name for one in totals(other)}
        if unknown := [name for name in names if name not in there_too]:
            raise UserError(f"{other.path}: no dog {unknown[0]!r} in it; there are: {', '.join(there_too.values())}")
        unsaid = [one.here.name for one in namesakes(file, other) if folded(one.here.name) not in names]
        if unsaid:
            raise UserError(
                f"both logs know a dog called {unsaid[0]}: if it is the same, add --same {unsaid[0]!r}; "
                f"if not, say what theirs is to be called here, such as --rename '{unsaid[0]}={unsaid[0]} 2'"
            )
        dogs = {folded(one.name): one.name for one in totals(file)}
        named = {**_renamed(file, other), **{theirs: dogs.get(folded(ours), ours) for theirs, ours in names.items()}}
        known, known_there = _known(file), _known(other)
        for row in other.rows("SELECT id, dog FROM sessions ORDER BY rowid"):
            session_id = row["id"]
            if session_id in busy:
                merged.left_out += 1
            elif known.get(session_id) == known_there[session_id]:
                merged.known += 1
            else:
                log = theirs.session_log(session_id)
                log = replace(log, session=replace(log.session, dog=named.get(folded(row["dog"]), row["dog"])))
                if session_id not in known:
                    for table, lines in rows.whole(log):
                        insert(connection, table, lines)
                    new[log.session.dog] += 1
                    reps[log.session.dog] += sum(one.outcome is not None for one in log.reps)
                    continue
                before = ours.session_log(session_id)
                joined = join(before, log)
                if replace(joined.log, reps=()) == replace(before, reps=()) and len(joined.log.reps) == len(
                    before.reps
                ):
                    merged.known += 1
                    continue
                _write(file, before, joined)
                merged.changed.append(joined.log.session)
                if joined.both:
                    merged.both.append((joined.log.session, joined.disputed))
        _add_archivings(file, other, named)
    merged.new = {dog: (count, reps[dog]) for dog, count in new.items()}
    return merged


def _known(file: LogFile) -> dict[str, list[tuple[Any, ...]]]:
    """Session id -> what tells whether as much of it is known elsewhere: its end, counts of rows, corrections."""
    found: dict[str, list[tuple[Any, ...]]] = {}
    for session_id, *end in file.tuples("SELECT id, ended_s, end_reason FROM sessions"):
        found[session_id] = [tuple(end)]
    for table in _PARTS:
        for session_id, count in file.tuples(f"SELECT session_id, count(*) FROM {table} GROUP BY session_id"):
            found[session_id].append((table, count))
    for session_id, *said in file.tuples("SELECT * FROM corrections ORDER BY session_id, number"):
        found[session_id].append(tuple(said))
    return found


def _write(file: LogFile, before: SessionLog, joined: Joined) -> None:
    """Rows that are there stay; corrections, and reps that were split off, get the numbers that they have now.

    Every row that is written has a higher rowid than any before: from that, exports see that the log has changed.
    """
    session_id = before.session.id
    lines = dict(rows.whole(joined.log))
    next_row = {table: file.tuples(f"SELECT coalesce(max(rowid), 0) + 1 FROM {table}")[0][0] for table in _PARTS}
    file.connection.execute("DELETE FROM corrections WHERE session_id = ?", (session_id,))
    file.connection.execute("DELETE FROM reps WHERE session_id = ? AND added", (session_id,))
    for table in _PARTS:
        there = {number for (number,) in file.tuples(f"SELECT number FROM {table} WHERE session_id = ?", (session_id,))}
        new = [line for line in lines[table] if line["number"] not in there]
        insert(file.connection, table, [{"rowid": at, **line} for at, line in enumerate(new, next_row[table])])
    (end,) = lines["sessions"]
    query = "UPDATE sessions SET ended_s = :ended_s, ended_at = :ended_at, end_reason = :end_reason WHERE id = :id"
    file.connection.execute(query, end)


def _renamed(ours: LogFile, theirs: LogFile) -> dict[str, str]:
    """Their dogs, by folded name, of which sessions are here already -> what they are called here."""
    query = "SELECT id, dog FROM sessions"
    here = dict(ours.tuples(query))
    called: defaultdict[str, Counter[str]] = defaultdict(Counter)
    for session_id, dog in theirs.tuples(query):
        if session_id in here:
            called[folded(dog)][here[session_id]] += 1
    return {dog: names.most_common(1)[0][0] for dog, names in called.items()}


def _add_archivings(file: LogFile, other: LogFile, named: Mapping[str, str]) -> None:
    query = "SELECT dog, archived, made_at FROM archivings ORDER BY number"
    known = {(folded(dog), *said) for dog, *said in file.tuples(query)}
    theirs = [(named.get(folded(dog), dog), archived, made_at) for dog, archived, made_at in other.tuples(query)]
    new = [(dog, *said) for dog, *said in theirs if (folded(dog), *said) not in known]
    file.connection.executemany("INSERT INTO archivings (dog, archived, made_at) VALUES (?, ?, ?)", new)

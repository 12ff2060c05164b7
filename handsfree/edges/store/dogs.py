"""The dogs of a log: which there are, and which are archived. A dog is known by its name, in any case."""

from __future__ import annotations

from datetime import datetime

from handsfree.core.errors import UserError
from handsfree.core.log import DogTotals
from handsfree.edges.store import rows
from handsfree.edges.store.database import LogFile

_SESSIONS = "SELECT dog, handler, started_at, ended_s FROM sessions ORDER BY julianday(started_at), rowid"
_REPS = "SELECT dog, count(*) AS reps FROM sessions JOIN reps ON session_id = id GROUP BY dog COLLATE NOCASE"
# What was judged to be no rep has been corrected: only those are asked of the view, which takes its time.
_NO_REPS = """SELECT dog, count(*) AS reps
                FROM (SELECT DISTINCT session_id, rep_number FROM corrections) AS c
                JOIN judged_reps AS r ON r.session_id = c.session_id AND r.number = c.rep_number
                JOIN sessions AS s ON s.id = c.session_id
               WHERE judged IS NULL GROUP BY dog COLLATE NOCASE"""


def folded(name: str) -> str:
    """The name as SQLite's NOCASE compares it: only the 26 letters of ASCII are the same in either case."""
    return "".join(letter.lower() if letter.isascii() else letter for letter in name)


def totals(file: LogFile) -> list[DogTotals]:
    """Every dog, those that are not archived first, then by when they were trained last. Raises UserError."""
    sessions: dict[str, list[rows.Row]] = {}
    for row in file.rows(_SESSIONS):
        sessions.setdefault(folded(row["dog"]), []).append(row)
    archived = {folded(row["dog"]): row["made_at"] for row in file.rows("SELECT * FROM archived_dogs")}
    reps = {folded(row["dog"]): row["reps"] for row in file.rows(_REPS)}
    for row in file.rows(_NO_REPS):
        reps[folded(row["dog"])] -= row["reps"]
    found = [
        DogTotals(
            name=its[-1]["dog"],
            sessions=len(its),
            unfinished=sum(row["ended_s"] is None for row in its),
            reps=reps.get(key, 0),
            first=datetime.fromisoformat(its[0]["started_at"]),
            last=datetime.fromisoformat(its[-1]["started_at"]),
            handlers=tuple(dict.fromkeys(row["handler"] for row in its if row["handler"])),
            archived_at=datetime.fromisoformat(archived[key]) if key in archived else None,
        )
        for key, its in sessions.items()
    ]
    return sorted(found, key=lambda one: (one.archived_at is None, one.last), reverse=True)


def archive(file: LogFile, name: str, archived: bool) -> DogTotals | None:
    """Write down that a dog is archived, or is no longer; return it, or None if it was so already.

    Raises UserError if there is no such dog.
    """
    with file.writing() as db:
        there = totals(file)
        dog = next((one for one in there if folded(one.name) == folded(name)), None)
        if dog is None:
            known = ", ".join(one.name for one in there)
            raise UserError(f"{file.path}: no dog {name!r}; {f'there are: {known}' if known else 'no session yet'}")
        if archived == (dog.archived_at is not None):
            return None
        # Whatever the clocks said: this comes after all that is written down of the dog.
        moments = [datetime.now().astimezone(), dog.last, *([dog.archived_at] if dog.archived_at else [])]
        row = {"dog": dog.name, "archived": int(archived), "made_at": rows.time_text(max(moments))}
        db.table("archivings").insert(row)
    return dog

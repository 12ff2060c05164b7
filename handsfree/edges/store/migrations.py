"""The shape of the log, as named steps that each run once, in order. A step that has been released is never edited.

Columns ending in `_s` are seconds of session time. `number` counts from 1 within a session, so (session_id, number)
names a row on any machine. Rows are only ever added; the one exception is the end of a session.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from handsfree.edges.store.utils import sqlite_utils

if TYPE_CHECKING:
    from sqlite_utils import Database

SET_NAME = "handsfree"
"""Under this name sqlite-utils records in the database which steps have run."""

_FIRST = (
    """CREATE TABLE sessions (
        id TEXT PRIMARY KEY,
        dog TEXT NOT NULL,
        handler TEXT NOT NULL,
        place TEXT NOT NULL,
        started_at TEXT NOT NULL,
        plan_text TEXT NOT NULL,
        plan_sha256 TEXT NOT NULL,
        tool_version TEXT NOT NULL,
        model TEXT NOT NULL,
        model_sha256 TEXT NOT NULL,
        source TEXT NOT NULL,
        ended_s REAL,
        ended_at TEXT,
        end_reason TEXT,
        CHECK ((ended_s IS NULL) = (end_reason IS NULL))
    )""",
    """CREATE TABLE behaviours (
        session_id TEXT NOT NULL REFERENCES sessions (id),
        number INTEGER NOT NULL,
        name TEXT NOT NULL,
        tag TEXT NOT NULL,
        start_step INTEGER NOT NULL,
        steps TEXT NOT NULL, -- JSON array
        PRIMARY KEY (session_id, number)
    )""",
    """CREATE TABLE words (
        session_id TEXT NOT NULL REFERENCES sessions (id),
        number INTEGER NOT NULL,
        text TEXT NOT NULL,
        start_s REAL NOT NULL,
        end_s REAL NOT NULL,
        confidence REAL NOT NULL,
        role TEXT,
        behaviour TEXT,
        instruction TEXT,
        accepted INTEGER NOT NULL CHECK (accepted IN (0, 1)),
        reason TEXT,
        rep_number INTEGER, -- not yet closed, perhaps: no reference
        PRIMARY KEY (session_id, number),
        CHECK (accepted = (reason IS NULL))
    )""",
    """CREATE TABLE reps (
        session_id TEXT NOT NULL REFERENCES sessions (id),
        number INTEGER NOT NULL,
        behaviour TEXT NOT NULL,
        step INTEGER NOT NULL,
        outcome TEXT NOT NULL,
        start_s REAL NOT NULL,
        end_s REAL NOT NULL,
        cue_text TEXT,
        cue_start_s REAL,
        cue_end_s REAL,
        cue_confidence REAL,
        outcome_text TEXT,
        outcome_start_s REAL,
        outcome_end_s REAL,
        outcome_confidence REAL,
        recue INTEGER NOT NULL CHECK (recue IN (0, 1)),
        released INTEGER NOT NULL CHECK (released IN (0, 1)),
        PRIMARY KEY (session_id, number)
    )""",
    """CREATE TABLE rewards (
        session_id TEXT NOT NULL REFERENCES sessions (id),
        number INTEGER NOT NULL,
        rep_number INTEGER NOT NULL, -- the rep may still be open: no reference
        at_s REAL NOT NULL,
        PRIMARY KEY (session_id, number)
    )""",
    """CREATE TABLE decisions (
        session_id TEXT NOT NULL REFERENCES sessions (id),
        number INTEGER NOT NULL,
        at_s REAL NOT NULL,
        choice TEXT NOT NULL,
        because TEXT NOT NULL,
        rule TEXT NOT NULL,
        behaviour TEXT,
        step INTEGER,
        new_step INTEGER,
        reps TEXT NOT NULL, -- JSON array of rep numbers, oldest first
        correct INTEGER NOT NULL,
        PRIMARY KEY (session_id, number)
    )""",
    """CREATE TABLE prompts (
        session_id TEXT NOT NULL REFERENCES sessions (id),
        number INTEGER NOT NULL,
        key TEXT NOT NULL,
        text TEXT NOT NULL,
        start_s REAL NOT NULL,
        end_s REAL,
        why TEXT NOT NULL,
        behaviour TEXT,
        PRIMARY KEY (session_id, number)
    )""",
    """CREATE TABLE corrections (
        session_id TEXT NOT NULL REFERENCES sessions (id),
        number INTEGER NOT NULL,
        rep_number INTEGER NOT NULL,
        before TEXT, -- an outcome, or NULL for no rep
        after TEXT,
        why TEXT NOT NULL,
        at_s REAL NOT NULL,
        who TEXT NOT NULL,
        made_at TEXT NOT NULL,
        PRIMARY KEY (session_id, number),
        FOREIGN KEY (session_id, rep_number) REFERENCES reps (session_id, number)
    )""",
    """CREATE TABLE notes (
        session_id TEXT NOT NULL REFERENCES sessions (id),
        number INTEGER NOT NULL,
        at_s REAL NOT NULL,
        seconds REAL NOT NULL,
        wav TEXT NOT NULL, -- path relative to the folder of this database
        PRIMARY KEY (session_id, number)
    )""",
    """CREATE TABLE gaps (
        session_id TEXT NOT NULL REFERENCES sessions (id),
        number INTEGER NOT NULL,
        at_s REAL NOT NULL,
        lost_s REAL NOT NULL,
        PRIMARY KEY (session_id, number)
    )""",
    # Every rep with its outcome after the newest correction; NULL in `judged` means it was no rep.
    """CREATE VIEW judged_reps AS
        SELECT reps.*, CASE WHEN corrections.number IS NULL THEN reps.outcome ELSE corrections.after END AS judged
        FROM reps LEFT JOIN corrections
          ON corrections.session_id = reps.session_id
         AND corrections.number = (
                SELECT max(number) FROM corrections
                WHERE session_id = reps.session_id AND rep_number = reps.number)""",
)

_BY_DOG = ("CREATE INDEX sessions_by_dog ON sessions (dog COLLATE NOCASE)",)
_STEP_AT_START = ("ALTER TABLE behaviours ADD COLUMN step INTEGER",)  # NULL: from before this was written down

_CHANGED = {
    "behaviour": "TEXT",
    "step": "INTEGER",
    "outcome": "TEXT",
    "start_s": "REAL",
    "end_s": "REAL",
    "cue_text": "TEXT",
    "cue_start_s": "REAL",
    "cue_end_s": "REAL",
    "cue_confidence": "REAL",
    "outcome_text": "TEXT",
    "outcome_start_s": "REAL",
    "outcome_end_s": "REAL",
    "outcome_confidence": "REAL",
    "recue": "INTEGER",
    "released": "INTEGER",
}
# A correction may also change what a rep was: these columns are then those of the rep as it is from that row on, and
# all NULL otherwise. `part_of`: number of the correction it was made together with. `undoes`: of the one it takes back.
# A rep that a reviewer split off another, and that was never counted, has `added` set.
_REVIEW = (
    "ALTER TABLE reps ADD COLUMN added INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE corrections ADD COLUMN part_of INTEGER",
    "ALTER TABLE corrections ADD COLUMN undoes INTEGER",
    *(f"ALTER TABLE corrections ADD COLUMN {name} {kind}" for name, kind in _CHANGED.items()),
    "CREATE INDEX corrections_by_rep ON corrections (session_id, rep_number, number)",
    # Every rep as it was counted live, in the columns of the next view.
    "CREATE VIEW counted_reps AS SELECT *, outcome AS said, outcome AS judged FROM reps WHERE NOT added",
    # Every rep after corrections. The newest says its outcome (`judged`, NULL: it was no rep), the newest that says
    # what it was says the rest, with `said` for what its words say. `outcome` is as counted live: NULL if it was not.
    "DROP VIEW judged_reps",
    f"""CREATE VIEW judged_reps AS
        SELECT reps.session_id, reps.number, reps.added,
               CASE WHEN reps.added THEN NULL ELSE reps.outcome END AS outcome,
               CASE WHEN changed.number IS NULL THEN reps.outcome ELSE changed.outcome END AS said,
               CASE WHEN newest.number IS NULL THEN reps.outcome ELSE newest.after END AS judged,
               {", ".join(
                   f"CASE WHEN changed.number IS NULL THEN reps.{name} ELSE changed.{name} END AS {name}"
                   for name in _CHANGED
                   if name != "outcome"
               )}
        FROM reps
        LEFT JOIN corrections AS newest
          ON newest.session_id = reps.session_id
         AND newest.number = (
                SELECT max(number) FROM corrections
                WHERE session_id = reps.session_id AND rep_number = reps.number)
        LEFT JOIN corrections AS changed
          ON newest.number IS NOT NULL AND changed.session_id = reps.session_id
         AND changed.number = (
                SELECT max(number) FROM corrections
                WHERE session_id = reps.session_id AND rep_number = reps.number AND behaviour IS NOT NULL)""",
)  # fmt: skip

_ARCHIVED = (
    """CREATE TABLE archivings (
        number INTEGER PRIMARY KEY,
        dog TEXT NOT NULL,
        archived INTEGER NOT NULL CHECK (archived IN (0, 1)),
        made_at TEXT NOT NULL
    )""",
    # A dog is archived when the newest row about it says so, and comes back by being trained.
    """CREATE VIEW archived_dogs AS
        SELECT dog, made_at FROM archivings AS newest
        WHERE archived
          AND NOT EXISTS (
                SELECT 1 FROM archivings WHERE dog = newest.dog COLLATE NOCASE
                AND (julianday(made_at), number) > (julianday(newest.made_at), newest.number))
          AND NOT EXISTS (
                SELECT 1 FROM sessions WHERE dog = newest.dog COLLATE NOCASE
                AND julianday(started_at) > julianday(newest.made_at))""",
)

# The rules had raised it in an earlier session of that day; 0 in sessions from before that was asked.
_RAISED_TODAY = ("ALTER TABLE behaviours ADD COLUMN raised_today INTEGER NOT NULL DEFAULT 0",)

STEPS: dict[str, tuple[str, ...]] = {
    "0001_first": _FIRST,
    "0002_sessions_by_dog": _BY_DOG,
    "0003_step_at_start": _STEP_AT_START,
    "0004_review": _REVIEW,
    "0005_archived_dogs": _ARCHIVED,
    "0006_raised_today": _RAISED_TODAY,
}
"""Name of each step -> its statements, in the order in which they run."""


def apply(db: Database) -> None:
    """Run the steps that this database has not had yet. The caller holds the transaction."""
    migrations = sqlite_utils().Migrations(SET_NAME)
    for name, statements in STEPS.items():

        def step(db: Database, statements: tuple[str, ...] = statements) -> None:
            for statement in statements:
                db.execute(statement)

        migrations(name=name)(step)
    migrations.apply(db)

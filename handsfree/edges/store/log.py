"""What can be written to the log and read from it, in the values of the core.

Every append is committed before it returns. Nothing is changed or deleted afterwards, save that a session gets its end.
"""

from __future__ import annotations

import contextlib
import hashlib
import sqlite3
import uuid
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, TypeVar

from handsfree.core.corrections import Change, Overtaken
from handsfree.core.errors import UserError
from handsfree.core.events import Correction, Decision, EndReason, LogWord, OweReward, Rep
from handsfree.core.history import History
from handsfree.core.log import (
    DogTotals,
    Gap,
    JudgedRep,
    MadeCorrection,
    Note,
    SaidPrompt,
    Session,
    SessionLog,
    SessionStart,
    SessionTotals,
    TrainedBehaviour,
)
from handsfree.edges.store import copies, dogs, merging, rows
from handsfree.edges.store.database import BUSY_S, LiveMark, LogFile, insert
from handsfree.edges.store.history import history
from handsfree.edges.store.streams import Streams

if TYPE_CHECKING:
    from sqlite_utils import Database

Value = TypeVar("Value")

LAST = "last"
"""Reference to the session that started last."""

_NEWEST = "ORDER BY julianday(started_at) DESC, sessions.rowid DESC"
_OLDEST = "ORDER BY julianday(started_at), sessions.rowid"
_NOT_ARCHIVED = "dog COLLATE NOCASE NOT IN (SELECT dog FROM archived_dogs)"
_LAST_TIME = """SELECT coalesce(max(t), 0) AS t FROM (
    SELECT max(end_s) AS t FROM words WHERE session_id = :id
    UNION ALL SELECT max(end_s) FROM reps WHERE session_id = :id
    UNION ALL SELECT max(at_s) FROM rewards WHERE session_id = :id
    UNION ALL SELECT max(at_s) FROM decisions WHERE session_id = :id
    UNION ALL SELECT max(coalesce(end_s, start_s)) FROM prompts WHERE session_id = :id
    UNION ALL SELECT max(at_s + seconds) FROM notes WHERE session_id = :id
    UNION ALL SELECT max(at_s + lost_s) FROM gaps WHERE session_id = :id)"""
_STEPS = """SELECT behaviour, step FROM (
    SELECT started_at, sessions.rowid AS row, behaviour, step, start_s AS at_s
      FROM sessions JOIN reps ON session_id = sessions.id WHERE dog = :dog COLLATE NOCASE
    UNION ALL
    SELECT started_at, sessions.rowid, behaviour, new_step, at_s
      FROM sessions JOIN decisions ON session_id = sessions.id
      WHERE dog = :dog COLLATE NOCASE AND behaviour IS NOT NULL AND new_step IS NOT NULL)
  ORDER BY julianday(started_at), row, at_s"""


_RAISED = """SELECT started_at, at_s, behaviour FROM sessions JOIN decisions ON session_id = id
    WHERE dog = :dog COLLATE NOCASE AND choice = 'raise' AND substr(started_at, 1, 10) IN (:eve, :day)"""


class Store:
    """The log of all sessions. One thread owns it; others get sqlite3.ProgrammingError.

    Every method raises UserError when the database cannot be read or written; what was appended before stays.
    """

    def __init__(self, file: LogFile) -> None:
        self._file = file
        self._session_id: str | None = None
        self._mark: LiveMark | None = None

    @classmethod
    def open(cls, path: Path, *, read_only: bool = False, busy_s: float = BUSY_S) -> Store:
        """Open the log at `path`; it is made, with its folders, unless `read_only`.

        `busy_s` is how long each call waits for another program that is writing. Raises UserError.
        """
        return cls(LogFile(path, read_only=read_only, busy_s=busy_s))

    def close(self) -> None:
        """Close the file. A session that has not ended shows as interrupted from now on."""
        self._file.close()
        if self._mark:
            self._mark.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # Writing a session

    def begin(self, start: SessionStart) -> str:
        """Write down that a session begins; what is added from now on belongs to it. Returns its id, a UUID in hex."""
        session_id = uuid.uuid4().hex
        plan = start.plan
        behaviours = tuple(
            TrainedBehaviour(
                b.name,
                b.tag,
                b.start_step,
                b.steps,
                start.steps.get(b.name, b.start_step),
                b.name in start.raised_today,
            )
            for b in plan.behaviours
        )
        session = Session(
            id=session_id,
            dog=plan.dog,
            handler=plan.handler,
            place=plan.place,
            started_at=start.started_at,
            plan_text=start.plan_text,
            plan_sha256=hashlib.sha256(start.plan_text.encode()).hexdigest(),
            tool_version=start.tool_version,
            model=start.model,
            model_sha256=start.model_sha256,
            source=start.source,
            behaviours=behaviours,
            ended_s=None,
            end_reason=None,
        )
        with contextlib.ExitStack() as on_failure:
            with self._file.writing() as db:
                mark = LiveMark(self._file.path, session_id)
                on_failure.callback(mark.close)
                db.table("sessions").insert(rows.session_row(session))
                db.table("behaviours").insert_all(rows.behaviour_rows(session))
            on_failure.pop_all()
        if self._mark:
            self._mark.close()
        self._mark, self._session_id = mark, session_id
        return session_id

    def add_word(self, entry: LogWord) -> None:
        self._append("words", rows.word_row(entry))

    def add_rep(self, rep: Rep) -> None:
        """On disk when this returns: only then may the rep be announced."""
        self._append("reps", rows.rep_row(rep))

    def add_reward(self, reward: OweReward) -> None:
        self._append("rewards", rows.reward_row(reward))

    def add_decision(self, decision: Decision) -> None:
        self._append("decisions", rows.decision_row(decision))

    def add_prompt(self, prompt: SaidPrompt) -> None:
        self._append("prompts", rows.prompt_row(prompt))

    def add_note(self, note: Note) -> None:
        self._append("notes", rows.note_row(note))

    def add_gap(self, gap: Gap) -> None:
        self._append("gaps", rows.gap_row(gap))

    def add_correction(self, correction: Correction, *, who: str = "voice", session_id: str | None = None) -> None:
        """Write down a correction made now; of the running session, or of the session named (afterwards, by hand)."""
        made = MadeCorrection(correction, who, datetime.now().astimezone())
        self._append("corrections", rows.correction_row(made), session_id)

    def add_change(self, session_id: str, seen: int, change: Change) -> tuple[MadeCorrection, ...]:
        """Write down what a reviewer changed, all its corrections or none; return them as they were written.

        `seen` is how many corrections of the session the reviewer knew. Raises Overtaken if there are more by now.
        """
        made_at = datetime.now().astimezone()
        with self._file.transaction() as connection:
            query = "SELECT coalesce(max(number), 0) AS last FROM corrections WHERE session_id = ?"
            if self._file.rows(query, (session_id,))[0]["last"] != seen:
                raise Overtaken("somebody else has corrected this session meanwhile; nothing was written")
            first = seen + 1
            made = tuple(
                MadeCorrection(one, change.who, made_at, None if at == 0 else first, change.undoes)
                for at, one in enumerate(change.corrections)
            )
            new = [
                {"session_id": session_id, "number": number, **rows.correction_row(one)}
                for number, one in enumerate(made, start=first)
            ]
            for one in change.corrections:
                query = "SELECT 1 FROM reps WHERE session_id = ? AND number = ?"
                if one.rep and not self._file.rows(query, (session_id, one.rep_number)):
                    self._insert(
                        connection, "reps", [{"session_id": session_id, **rows.rep_row(one.rep, True)}], session_id
                    )
            self._insert(connection, "corrections", new, session_id)
        return made

    def end(self, session_id: str, reason: EndReason, at_s: float) -> None:
        """Write down the end of a session. Does nothing if it has ended already."""
        with self._file.writing() as db:
            self._write_end(db, session_id, reason, at_s)
        if session_id == self._session_id and self._mark:
            self._mark.close()
            self._mark = None

    def add_whole(self, logs: Iterable[SessionLog]) -> int:
        """Write sessions that are over, each with all that belongs to it, in one transaction; return how many.

        The fast way in for many sessions at once (100,000 rows a second or so, where a live append waits for the disk
        every time). Of a rep its count goes in; its judged outcome follows from the corrections. Every id must be new:
        raises UserError, with none of them written, when one is not.
        """
        count = 0
        with self._file.transaction() as connection:
            for log in logs:
                if log.session.ended_s is None:
                    raise ValueError(f"session {log.session.id} is not over")
                for table, new in rows.whole(log):
                    self._insert(connection, table, new, log.session.id)
                count += 1
        return count

    def _insert(self, connection: sqlite3.Connection, table: str, new: list[dict[str, Any]], session_id: str) -> None:
        try:
            insert(connection, table, new)
        except sqlite3.IntegrityError as error:
            if table != "sessions":
                raise
            raise UserError(f"{self._file.path}: session {session_id} is in this log already") from error

    def close_interrupted(self) -> list[Session]:
        """End, as INTERRUPTED, each session whose process was killed; its end is the last time it wrote down.

        A session that runs in a living process is left alone. Returns the sessions closed, oldest first.
        """
        closed = []
        with self._file.writing() as db:  # nobody can be between making a mark and writing its session meanwhile
            left_open = [
                row["id"] for row in self._file.rows(f"SELECT id FROM sessions WHERE ended_s IS NULL {_OLDEST}")
            ]
            killed_before_its_row = LiveMark.all_of(self._file.path).difference(left_open)
            for session_id in [*left_open, *killed_before_its_row]:
                try:
                    mark = LiveMark(self._file.path, session_id)
                except BlockingIOError:
                    continue
                with contextlib.closing(mark):
                    if session_id in left_open:
                        last_s = self._file.rows(_LAST_TIME, {"id": session_id})[0]["t"]
                        self._write_end(db, session_id, EndReason.INTERRUPTED, last_s)
                        closed.append(session_id)
        return [self.session(session_id) for session_id in closed]

    def _write_end(self, db: Database, session_id: str, reason: EndReason, at_s: float) -> None:
        query = "SELECT started_at FROM sessions WHERE id = ? AND ended_s IS NULL"
        for row in self._file.rows(query, (session_id,)):
            ended = datetime.fromisoformat(row["started_at"]) + timedelta(seconds=at_s)
            values = {"ended_s": at_s, "ended_at": rows.time_text(ended), "end_reason": reason.value}
            db.table("sessions").update(session_id, values)

    def _append(self, table: str, row: dict[str, Any], session_id: str | None = None) -> None:
        """Add one row to a session and commit. Without a `number` it gets the next one of its table and session."""
        session_id = session_id or self._session_id
        if session_id is None:
            raise RuntimeError(f"no session has begun: nothing can be added to {table}")
        with self._file.writing() as db:
            if "number" not in row:
                query = f"SELECT coalesce(max(number), 0) + 1 AS next FROM {table} WHERE session_id = ?"
                row = {"number": self._file.rows(query, (session_id,))[0]["next"], **row}
            db.table(table).insert({"session_id": session_id, **row})

    # The log as a whole

    def archive(self, dog: str, archived: bool) -> DogTotals | None:
        """Write down that a dog is archived, or is no longer; None if it was so already. UserError: no such dog."""
        return dogs.archive(self._file, dog, archived)

    def backup(self, target: Path, replace: bool = False) -> list[DogTotals]:
        """Write all of it to one file, checked, which appears whole or not at all; return what is in it.

        A session may run meanwhile.
        """
        return copies.backup(self._file, target, replace)

    def namesakes(self, copy: copies.Copy) -> list[merging.Namesake]:
        """Dogs of one name here and in the log `copy` was made of, of which nothing shows whether they are the same."""
        return merging.namesakes(self._file, copy.file)

    def merge(self, copy: copies.Copy, names: Mapping[str, str]) -> merging.Merged:
        """Add what is known there and not here, all in one transaction.

        `names` says what their dogs are called here; every namesake must be in it.
        """
        named = {dogs.folded(theirs): ours for theirs, ours in names.items()}
        return merging.merge((self, self._file), (Store(copy.file), copy.file), named, copy.busy)

    # Reading

    def dogs(self) -> list[DogTotals]:
        """Every dog, those that are not archived first, then by when they were trained last."""
        return dogs.totals(self._file)

    def archived(self) -> list[str]:
        """Names of the dogs that are archived."""
        return [row["dog"] for row in self._file.rows("SELECT dog FROM archived_dogs ORDER BY dog COLLATE NOCASE")]

    def sessions(self, dog: str | None = None, *, archived: bool = True) -> list[SessionTotals]:
        """All sessions, or those of one dog (its name in any case), newest first, with their reps counted.

        `archived` False leaves out those of archived dogs.
        """
        where = "WHERE dog = :dog COLLATE NOCASE" if dog is not None else "" if archived else f"WHERE {_NOT_ARCHIVED}"
        found = self._file.rows(f"SELECT * FROM sessions {where} {_NEWEST}", {"dog": dog})
        counts = {
            row["session_id"]: (row["reps"], row["correct"])
            for row in self._file.rows(
                "SELECT session_id, count(judged) AS reps, sum(coalesce(judged = 'correct', 0)) AS correct "
                f"FROM judged_reps WHERE session_id IN (SELECT id FROM sessions {where}) GROUP BY session_id",
                {"dog": dog},
            )
        }
        return [SessionTotals(self._session_of(row), *counts.get(row["id"], (0, 0))) for row in found]

    def session(self, reference: str = LAST, dog: str | None = None) -> Session:
        """The session of that id, or of the only id that starts so, or the last: of a dog, or of any not archived.

        Raises UserError if there is none.
        """
        if reference == LAST:
            where = _NOT_ARCHIVED if dog is None else "dog = :dog COLLATE NOCASE"
            found = self._file.rows(f"SELECT * FROM sessions WHERE {where} {_NEWEST} LIMIT 1", {"dog": dog})
            if not found:
                raise self._none(dog)
        else:
            found = self._file.rows(
                f"SELECT * FROM sessions WHERE id BETWEEN :start AND :start || 'g' {_NEWEST}",  # ids are hexadecimal
                {"start": reference.lower()},
            )
            if not reference or not found:
                raise UserError(
                    f"{self._file.path}: no session {reference!r}; `handsfree summary --list` shows them all"
                )
            if len(found) > 1:
                some = ", ".join(row["id"][: len(reference) + 4] for row in found[:3])
                raise UserError(
                    f"{self._file.path}: {len(found)} sessions start with {reference!r} ({some}); give more of it"
                )
        return self._session_of(found[0])

    def _none(self, dog: str | None) -> UserError:
        known = [one.name for one in self.dogs()]
        if not known:
            return UserError(f"{self._file.path}: no sessions yet; run one with `handsfree session PLAN`")
        if dog is not None:
            return UserError(f"{self._file.path}: no session of {dog}; there are: {', '.join(known)}")
        return UserError(
            f"{self._file.path}: every dog in it is archived ({', '.join(known)}); name one with --dog, or bring it "
            "back with `handsfree dogs --bring-back NAME`"
        )

    def session_log(self, reference: str = LAST) -> SessionLog:
        """Everything written down about one session. Raises UserError when there is none."""
        session = self.session(reference)
        return SessionLog(
            session=session,
            words=self.words(session.id),
            reps=self.reps(session.id),
            rewards=self._read("rewards", session.id, rows.reward_from),
            decisions=self.decisions(session.id),
            prompts=self._read("prompts", session.id, rows.prompt_from),
            corrections=self._read("corrections", session.id, rows.correction_from),
            notes=self._read("notes", session.id, rows.note_from),
            gaps=self._read("gaps", session.id, rows.gap_from),
        )

    def words(self, session_id: str) -> tuple[LogWord, ...]:
        return self._read("words", session_id, rows.word_from)

    def reps(self, session_id: str) -> tuple[JudgedRep, ...]:
        """Every rep as counted live (`rep`) and as corrected (`outcome`)."""
        found = self._read("judged_reps", session_id, rows.rep_from, "start_s, number")
        changed = "SELECT 1 FROM corrections WHERE session_id = ? AND behaviour IS NOT NULL LIMIT 1"
        if not self._file.rows(changed, (session_id,)):
            return found
        counted = {rep.number: rep for rep in self._read("counted_reps", session_id, rows.counted_rep_from)}
        return tuple(
            one if counted.get(one.rep.number) in (None, one.rep) else replace(one, counted=counted[one.rep.number])
            for one in found
        )

    def decisions(self, session_id: str) -> tuple[Decision, ...]:
        return self._read("decisions", session_id, rows.decision_from)

    @property
    def streams(self) -> Streams:
        """Reading many sessions in constant memory."""
        return Streams(self._file)

    def history(self, dog: str) -> History:
        """All sessions of one dog (its name in any case) for looking at together; it may have none."""
        return history(self._file, dog)

    def current_steps(self, dog: str) -> dict[str, int]:
        """Behaviour -> the step this dog had reached when it was last trained. The plan may have fewer steps by now."""
        return {row["behaviour"]: row["step"] for row in self._file.rows(_STEPS, {"dog": dog})}

    def raised_on(self, dog: str, day: date) -> frozenset[str]:
        """Behaviours of this dog that the rules raised on a day, by the clock on the wall where it was."""
        found = self._file.rows(_RAISED, {"dog": dog, "eve": f"{day - timedelta(days=1)}", "day": f"{day}"})
        return frozenset(
            row["behaviour"]
            for row in found
            if (datetime.fromisoformat(row["started_at"]) + timedelta(seconds=row["at_s"])).date() == day
        )

    def revision(self, session_id: str) -> tuple[int, int, int, bool]:
        """How many corrections, reps and words of a session are written down, and whether it has ended."""
        counts = [
            self._file.rows(f"SELECT coalesce(max(number), 0) AS last FROM {table} WHERE session_id = ?", (session_id,))
            for table in ("corrections", "reps", "words")
        ]
        ended = self._file.rows("SELECT ended_s IS NOT NULL AS ended FROM sessions WHERE id = ?", (session_id,))
        corrections, reps, words = (found[0]["last"] for found in counts)
        return corrections, reps, words, bool(ended and ended[0]["ended"])

    def _read(
        self, table: str, session_id: str, value: Callable[[rows.Row], Value], order: str = "number"
    ) -> tuple[Value, ...]:
        found = self._file.rows(f"SELECT * FROM {table} WHERE session_id = ? ORDER BY {order}", (session_id,))
        try:
            return tuple(value(row) for row in found)
        except ValueError as error:
            raise self._file.damaged(f"{table} of session {session_id}") from error

    def _session_of(self, row: rows.Row) -> Session:
        return rows.session_from(row, self._read("behaviours", row["id"], rows.behaviour_from))

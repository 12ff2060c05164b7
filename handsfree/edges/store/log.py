"""What can be written to the log, in the values of the core; queries.py has what can be asked of it.

Every append is committed before it returns. Nothing is changed or deleted afterwards, save that a session gets its end.
"""

from __future__ import annotations

import contextlib
import hashlib
import sqlite3
import uuid
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from handsfree.core.corrections import Change, Overtaken
from handsfree.core.errors import UserError
from handsfree.core.events import Correction, Decision, EndReason, LogWord, OweReward, Rep
from handsfree.core.log import (
    VOICE,
    DogTotals,
    Gap,
    MadeCorrection,
    Note,
    SaidPrompt,
    Session,
    SessionLog,
    SessionStart,
    TrainedBehaviour,
)
from handsfree.edges.store import copies, dogs, merging, rows
from handsfree.edges.store.database import BUSY_S, LiveMark, LogFile, insert
from handsfree.edges.store.queries import Queries

if TYPE_CHECKING:
    from sqlite_utils import Database

_OLDEST = "ORDER BY julianday(started_at), sessions.rowid"
_LAST_TIME = """SELECT coalesce(max(t), 0) AS t FROM (
    SELECT max(end_s) AS t FROM words WHERE session_id = :id
    UNION ALL SELECT max(end_s) FROM reps WHERE session_id = :id
    UNION ALL SELECT max(at_s) FROM rewards WHERE session_id = :id
    UNION ALL SELECT max(at_s) FROM decisions WHERE session_id = :id
    UNION ALL SELECT max(coalesce(end_s, start_s)) FROM prompts WHERE session_id = :id
    UNION ALL SELECT max(at_s + seconds) FROM notes WHERE session_id = :id
    UNION ALL SELECT max(at_s + lost_s) FROM gaps WHERE session_id = :id)"""


class Store(Queries):
    """The log of all sessions. One thread owns it; others get sqlite3.ProgrammingError.

    Every method raises UserError when the database cannot be read or written; what was appended before stays.
    """

    def __init__(self, file: LogFile) -> None:
        super().__init__(file)
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

    def add_correction(self, correction: Correction, *, who: str = VOICE, session_id: str | None = None) -> None:
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

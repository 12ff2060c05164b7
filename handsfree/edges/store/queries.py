"""What can be asked of the log, in the values of the core. Nothing here writes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import TypeVar

from handsfree.core.errors import UserError
from handsfree.core.events import Decision, LogWord
from handsfree.core.history import History
from handsfree.core.log import DogTotals, JudgedRep, Session, SessionLog, SessionTotals
from handsfree.edges.store import dogs, rows
from handsfree.edges.store.database import LogFile
from handsfree.edges.store.history import history
from handsfree.edges.store.streams import Streams

Value = TypeVar("Value")

LAST = "last"
"""Reference to the session that started last."""

_NEWEST = "ORDER BY julianday(started_at) DESC, sessions.rowid DESC"
_NOT_ARCHIVED = "dog COLLATE NOCASE NOT IN (SELECT dog FROM archived_dogs)"
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


class Queries:
    """The read side of the log. Every method raises UserError when it cannot be read."""

    def __init__(self, file: LogFile) -> None:
        self._file = file

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

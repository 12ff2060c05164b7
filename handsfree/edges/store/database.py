"""The database file itself: opening it safely, one transaction at a time, and its troubles in plain words.

sqlite-utils makes the tables and writes the rows. It is imported on the first write only: reading needs no more than
the standard library, and the import takes longer than most summaries.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from handsfree.core.errors import UserError
from handsfree.edges.store import migrations
from handsfree.edges.store.utils import sqlite_utils

if TYPE_CHECKING:
    from sqlite_utils import Database

BUSY_S = 3.0
"""How long to wait for another program that is writing, seconds. Sound queues up meanwhile; none is lost."""

_AGAIN_S = 0.01

CHECKED_BYTES = 32_000_000
"""A log up to this size (700 sessions or so) is checked whole when it is opened, in 0.1 s; of a larger one only
the table of sessions is. Damage elsewhere in it shows when the place is read or written."""


class LogFile:
    """An open, checked database at the newest schema. Belongs to the thread that opened it."""

    def __init__(self, path: Path, *, read_only: bool = False, busy_s: float = BUSY_S) -> None:
        """Open `path`, which is created with its folders unless `read_only`. Raises UserError with the remedy."""
        self.path = path
        self._utils: Database | None = None
        if not read_only:
            _create(path)
        elif not path.exists():
            raise UserError(f"{path}: no log there yet; run a session first, or name another log with --log")
        if path.is_dir():
            raise UserError(f"{path}: this is a folder; name a file in it, such as {path / 'handsfree.db'}")
        with plain_errors(path):
            self._connection = sqlite3.connect(path, timeout=busy_s)
            self._connection.row_factory = sqlite3.Row
        try:
            with plain_errors(path):
                self._prepare(read_only, busy_s)
        except BaseException:
            self._connection.close()
            raise

    def _prepare(self, read_only: bool, busy_s: float) -> None:
        applied = self._applied_steps()
        unknown = [name for name in applied if name not in migrations.STEPS]
        if unknown:
            raise UserError(
                f"{self.path}: written by a newer version of handsfree (it has {unknown[0]!r}); update handsfree, "
                "or name another log with --log"
            )
        small = self.path.stat().st_size <= CHECKED_BYTES
        if self._first_value(f"PRAGMA quick_check({1 if small else 'sessions'})") != "ok":
            raise sqlite3.DatabaseError("malformed")
        # A rep that was announced must survive a power cut: FULL syncs the write-ahead log at every commit, fullfsync
        # makes macOS do so in earnest. Where WAL is impossible SQLite keeps its rollback journal, which is as safe.
        self._write_ahead(busy_s)
        self._connection.execute("PRAGMA synchronous = FULL")
        self._connection.execute("PRAGMA fullfsync = ON")
        self._connection.execute("PRAGMA foreign_keys = ON")
        if len(applied) < len(migrations.STEPS):
            with self.writing() as db:
                migrations.apply(db)
        if read_only:
            self._connection.execute("PRAGMA query_only = ON")
        else:
            with self.transaction():
                pass  # a read-only or locked file says so now, not at the first rep

    def _applied_steps(self) -> list[str]:
        """Names of the migration steps this database has had. Raises UserError if it is somebody else's database."""
        with self.reading():  # one look: another program may be making this log just now
            found = applied_steps(self._connection)
            if not found and self.rows("SELECT 1 FROM sqlite_master WHERE type = 'table'"):
                raise UserError(f"{self.path}: a database, but not a log of handsfree; name another file with --log")
        return found

    def _write_ahead(self, busy_s: float) -> None:
        """Switch a new log to the write-ahead log, however many programs do so at once.

        Of two that both read and both want the whole file, SQLite refuses one at once instead of letting it wait.
        """
        give_up = time.monotonic() + busy_s
        while True:
            try:
                self._connection.execute("PRAGMA journal_mode = WAL")
                return
            except sqlite3.OperationalError as error:
                if not is_locked(error) or time.monotonic() > give_up:
                    raise
            time.sleep(_AGAIN_S)

    @contextlib.contextmanager
    def writing(self) -> Iterator[Database]:
        """One transaction of sqlite-utils. Raises UserError."""
        if self._utils is None:
            self._utils = sqlite_utils().Database(self._connection, execute_plugins=False)
        with self.transaction():
            yield self._utils

    @contextlib.contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """One transaction: on disk when the block is left, or not there at all. Raises UserError.

        It takes the write lock at once. A transaction that starts by reading could be refused without waiting when
        another program writes in between.
        """
        with plain_errors(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException:
                # A full disk has ended the transaction already; a second ROLLBACK would hide what went wrong.
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise

    def rows(self, query: str, values: Sequence[Any] | Mapping[str, Any] = ()) -> list[sqlite3.Row]:
        """All rows of a query. Raises UserError."""
        with plain_errors(self.path):
            return self._connection.execute(query, values).fetchall()

    def tuples(self, query: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """All rows of a query as plain tuples, which are unpacked in half the time. Raises UserError."""
        with plain_errors(self.path):
            cursor = self._connection.cursor()
            cursor.row_factory = None
            return cursor.execute(query, values).fetchall()

    @contextlib.contextmanager
    def reading(self) -> Iterator[None]:
        """One read transaction: every query inside sees the log as the first of them did. Raises UserError."""
        with plain_errors(self.path):
            self._connection.execute("BEGIN")
        try:
            yield
        finally:
            with plain_errors(self.path):
                self._connection.execute("ROLLBACK")

    def _first_value(self, query: str) -> Any:
        return self._connection.execute(query).fetchone()[0]

    def damaged(self, where: str) -> UserError:
        """The error for a row that SQLite can read but that says what no version of ours ever wrote."""
        return UserError(f"{self.path}: {where}: {_DAMAGED}")

    @property
    def connection(self) -> sqlite3.Connection:
        return self._connection

    def close(self) -> None:
        self._connection.close()


def applied_steps(connection: sqlite3.Connection) -> list[str]:
    """Names of the migration steps a database has had; none if it is empty, or somebody else's."""
    if not connection.execute("SELECT 1 FROM sqlite_master WHERE name = '_sqlite_migrations'").fetchall():
        return []
    query = "SELECT name FROM _sqlite_migrations WHERE migration_set = ? ORDER BY id"
    return [name for (name,) in map(tuple, connection.execute(query, (migrations.SET_NAME,)))]


def insert(connection: sqlite3.Connection, table: str, new: Sequence[Mapping[str, Any]]) -> None:
    """Write rows that all have the same columns. The caller holds the transaction."""
    if new:
        columns, marks = ", ".join(new[0]), ", ".join("?" * len(new[0]))
        query = f"INSERT INTO {table} ({columns}) VALUES ({marks})"
        connection.executemany(query, (tuple(row.values()) for row in new))


class LiveMark:
    """Shows other processes that a session is running: a file beside the log that its process keeps locked.

    The lock is SQLite's own (so it works wherever the log does) and the system drops it when the process ends, however
    it ends. A process number would not do: numbers are used again, and mean nothing on another machine.
    """

    def __init__(self, log: Path, session_id: str) -> None:
        """Take the mark. Raises UserError, and BlockingIOError when a running process holds it."""
        self._path = _mark_path(log, session_id)
        with plain_errors(log):
            self._connection = sqlite3.connect(self._path, timeout=0, isolation_level=None)
        try:
            with plain_errors(log):
                self._connection.execute("PRAGMA journal_mode = MEMORY")  # nothing is written: no second file
                self._connection.execute("BEGIN EXCLUSIVE")
        except UserError as error:
            self._connection.close()
            if is_locked(error.__cause__):
                raise BlockingIOError(f"{self._path} is held by a running session") from error
            raise

    @staticmethod
    def all_of(log: Path) -> set[str]:
        """Ids of the sessions that have a mark beside this log, held or left behind."""
        prefix = _mark_path(log, "").name
        return {file.name[len(prefix) :] for file in log.parent.iterdir() if file.name.startswith(prefix)}

    @staticmethod
    def is_held(log: Path, session_id: str) -> bool:
        """Whether a living process holds the mark of a session that has begun."""
        if session_id not in LiveMark.all_of(log):
            return False
        try:
            LiveMark(log, session_id).close()
        except BlockingIOError:
            return True
        except UserError:  # nobody can hold a mark where nothing can be written
            return False
        return False

    def close(self) -> None:
        """Drop the mark and its file. Does nothing the second time."""
        self._connection.close()
        with contextlib.suppress(OSError):  # on Windows another process may just be looking at it; the file is harmless
            self._path.unlink()


def _mark_path(log: Path, session_id: str) -> Path:
    return log.with_name(f"{log.name}-live-{session_id}")


def _create(path: Path) -> None:
    """An empty file that only its owner can read, in folders that only their owner can enter. Raises UserError."""
    try:
        for folder in reversed([path.parent, *path.parent.parents]):
            if not folder.exists():
                folder.mkdir(mode=0o700, exist_ok=True)
        if not path.exists():
            os.close(os.open(path, os.O_CREAT | os.O_WRONLY, 0o600))
    except OSError as error:
        raise UserError(
            f"{path}: no log can be made there ({error.strerror}); name another place with --log or HANDSFREE_HOME"
        ) from error


_DAMAGED = "damaged; move it away (keep it: `sqlite3 FILE .recover` may save most of it) and run this again"
_TROUBLES = {
    "locked": "locked by another program; close it and run this again. Everything counted so far is safe",
    "disk is full": "the disk is full; free some space and run this again. Everything counted so far is safe",
    "disk i/o error": "the disk failed to read or write it; check the disk. Everything counted so far is safe",
    "readonly": "the file or its folder is read-only; make both writable, or name another log with --log",
    "unable to open": "cannot be opened; check that you may read and write the file and its folder, or use --log",
    "not a database": "not a database; name another file with --log",
    "malformed": _DAMAGED,
    "could not decode": _DAMAGED,
}
"""Part of SQLite's message -> what is wrong and how to mend it. (Before Python 3.11 its error codes are hidden.)"""


def is_locked(error: BaseException | None) -> bool:
    return isinstance(error, sqlite3.OperationalError) and "locked" in str(error)


@contextlib.contextmanager
def plain_errors(path: Path) -> Iterator[None]:
    """Turn what SQLite says into a UserError about `path`. A mistake of our own stays as it is."""
    try:
        yield
    except (sqlite3.ProgrammingError, sqlite3.IntegrityError):
        raise
    except sqlite3.DatabaseError as error:
        said = str(error).lower()
        for sign, trouble in _TROUBLES.items():
            if sign in said:
                raise UserError(f"{path}: {trouble}") from error
        raise UserError(f"{path}: the log cannot be used ({error}); name another log with --log") from error

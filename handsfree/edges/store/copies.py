"""One-file copies of a log: backups, giving one back, and looking into one from elsewhere.

A copy is made with SQLite's own backup, in one step: a session may go on writing, and the copy is the log as it stood
at one moment. (A log in use is three files; copied by other means they may not fit together.)
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from handsfree.core.errors import UserError
from handsfree.core.log import DogTotals
from handsfree.edges.store import migrations
from handsfree.edges.store.database import BUSY_S, LiveMark, LogFile, applied_steps, plain_errors
from handsfree.edges.store.dogs import totals

_MAGIC = b"SQLite format 3\0"
_DAMAGED = "damaged; use another backup (keep this file: `sqlite3 FILE .recover` may save most of it)"
_SIGNS_OF_DAMAGE = ("malformed", "not a database", "could not decode")


@dataclass(frozen=True, slots=True)
class Copy:
    """A copy of a log at the newest schema: `file` names the original in what it says, `path` is the copy itself.

    busy  ids of the sessions that were being written to the original when it was copied
    """

    file: LogFile
    path: Path
    busy: frozenset[str]


def backup(file: LogFile, target: Path, replace: bool = False) -> list[DogTotals]:
    """Write a copy of the log to `target`, checked and complete when it appears there; return what is in it.

    Raises UserError.
    """
    _refuse(target, file.path, replace)
    with plain_errors(file.path), _scratch(target.parent, target) as scratch, _written(target):
        made = Path(scratch, target.name)
        _copy(file.connection, made)
        with contextlib.closing(LogFile(made)) as copy:
            found = totals(copy)
        _make_one_file(made)
        os.replace(made, target)
        with contextlib.suppress(OSError):  # a folder cannot be opened everywhere
            folder = os.open(target.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
    return found


def restore(log: Path, source: Path, backup_first: Path | None) -> bool:
    """Put back what a backup holds; whether there was something in the log, which `backup_first` now holds.

    One transaction. Raises UserError, with the log as it was, if the backup is not in order, if a session is running,
    or if the log holds sessions and `backup_first` is None.
    """
    if same(source, log) or (backup_first and same(source, backup_first)):
        raise UserError(f"{source}: this is what would be written over; name another file")
    with copy_of(source, log) as copy, contextlib.closing(LogFile(log)) as file:
        file.rows("ATTACH DATABASE ? AS backup", (str(copy.path),))
        with file.transaction() as connection:
            if running(file):
                raise UserError(f"{log}: a session is running; end it first")
            (held,) = file.tuples("SELECT count(*) FROM sessions")[0]
            if held and backup_first is None:
                raise UserError(
                    f"{log}: holds {held} session{'' if held == 1 else 's'}, which would be lost; name a file for them "
                    "with --backup-first, or use `handsfree merge`, which adds to what is there"
                )
            if held and backup_first:
                with contextlib.closing(LogFile(log, read_only=True)) as before:
                    backup(before, backup_first)
            connection.execute("PRAGMA defer_foreign_keys = ON")
            for (table,) in file.tuples("SELECT name FROM backup.sqlite_master WHERE type = 'table'"):
                if not table.startswith("_"):
                    names = ", ".join(row["name"] for row in file.rows(f"PRAGMA backup.table_info({table})"))
                    connection.execute(f"DELETE FROM main.{table}")
                    connection.execute(
                        f"INSERT INTO main.{table} (rowid, {names}) SELECT rowid, {names} FROM backup.{table}"
                    )
    return bool(held)


@contextlib.contextmanager
def copy_of(source: Path, log: Path) -> Iterator[Copy]:
    """Copy a log or a backup, which stays as it is, whatever its version. Raises UserError if it is not in order.

    The copy lies in a folder of its own beside the log it is for, and goes afterwards.
    """
    check(source)
    beside = next(folder for folder in log.absolute().parents if folder.is_dir())
    with _scratch(beside, log) as scratch:
        made = Path(scratch, source.name)
        with _read(source) as connection, _written(log):
            _copy(connection, made)
        with contextlib.closing(LogFile(made)) as copy:
            copy.path = source  # what is found wrong with it is wrong there
            yield Copy(copy, made, running(copy))


def check(path: Path) -> None:
    """Raise UserError if this is no log or backup of ours, or one of a newer version. Nothing is written."""
    try:
        with path.open("rb") as file:
            start = file.read(len(_MAGIC))
    except FileNotFoundError as error:
        raise UserError(f"{path}: there is no such file; check the name") from error
    except IsADirectoryError as error:
        raise UserError(f"{path}: this is a folder; name the file in it") from error
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror}); check that you may read it") from error
    if start != _MAGIC:
        raise UserError(f"{path}: neither a log nor a backup of handsfree; name another file")
    with _read(path) as connection:
        steps = applied_steps(connection)
    if not steps:
        raise UserError(f"{path}: a database, but neither a log nor a backup of handsfree; name another file")
    if unknown := [name for name in steps if name not in migrations.STEPS]:
        raise UserError(
            f"{path}: written by a newer version of handsfree (it has {unknown[0]!r}); update handsfree here first"
        )


def running(file: LogFile) -> frozenset[str]:
    """Ids of the sessions of a log that a living process is writing."""
    unfinished = [row["id"] for row in file.rows("SELECT id FROM sessions WHERE ended_s IS NULL")]
    return frozenset(one for one in unfinished if LiveMark.is_held(file.path, one))


@contextlib.contextmanager
def _read(path: Path) -> Iterator[sqlite3.Connection]:
    """Somebody else's file, opened for reading; what hinders that, as a UserError about it."""
    with plain_errors(path):
        try:
            connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=BUSY_S)
            with contextlib.closing(connection):
                yield connection
        except sqlite3.DatabaseError as error:
            said = str(error).lower()
            if any(sign in said for sign in _SIGNS_OF_DAMAGE):
                raise UserError(f"{path}: {_DAMAGED}") from error
            if "readonly" in said or "unable to open" in said:
                raise UserError(
                    f"{path}: a log, unlike a backup, can only be read in a folder that may be written to; copy it to "
                    "one, and the files beside it that begin with its name"
                ) from error
            raise


def _copy(source: sqlite3.Connection, into: Path) -> None:
    """Raises UserError or sqlite3.DatabaseError."""
    os.close(os.open(into, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    with contextlib.closing(sqlite3.connect(into, isolation_level=None)) as copy:
        source.backup(copy)
        faults = copy.execute("PRAGMA integrity_check(1)").fetchone() != ("ok",)
        if faults or copy.execute("PRAGMA foreign_key_check").fetchone():
            raise sqlite3.DatabaseError("malformed")


def _make_one_file(path: Path) -> None:
    """A log in use has a second file with what was written last, which nobody would think of taking along."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA journal_mode = DELETE")


def _refuse(target: Path, log: Path, replace: bool) -> None:
    """Raise UserError if a backup must not be written there."""
    if not target.parent.is_dir():
        raise UserError(f"{target}: there is no folder {target.parent}; make it first, or name another file")
    if target.is_dir():
        raise UserError(f"{target}: this is a folder; name a file in it, such as {target / 'handsfree-backup.db'}")
    if not os.path.lexists(target):
        return
    if same(target, log):
        raise UserError(f"{target}: this is the log itself; name another file")
    if not replace:
        raise UserError(f"{target}: is there already; add --replace to write it anew, or name another file")
    check(target)
    if any(target.with_name(target.name + end).exists() for end in ("-wal", "-journal")):
        raise UserError(f"{target}: a log in use, not a backup; name another file")


def same(one: Path, other: Path) -> bool:
    """Whether both are there and are one file."""
    try:
        return one.samefile(other)
    except OSError:
        return False


def _scratch(folder: Path, target: Path) -> tempfile.TemporaryDirectory[str]:
    """A folder in `folder`, for what becomes `target`, that only its owner can enter; always removed."""
    with _written(target):
        return tempfile.TemporaryDirectory(
            prefix=f".{target.name[:40]}-", suffix=".part", dir=folder, ignore_cleanup_errors=True
        )


@contextlib.contextmanager
def _written(target: Path) -> Iterator[None]:
    """What hinders the writing of a copy, as a UserError; signs of damage in what is copied stay as they are."""
    try:
        yield
    except (OSError, sqlite3.OperationalError) as error:
        said = str(error).lower()
        # A full disk is "I/O error" to SQLite where the memory that it shares between processes finds no room.
        if any(sign in said for sign in ("full", "no space", "quota", "i/o error")):
            raise UserError(
                f"{target}: the disk is full or fails ({error}); free some space; nothing is lost"
            ) from error
        if any(sign in said for sign in _SIGNS_OF_DAMAGE):
            raise
        why = getattr(error, "strerror", None) or error
        raise UserError(f"{target}: cannot be written ({why}); name a place that you may write to") from error

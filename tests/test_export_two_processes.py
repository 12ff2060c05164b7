"""Many sessions are exported by two processes: the same files as by one, of one moment of the log, or nothing."""

from __future__ import annotations

import contextlib
import errno
import os
from functools import partial

import pytest

from handsfree.core.errors import UserError
from handsfree.core.events import Correction, Outcome
from handsfree.core.exporting.rows import Selection
from handsfree.edges.export import Job, tables, write
from handsfree.edges.store import Store
from handsfree.edges.store.streams import streams_of
from tests.exports import contents, exported, fill


@pytest.fixture
def log(tmp_path):
    fill(tmp_path / "log" / "log.db")
    return tmp_path / "log" / "log.db"


@pytest.fixture
def helpers(monkeypatch):
    """However few the sessions, a second process is started; one entry for each."""
    started = []
    start = tables._second_process
    monkeypatch.setattr(tables, "MANY_SESSIONS", 1)
    monkeypatch.setattr(tables.multiprocessing, "cpu_count", lambda: 2)
    monkeypatch.setattr(tables, "_second_process", lambda *given: started.append(given) or start(*given))
    return started


@pytest.mark.parametrize(
    ("format", "more"),
    [
        ("csv", ()),
        ("jsonl", ("--blind",)),
        ("parquet", ("--corrected",)),
        ("datapackage", ("--table", "words", "--table", "gaps")),
    ],
)
def test_two_processes_write_what_one_writes(log, tmp_path, monkeypatch, request, format, more):
    pytest.importorskip("pyarrow")
    by_one = contents(exported(log, tmp_path / "one", format, "--all", *more))
    started = request.getfixturevalue("helpers")
    assert contents(exported(log, tmp_path / "two", format, "--all", *more)) == by_one
    assert len(started) == 1


@contextlib.contextmanager
def corrected_meanwhile(path):
    """The log, opened only after somebody has corrected a rep."""
    with Store.open(path) as store:
        first = min(store.sessions(), key=lambda one: one.session.started_at).session.id
        store.add_correction(Correction(1, Outcome.CORRECT, None, "meanwhile", 1.0), session_id=first)
    with streams_of(path) as streams:
        yield streams


def no_room(path):
    raise OSError(errno.ENOSPC, "No space left on device")


def killed(path):
    os._exit(9)


def written(log, target, reopen):
    with Store.open(log, read_only=True) as store, store.streams.snapshot():
        chosen = store.streams.chosen(Selection())
        return write(Job("csv", target, log, "1"), chosen, store.streams, store.session_log, partial(reopen, log))


def test_all_tables_are_of_one_moment(log, tmp_path, helpers):
    written(log, tmp_path / "before", streams_of)
    written(log, tmp_path / "during", corrected_meanwhile)
    written(log, tmp_path / "after", streams_of)
    assert len(helpers) == 3
    assert contents(tmp_path / "during") == contents(tmp_path / "before") != contents(tmp_path / "after")
    assert b"meanwhile" in (tmp_path / "after" / "corrections.csv").read_bytes()


@pytest.mark.parametrize(("reopen", "said"), [(no_room, "disk is full"), (killed, "stopped from outside")])
def test_trouble_of_the_second_process_is_told_and_leaves_nothing(log, tmp_path, helpers, reopen, said):
    with pytest.raises(UserError, match=said):
        written(log, tmp_path / "out", reopen)
    assert len(helpers) == 1
    assert [one.name for one in tmp_path.iterdir()] == ["log"]


@pytest.mark.parametrize("change", ["correction", "end", "session"])
def test_a_change_of_the_log_changes_its_state(log, change):
    with Store.open(log) as store:
        before = store.streams.state()
        assert store.streams.state() == before
        last = store.session("last")
        if change == "correction":
            store.add_correction(Correction(1, Outcome.CORRECT, None, "-", 1.0), session_id=last.id)
        elif change == "end":
            store.close_interrupted()
        else:
            fill(log)
        assert store.streams.state() != before

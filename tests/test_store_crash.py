"""The log under violence: a process killed at any moment, a full disk, files and folders that may not be written.

Each test does its deed in a forked child, which starts at once because this process has loaded everything already.
"""

import contextlib
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import tempfile
import time
from pathlib import Path

import pytest
import sqlite_utils  # noqa: F401 - loaded before any fork

from handsfree.core.errors import UserError
from handsfree.core.events import EndReason, LogWord, OweReward, Role, SessionEvent
from handsfree.edges.store import Store
from tests.logs import marked_rep, start

pytestmark = [
    pytest.mark.crash,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork, which Windows lacks"),
]

RUNS = 100
LATEST_KILL_S = 0.1
NOBODY = 65534


def forked(deed, *values):
    """Run `deed(say, *values)` in a child. Returns its process number and a stream of the lines it says."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(read)
            deed(lambda words: os.write(write, f"{words}\n".encode()), *values)
        finally:
            os._exit(0)
    os.close(write)
    return child, os.fdopen(read)


def write_reps(say, path):
    """A session as fast as the disk allows: each rep is announced when, and only when, add_rep has returned."""
    store = Store.open(path)
    say(f"session {store.begin(start())}")
    for number in range(1, 100_000):
        rep = marked_rep(number)
        store.add_word(LogWord(SessionEvent(rep.cue, Role.CUE, "sit"), number))
        store.add_word(LogWord(SessionEvent(rep.outcome_word, Role.MARKER), number))
        store.add_rep(rep)
        say(f"rep {number}")
        store.add_reward(OweReward(number, rep.end_s))


def test_a_killed_session_loses_nothing_it_announced(tmp_path):
    """SIGKILL at a random moment: after the session began, or (one run in four) after the process did.

    Every tenth run starts a new log, so that some are killed while they make it.
    """
    chance = random.Random(20_260_504)
    announced_in_all = runs_with_reps = 0
    for run in range(RUNS):
        path = tmp_path / f"{run // 10}" / "handsfree.db"
        child, said = forked(write_reps, path)
        first_line = said.readline() if run % 4 else ""
        time.sleep(chance.uniform(0, LATEST_KILL_S))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        lines = [line.split() for line in (first_line + said.read()).splitlines()]
        sessions = [word for kind, word in lines if kind == "session"]
        announced = [int(word) for kind, word in lines if kind == "rep"]

        with Store.open(path) as store:
            closed = store.close_interrupted()
            assert [one.end_reason for one in closed] == [EndReason.INTERRUPTED] * len(closed)
            assert {one.id for one in closed} >= set(sessions)
            assert len(closed) <= 1
            for session in closed:
                stored = [one.rep for one in store.reps(session.id)]
                assert stored[: len(announced)] == [marked_rep(number) for number in announced]
                assert len(stored) - len(announced) in (0, 1)  # written, but killed before it could be announced
                last_word_s = max((entry.heard.word.end_s for entry in store.words(session.id)), default=0.0)
                assert session.ended_s == max([rep.end_s for rep in stored] + [last_word_s])
        with contextlib.closing(sqlite3.connect(path)) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        assert not list(path.parent.glob("*-live-*"))
        announced_in_all += len(announced)
        runs_with_reps += bool(announced)
    print(f"{RUNS} kills, {runs_with_reps} of them after a rep was announced; {announced_in_all} reps, none lost")
    assert runs_with_reps >= RUNS // 2, "most kills came before the first rep: LATEST_KILL_S is too early here"


def test_a_new_log_opened_by_many_at_once_is_made_once(tmp_path):
    for attempt in range(10):
        path = tmp_path / str(attempt) / "handsfree.db"
        children = [forked(begin_and_tell, path) for _ in range(6)]
        for child, _ in children:
            os.waitpid(child, 0)
        assert [said.read() for _, said in children] == ["begun\n"] * 6
        with Store.open(path) as store:
            assert len(store.sessions()) == 6


def begin_and_tell(say, path):
    try:
        begin(path)
        say("begun")
    except BaseException as error:
        say(f"{type(error).__name__}: {error}")


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 1 MB."""
    folder = tmp_path / "small"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(folder)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("a small disk cannot be mounted here (needs root on Linux)")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_disk_that_fills_up_in_mid_session(small_disk):
    path = small_disk / "handsfree.db"
    with Store.open(path) as store:
        session_id = store.begin(start())
        refused = ""
        counted = 0
        while not refused:
            try:
                store.add_rep(marked_rep(counted + 1))
                counted += 1
            except UserError as error:
                refused = str(error)
        assert refused.startswith(f"{path}: the disk is full; free some space")
        assert counted > 100
        assert len(store.reps(session_id)) == counted
    shutil.copytree(small_disk, roomy := small_disk.parent / "roomy")
    with Store.open(roomy / path.name) as store:
        assert [one.end_reason for one in store.close_interrupted()] == [EndReason.INTERRUPTED]
        assert [one.rep.number for one in store.reps(session_id)] == list(range(1, counted + 1))
    with contextlib.closing(sqlite3.connect(roomy / path.name)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_a_disk_that_is_full_from_the_start(small_disk):
    with open(small_disk / "ballast", "wb", buffering=0) as ballast, contextlib.suppress(OSError):
        while ballast.write(bytes(4096)):
            pass
    with pytest.raises(UserError, match="the disk is full; free some space"):
        Store.open(small_disk / "handsfree.db")


@pytest.fixture
def open_folder():
    """A folder that any user may enter; pytest's own are closed to others."""
    folder = Path(tempfile.mkdtemp(prefix="handsfree-test-"))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


def as_nobody(deed, path):
    """What `deed(path)` ends in, done by a user who may only do what permissions allow (root may do anything)."""

    def unprivileged(say, path):
        if os.geteuid() == 0:
            os.setgid(NOBODY)
            os.setuid(NOBODY)
        try:
            deed(path)
            say("done")
        except BaseException as error:
            say(f"{type(error).__name__}: {error}")

    child, said = forked(unprivileged, path)
    os.waitpid(child, 0)
    return said.read().splitlines()


def give_away(*paths):
    if os.geteuid() == 0:
        for path in paths:
            os.chown(path, NOBODY, NOBODY)


def begin(path):
    with Store.open(path) as store:
        store.begin(start())


def read(path):
    with Store.open(path, read_only=True) as store:
        store.session()


def test_a_folder_that_may_not_be_written(open_folder):
    open_folder.chmod(0o555)
    give_away(open_folder)
    path = open_folder / "data" / "handsfree.db"
    (line,) = as_nobody(begin, path)
    assert line.startswith(f"UserError: {path}: no log can be made there (Permission denied); name another place")


def test_a_log_that_may_not_be_written(open_folder):
    path = open_folder / "handsfree.db"
    begin(path)
    path.chmod(0o444)
    give_away(open_folder, path)
    before = path.read_bytes()
    (line,) = as_nobody(begin, path)
    assert line.startswith(f"UserError: {path}: the file or its folder is read-only; make both writable")
    assert path.read_bytes() == before


def test_a_log_and_a_folder_that_may_not_be_written(open_folder):
    path = open_folder / "handsfree.db"
    begin(path)
    path.chmod(0o444)
    open_folder.chmod(0o555)
    give_away(open_folder, path)
    before = path.read_bytes()
    for deed in (begin, read):
        (line,) = as_nobody(deed, path)
        assert line.startswith(f"UserError: {path}: ")
        assert "its folder" in line
    assert path.read_bytes() == before


def test_a_log_that_may_not_be_read(open_folder):
    path = open_folder / "handsfree.db"
    begin(path)
    path.chmod(0o000)
    give_away(open_folder, path)
    (line,) = as_nobody(begin, path)
    assert line.startswith(f"UserError: {path}: cannot be opened; check that you may read and write")


def test_a_log_in_good_order_is_used_by_the_same_means(open_folder):
    """The four tests above fail for their reasons, not because nobody may do anything."""
    path = open_folder / "data" / "handsfree.db"
    give_away(open_folder)
    assert as_nobody(begin, path) == ["done"]
    assert as_nobody(read, path) == ["done"]

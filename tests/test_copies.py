"""Backups, what is put back, logs merged, dogs archived: nothing is lost, and what is wrong is said in one line."""

from __future__ import annotations

import contextlib
import os
import random
import re
import shutil
import signal
import sqlite3
import stat
import time
from datetime import timedelta

import pytest
import sqlite_utils  # noqa: F401 - loaded before any fork
from click.testing import CliRunner

from handsfree import cli
from handsfree.core import corrections
from handsfree.core.corrections import Kind
from handsfree.core.errors import UserError
from handsfree.core.events import EndReason, LogWord, Outcome, OweReward, Role, SessionEvent
from handsfree.core.log import Gap, JudgedRep
from handsfree.edges.store import Store, copies, database, migrations
from tests.helpers import heard
from tests.logs import STARTED, marked_rep, start
from tests.test_store_crash import as_nobody, forked, give_away, open_folder, small_disk, write_reps  # noqa: F401

needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


@pytest.fixture
def path(tmp_path):
    return tmp_path / "handsfree.db"


def session(path, dog="Bram", day=0, reps=4, end=True, **plan) -> str:
    """One more session in the log at `path`; its id."""
    with Store.open(path) as store:
        store._file.connection.execute("PRAGMA synchronous = OFF")  # only the tests are in a hurry
        session_id = store.begin(start(STARTED + timedelta(days=day), dog=dog, **plan))
        for number in range(1, reps + 1):
            rep = marked_rep(number)
            store.add_word(LogWord(SessionEvent(rep.outcome_word, Role.MARKER), number))
            store.add_rep(rep)
            store.add_reward(OweReward(number, rep.end_s))
        store.add_gap(Gap(5.0, 0.5))
        if end:
            store.end(session_id, EndReason.ASKED, 99.0)
        return session_id


def correct(path, session_id, kind, number, who="Ana") -> None:
    with Store.open(path) as store:
        log = store.session_log(session_id)
        if kind is Kind.SPLIT:
            change = corrections.split(log, number, None, who)
        else:
            change = corrections.outcome(log, number, kind, who)
        store.add_change(session_id, len(log.corrections), change)


def everything(path):
    """Every row of every table but the migrations' own."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        tables = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {
            table: sorted(map(repr, connection.execute(f"SELECT * FROM {table}")))
            for table in tables
            if not table.startswith("_")
        }


def run(*args, answers=None, code=0):
    """A command in this process; what it printed. UserError is what `main` turns into one line and exit code 2."""
    done = CliRunner().invoke(cli.handsfree, list(map(str, args)), input=answers)
    if isinstance(done.exception, UserError):
        assert code == 2
        assert "\n" not in str(done.exception)
        return str(done.exception)
    assert done.exit_code == code, done.output
    return done.output


def backed_up(path, name="backup.db"):
    with Store.open(path, read_only=True) as store:
        store.backup(path.with_name(name))
    return path.with_name(name)


def restored(log, source, first=None):
    return copies.restore(log, source, first)


# Backups


def test_a_backup_is_one_private_file_that_holds_everything(path):
    correct(path, session(path), Kind.WRONG, 2)
    kept = backed_up(path)
    assert everything(kept) == everything(path)
    assert [file.name for file in path.parent.iterdir() if file.name.startswith("backup")] == [kept.name]
    assert not list(path.parent.glob(".*"))
    with contextlib.closing(sqlite3.connect(kept)) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    if os.name == "posix":
        assert stat.S_IMODE(kept.stat().st_mode) == 0o600


def test_what_was_committed_but_not_checkpointed_is_in_the_backup(path):
    session(path)
    with Store.open(path) as store:  # the rows below are in the write-ahead log only: a copied file would lack them
        session_id = store.begin(start(STARTED + timedelta(days=1)))
        store.add_rep(marked_rep(1))
        bare = shutil.copy(path, path.with_name("copied.db"))
        kept = backed_up(path)
    with Store.open(kept, read_only=True) as store:
        assert len(store.reps(session_id)) == 1
    with Store.open(path.with_name(bare.name), read_only=True) as store, pytest.raises(UserError, match="no session"):
        store.session(session_id)


@needs_fork
def test_a_backup_while_a_session_is_writing(path):
    Store.open(path).close()
    child, said = forked(write_reps, path)
    try:
        assert said.readline().startswith("session")
        for run in range(4):
            before = 0
            while before < 5 * (run + 1):
                before = int(said.readline().split()[1])
            kept = backed_up(path, f"{run}.db")
            with contextlib.closing(sqlite3.connect(kept)) as connection:
                numbers = [number for (number,) in connection.execute("SELECT number FROM reps ORDER BY number")]
            assert len(numbers) >= before
            assert numbers == list(range(1, len(numbers) + 1))
        told = CliRunner().invoke(cli.handsfree, ["backup", str(path.with_name("last.db")), "--log", str(path)])
        assert "1 session without an end" in told.output
        after = [said.readline() for _ in range(200)]
        assert after[-1].startswith("rep")  # the session was not hindered
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)


@pytest.mark.parametrize(
    ("target", "line"),
    [
        ("there.db", "is there already; add --replace"),
        ("handsfree.db", "the log itself"),
        ("link.db", "the log itself"),
        (".", "a folder; name a file in it"),
        ("nowhere/b.db", "there is no folder"),
    ],
)
def test_a_backup_that_would_write_over_something_is_refused(path, target, line):
    session(path)
    path.with_name("there.db").write_text("mine")
    path.with_name("link.db").hardlink_to(path)
    for options in ([], ["--replace"]) if "itself" in line else ([],):
        assert line in run("backup", path.parent / target, "--log", path, *options, code=2)
    assert path.with_name("there.db").read_text() == "mine"


def test_only_a_backup_is_replaced(path):
    session(path)
    mine = path.with_name("plan.toml")
    mine.write_text('dog = "Bram"\n')
    assert "neither a log nor a backup" in run("backup", mine, "--replace", "--log", path, code=2)
    assert mine.read_text() == 'dog = "Bram"\n'
    kept = backed_up(path)
    session(path, day=1)
    assert "2 sessions of Bram, 8 reps, 04 May 2026 to 05 May 2026" in run("backup", kept, "--replace", "--log", path)
    assert everything(kept) == everything(path)
    with Store.open(kept) as used:  # somebody works with that file
        used.begin(start())
        assert "a log in use" in run("backup", kept, "--replace", "--log", path, code=2)


def test_a_backup_of_no_log_is_refused(path):
    assert "no log there yet" in run("backup", path.with_name("b.db"), "--log", path, code=2)
    assert not path.with_name("b.db").exists()


def test_a_damaged_log_is_not_backed_up(path, monkeypatch):
    session(path, reps=300)
    damage(path)
    monkeypatch.setattr(database, "CHECKED_BYTES", 0)  # as for a large log: opening does not find it
    kept = path.with_name("b.db")
    kept_before = b"as it was"
    kept.write_bytes(kept_before)
    assert "damaged; move it away" in run("backup", path.with_name("c.db"), "--log", path, code=2)
    assert {file.name for file in path.parent.iterdir()} == {path.name, "b.db"}
    assert kept.read_bytes() == kept_before


def damage(path, share=0.85):
    content = bytearray(path.read_bytes())
    at = int(len(content) * share)
    content[at : at + 12_288] = random.Random(at).randbytes(12_288)
    path.write_bytes(content)


@pytest.mark.crash
def test_a_disk_that_is_full(path, small_disk):  # noqa: F811
    session(path, reps=40)
    (small_disk / "ballast").write_bytes(bytes(900_000))
    line = run("backup", small_disk / "b.db", "--log", path, code=2)
    assert "the disk is full or fails" in line
    assert "free some space" in line
    assert [file.name for file in small_disk.iterdir()] == ["ballast"]
    log = small_disk / "handsfree.db"
    for deed in ("restore", "merge"):
        assert "the disk " in run(deed, path, "--log", log, code=2)
    assert not log.exists() or everything(log)["sessions"] == []


@pytest.mark.crash
@needs_fork
def test_where_nothing_may_be_written(open_folder):  # noqa: F811
    path, shut = open_folder / "handsfree.db", open_folder / "shut"
    session(path)
    shut.mkdir()
    shutil.copy(path, shut / "log.db")
    backed_up(path).rename(shut / "backup.db")
    shut.chmod(0o555)
    give_away(open_folder, path, shut, *shut.iterdir())

    def deed(log):
        with Store.open(log, read_only=True) as store, pytest.raises(UserError, match="cannot be written") as refused:
            store.backup(shut / "new.db")
        with pytest.raises(UserError, match="can only be read in a folder that may be written to"):
            copies.check(shut / "log.db")
        with copies.copy_of(shut / "backup.db", log) as copy:
            assert len(Store(copy.file).sessions()) == 1
        with pytest.raises(UserError, match="cannot be read"):
            copies.check(open_folder / "secret.db")
        assert "\n" not in str(refused.value)

    (open_folder / "secret.db").write_bytes(path.read_bytes())
    (open_folder / "secret.db").chmod(0)
    assert as_nobody(deed, path) == ["done"]


# Putting back


def test_what_is_restored_is_what_was_backed_up(path):
    correct(path, session(path), Kind.SPLIT, 2)
    kept, before = backed_up(path), everything(path)
    session(path, day=1)
    with Store.open(path) as store:
        store.archive("Bram", True)
    now = everything(path)
    assert "holds 2 sessions, which would be lost" in run("restore", kept, "--log", path, code=2)
    assert everything(path) == now
    first = path.with_name("first.db")
    told = run("restore", kept, "--backup-first", first, "--log", path)
    assert f"restored from {kept}: 1 session of Bram, 5 reps" in told
    assert f"What it held before is in {first}" in told
    assert everything(path) == before
    assert everything(first) == now


def test_a_new_machine(path):
    session(path)
    new = path.parent / "new" / "home" / "handsfree.db"
    run("restore", backed_up(path), "--log", new)
    assert everything(new) == everything(path)


@pytest.mark.parametrize("command", ["restore", "merge"])
def test_a_file_that_is_not_in_order_is_refused(path, command):
    session(path)
    before, folder = everything(path), path.parent
    damaged = folder / "damaged.db"
    session(damaged, reps=300)
    damage(damaged)
    newer = backed_up(path, "newer.db")
    with contextlib.closing(sqlite3.connect(newer)) as connection, connection:
        values = "'handsfree', '0099_from_next_year', '2031-01-01'"
        connection.execute(f"INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ({values})")
    with contextlib.closing(sqlite3.connect(folder / "other.db")) as connection, connection:
        connection.execute("CREATE TABLE bookmarks (url TEXT)")
    (folder / "text.db").write_text("dog = 'Bram'")
    (folder / "empty.db").touch()
    for name, line in {
        "missing.db": "there is no such file",
        ".": "a folder",
        "text.db": "neither a log nor a backup of handsfree",
        "empty.db": "neither a log nor a backup of handsfree",
        "other.db": "a database, but neither a log nor a backup",
        "newer.db": "written by a newer version of handsfree (it has '0099_from_next_year')",
        "damaged.db": "damaged; use another backup",
        "handsfree.db": "name another",
    }.items():
        said = run(command, folder / name, "--log", path, code=2)
        assert line in said
        assert said.startswith(str(folder))
    assert everything(path) == before
    assert not list(folder.glob(".*"))
    nowhere = folder / "nowhere" / "handsfree.db"
    assert "damaged" in run(command, damaged, "--log", nowhere, code=2)
    assert not nowhere.exists()


@pytest.mark.parametrize("command", ["restore", "merge"])
def test_a_running_session_is_not_disturbed(path, command):
    other = path.with_name("other.db")
    session(other)
    with Store.open(path) as store:
        session_id = store.begin(start())
        store.add_rep(marked_rep(1))
        assert "a session is running" in run(command, other, "--log", path, code=2)
        store.add_rep(marked_rep(2))
        assert len(store.reps(session_id)) == 2


def test_a_backup_of_an_older_version_is_brought_up_to_date_and_left_as_it_is(path, monkeypatch):
    old, new = path.with_name("old.db"), path.with_name("written.db")
    with monkeypatch.context() as patch:
        patch.setattr(migrations, "STEPS", dict(list(migrations.STEPS.items())[:3]))
        Store.open(old).close()
    with Store.open(new) as store:
        session_id = store.begin(start())
        store.add_word(LogWord(SessionEvent(heard("yes", 1.0), Role.MARKER)))
        store.end(session_id, EndReason.ASKED, 9.0)
    with contextlib.closing(sqlite3.connect(old)) as connection, connection:
        connection.execute("ATTACH ? AS new", (str(new),))
        for table, columns in (
            ("sessions", "*"),
            ("behaviours", "session_id, number, name, tag, start_step, steps, step"),
            ("words", "*"),
        ):
            connection.execute(f"INSERT INTO main.{table} SELECT {columns} FROM new.{table}")
    content = old.read_bytes()
    run("merge", old, "--log", path)
    run("restore", old, "--log", path.with_name("new.db"))
    for log in (path, path.with_name("new.db")):
        with Store.open(log, read_only=True) as store:
            log = store.session_log(session_id)
            assert len(log.words) == 1
            assert [one.step for one in log.session.behaviours] == [2, 2, 1, 2]
            assert log.session.raised_today == set()  # it was not asked
    assert old.read_bytes() == content


# Merging


def two_machines(path):
    """A session on both, corrected on both, and one on each; the ids, and the path of the other log."""
    shared = session(path)
    other = backed_up(path, "other.db")
    here, there = session(path, day=1), session(other, day=2)
    correct(path, shared, Kind.WRONG, 2, "Ana")
    correct(other, shared, Kind.SPLIT, 1, "Ida")
    correct(path, shared, Kind.SPLIT, 3, "Ana")
    return shared, here, there, other


def test_two_machines(path):
    shared, here, there, other = two_machines(path)
    source = everything(other)
    told = run("merge", other, "--log", path)
    assert "Bram: 1 session with 4 reps added." in told
    assert f"Session {shared[:8]} of Bram was corrected in both logs: all corrections are kept." in told
    with Store.open(path, read_only=True) as store:
        assert {one.session.id for one in store.sessions()} == {shared, here, there}
        assert [one.who for one in store.session_log(shared).corrections] == ["Ana", "Ida", "Ida", "Ana", "Ana"]
        log = store.session_log(shared)
        live = (JudgedRep(rep, rep.outcome) for rep in log.live_reps)
        assert log.reps == corrections.judged(live, (one.correction for one in log.corrections))  # view and core agree
        outcomes = {one.rep.number: one.outcome for one in log.reps}
        assert outcomes[2] is Outcome.INCORRECT
        assert sorted(outcomes) == [1, 2, 3, 4, 5, 6]
        assert sum(one.reps for one in store.sessions()) == store.dogs()[0].reps == 14
    assert everything(other) == source

    merged = everything(path)
    assert f"Nothing new in {other}: 2 sessions, all here already." in run("merge", other, "--log", path)
    assert everything(path) == merged

    run("merge", path, "--log", other)
    assert everything(other) == {**merged, "archivings": []}
    assert "Nothing new" in run("merge", other, "--log", path)


def test_a_merge_is_seen_by_exports(path):
    """Exports in two processes compare this to know that both read the same log."""
    _, _, _, other = two_machines(path)
    with Store.open(path) as store:
        before = store.streams.state()
        with copies.copy_of(other, path) as copy:
            store.merge(copy, {})
        assert store.streams.state() != before


def test_the_later_correction_counts_and_this_is_said(path):
    shared = session(path)
    other = backed_up(path, "other.db")
    correct(path, shared, Kind.WRONG, 2, "Ana")
    correct(other, shared, Kind.NO_REP, 2, "Ida")
    assert "They disagree on rep 2: the later correction counts." in run("merge", other, "--log", path)
    with Store.open(path, read_only=True) as store:
        assert [one.outcome for one in store.reps(shared)][1] is None


def test_a_name_that_both_logs_know_is_asked_about(path):
    session(path, dog="Luna", handler="Ana")
    other = path.with_name("other.db")
    session(other, dog="luna", day=3, handler="Ida")
    before = everything(path)
    line = run("merge", other, "--log", path, code=2)
    assert "both logs know a dog called Luna: if it is the same, add --same 'Luna'" in line
    assert everything(path) == before
    assert "THEIRS=HERE" in run("merge", other, "--rename", "Luna", "--log", path, code=2)
    run("merge", other, "--rename", "Luna=Luna of Ida", "--log", path)
    session(other, dog="luna", day=4)
    run("merge", other, "--log", path)  # what it is called here is known by now
    with Store.open(path, read_only=True) as store:
        assert [(one.name, one.sessions) for one in store.dogs()] == [("Luna of Ida", 2), ("Luna", 1)]
    both = path.with_name("both.db")
    session(both, dog="Luna")
    assert "no dog 'lunna' in it; there are: luna" in run("merge", other, "--same", "Lunna", "--log", both, code=2)
    run("merge", other, "--same", "LUNA", "--log", both)
    with Store.open(both, read_only=True) as store:
        assert {one.session.dog for one in store.sessions()} == {"Luna"}
        assert [one.sessions for one in store.dogs()] == [3]


@pytest.mark.parametrize(("answers", "dogs"), [("y\n", {"Luna": 2}), ("n\nLuna\nLuna 2\n", {"Luna": 1, "Luna 2": 1})])
def test_at_a_terminal_the_question_is_put(path, monkeypatch, answers, dogs):
    monkeypatch.setattr("click.testing._NamedTextIOWrapper.isatty", lambda self: True)
    session(path, dog="Luna", handler="Ana")
    other = path.with_name("other.db")
    session(other, dog="Luna", handler="Ida", day=3)
    told = run("merge", other, "--log", path, answers=answers)
    assert "here: 1 session, 04 May 2026 with Ana" in told
    assert "there: 1 session, 07 May 2026 with Ida" in told
    with Store.open(path, read_only=True) as store:
        assert {one.name: one.sessions for one in store.dogs()} == dogs


def test_a_session_that_is_being_written_there_comes_when_it_is_over(path):
    other = path.with_name("other.db")
    with Store.open(other) as store:
        session_id = store.begin(start())
        store.add_rep(marked_rep(1))
        assert "Left out, as still running there: 1 session." in run("merge", other, "--log", path)
        taken = backed_up(other, "taken.db")
        store.add_rep(marked_rep(2))
        store.end(session_id, EndReason.ASKED, 50.0)
    run("merge", taken, "--log", path)  # it knew one rep of it
    with Store.open(path) as store:
        assert [one.end_reason for one in store.close_interrupted()] == [EndReason.INTERRUPTED]
    assert f"more known of them now: 1 session, {session_id[:8]}" in run("merge", other, "--log", path)
    with Store.open(path) as store:
        assert len(store.reps(session_id)) == 2
        assert store.session(session_id).end_reason is EndReason.ASKED


@needs_fork
@pytest.mark.crash
def test_a_merge_that_is_killed_leaves_the_log_as_it_was(path):
    _, _, _, other = two_machines(path)
    for day in range(3, 9):
        session(other, day=day, reps=60)
    before, start_log = everything(path), path.read_bytes()
    run("merge", other, "--log", path)
    after, ends = everything(path), set()
    chance = random.Random(20_261_125)
    for _ in range(12):
        path.write_bytes(start_log)
        child, said = forked(
            lambda say: (say("go"), CliRunner().invoke(cli.handsfree, ["merge", str(other), "--log", str(path)]))
        )
        said.readline()
        time.sleep(chance.uniform(0, 0.12))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        now = everything(path)
        assert now in (before, after)
        ends.add(now == after)
    assert False in ends


# Dogs


def test_an_archived_dog_is_passed_over_until_it_is_trained_again(path):
    luna, bram = session(path, dog="Luna"), session(path, dog="Bram", day=1)
    assert "archived, with 1 session" in run("dogs", "--archive", "bram", "--log", path)
    assert "archived already" in run("dogs", "--archive", "Bram", "--log", path)
    with Store.open(path, read_only=True) as store:
        assert store.session().id == luna
        assert store.session(dog="BRAM").id == store.session(bram).id == bram
        assert [one.session.dog for one in store.sessions(archived=False)] == ["Luna"]
        assert len(store.sessions()) == 2
        assert [(one.name, one.archived_at is None) for one in store.dogs()] == [("Luna", True), ("Bram", False)]
    listed = run("summary", "--list", "--log", path)
    assert bram[:8] not in listed
    assert "left out, as archived: Bram" in listed
    assert bram[:8] in run("summary", "--list", "--dog", "bram", "--log", path)
    assert bram[:8] in run("summary", "--dog", "bram", "--log", path)
    assert luna[:8] in run("summary", "--log", path)
    run("dogs", "--archive", "Luna", "--log", path)
    assert "every dog in it is archived (" in run("summary", "--log", path, code=2)
    assert "Luna is back." in run("dogs", "--bring-back", "luna", "--log", path)
    session(path, dog="Bram", day=4000)  # later than any clock now
    with Store.open(path, read_only=True) as store:
        assert store.archived() == []
    run("dogs", "--archive", "Bram", "--log", path)
    with Store.open(path, read_only=True) as store:
        assert store.archived() == ["Bram"]
    assert re.search(r"^Bram +2 +8 .* 20\d\d$", run("dogs", "--log", path), re.MULTILINE)


def test_the_archive_goes_with_backups_and_merges(path):
    session(path, dog="Luna")
    other = backed_up(path, "other.db")
    run("dogs", "--archive", "Luna", "--log", other)
    run("merge", other, "--log", path)
    with Store.open(path, read_only=True) as store:
        assert store.archived() == ["Luna"]
    run("dogs", "--bring-back", "Luna", "--log", path)
    run("merge", other, "--log", path)
    with Store.open(path, read_only=True) as store:
        assert store.archived() == []


def test_names_that_differ_in_letters_beyond_ascii_are_two_dogs(path):
    """SQLite documentation, "Datatypes", section 7: NOCASE folds the 26 letters of ASCII only."""
    session(path, dog="Пёс")
    session(path, dog="пёс")
    with Store.open(path, read_only=True) as store:
        assert len(store.dogs()) == 2


def test_dogs_that_are_not_there(path):
    assert "no log there yet" in run("dogs", "--archive", "Bram", "--log", path, code=2)
    assert not path.exists()
    session(path)
    assert "no dog 'Tarn'; there are: Bram" in run("dogs", "--archive", "Tarn", "--log", path, code=2)
    assert "one at a time" in run("dogs", "--archive", "Bram", "--bring-back", "Bram", "--log", path, code=2)

"""The log: what goes in comes out, nothing is changed, and what is wrong with the file is said in one line."""

import hashlib
import os
import random
import re
import sqlite3
import stat
import threading
from dataclasses import replace
from datetime import datetime, timedelta, timezone

import pytest

from handsfree.core.errors import UserError
from handsfree.core.events import (
    Because,
    Choice,
    Correction,
    Decision,
    EndReason,
    HeardWord,
    Ignored,
    Instruction,
    LogWord,
    Outcome,
    OweReward,
    Reason,
    Rep,
    Role,
    SessionEvent,
)
from handsfree.core.log import Gap, JudgedRep, Note, SaidPrompt, SessionLog
from handsfree.edges.store import Store, database, migrations
from tests.helpers import heard
from tests.logs import PLAN_TEXT, STARTED, marked_rep, start


@pytest.fixture
def path(tmp_path):
    return tmp_path / "log" / "handsfree.db"


@pytest.fixture
def store(path):
    with Store.open(path) as opened:
        yield opened


def plain(path):
    """The same file through the standard library alone."""
    return sqlite3.connect(path, timeout=0.1)


def raised(path, **how) -> str:
    """The one line that opening `path` ends in."""
    with pytest.raises(UserError) as caught:
        Store.open(path, **({"busy_s": 0.1} | how)).close()
    line = str(caught.value)
    assert "\n" not in line
    assert str(path) in line
    return line


# What goes in comes out


def test_a_session_keeps_what_it_began_with(store):
    session_id = store.begin(start(handler="Ana", place="kitchen"))
    session = store.session(session_id)
    assert re.fullmatch("[0-9a-f]{32}", session.id)
    assert (session.dog, session.handler, session.place) == ("Bram", "Ana", "kitchen")
    assert session.started_at == STARTED
    assert session.plan_text == PLAN_TEXT
    assert session.plan_sha256 == hashlib.sha256(PLAN_TEXT.encode()).hexdigest()
    assert (session.tool_version, session.model, session.model_sha256) == ("0.1.0", "en", "ab" * 32)
    assert session.source == "microphone"
    assert [(one.name, one.tag, one.start_step) for one in session.behaviours] == [
        ("sit", "plain", 2),
        ("leave it", "plain", 2),
        ("stay", "duration", 1),
        ("brush", "handling", 2),
    ]
    assert session.behaviours[0].steps == ("one", "two", "three")
    assert session.ended_s is None
    assert session.end_reason is None


def test_every_value_comes_back_as_it_went_in(store):
    session_id = store.begin(start())
    word = HeardWord("leave it", 1.25, 1.875, 0.8125)
    words = [
        LogWord(SessionEvent(word, Role.CUE, "leave it"), 1),
        LogWord(SessionEvent(word, Role.INSTRUCTION, "sit", Instruction.NOW)),
        LogWord(SessionEvent(word, Role.SAFETY)),
        LogWord(Ignored(word, Role.MARKER, Reason.UNSURE), 1),
        LogWord(Ignored(HeardWord("기다려", 2.0, 2.5), None, Reason.IN_A_SENTENCE, "stay")),
    ]
    reps = [
        marked_rep(1),
        Rep(2, "sit", 2, Outcome.NO_RESPONSE, 30.0, 33.0, cue=heard("sit", 30.0), recue=True),
        Rep(3, "sit", 2, Outcome.INCORRECT, 33.0, 36.0, outcome_word=heard("oops", 35.5)),
        Rep(4, "stay", 1, Outcome.CORRECT, 40.0, 55.0, cue=heard("stay", 40.0), released=True),
    ]
    rewards = [OweReward(1, 11.4), OweReward(1, 12.0)]
    decisions = [
        Decision(Choice.RAISE, Because.WINDOW, 36.0, "sit", 2, 3, (1, 2, 3), 2, "4-3-2"),
        Decision(Choice.END, Because.TIME, 60.0),
    ]
    prompts = [SaidPrompt("raise", "Sit: step three", 36.5, 38.0, "window", "sit"), SaidPrompt("end", "One more", 61.0)]
    notes, gaps = [Note(50.0, 5.0, "notes/one.wav")], [Gap(20.0, 0.5)]
    for value in words:
        store.add_word(value)
    for value in reps:
        store.add_rep(value)
    for value in rewards:
        store.add_reward(value)
    for value in decisions:
        store.add_decision(value)
    for value in prompts:
        store.add_prompt(value)
    store.add_note(notes[0])
    store.add_gap(gaps[0])

    log = store.session_log(session_id)
    assert list(log.words) == words
    assert list(log.reps) == [JudgedRep(rep, rep.outcome) for rep in reps]
    assert list(log.rewards) == rewards
    assert list(log.decisions) == decisions
    assert list(log.prompts) == prompts
    assert list(log.notes) == notes
    assert list(log.gaps) == gaps
    assert log.corrections == ()


def test_an_append_is_seen_by_another_program_at_once(store, path):
    session_id = store.begin(start())
    store.add_rep(marked_rep(1))
    assert plain(path).execute("SELECT session_id, number FROM reps").fetchall() == [(session_id, 1)]


def test_a_commit_waits_for_the_disk(store, path):
    """SQLite documentation, "PRAGMA synchronous": in WAL mode only FULL (2) or more survives a loss of power."""
    assert store._file.rows("PRAGMA synchronous")[0][0] == 2
    assert plain(path).execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_a_correction_is_a_row_beside_the_rep(store, path):
    session_id = store.begin(start())
    for number in (1, 2, 3):
        store.add_rep(marked_rep(number))
    store.add_correction(Correction(1, Outcome.CORRECT, None, "undo", 15.0))
    store.add_correction(Correction(2, Outcome.CORRECT, Outcome.INCORRECT, "wrong", 25.0))
    store.add_correction(
        Correction(2, Outcome.INCORRECT, Outcome.CORRECT, "right", 26.0), who="Ana", session_id=session_id
    )
    assert [one.outcome for one in store.reps(session_id)] == [None, Outcome.CORRECT, Outcome.CORRECT]
    assert [one.rep for one in store.reps(session_id)] == [marked_rep(number) for number in (1, 2, 3)]
    made = store.session_log(session_id).corrections
    assert [(one.correction.rep_number, one.who) for one in made] == [(1, "voice"), (2, "voice"), (2, "Ana")]
    assert abs(made[0].made_at - datetime.now(timezone.utc)) < timedelta(minutes=1)
    assert {row[0] for row in plain(path).execute("SELECT outcome FROM reps")} == {"correct"}


def test_a_rep_that_is_not_there_cannot_be_corrected(store):
    store.begin(start())
    with pytest.raises(sqlite3.IntegrityError):
        store.add_correction(Correction(7, Outcome.CORRECT, None, "undo", 15.0))
    store.add_rep(marked_rep(1))  # the failed transaction left nothing in the way


def test_nothing_is_added_before_a_session_begins(store):
    with pytest.raises(RuntimeError, match="no session"):
        store.add_rep(marked_rep(1))


def test_one_thread_owns_the_log(store):
    store.begin(start())
    errors = []

    def intrude():
        try:
            store.add_rep(marked_rep(1))
        except sqlite3.ProgrammingError as error:
            errors.append(error)

    thread = threading.Thread(target=intrude)
    thread.start()
    thread.join()
    assert len(errors) == 1


# Ends


def test_the_end_is_written_once(store, path):
    session_id = store.begin(start())
    store.end(session_id, EndReason.TIME, 180.5)
    store.end(session_id, EndReason.ASKED, 200.0)
    session = store.session(session_id)
    assert (session.ended_s, session.end_reason) == (180.5, EndReason.TIME)
    # RFC 3339 date-time, section 5.6: the end is 180.5 s after 09:30:15.250.
    assert plain(path).execute("SELECT ended_at FROM sessions").fetchall() == [("2026-05-04T09:33:15.750+00:00",)]


def test_a_session_left_open_is_closed_at_the_last_thing_it_wrote(path):
    with Store.open(path) as store:
        store.begin(start())
        store.add_rep(marked_rep(1))
        store.add_word(LogWord(SessionEvent(heard("sit", 90.0, 0.5), Role.CUE, "sit"), 2))
    with Store.open(path) as store:
        (closed,) = store.close_interrupted()
        assert (closed.end_reason, closed.ended_s) == (EndReason.INTERRUPTED, 90.5)
        assert len(store.reps(closed.id)) == 1
        assert store.close_interrupted() == []
    assert [file.name for file in path.parent.iterdir()] == [path.name]


def test_a_session_that_runs_is_left_alone(store, path):
    session_id = store.begin(start())
    with Store.open(path) as other:
        assert other.close_interrupted() == []
        second = other.begin(start())
        assert store.close_interrupted() == []
        other.end(second, EndReason.ASKED, 1.0)
    store.add_rep(marked_rep(1))
    assert store.session(session_id).end_reason is None


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_session_that_runs_in_another_process_is_left_alone_until_that_dies(path):
    with Store.open(path):
        pass
    ready, begun = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            theirs = Store.open(path)
            theirs.begin(start())
            os.write(begun, b"x")
            threading.Event().wait(30)
        finally:
            os._exit(0)
    os.read(ready, 1)
    with Store.open(path) as ours:
        alive = ours.close_interrupted()
        os.kill(child, 9)
        os.waitpid(child, 0)
        dead = ours.close_interrupted()
    assert alive == []
    assert [one.end_reason for one in dead] == [EndReason.INTERRUPTED]


# Finding sessions


def test_sessions_are_found_by_id_by_its_start_and_as_the_last(store):
    first, second = store.begin(start()), store.begin(start(STARTED + timedelta(hours=1)))
    assert store.session().id == store.session("last").id == second
    assert store.session(first).id == store.session(first[:12].upper()).id == first
    for reference in ("", "zz", "%", "_"):
        with pytest.raises(UserError, match="no session"):
            store.session(reference)


def test_a_start_that_fits_several_sessions_is_refused_with_their_names(store):
    ids = [store.begin(start()) for _ in range(17)]  # 17 hex ids: two begin alike
    shared = next(digit for digit in "0123456789abcdef" if sum(one.startswith(digit) for one in ids) > 1)
    with pytest.raises(UserError, match=f"sessions start with '{shared}'"):
        store.session(shared)


def test_an_empty_log_has_no_last_session(store):
    with pytest.raises(UserError, match="no sessions yet"):
        store.session()
    assert store.sessions() == []


def test_sessions_are_ordered_by_the_moment_they_began_whatever_the_offset(store):
    """RFC 3339 section 5.8: 1996-12-19T16:39:57-08:00 is 1996-12-20T00:39:57Z."""
    west = datetime(1996, 12, 19, 16, 39, 57, tzinfo=timezone(timedelta(hours=-8)))
    utc = datetime(1996, 12, 20, 0, 39, 57, tzinfo=timezone.utc)
    assert west == utc
    later = store.begin(start(west + timedelta(milliseconds=1)))
    earlier = store.begin(start(utc))
    assert [one.session.id for one in store.sessions()] == [later, earlier]
    assert store.session(later).started_at.utcoffset() == timedelta(hours=-8)


def test_a_start_without_an_offset_is_refused(store):
    with pytest.raises(ValueError, match="offset"):
        store.begin(start(datetime(2026, 5, 4)))


def test_the_list_counts_reps_after_corrections(store):
    store.begin(start(dog="Ulla"))
    store.begin(start(STARTED + timedelta(days=1)))
    for number in range(1, 6):
        store.add_rep(marked_rep(number))
    store.add_rep(marked_rep(6, outcome=Outcome.INCORRECT))
    store.add_correction(Correction(1, Outcome.CORRECT, None, "undo", 15.0))
    store.add_correction(Correction(2, Outcome.CORRECT, Outcome.NO_RESPONSE, "seen on video", 15.0))
    assert [(one.session.dog, one.reps, one.correct) for one in store.sessions()] == [("Bram", 5, 3), ("Ulla", 0, 0)]
    assert [one.session.dog for one in store.sessions("ULLA")] == ["Ulla"]


def test_steps_reached_are_those_of_the_last_session_of_that_dog(store):
    def decide(choice, behaviour, step, new_step, at_s):
        store.add_decision(Decision(choice, Because.WINDOW, at_s, behaviour, step, new_step))

    store.begin(start())
    store.add_rep(marked_rep(1))
    decide(Choice.RAISE, "sit", 2, 3, 11.9)
    decide(Choice.LOWER, "brush", 2, 1, 20.0)
    store.begin(start(STARTED + timedelta(days=1)))
    store.add_rep(marked_rep(1, step=3))
    decide(Choice.LOWER, "sit", 3, 2, 11.9)
    decide(Choice.HOLD, "sit", 2, 2, 21.9)
    store.add_decision(Decision(Choice.END, Because.TIME, 60.0))
    far_east = timezone(timedelta(hours=14))  # written down later, and it reads later, but it was an hour earlier
    store.begin(start((STARTED + timedelta(hours=23)).astimezone(far_east)))
    store.add_rep(marked_rep(1, step=1))
    store.begin(start(STARTED + timedelta(days=2), dog="Ulla"))
    store.add_rep(marked_rep(1, step=1))
    assert store.current_steps("bram") == {"sit": 2, "brush": 1}
    assert store.current_steps("Ulla") == {"sit": 1}
    assert store.current_steps("Nobody") == {}


def test_what_was_raised_on_a_day_by_the_clock_on_the_wall(store):
    def session(started_at, *made, dog="Bram"):
        store.begin(start(started_at, dog=dog))
        for at_s, choice, behaviour in made:
            store.add_decision(Decision(choice, Because.WINDOW, at_s, behaviour, 2, 3))

    monday = STARTED.date()
    east = timezone(timedelta(hours=9))  # 4 May there, still 3 May in UTC
    session(datetime(2026, 5, 4, 8, tzinfo=east), (30.0, Choice.RAISE, "sit"), (40.0, Choice.LOWER, "stay"))
    session(
        datetime(2026, 5, 4, 23, 59, tzinfo=timezone.utc), (30.0, Choice.RAISE, "brush"), (90.0, Choice.RAISE, "down")
    )
    session(STARTED, (30.0, Choice.RAISE, "leave it"), dog="Ulla")
    days = [monday + timedelta(days=day) for day in (-1, 0, 1, 2)]
    assert [store.raised_on("BRAM", day) for day in days] == [set(), {"sit", "brush"}, {"down"}, set()]
    assert store.raised_on("Ulla", monday) == {"leave it"}


# The file


@pytest.mark.skipif(os.name != "posix", reason="POSIX permissions")
def test_only_the_owner_can_read_the_log(path, tmp_path):
    deep = tmp_path / "a" / "b" / "handsfree.db"
    with Store.open(deep) as store:
        store.begin(start())
        for folder in (tmp_path / "a", tmp_path / "a" / "b"):
            assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        for file in deep.parent.glob("handsfree.db*"):
            if "-live-" not in file.name:
                assert stat.S_IMODE(file.stat().st_mode) == 0o600, file


def test_opening_to_read_makes_nothing_and_writes_nothing(path):
    assert "no log there yet" in raised(path, read_only=True)
    assert not path.parent.exists()
    with Store.open(path):
        pass
    with Store.open(path, read_only=True) as reader, pytest.raises(UserError, match="read-only"):
        reader.begin(start())


def test_each_migration_step_runs_once_in_order(path, monkeypatch):
    with Store.open(path) as store:
        session_id = store.begin(start())
        store.add_rep(marked_rep(1))
    more = ("ALTER TABLE notes ADD COLUMN spoken TEXT", "CREATE TABLE weather (sky TEXT)")
    monkeypatch.setattr(migrations, "STEPS", {**migrations.STEPS, "9999_second": more})
    for _ in range(2):
        with Store.open(path) as store:
            assert len(store.reps(session_id)) == 1
    names = [row[0] for row in plain(path).execute("SELECT name FROM _sqlite_migrations ORDER BY id")]
    assert names == [*migrations.STEPS]
    assert names[-1] == "9999_second"


def test_a_migration_that_fails_leaves_the_log_as_it_was(path, monkeypatch):
    with Store.open(path) as store:
        session_id = store.begin(start())
    bad = ("CREATE TABLE weather (sky TEXT)", "CREATE TABLE weather (sky TEXT)")
    with monkeypatch.context() as patch:
        patch.setattr(migrations, "STEPS", {**migrations.STEPS, "9999_second": bad})
        raised(path)
    with Store.open(path) as store:
        assert store.session(session_id).dog == "Bram"
    assert not plain(path).execute("SELECT 1 FROM sqlite_master WHERE name = 'weather'").fetchall()


def test_one_dog_is_found_without_reading_the_reps_of_the_others(store):
    asked = []
    store._file._connection.set_trace_callback(asked.append)
    store.sessions("bram")
    store.current_steps("bram")
    store.raised_on("bram", STARTED.date())
    with pytest.raises(UserError, match="no session '3f'"):
        store.session("3f")
    store._file._connection.set_trace_callback(None)
    plans = [row["detail"] for query in asked for row in store._file.rows(f"EXPLAIN QUERY PLAN {query}")]
    assert any("USING INDEX sessions_by_dog" in step for step in plans)
    assert not [step for step in plans if re.match("SCAN (reps|decisions|sessions)", step)]


# Many sessions at once


def one_of_each(path) -> SessionLog:
    """A session, written live, with a row in every table."""
    with Store.open(path) as store:
        session_id = store.begin(start(handler="Ana", place="kitchen"))
        store.add_word(LogWord(SessionEvent(heard("sit", 10.0), Role.CUE, "sit"), 1))
        store.add_word(LogWord(Ignored(heard("기다려", 2.0), None, Reason.IN_A_SENTENCE, "stay")))
        store.add_rep(marked_rep(1))
        store.add_rep(marked_rep(2, outcome=Outcome.NO_RESPONSE, outcome_word=None, recue=True))
        store.add_reward(OweReward(1, 11.4))
        store.add_decision(Decision(Choice.RAISE, Because.WINDOW, 36.0, "sit", 2, 3, (1, 2), 1, "4-3-2"))
        store.add_prompt(SaidPrompt("end", "One more", 61.0))
        store.add_correction(Correction(2, Outcome.NO_RESPONSE, None, "undo", 40.0))
        store.add_note(Note(50.0, 5.0, "notes/one.wav"))
        store.add_gap(Gap(20.0, 0.5))
        store.end(session_id, EndReason.ASKED, 70.5)
        return store.session_log(session_id)


def test_whole_sessions_come_back_as_they_went_in(path, tmp_path):
    log = one_of_each(tmp_path / "live.db")
    other = replace(log, session=replace(log.session, id="0" * 32, dog="Rex"), words=(), corrections=())
    with Store.open(path) as store:
        assert store.add_whole([log, other]) == 2
        assert store.session_log(log.session.id) == log
        assert store.session_log("0" * 32).reps[1].outcome is Outcome.NO_RESPONSE  # its correction was left out
        assert store.current_steps("bram") == {"sit": 3}
    live, bulk = plain(tmp_path / "live.db"), plain(path)
    for table in ("sessions", "behaviours", "words", "reps", "rewards", "decisions", "prompts", "corrections"):
        query = f"SELECT * FROM {table}"
        assert set(live.execute(query).fetchall()) <= set(bulk.execute(query).fetchall()), table


def test_whole_sessions_are_written_all_or_none(path, tmp_path):
    log = one_of_each(tmp_path / "live.db")
    new = replace(log, session=replace(log.session, id="0" * 32))
    with Store.open(path) as store:
        store.add_whole([log])
        with pytest.raises(UserError, match=f"session {log.session.id} is in this log already"):
            store.add_whole([new, log])
        with pytest.raises(ValueError, match="is not over"):
            store.add_whole([new, replace(new, session=replace(new.session, ended_s=None, end_reason=None))])
        assert [totals.session.id for totals in store.sessions()] == [log.session.id]
        assert store.close_interrupted() == []


# Bad files: one line, and the file stays as it was


def filled(path, reps=400):
    with Store.open(path) as store:
        store.begin(start())
        store._file._connection.execute("PRAGMA synchronous = OFF")  # only the tests are in a hurry
        for number in range(1, reps + 1):
            store.add_rep(marked_rep(number))
    return path.read_bytes()


@pytest.mark.parametrize("read_only", [False, True])
@pytest.mark.parametrize("place", [0.5, 0.65, 0.75, 0.85])  # tables first, then rows
def test_damage_in_the_middle(path, place, read_only):
    content = bytearray(filled(path))
    middle = int(len(content) * place)
    content[middle : middle + 12_288] = random.Random(middle).randbytes(12_288)
    path.write_bytes(content)
    assert "damaged; move it away" in raised(path, read_only=read_only)
    assert path.read_bytes() == content


def test_damage_to_the_reps_of_a_large_log_shows_when_they_are_read(path, monkeypatch):
    content = bytearray(filled(path))
    at = int(len(content) * 0.85)
    content[at : at + 12_288] = random.Random(at).randbytes(12_288)
    path.write_bytes(content)
    monkeypatch.setattr(database, "CHECKED_BYTES", 0)
    with Store.open(path) as store, pytest.raises(UserError, match="damaged; move it away"):
        store.reps(store.session().id)


@pytest.mark.parametrize("read_only", [False, True])
@pytest.mark.parametrize("share", [0.2, 0.5, 0.95])
def test_a_file_cut_short(path, share, read_only):
    content = filled(path)
    content = content[: int(len(content) * share)]
    path.write_bytes(content)
    assert "damaged; move it away" in raised(path, read_only=read_only)
    assert path.read_bytes() == content


def test_a_row_no_version_wrote(path):
    with Store.open(path) as store:
        session_id = store.begin(start())
        store.add_rep(marked_rep(1))
    with plain(path) as connection:
        connection.execute("UPDATE reps SET outcome = 'brilliant'")
    with Store.open(path) as store, pytest.raises(UserError, match="damaged; move it away"):
        store.reps(session_id)


@pytest.mark.parametrize(
    "content", [b"dog = 'Bram'\n", b"\x89PNG\r\n" + bytes(4000), b"SQLite format 2\0" + bytes(9000)]
)
def test_not_a_database(path, content):
    path.parent.mkdir()
    path.write_bytes(content)
    assert "not a database; name another file" in raised(path)
    assert path.read_bytes() == content


def test_somebody_elses_database(path):
    path.parent.mkdir()
    with plain(path) as connection:
        connection.execute("CREATE TABLE bookmarks (url TEXT)")
    before = path.read_bytes()
    assert "not a log of handsfree" in raised(path)
    assert path.read_bytes() == before


def test_a_newer_version(path):
    filled(path, reps=1)
    with plain(path) as connection:
        values = "'handsfree', '0099_from_next_year', '2031-01-01'"
        connection.execute(f"INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ({values})")
    connection.close()
    before = path.read_bytes()
    assert "newer version of handsfree (it has '0099_from_next_year'); update" in raised(path)
    assert path.read_bytes() == before


def test_a_folder(tmp_path):
    line = raised(tmp_path)
    assert "this is a folder; name a file in it" in line


def test_a_home_where_nothing_can_be_made(tmp_path):
    (tmp_path / "home").write_text("a file where a folder should be")
    line = raised(tmp_path / "home" / "data" / "handsfree.db")
    assert "no log can be made there" in line
    assert "HANDSFREE_HOME" in line


def test_locked_at_the_start(path):
    filled(path, reps=1)
    other = plain(path)
    other.execute("BEGIN IMMEDIATE")
    assert "locked by another program; close it" in raised(path)
    other.rollback()
    Store.open(path).close()


def test_locked_in_mid_session(path):
    with Store.open(path, busy_s=0.1) as store:
        session_id = store.begin(start())
        store.add_rep(marked_rep(1))
        other = plain(path)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(UserError, match="locked by another program.*counted so far is safe"):
            store.add_rep(marked_rep(2))
        with pytest.raises(UserError, match="locked"):
            store.end(session_id, EndReason.ASKED, 30.0)
        assert [one.rep.number for one in store.reps(session_id)] == [1]
        other.rollback()
        store.add_rep(marked_rep(2))
        store.end(session_id, EndReason.ASKED, 30.0)
    with Store.open(path) as store:
        assert [one.rep.number for one in store.reps(session_id)] == [1, 2]


def test_a_short_lock_is_waited_for(path):
    with Store.open(path, busy_s=5.0) as store:
        session_id = store.begin(start())
        other = sqlite3.connect(path, check_same_thread=False)
        other.execute("BEGIN IMMEDIATE")
        release = threading.Timer(0.3, other.rollback)
        release.start()
        store.add_rep(marked_rep(1))
        release.join()
        assert len(store.reps(session_id)) == 1


def test_a_short_lock_is_waited_for_while_a_log_is_made(path):
    path.parent.mkdir()
    other = sqlite3.connect(path, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")  # which SQLite does not wait for when it turns to the write-ahead log
    release = threading.Timer(0.3, other.rollback)
    release.start()
    with Store.open(path, busy_s=5.0) as store:
        assert store.sessions() == []
    release.join()


def test_a_log_that_another_program_makes_between_two_looks_is_ours(path, monkeypatch):
    """The first look finds an empty file; the other program makes its log, or waits, before the second."""
    makers = []

    def look_slowly(connection):
        found = look(connection)
        if not makers:
            makers.append(threading.Thread(target=lambda: Store.open(path).close()))
            makers[0].start()
            makers[0].join(0.5)
        return found

    look = database.applied_steps
    monkeypatch.setattr(database, "applied_steps", look_slowly)
    with Store.open(path) as store:
        makers[0].join()
        assert store.sessions() == []

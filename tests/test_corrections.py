"""What a reviewer's corrections make of the reps: in the core, in the log, and in what is counted from it."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from datetime import datetime, timezone
from itertools import islice

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from demo.simulate import domino
from handsfree.core import corrections, sureness
from handsfree.core.corrections import Change, Kind, Overtaken
from handsfree.core.errors import UserError
from handsfree.core.events import (
    Correction,
    EndReason,
    Ignored,
    LogWord,
    Outcome,
    OweReward,
    Reason,
    Role,
    SessionEvent,
)
from handsfree.core.log import JudgedRep
from handsfree.core.replay import differences, replay
from handsfree.core.summary import summarise
from handsfree.edges import planfile
from handsfree.edges.report import page
from handsfree.edges.review_page import shown
from handsfree.edges.store import Store
from tests.helpers import heard
from tests.logs import marked_rep, start

C, I, N = Outcome.CORRECT, Outcome.INCORRECT, Outcome.NO_RESPONSE  # noqa: E741


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "log.db") as store:
        yield store


@pytest.fixture
def session(store):
    """Reps 1 to 4 at 10, 20, 30, 40 s; the third was marked twice, the fourth holds a cue that did not count."""
    session_id = store.begin(start())
    for number in (1, 2, 3):
        store.add_rep(marked_rep(number))
    store.add_rep(marked_rep(4, to_marker_s=4.0))
    for word, role, number in (
        (heard("yes", 31.4), Role.MARKER, 3),
        (heard("yes", 33.0), Role.MARKER, 3),
        (heard("yes", 44.4), Role.MARKER, 4),
    ):
        store.add_word(LogWord(SessionEvent(word, role), number))
        store.add_reward(OweReward(number, word.start_s))
    missed = heard("sit", 42.0, confidence=0.4)
    store.add_word(LogWord(Ignored(missed, Role.CUE, Reason.UNSURE, "sit")))
    store.end(session_id, EndReason.ASKED, 60.0)
    return session_id


def make(store, session_id, change: Change):
    """Write a change down; the log afterwards, which the core must have foreseen."""
    log = store.session_log(session_id)
    foreseen = corrections.judged(log.reps, change.corrections)
    store.add_change(session_id, len(log.corrections), change)
    log = store.session_log(session_id)
    assert log.reps == foreseen
    return log


def table(log):
    return [(one.rep.number, round(one.rep.start_s, 3), round(one.rep.end_s, 3), one.outcome) for one in log.reps]


@pytest.mark.parametrize(("kind", "after"), [(Kind.WRONG, I), (Kind.NO_RESPONSE, N), (Kind.NO_REP, None)])
def test_an_outcome_is_changed_and_taken_back(store, session, kind, after):
    log = make(store, session, corrections.outcome(store.session_log(session), 2, kind, "Ana"))
    assert [one.outcome for one in log.reps] == [C, after, C, C]
    assert summarise(log).correct == 3
    assert (log.corrections[0].who, log.corrections[0].correction.before) == ("Ana", C)
    log = make(store, session, corrections.undo(log, "Ana"))
    assert [one.outcome for one in log.reps] == [C] * 4
    assert [one.undoes for one in log.corrections] == [None, 1]  # both stay written down
    with pytest.raises(UserError, match="nothing of Ana's"):
        corrections.undo(log, "Ana")


def test_the_summary_shows_what_stands_and_counts_what_was_taken_back(store, session):
    log = make(store, session, corrections.outcome(store.session_log(session), 2, Kind.WRONG, "Ana"))
    log = make(store, session, corrections.split(log, 3, 32.5, "Ana"))
    assert summarise(log).behaviours[0].outcomes == (C, I, C, C, C)
    log = make(store, session, corrections.undo(log, "Ana"))
    log = make(store, session, corrections.outcome(log, 1, Kind.NO_REP, "Ana"))
    log = make(store, session, corrections.undo(log, "Ana"))
    assert corrections.standing(log.corrections) == [log.corrections[0]]
    sit = summarise(log).behaviours[0]
    assert (sit.outcomes, sit.undone) == ((C, I, C, C), 0)  # what was split off and taken back never was a rep
    console = Console(record=True, width=80)
    page.show(summarise(log), console)
    lines = console.export_text().splitlines()
    assert [line for line in lines if "corrected" in line] == ["0:21  rep 2: correct, corrected to incorrect (wrong)"]
    assert "2 corrections made and taken back" in lines


def test_what_is_so_already_is_no_correction(store, session):
    with pytest.raises(UserError, match="rep 2 is correct already"):
        corrections.outcome(store.session_log(session), 2, Kind.RIGHT, "Ana")


def test_a_rep_marked_twice_is_split_after_its_first_marker(store, session):
    log = make(store, session, corrections.split(store.session_log(session), 3, None, "Ana"))
    assert table(log)[2:4] == [(3, 30.0, 31.8, C), (5, 31.8, 33.4, C)]
    added = log.reps[3]
    assert added.added
    assert added.live is None
    assert added.rep.outcome_word == heard("yes", 33.0)
    assert added.rep.cue is None
    assert added.rep.cue_to_marker_s is None
    assert (summarise(log).reps, len(log.live_reps)) == (5, 4)
    assert [one.part_of for one in log.corrections] == [None, 1]


def test_a_rep_is_split_at_the_cue_that_did_not_count(store, session):
    log = make(store, session, corrections.split(store.session_log(session), 4, None, "Ana"))
    assert table(log)[3:] == [(4, 40.0, 42.0, N), (5, 42.0, 44.8, C)]
    assert log.reps[3].rep.cue == heard("sit", 40.0)
    assert log.reps[4].rep.cue == heard("sit", 42.0, confidence=0.4)
    assert log.reps[4].rep.cue_to_marker_s == pytest.approx(2.0)
    assert log.reps[3].live == marked_rep(4, to_marker_s=4.0)


def test_a_split_that_was_taken_back_leaves_no_rep_to_look_through(store, session):
    """Its rows stay; a part that was crossed out by a key of its own stays to be seen."""
    before = store.session_log(session)
    log = make(store, session, corrections.split(before, 3, None, "Ana"))
    crossed = make(store, session, corrections.outcome(log, 5, Kind.NO_REP, "Ana"))
    assert [one.rep.number for one in corrections.shown(crossed)] == [1, 2, 3, 5, 4]
    make(store, session, corrections.undo(crossed, "Ana"))
    log = make(store, session, corrections.undo(store.session_log(session), "Ana"))
    assert [one.rep.number for one in log.reps] == [1, 2, 3, 5, 4]
    assert corrections.shown(log) == before.reps
    assert shown.figures(log) == shown.figures(before)
    again = make(store, session, corrections.split(log, 3, None, "Ana"))
    assert [one.rep.number for one in corrections.shown(again)] == [1, 2, 3, 6, 4]


def test_a_rep_is_split_where_the_reviewer_says(store, session):
    log = make(store, session, corrections.split(store.session_log(session), 1, 10.6, "Ana"))
    assert table(log)[:2] == [(1, 10.0, 10.6, N), (5, 10.6, 11.8, C)]
    with pytest.raises(UserError, match="it cannot be split at 0:11.80"):
        corrections.split(log, 2, 11.8, "Ana")


def test_two_reps_are_merged_into_one(store, session):
    log = make(store, session, corrections.merge(store.session_log(session), 1, "Ana"))
    assert table(log)[:2] == [(1, 10.0, 21.8, C), (2, 20.0, 21.8, None)]
    merged = log.reps[0].rep
    assert (merged.cue, merged.outcome_word) == (heard("sit", 10.0), heard("yes", 21.4))
    figures = summarise(log)
    assert (figures.reps, figures.rewards) == (3, 3)  # treats stay owed
    assert figures.behaviours[0].time_s == pytest.approx(44.8)  # no second is counted twice
    log = make(store, session, corrections.undo(log, "Ana"))
    assert [one.rep for one in log.reps] == list(log.live_reps)
    assert [one.counted for one in log.reps] == [None] * 4


def test_the_last_rep_and_another_behaviour_cannot_be_merged(store, session):
    log = store.session_log(session)
    with pytest.raises(UserError, match="rep 4 is the last one"):
        corrections.merge(log, 4, "Ana")
    log = make(store, session, corrections.behaviour(log, 2, "stay", "Ana"))
    with pytest.raises(UserError, match="rep 1 is sit, the next one stay"):
        corrections.merge(log, 1, "Ana")


def test_another_behaviour_has_the_step_it_stood_at(store, session):
    log = make(store, session, corrections.behaviour(store.session_log(session), 2, "stay", "Ana"))
    assert (log.reps[1].rep.behaviour, log.reps[1].rep.step) == ("stay", 1)
    assert [one.reps for one in summarise(log).behaviours] == [3, 0, 1, 0]
    with pytest.raises(UserError, match="no behaviour 'fly'"):
        corrections.behaviour(log, 2, "fly", "Ana")
    assert log.live_reps[1].behaviour == "sit"


def test_a_change_made_in_ignorance_of_another_is_refused_whole(store, session, tmp_path):
    log = store.session_log(session)
    mine = corrections.merge(log, 1, "Ana")
    with Store.open(tmp_path / "log.db") as other:
        other.add_change(session, 0, corrections.outcome(log, 1, Kind.WRONG, "Bo"))
    with pytest.raises(Overtaken):
        store.add_change(session, 0, mine)
    assert [one.who for one in store.session_log(session).corrections] == ["Bo"]


def test_what_somebody_else_changed_since_is_not_taken_back(store, session):
    log = make(store, session, corrections.outcome(store.session_log(session), 1, Kind.WRONG, "Ana"))
    log = make(store, session, corrections.outcome(log, 1, Kind.NO_REP, "Bo"))
    with pytest.raises(UserError, match="Bo has corrected rep 1 after you"):
        corrections.undo(log, "Ana")
    log = make(store, session, corrections.undo(log, "Bo"))
    log = make(store, session, corrections.undo(log, "Ana"))
    assert log.reps[0].outcome is C


def test_a_running_session_is_corrected_but_not_cut_up(store):
    session_id = store.begin(start())
    store.add_rep(marked_rep(1))
    log = make(store, session_id, corrections.outcome(store.session_log(session_id), 1, Kind.WRONG, "Ana"))
    for cut in (lambda: corrections.split(log, 1, 10.6, "Ana"), lambda: corrections.merge(log, 1, "Ana")):
        with pytest.raises(UserError, match="still running"):
            cut()
    store.add_rep(marked_rep(2))  # the session goes on, and its own voice still corrects
    store.add_correction(Correction(1, C, None, "undo", 25.0))
    assert [one.outcome for one in store.reps(session_id)] == [None, C]


def test_a_correction_of_nothing_is_refused_by_the_log(store, session):
    with pytest.raises(sqlite3.IntegrityError):
        store.add_change(session, 0, Change((Correction(9, C, I, "wrong", 1.0),), "Ana"))
    assert store.session_log(session).corrections == ()


def test_unsure_reps_are_those_with_a_doubtful_word(store, session):
    log = store.session_log(session)
    found = sureness.doubts(log.reps, log.words)
    assert {number: one.reason for number, one in found.items()} == {4: Reason.UNSURE}
    cue = heard("sit", 10.0, confidence=0.7)
    assert sureness.confidence(replace(marked_rep(1), cue=cue)) == 0.7
    assert sureness.confidence(replace(marked_rep(1), cue=None, outcome_word=None)) is None


KEYS = st.tuples(st.sampled_from(list(Kind)), st.integers(0, 60), st.integers(0, 3), st.sampled_from(["Ana", "Bo"]))


@settings(max_examples=25, deadline=None)
@given(st.lists(KEYS, max_size=25))
def test_any_sequence_of_keys_keeps_the_books(tmp_path_factory, keys):
    """The view of the log and the core agree; what was counted live stays, to the byte; undoing all restores it."""
    log = next(islice(domino(1, seed=3), 2, None))
    log = replace(log, corrections=(), reps=tuple(JudgedRep(rep, rep.outcome) for rep in log.live_reps))
    with Store.open(tmp_path_factory.mktemp("keys") / "log.db") as store:
        store.add_whole([log])
        live, session_id = log.live_reps, log.session.id
        for kind, where, which, who in keys:
            number = log.reps[where % len(log.reps)].rep.number
            try:
                log = make(store, session_id, _meant(log, kind, number, which, who))
            except UserError:
                continue
            assert log.live_reps == live
            for one in log.reps:
                assert one.rep.start_s <= one.rep.end_s
            assert sum(one.outcome is not None for one in log.reps) == summarise(log).reps == store.sessions()[0].reps
        assert differences(log, replay(log, planfile.parse(log.session.plan_text, None))) == []
        for _ in range(2):  # one may have to wait until the other has taken theirs back
            for who in ("Ana", "Bo"):
                log = _take_back_all(store, session_id, who)
        if not any(_stands(log, who) for who in ("Ana", "Bo")):
            counted = [one for one in log.reps if not one.added]
            assert [(one.rep, one.outcome) for one in counted] == [(rep, rep.outcome) for rep in live]
            assert all(one.outcome is None for one in log.reps if one.added)
    with Store.open(tmp_path_factory.mktemp("copy") / "log.db") as copy:
        copy.add_whole([log])
        assert copy.session_log(session_id) == log


def _meant(log, kind, number, which, who):
    if kind is Kind.UNDO:
        return corrections.undo(log, who)
    if kind is Kind.SPLIT:
        return corrections.split(log, number, None, who)
    if kind is Kind.MERGE:
        return corrections.merge(log, number, who)
    if kind is Kind.BEHAVIOUR:
        return corrections.behaviour(log, number, log.session.behaviours[which].name, who)
    return corrections.outcome(log, number, kind, who)


def _take_back_all(store, session_id, who):
    while True:
        log = store.session_log(session_id)
        try:
            make(store, session_id, corrections.undo(log, who))
        except UserError:
            return log


def _stands(log, who):
    gone = {one.undoes for one in log.corrections}
    firsts = [(at, one) for at, one in enumerate(log.corrections, start=1) if one.part_of is None]
    return any(one.who == who and one.undoes is None and at not in gone for at, one in firsts)


def test_an_older_log_is_brought_up_to_date(tmp_path):
    """Corrections written by the version before are read as they were."""
    from handsfree.edges.store import migrations

    path, steps = tmp_path / "log.db", dict(migrations.STEPS)
    newest = migrations.STEPS.pop("0004_review")
    try:
        with Store.open(path) as store:
            session_id = store.begin(start())
    finally:
        migrations.STEPS.clear()
        migrations.STEPS.update(steps)
    assert newest
    old = sqlite3.connect(path)
    old.execute(
        "INSERT INTO reps SELECT id, 1, 'sit', 2, 'correct', 10, 11, NULL, NULL, NULL, NULL, "
        "'yes', 10.5, 11, 1, 0, 0 FROM sessions"
    )
    made_at = datetime(2026, 5, 4, 10, tzinfo=timezone.utc).isoformat(timespec="milliseconds")
    old.execute(
        "INSERT INTO corrections SELECT id, 1, 1, 'correct', 'incorrect', 'wrong', 12, 'voice', ? FROM sessions",
        (made_at,),
    )
    old.commit()
    old.close()
    with Store.open(path) as store:
        log = store.session_log(session_id)
        assert [(one.rep.outcome, one.outcome, one.added) for one in log.reps] == [(C, I, False)]
        assert (log.corrections[0].correction.why, log.corrections[0].part_of) == ("wrong", None)
        make(store, session_id, corrections.outcome(log, 1, Kind.NO_REP, "Ana"))

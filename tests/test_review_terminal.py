"""`handsfree review --terminal`: the same keys, a line at a time."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from datetime import timedelta

import pytest

from handsfree.core.events import EndReason, Ignored, LogWord, Outcome, Reason, Role, SessionEvent
from handsfree.edges.review_terminal import Review, score
from handsfree.edges.store import Store
from handsfree.reviewing import Desk, Speaker, in_terminal, printable
from tests.helpers import heard
from tests.logs import STARTED, marked_rep, start
from tests.reviews import ROOT, invented, write
from tests.terminals import read_to_end

RIGHT, LEFT = "\x1b[C", "\x1b[D"


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "log.db") as store:
        session_id = store.begin(start())
        for number in (1, 2, 3):
            store.add_rep(marked_rep(number))
        store.add_word(LogWord(Ignored(heard("sit", 20.6, confidence=0.4), Role.CUE, Reason.UNSURE, "sit")))
        store.end(session_id, EndReason.ASKED, 60.0)
        yield store


def go(store, *keys, played=""):
    """What was said to these keys, and the session afterwards."""
    coming, lines, sounded = list(keys), [], []

    def play(one):
        sounded.append(one.rep.number)
        return played

    Review(Desk(store, "last", "Ana"), lambda: coming.pop(0) if coming else "", lines.append, play).run()
    return lines, store.session_log(), sounded


def test_every_key(store):
    lines, log, sounded = go(store, " ", "w", RIGHT, "n", LEFT, "R", "\r", RIGHT, "x", "u", "?", "x", "q", "w")
    assert [one.outcome for one in log.reps] == [Outcome.CORRECT, Outcome.NO_RESPONSE, None]
    assert [one.correction.why for one in log.corrections] == [
        "wrong", "no response", "right", "no rep", "undo", "no rep",
    ]  # fmt: skip
    assert {one.who for one in log.corrections} == {"Ana"}
    assert sounded == [1]
    assert "  wrong: rep 1, sit, incorrect" in lines
    assert lines[0].startswith("Bram, Mon 04 May 2026, 09:30. 3 of 3 correct, 100 %")


def test_a_warning_sign_is_said_first(store):
    assert not any(line.startswith("CAUTION") for line in go(store, "q")[0])
    store.begin(start(STARTED + timedelta(days=1)))
    store.add_rep(marked_rep(1))
    store.add_word(LogWord(SessionEvent(heard("growling", 61.0), Role.SAFETY)))
    lines, _, _ = go(store, "q")
    assert lines[1].startswith(
        "CAUTION  The safety word was heard at 1:01. At growling, freezing, snapping or a bite: stop"
    )


def test_what_cannot_be_is_said_and_changes_nothing(store):
    lines, log, _ = go(
        store, "r", LEFT, "u", RIGHT, RIGHT, RIGHT, "m", "\x1b[Z", " ", played="no sound is kept of rep 3"
    )
    for said in ("rep 1 is correct already", "that was the first rep", "nothing of Ana's", "that was the last rep",
                 "rep 3 is the last one", "no sound is kept of rep 3"):  # fmt: skip
        assert any(said in line for line in lines), said
    assert log.corrections == ()


def test_splitting_merging_and_another_behaviour(store):
    lines, log, _ = go(store, RIGHT, "s", "b", "3", "b", "z", "u", "u")
    assert "  split: rep 2, sit, no response" in lines
    assert "  split: rep 4, sit, correct" in lines
    assert "  behaviour: rep 2, stay, no response" in lines
    assert "  left as it is" in lines
    assert "  undo: rep 2, sit, correct" in lines
    assert not any(line.startswith("  undo: rep 4") for line in lines)  # it never was
    assert [(one.rep, one.outcome) for one in log.reps if not one.added] == [
        (one, one.outcome) for one in log.live_reps
    ]
    _, log, _ = go(store, "m")
    assert [one.outcome for one in log.reps if not one.added] == [Outcome.CORRECT, None, Outcome.CORRECT]


def test_a_rep_whose_split_is_taken_back_is_gone(store):
    """One goes on from the rep that it had been split off."""
    lines, _, _ = go(store, RIGHT, "s", RIGHT, "u", RIGHT, LEFT, LEFT)
    places = [line.split("  ")[0] for line in lines if line.startswith("rep ")]
    assert places == ["rep 1 (1 of 3)", "rep 2 (2 of 3)", "rep 4 (3 of 4)", *(f"rep {n} ({n} of 3)" for n in (3, 2, 1))]


def test_only_unsure_ones(store):
    lines, _, _ = go(store, "o")
    assert [line for line in lines if line.startswith("rep ")][-1].startswith("rep 2 (2 of 3)")
    assert "  0:20.6  sit (cue), confidence 0.40, not counted: unsure" in lines


def test_somebody_else_is_not_overwritten(store, tmp_path):
    keys = iter([RIGHT, "x", "x"])

    def key():
        one = next(keys, "")
        if one == "x" and len(store.session_log().corrections) == 0:
            with Store.open(tmp_path / "log.db") as other:
                Desk(other, "last", "Bo").make("wrong", 2, 0)
        return one

    lines = []
    Review(Desk(store, "last", "Ana"), key, lines.append, lambda one: "").run()
    assert any("Bo changed rep 2 (wrong). Your key was not carried out" in line for line in lines)
    assert [one.who for one in store.session_log().corrections] == ["Bo", "Ana"]
    assert score(store.session_log()).startswith("2 of 2 correct")


def test_a_machine_without_sound_says_so(store):
    """Nothing is kept here; where something is, a machine without an output says that instead."""
    desk = Desk(store, "last", "Ana")
    with Speaker(desk) as speaker:
        assert speaker.play(desk.log.reps[0]) == "no sound is kept of rep 1"


def test_space_stops_what_it_started_and_plays_another_rep(store, monkeypatch):
    desk = Desk(store, "last", "Ana")
    first, second = desk.log.reps[:2]
    monkeypatch.setattr(desk, "pcm", lambda number, from_s, to_s: (bytes(2 * number), from_s))
    heard_so_far = []

    class Player:
        busy = False

        def play(self, pcm, rate):
            self.busy = True
            heard_so_far.append(len(pcm))
            return 1.0

        def stop(self):
            self.busy = False
            heard_so_far.append("stop")

    speaker = Speaker(desk)
    speaker._player = player = Player()
    assert [speaker.play(one) for one in (first, first, first, second)] == [""] * 4
    player.busy = False  # the sound came to its end
    speaker.play(second)
    assert heard_so_far == [1, "stop", 1, 2, 2]


def test_what_libraries_write_does_not_come_between(store, capfd):
    """As ALSA does when a machine is busy: "underrun occurred"."""
    keys = iter(" q")

    def key():
        os.write(2, b"ALSA lib pcm.c: underrun occurred\n")
        return next(keys)

    in_terminal(Desk(store, "last", "Ana"), key, print)
    shown = capfd.readouterr()
    assert shown.err == ""
    assert "no sound is kept of rep 1" in shown.out


@pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals are POSIX's")
def test_no_key_is_lost_that_is_pressed_while_another_is_carried_out(tmp_path):
    import pty

    write(tmp_path / "log.db", invented(20))
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "handsfree.cli", "review", "--terminal", "--log", str(tmp_path / "log.db")]
    child = subprocess.Popen(
        command, stdin=theirs, stdout=theirs, stderr=theirs, env=os.environ | {"PYTHONPATH": str(ROOT)}
    )
    os.close(theirs)
    shown = b""
    while b"rep 1 (1 of 20)" not in shown:
        shown += os.read(ours, 65536)
    for _ in range(20):
        for key in (b"x", b"\x1b[C"):
            os.write(ours, key)
            time.sleep(0.003)
    os.write(ours, b"q")
    shown += read_to_end(ours)
    assert child.wait(timeout=30) == 0
    assert b"^[[C" not in shown  # no key is shown as it was typed
    with Store.open(tmp_path / "log.db", read_only=True) as store:
        assert [one.outcome for one in store.session_log().reps] == [None] * 20


def test_names_cannot_steer_the_terminal():
    assert printable("\x1b[2Jsit\n·") == "?[2Jsit?·"


def test_over_a_pipe_and_with_no_reps(tmp_path):
    write(tmp_path / "log.db", invented(2))
    with Store.open(tmp_path / "none.db") as store:
        store.end(store.begin(start()), EndReason.ASKED, 3.0)

    def run(log, keys):
        command = [sys.executable, "-m", "handsfree.cli", "review", "--terminal", "--log", str(log), "--who", "Ana"]
        environment = os.environ | {"PYTHONPATH": str(ROOT)}
        return subprocess.run(command, input=keys, capture_output=True, text=True, env=environment, timeout=60)

    done = run(tmp_path / "log.db", "xq")
    assert (done.returncode, done.stderr) == (0, "")
    assert "no rep: rep 1" in done.stdout
    done = run(tmp_path / "none.db", "xow bq")
    assert (done.returncode, done.stderr) == (0, "")
    assert "this session has no reps" in done.stdout

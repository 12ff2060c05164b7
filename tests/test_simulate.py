"""The simulator: the same seed the same log, everything in it what the program itself would have written."""

from __future__ import annotations

import subprocess
import sys
from collections import defaultdict
from datetime import datetime, timedelta
from itertools import islice

import pytest

from demo import simulate
from demo.simulate import RELAPSE_DAY, RELAPSE_OF, domino, many, plan_of, write
from handsfree import replaying
from handsfree.core.events import Choice, Ignored, Outcome, Reason, Role, SessionEvent
from handsfree.core.plan import Tag
from handsfree.core.summary import summarise
from handsfree.edges import planfile
from handsfree.edges.store import Store


@pytest.fixture(scope="module")
def logs():
    return list(domino())


def test_the_same_seed_gives_the_same_log(logs):
    assert list(domino()) == logs
    assert next(domino(seed=8)) != logs[0]


def test_nobody_can_take_it_for_a_real_log(logs):
    assert {log.session.source for log in logs} == {"simulated"}
    assert {log.session.model for log in logs} == {"none: simulated words"}


def test_it_is_four_weeks_of_one_dog_with_people_and_places(logs):
    days = {log.session.started_at.date() for log in logs}
    assert max(days) - min(days) >= timedelta(days=24)
    assert {log.session.dog for log in logs} == {"Domino"}
    assert {log.session.handler for log in logs} == set(simulate.HANDLERS)
    assert {log.session.place for log in logs} == set(simulate.PLACES)
    assert {log.session.started_at.utcoffset() for log in logs} == {timedelta(hours=1), timedelta(hours=2)}
    assert [log.session.started_at for log in logs] == sorted(log.session.started_at for log in logs)
    assert len({log.session.id for log in logs}) == len(logs)


def test_it_holds_what_real_sessions_hold(logs):
    words = [entry.heard for log in logs for entry in log.words]
    assert {word.role for word in words if isinstance(word, SessionEvent)} >= {Role.CUE, Role.MARKER, Role.ERROR}
    ignored = {word.reason for word in words if isinstance(word, Ignored)}
    assert ignored >= {Reason.PRAISE, Reason.NAME, Reason.IN_A_SENTENCE}
    assert {judged.outcome for log in logs for judged in log.reps} == {*Outcome, None}
    assert any(log.prompts for log in logs)
    assert any(log.corrections for log in logs)
    for log in logs:
        starts = [entry.heard.word.start_s for entry in log.words]
        assert starts == sorted(starts)
        assert log.session.ended_s > max(starts, default=0.0)
        assert summarise(log).reps == sum(judged.outcome is not None for judged in log.reps)


def test_the_dog_learns_and_relapses_once():
    """Over many seeds, so that it is not the luck of one: first days, days before the relapse, those after, the end."""
    shares = defaultdict(lambda: [0, 0])
    for seed in range(12):
        for log in domino(seed=seed):
            day = (log.session.started_at.date() - simulate.FIRST_DAY.date()).days
            phases = {
                "first": (0, 3),
                "before": (RELAPSE_DAY - 4, RELAPSE_DAY),
                "after": (RELAPSE_DAY, RELAPSE_DAY + 3),
            }
            phases["last"] = (25, 28)
            phase = next((name for name, (since, until) in phases.items() if since <= day < until), None)
            for judged in log.reps:
                if judged.rep.behaviour == RELAPSE_OF and judged.outcome is not None:
                    shares[phase][0] += judged.outcome is Outcome.CORRECT
                    shares[phase][1] += 1
    rates = {phase: correct / reps for phase, (correct, reps) in shares.items()}
    assert rates["before"] > rates["first"] + 0.1
    assert rates["after"] < rates["before"] - 0.15
    assert rates["last"] > rates["after"] + 0.1


def test_handling_goes_up_at_most_once_a_day(logs):
    tags = {one.name: one.tag for one in logs[0].session.behaviours}
    raised = [
        (log.session.started_at.date(), one.behaviour)
        for log in logs
        for one in log.decisions
        if one.choice is Choice.RAISE and tags[one.behaviour] is Tag.HANDLING
    ]
    assert len(set(raised)) == len(raised) > 5


def test_the_plan_stored_is_the_plan_used():
    for unlimited in (False, True):
        plan, text = plan_of("Domino 3", "Jannis", "the street", unlimited)
        assert (plan.dog, plan.handler, plan.place) == ("Domino 3", "Jannis", "the street")
        assert planfile.recall(text, "0" * 32) == plan


def test_the_big_mode_makes_just_as_many(monkeypatch):
    monkeypatch.setattr(simulate, "DISTINCT", 2)
    logs = list(many(sessions=30, reps=600, dogs=5))
    assert (len(logs), sum(len(log.reps) for log in logs)) == (30, 600)
    assert len({log.session.id for log in logs}) == 30
    per_dog = defaultdict(int)
    for log in logs:
        per_dog[log.session.dog] += len(log.reps)
        assert planfile.recall(log.session.plan_text, log.session.id).dog == log.session.dog
    assert per_dog == {f"Domino {number}": 120 for number in range(1, 6)}
    assert [replaying.verify(log) for log in logs] == [[]] * 30
    with pytest.raises(ValueError, match="cannot be shared equally"):
        next(many(sessions=31, reps=600, dogs=5))


def test_it_is_written_to_a_real_log(tmp_path):
    few = list(islice(domino(), 3))
    assert write(tmp_path / "log.db", few) == (3, sum(len(log.reps) for log in few))
    with Store.open(tmp_path / "log.db", read_only=True) as store:
        assert [store.session_log(log.session.id) for log in few] == few


def run(*args):
    command = [sys.executable, "-m", "demo.simulate", *map(str, args)]
    return subprocess.run(command, capture_output=True, text=True, encoding="utf-8")


def test_another_dogs_plan_up_to_yesterday(tmp_path):
    """One behaviour, no praise, its own handler and place: whatever a plan may leave out."""
    text = 'dog = "Tikka"\nhandler = "Sol"\nplace = "yard"\n[words]\npraise = []\n[[behaviour]]\nname = "sit"\n'
    (tmp_path / "tikka.toml").write_text(text + 'cues = ["sit"]\nsteps = ["one", "two"]\n', encoding="utf-8")
    found = list(domino(weeks=2, own=tmp_path / "tikka.toml"))
    days = [log.session.started_at.date() for log in found]
    assert datetime.now().date() - timedelta(days=15) <= min(days) <= max(days) < datetime.now().date()
    assert {log.session.dog for log in found} == {"Tikka"}
    assert {log.session.handler for log in found} == {"Sol", "Jannis"}
    assert {log.session.place for log in found} == {"yard", "the garden", "the street"}
    assert {judged.rep.behaviour for log in found for judged in log.reps} == {"sit"}
    assert [replaying.verify(log) for log in found] == [[]] * len(found)


def test_a_plan_that_is_none_leaves_no_log(tmp_path):
    done = run(tmp_path / "log.db", "--plan", tmp_path / "none.toml")
    assert (done.returncode, "there is no such file" in done.stderr) == (1, True)
    assert not (tmp_path / "log.db").exists()


def test_it_never_adds_to_a_log_that_is_there(tmp_path):
    done = run(str(tmp_path / "log.db"), "--weeks", "1")
    assert done.returncode == 0
    assert done.stdout.endswith("all invented\n")
    before = (tmp_path / "log.db").read_bytes()
    again = run(str(tmp_path / "log.db"))
    assert again.returncode == 1
    assert "exists: name a new file" in again.stderr
    assert (tmp_path / "log.db").read_bytes() == before

"""The Python interface: its page runs as it stands, its names are all there, and importing it costs nothing."""

from __future__ import annotations

import doctest
import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

import handsfree
from demo.simulate import domino, write
from handsfree import places
from handsfree.core.errors import UserError
from handsfree.core.exporting.tables import TABLES, Kind
from handsfree.core.plan import PRESETS
from tests.test_imports import HEAVY

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "demo" / "PYTHON.md"


@pytest.fixture(scope="module")
def log_path(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("api") / "domino.db"
    write(path, domino())
    return path


@pytest.fixture
def log(log_path):
    with handsfree.open_log(log_path) as opened:
        yield opened


def test_the_page_runs_as_it_stands(log_path, monkeypatch):
    pytest.importorskip("pandas")
    pytest.importorskip("polars")
    monkeypatch.chdir(log_path.parent)
    result = doctest.testfile(str(PAGE), module_relative=False, optionflags=doctest.ELLIPSIS)
    assert result.attempted > 20
    assert result.failed == 0


@pytest.mark.ear
def test_the_pages_recording_is_heard(tmp_path, monkeypatch):
    monkeypatch.setenv("HANDSFREE_HOME", str(tmp_path))
    plan, sound = places.shipped("demo") / "plan.toml", places.shipped("demo") / "session.ogg"
    counted = handsfree.count(str(plan), sound)
    assert [(rep.behaviour, str(rep.outcome)) for rep in counted.reps][:2] == [("target", "correct")] * 2
    words = list(handsfree.hear(handsfree.load_plan(plan), str(sound)))
    alone, in_session = markers(words), markers(entry.heard for entry in counted.words)
    assert [(word.text, word.start_s, word.end_s) for word in alone] == [
        (word.text, word.start_s, word.end_s) for word in in_session
    ]
    surer = [after.confidence - before.confidence for before, after in zip(alone, in_session, strict=True)]
    assert all(by >= 0 for by in surer)  # a session expects them after a cue
    assert any(by > 0 for by in surer)


def markers(heard):
    return [one.word for one in heard if isinstance(one, handsfree.SessionEvent) and one.role is handsfree.Role.MARKER]


def test_every_stable_name_is_there_and_on_the_page():
    table = PAGE.read_text(encoding="utf-8").split("## Stable names")[1]
    named = set(re.findall(r"`(\w+)`", table)) - {"sessions", "session", "reps", "to_pandas", "to_polars", "close"}
    assert named == set(handsfree.__all__)
    for name in handsfree.__all__:
        assert getattr(handsfree, name) is not None
        assert name in dir(handsfree)
    with pytest.raises(AttributeError, match="no attribute 'nosuch'"):
        handsfree.nosuch  # noqa: B018
    assert (ROOT / "handsfree" / "py.typed").is_file()


def test_no_stable_name_is_hidden_by_a_module():
    for name in handsfree.__all__:
        with pytest.raises(ModuleNotFoundError):
            importlib.import_module(f"handsfree.{name}")


def test_importing_costs_nothing():
    code = "import sys, handsfree; handsfree.Rep, handsfree.PRESETS, handsfree.open_log; print(*sorted(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not {*HEAVY, "polars", "pyarrow", "scipy"} & set(done.stdout.split())
    bare = subprocess.run(
        [sys.executable, "-c", "import sys, handsfree; print(*[m for m in sys.modules if 'handsfree' in m])"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "handsfree.api" not in bare.stdout.split()


def test_sessions_come_oldest_first_with_all_their_reps(log):
    starts = [session.started_at for session in log.sessions()]
    assert starts == sorted(starts)
    assert [whole.session for whole in log] == log.sessions()
    assert [judged for _, judged in log.reps()] == [judged for whole in log for judged in whole.reps]
    assert log.sessions(dog="Rex") == []


@pytest.mark.parametrize("table", [table.name for table in TABLES])
def test_data_frames_hold_every_table_with_its_types(log, table):
    pandas, polars = pytest.importorskip("pandas"), pytest.importorskip("polars")
    one, other = log.to_pandas(table), log.to_polars(table)
    columns = next(t for t in TABLES if t.name == table).columns
    assert list(one.columns) == other.columns == [column.name for column in columns]
    assert len(one) == other.height
    assert len(log.to_pandas(table, "domino")) == len(one)
    for column in columns:
        if column.kind is Kind.MOMENT:
            assert str(one[column.name].dtype) == "datetime64[ms, UTC]"
            assert other.schema[column.name] == polars.Datetime("ms", "UTC")
        missing = [pandas.isna(value) is True for value in one[column.name]]
        assert missing == other[column.name].is_null().to_list()


def test_a_frame_of_reps_says_what_the_reps_say(log):
    pytest.importorskip("pandas")
    frame = log.to_pandas()
    found = list(log.reps())
    assert len(frame) == len(found)
    for row, (session, judged) in zip(frame.to_dict("records"), found, strict=True):
        assert session.dog == "Domino"
        assert (row["behaviour"], row["step"]) == (judged.rep.behaviour, judged.rep.step)
        assert (row["onset_s"], row["outcome_raw"]) == (judged.rep.start_s, judged.rep.outcome)


def test_what_is_not_there_is_said(log, tmp_path, monkeypatch):
    with pytest.raises(UserError, match="no table 'rep'; there are: "):
        log.to_pandas("rep")
    with pytest.raises(UserError, match="no rule '4-3-1'; there are: 4-3-2"):
        handsfree.decide([], "4-3-1")
    with pytest.raises(UserError, match="there is no such file"):
        handsfree.load_rules(tmp_path / "nosuch.toml")
    with pytest.raises(UserError, match="there is no such file"):
        handsfree.hear(tmp_path / "nosuch.toml", "x.wav")
    monkeypatch.setitem(sys.modules, "pandas", None)
    monkeypatch.setitem(sys.modules, "polars", None)
    with pytest.raises(UserError, match="pip install pandas"):
        log.to_pandas()
    with pytest.raises(UserError, match="pip install polars"):
        log.to_polars()


def test_replay_and_decide_are_those_of_the_program(log):
    whole = log.session()
    assert handsfree.replay(whole).reps == tuple(judged.rep for judged in whole.reps)
    assert handsfree.decide(whole.reps, "4-3-2") == handsfree.decide(whole.reps, PRESETS["4-3-2"])

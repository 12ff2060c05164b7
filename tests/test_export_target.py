"""An export appears whole or not at all, and takes nothing's place unasked."""

from __future__ import annotations

import errno
import subprocess
import sys

import pytest

from tests.exports import contents, export, exported, fill, refusal

FORMATS = ("csv", "jsonl", "parquet", "datapackage", "bids")


@pytest.fixture
def log(tmp_path):
    fill(tmp_path / "log" / "log.db")
    return tmp_path / "log" / "log.db"


@pytest.mark.parametrize("format", FORMATS)
def test_what_is_there_stays_unless_replaced(log, tmp_path, format):
    pytest.importorskip("pyarrow")
    target = exported(log, tmp_path / "out", format, "--all")
    before = contents(target)
    assert "--replace" in refusal(export(log, target, format, "--dog", "Пёс"))
    assert contents(target) == before
    exported(log, target, format, "--dog", "Пёс", "--replace")
    assert contents(target) != before
    assert sorted(one.name for one in tmp_path.iterdir()) == ["log", "out"]


@pytest.mark.parametrize("format", ["vtt", "srt"])
def test_captions_replace_only_when_asked(log, tmp_path, format):
    (tmp_path / f"walk.{format}").write_text("mine")
    assert "--replace" in refusal(export(log, tmp_path / f"walk.{format}", format))
    assert (tmp_path / f"walk.{format}").read_text() == "mine"
    exported(log, tmp_path / f"walk.{format}", format, "--replace")
    assert (tmp_path / f"walk.{format}").read_text() != "mine"


def test_a_folder_of_others_is_never_replaced(log, tmp_path):
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "thesis.txt").write_text("years")
    assert "not a folder that export made" in refusal(export(log, mine, "csv", "--replace"))
    assert (mine / "thesis.txt").read_text() == "years"


def test_the_log_is_never_replaced(log, tmp_path):
    assert "log itself" in refusal(export(log, log, "vtt", "--replace"))
    assert "log itself" in refusal(export(log, log.parent, "csv", "--replace"))
    exported(log, tmp_path / "out", "csv", "--all")


def test_a_file_where_a_folder_should_go(log, tmp_path):
    (tmp_path / "out").write_text("mine")
    assert "a file is there" in refusal(export(log, tmp_path / "out", "csv", "--replace"))


def test_no_such_folder(log, tmp_path):
    assert "no folder" in refusal(export(log, tmp_path / "no" / "out", "csv"))


@pytest.mark.crash
@pytest.mark.skipif(sys.platform == "win32", reason="POSIX limits")
@pytest.mark.parametrize("format", [*FORMATS, "vtt"])
def test_disk_full_half_way(log, tmp_path, format):
    """A limit of 200 bytes a file stands for a full disk: the system refuses the rest (setrlimit, POSIX).

    It begins when the log is open, for SQLite needs a file of its own there.
    """
    pytest.importorskip("pyarrow")
    code = (
        "import resource, pyarrow.parquet; from handsfree import cli; from handsfree.edges.export import target\n"
        "check = target.check\n"
        "def last_check(*given):\n"
        "    check(*given); resource.setrlimit(resource.RLIMIT_FSIZE, (200, 200))\n"
        "target.check = last_check\n"
        f"cli.main(['export', '--format', {format!r}, '--log', {str(log)!r}, {str(tmp_path / 'out.vtt')!r}, '--all'])"
    )
    if format == "vtt":
        code = code.replace(", '--all'", "")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 2, done.stderr
    assert "disk is full" in done.stderr
    assert done.stderr.count("\n") == 1
    assert [one.name for one in tmp_path.iterdir()] == ["log"]


def test_an_older_export_stays_when_the_new_one_fails(log, tmp_path, monkeypatch):
    target = exported(log, tmp_path / "out", "csv", "--all")
    before = contents(target)

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("handsfree.edges.export.text.Csv.close", full)
    assert "disk is full" in refusal(export(log, target, "csv", "--all", "--replace"))
    assert contents(target) == before
    assert sorted(one.name for one in tmp_path.iterdir()) == ["log", "out"]


def test_parquet_without_pyarrow_says_what_to_install(log, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert "handsfree[research]" in refusal(export(log, tmp_path / "out", "parquet"))
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--dog", "Nobody"], "no session of Nobody"),
        (["--from", "2031-01-01"], "no session from 2031-01-01"),
        (["--from", "2026-02-01", "--to", "2026-01-01"], "swap them"),
        (["--all", "--dog", "Bram"], "choose one"),
        (["--key", "x"], "--blind"),
        (["--blind", "--key", "missing.key"], "no key there"),
        (["zzz"], "no session 'zzz'"),
    ],
)
def test_refusals(log, tmp_path, arguments, said):
    assert said in refusal(export(log, tmp_path / "out", "csv", *arguments))
    assert not (tmp_path / "out").exists()


def test_a_span_of_days_includes_both(log, tmp_path):
    out = exported(log, tmp_path / "out", "csv", "--from", "2026-03-29", "--to", "2026-05-04")
    assert len((out / "sessions.csv").read_text(encoding="utf-8").splitlines()) == 3


def test_a_spoiled_key(log, tmp_path):
    (tmp_path / "my.key").write_text("abc")
    assert "not a key of a blind export" in refusal(
        export(log, tmp_path / "out", "csv", "--blind", "--key", str(tmp_path / "my.key"))
    )

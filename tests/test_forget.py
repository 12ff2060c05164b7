"""The folder of kept sound: what goes by itself, what `handsfree forget` removes, and what is never touched."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from handsfree import keeping
from handsfree.cli import main
from handsfree.core.plan import KeepSound, Sound
from handsfree.edges.kept_sound import KeptSound
from handsfree.edges.store import Store
from tests.logs import start

DAY = 86_400
ONE, OTHER = "1" * 32, "12" + "0" * 30


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("HANDSFREE_HOME", str(tmp_path))
    return tmp_path / "data" / "sound"


def put(folder: Path, name: str, *, session: str = ONE, days: int = 14, age_days: float = 0, size: int = 1000) -> Path:
    """A file that was written so many days ago."""
    path = folder / f"{session}-{days}d" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(bytes(size))
    written = time.time() - age_days * DAY
    os.utime(path, (written, written))
    return path


def left(folder: Path) -> set[str]:
    return {path.name for path in folder.rglob("*") if path.is_file()}


# What goes by itself


def test_sound_goes_at_the_age_that_was_promised_when_it_was_recorded(folder):
    put(folder, "rep-1-0.000.opus", days=14, age_days=13.9)
    put(folder, "rep-2-5.000.opus", days=14, age_days=14.1)
    put(folder, "all-0.000.opus", session=OTHER, days=2, age_days=2.1)
    removed = KeptSound(folder).tidy(10**9)
    assert (removed.old, removed.beyond_limit) == (2, 0)
    assert left(folder) == {"rep-1-0.000.opus"}
    assert not (folder / f"{OTHER}-2d").exists()


def test_beyond_the_size_limit_the_oldest_goes_first_whatever_its_session(folder):
    for number in range(5):
        put(folder, f"rep-{number}-0.000.opus", session=(ONE, OTHER)[number % 2], age_days=5 - number)
    removed = KeptSound(folder).tidy(3000)
    assert (removed.old, removed.beyond_limit) == (0, 2)
    assert left(folder) == {"rep-2-0.000.opus", "rep-3-0.000.opus", "rep-4-0.000.opus"}
    assert KeptSound(folder).tidy(3000).beyond_limit == 0


def test_sound_from_the_future_ages_from_now_on(folder):
    path = put(folder, "rep-1-0.000.opus", days=1, age_days=-3000)
    assert KeptSound(folder).tidy(10**9).old == 0
    assert abs(path.stat().st_mtime - time.time()) < 60
    assert KeptSound(folder).tidy(10**9, now=lambda: time.time() + 1.01 * DAY).old == 1


def test_what_is_not_kept_sound_is_never_touched(folder):
    mine = [folder / "diary.wav", folder / "old" / "all-0.000.opus", folder / f"{ONE}-1d" / "mine.opus"]
    for path in mine:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
        os.utime(path, (0, 0))
    put(folder, "rep-1-0.000.opus", days=1, age_days=9)
    (folder / f"{OTHER}-1d").symlink_to(folder / "old")
    kept = KeptSound(folder)
    assert kept.tidy(0).old == 1
    assert kept.remove(kept.everything()) == 0
    assert all(path.exists() for path in mine)


@pytest.mark.parametrize("keep", list(KeepSound))
def test_a_session_begins_by_removing_what_is_old_even_if_it_keeps_nothing(folder, keep):
    put(folder, "rep-1-0.000.opus", days=1, age_days=2)
    with keeping.keeping(Sound(keep), folder, OTHER, lambda line: None):
        assert left(folder) == set()


def test_a_session_ends_within_the_limit_and_says_what_went(folder):
    told = []
    with keeping.keeping(Sound(keep_mb=1), folder, OTHER, told.append):
        put(folder, "rep-1-0.000.opus", age_days=1, size=600_000)
        put(folder, "rep-2-9.000.opus", size=600_000)
    assert left(folder) == {"rep-2-9.000.opus"}
    assert told[-1] == "kept sound came to more than keep_mb = 1; the oldest went (1 file)"


def test_what_cannot_be_removed_is_told_and_the_session_goes_on(folder, monkeypatch):
    put(folder, "rep-1-0.000.opus", days=1, age_days=2)

    def refuse(self):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(Path, "unlink", refuse)
    told = []
    with keeping.keeping(Sound(KeepSound.NOTHING), folder, OTHER, told.append):
        pass
    (line,) = told
    assert "rep-1-0.000.opus cannot be removed (Operation not permitted)" in line


# Found for a review


def test_sound_is_found_by_session_and_rep_and_looked_up_again_when_it_changes(folder):
    kept = KeptSound(folder)
    assert kept.rep(ONE, 1) is None
    path = put(folder, "rep-1-12.345.opus")
    put(folder, "rep-12-20.000.opus.part")
    assert kept.rep(ONE, 1) == (path, 12.345)
    assert kept.rep(ONE, 12) is None
    assert kept.whole(ONE) is None
    assert kept.rep(OTHER, 1) is None
    kept.remove(kept.everything())
    assert kept.rep(ONE, 1) is None


# The command


def run(*args: str | Path) -> int:
    with pytest.raises(SystemExit) as ended:
        main(["forget", *map(str, args)])
    return int(ended.value.code or 0)


@pytest.fixture
def some(folder: Path) -> Path:
    put(folder, "rep-1-0.000.opus", age_days=10)
    put(folder, "rep-2-5.000.opus", age_days=10, size=2_000_000)
    put(folder, "all-0.000.opus", session=OTHER, size=3_000_000)
    return folder


def test_nothing_kept(folder, capsys):
    assert run() == 0
    assert capsys.readouterr().out == f"No sound is kept in {folder}.\n"
    assert run("--all") == 0
    assert "Nothing to remove" in capsys.readouterr().out


def test_what_is_kept_is_listed_by_session(some, capsys):
    assert run() == 0
    out = capsys.readouterr().out
    rows = [" ".join(line.split()) for line in out.splitlines()]
    assert any(row.startswith("11111111") and "2 reps 2.00" in row for row in rows)
    assert any(row.startswith("12000000") and "all of it 3.00" in row for row in rows)
    assert f"3 files (5.00 MB) in {some}" in out
    assert len(left(some)) == 3


def test_spoken_notes_stay_and_are_told_of(some, capsys):
    note = some.parent / "notes" / f"{ONE}-01.wav"
    note.parent.mkdir()
    note.write_bytes(b"x")
    for options in ([], ["--all", "--yes"]):
        run(*options)
        assert f"1 spoken note in {note.parent}: kept until you remove" in capsys.readouterr().out
    assert note.exists()


def test_the_dogs_name_stands_beside_its_sound(folder, capsys):
    with Store.open(folder.parent / "handsfree.db") as store:
        session_id = store.begin(start())
        dog = store.session(session_id).dog
    put(folder, "rep-1-0.000.opus", session=session_id)
    run()
    assert f"{session_id[:8]}  {dog}" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "stays"),
    [
        (["--all"], set()),
        (["--session", "11"], {"all-0.000.opus"}),
        (["--session", OTHER.upper()], {"rep-1-0.000.opus", "rep-2-5.000.opus"}),
        (["--older-than", "9.5"], {"all-0.000.opus"}),
        (["--older-than", "11"], {"rep-1-0.000.opus", "rep-2-5.000.opus", "all-0.000.opus"}),
    ],
)
def test_what_is_removed(some, options, stays, capsys):
    assert run(*options, "--yes") == 0
    assert left(some) == stays
    gone = 3 - len(stays)
    assert (f"Removed: {gone} file" in capsys.readouterr().out) == (gone > 0)


def test_it_asks_first(some, monkeypatch, capsys):
    asked = []
    monkeypatch.setattr("click.confirm", lambda text, **how: asked.append(text))
    run("--session", "11")
    assert asked == ["Remove 2 files (2.00 MB) of 1 session? The log stays as it is"]
    assert left(some) == {"all-0.000.opus"}


def test_without_an_answer_nothing_is_removed(some, monkeypatch):
    monkeypatch.setattr("sys.stdin", open(os.devnull))  # noqa: SIM115
    assert run("--all") == 130
    assert len(left(some)) == 3


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--all", "--older-than", "3"], "say what to remove: one of"),
        (["--session", "ffff"], "no sound is kept of such a session; `handsfree forget` lists what is kept"),
        (["--session", ""], "no sound is kept of such a session"),
        (["--session", "1"], "2 sessions start so (11111, 12000); give more of it"),
    ],
)
def test_what_is_not_clear_removes_nothing(some, options, says, capsys):
    assert run(*options, "--yes") == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert says in line
    assert len(left(some)) == 3


def test_a_file_that_went_meanwhile_is_no_trouble(some):
    kept = KeptSound(some)
    files = kept.everything()
    files[0].path.unlink()
    assert kept.remove(files) == 2
    assert left(some) == set()


def test_the_log_stays_to_the_byte(some):
    path = some.parent / "handsfree.db"
    with Store.open(path) as store:
        store.begin(start())
    before = path.read_bytes()
    assert run("--all", "--yes") == 0
    assert path.read_bytes() == before


def test_a_folder_that_cannot_be_read_is_told(some, monkeypatch, capsys):
    def refuse(path):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "scandir", refuse)
    assert run() == 2
    assert (
        capsys.readouterr().err == f"handsfree: {some} cannot be read (Permission denied); permit it, and try again\n"
    )

"""The command line, each time as a process of its own: bad input, trouble while it runs, odd surroundings.

Every refusal is one line on stderr that says what is wrong, and exit code 2; what was good before is good afterwards.
Three hours of sound are in test_audio.py (memory), lost sound in test_session.py, test_recogniser.py and test_audio.py.
"""

from __future__ import annotations

import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from handsfree import places
from handsfree.core.events import EndReason, Outcome
from handsfree.edges.store import Store
from tests.terminals import read_to_end

DEMO = places.shipped("demo")
PLAN = DEMO / "plan.toml"
HANDSFREE = [sys.executable, "-m", "handsfree.cli"]
ROOT = Path(__file__).resolve().parent.parent
REP = re.compile(r"^ *\d+:\d\d +rep (\d+) +(.+), step (\d+): (correct|incorrect|no response)", re.MULTILINE)
posix = pytest.mark.skipif(os.name != "posix", reason="POSIX signals, descriptors and devices")


@pytest.fixture(scope="module")
def home(tmp_path_factory) -> Path:
    """A home shared by these tests, so that the decoding graph is made once."""
    return tmp_path_factory.mktemp("home")


@pytest.fixture(scope="module")
def recording(tmp_path_factory) -> Path:
    """The first 26 s of the demo: three reps."""
    sound, rate = soundfile.read(DEMO / "session.ogg", frames=26 * 16_000, dtype="int16")
    path = tmp_path_factory.mktemp("sound") / "short.wav"
    soundfile.write(path, sound, rate)
    return path


def environment(home: Path, **more: str) -> dict[str, str]:
    return {"PATH": "", "PYTHONPATH": str(ROOT), "HANDSFREE_HOME": str(home), "PYTHONIOENCODING": "utf-8"} | more


def run(home: Path, *args: object, program=HANDSFREE, **more: str) -> subprocess.CompletedProcess[str]:
    command = [*program, *map(str, args)]
    return subprocess.run(
        command, capture_output=True, encoding="utf-8", errors="replace", timeout=60, env=environment(home, **more)
    )


@pytest.mark.parametrize(("limit", "threads"), [({}, 1), ({"OPENBLAS_NUM_THREADS": "2"}, min(2, os.cpu_count() or 1))])
def test_numpy_computes_in_one_thread_unless_told_otherwise(tmp_path, limit, threads):
    pytest.importorskip("threadpoolctl")
    code = """
import contextlib, sys
from handsfree import cli
with contextlib.suppress(SystemExit):
    cli.main(["--version"])
assert "numpy" not in sys.modules
import numpy, threadpoolctl
print({pool["num_threads"] for pool in threadpoolctl.threadpool_info()})
"""
    done = run(tmp_path, "-c", code, program=[sys.executable], **limit)
    assert done.stdout.splitlines()[-1:] == [f"{{{threads}}}"], done.stderr


def refused(done: subprocess.CompletedProcess[str], *says: object) -> None:
    assert done.returncode == 2, done
    (line,) = done.stderr.splitlines()
    assert line.startswith("handsfree: ")
    for part in says:
        assert str(part) in line


def reps_of(log: Path, session: str = "last") -> list[tuple[int, str, int, Outcome]]:
    with Store.open(log, read_only=True) as store:
        reps = [judged.rep for judged in store.session_log(session).reps]
    return [(rep.number, rep.behaviour, rep.step, rep.outcome) for rep in reps]


def announced(text: str) -> list[tuple[int, str, int, Outcome]]:
    return [(int(n), name, int(step), Outcome(what.replace(" ", "_"))) for n, name, step, what in REP.findall(text)]


def ends(log: Path) -> list[EndReason | None]:
    """Of the sessions, newest first."""
    with Store.open(log, read_only=True) as store:
        return [totals.session.end_reason for totals in store.sessions()]


def whole(log: Path) -> bool:
    connection = sqlite3.connect(log)
    try:
        return connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    finally:
        connection.close()


# Bad plans

GOOD = PLAN.read_text(encoding="utf-8")
BAD_PLANS = {
    "empty": (b"", "the file is empty"),
    "binary": (bytes(range(256)) * 4, "not text"),
    "huge": (b"# " + b"x" * 2_000_000, "larger than 1 MB"),
    "not toml": (b'dog = "Domino"\nhandler = \n', "bad.toml:2: "),
    "wrong type": (GOOD.replace('marker = ["yes"]', "marker = 7").encode(), "marker"),
    "list for a name": (GOOD.replace('dog = "Domino"', 'dog = ["Domino"]').encode(), "dog"),
    "unknown key": (GOOD.replace("time_s", "time_sec").encode(), "time_s"),
    "phrase given twice": (GOOD.replace('"try again"', '"yes"').encode(), '"yes"'),
    "limit of 0": (GOOD.replace("time_s = 300", "time_s = 0").encode(), "limits.time_s"),
    "negative limit": (
        GOOD.replace("reps_per_behaviour = 12", "reps_per_behaviour = -1").encode(),
        "limits.reps_per_behaviour",
    ),
}


@pytest.mark.parametrize(("content", "says"), BAD_PLANS.values(), ids=BAD_PLANS)
def test_a_bad_plan(tmp_path, content, says):
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    refused(run(tmp_path, "session", path, "--from", "none.wav"), "bad.toml", says)
    assert not list(tmp_path.rglob("*.db"))
    check = run(tmp_path, "plan", "check", path)
    assert (check.returncode, check.stderr) == (2, "")
    assert says in check.stdout


def test_no_plan(tmp_path):
    refused(run(tmp_path, "session", tmp_path / "none.toml"), "none.toml", "there is no such file", "plan new")
    refused(run(tmp_path, "session", tmp_path), "this is a folder")


def test_a_command_line_that_cannot_be_understood(tmp_path):
    refused(run(tmp_path, "session"), "missing argument 'PLAN'", "handsfree session --help")
    refused(run(tmp_path, "session", PLAN, "--nonsense"), "--nonsense", "--help")
    refused(run(tmp_path, "hear", PLAN, "a.wav", "--jobs", "0"), "--jobs", "--help")
    refused(run(tmp_path, "export", "here"), "missing option '--format'. Choose from: csv, jsonl, ", "export --help")
    refused(run(tmp_path, "sesion"), "did you mean `session`?")
    refused(run(tmp_path, "session", PLAN, "--fast"), "--fast needs a recording")


# Bad sound

WITH_A_MICROPHONE = """
import sys
from tests.fake_sounddevice import FakeSoundDevice
sys.modules["sounddevice"] = FakeSoundDevice([{"name": "Headset"}])
from handsfree.cli import main
main()
"""


@pytest.mark.ear
def test_an_unknown_device(home, tmp_path):
    program = [sys.executable, "-c", WITH_A_MICROPHONE]
    log = tmp_path / "log.db"
    refused(run(home, "session", PLAN, "--device", "nosuch", "--log", log, program=program), "nosuch", "Headset")
    assert ends(log) == []


@pytest.mark.ear
def test_a_damaged_mp3_is_used_as_far_as_it_goes_and_the_decoder_keeps_quiet(home, tmp_path, recording):
    path = tmp_path / "damaged.mp3"
    soundfile.write(path, *soundfile.read(recording))
    content = bytearray(path.read_bytes())
    content[len(content) // 2 :: 7] = bytes(len(content[len(content) // 2 :: 7]))
    path.write_bytes(content)
    done = run(home, "hear", PLAN, path)
    assert done.returncode == 0
    assert [json.loads(line)["word"] for line in done.stdout.splitlines()][:3] == ["domino", "touch", "yes"]
    assert all(line.startswith("handsfree: ") for line in done.stderr.splitlines())


@pytest.fixture
def bad_sound(tmp_path) -> dict[Path, str]:
    """File -> what is said of it."""
    files = {
        "none.wav": (None, "there is no file"),
        "empty.wav": (b"", "is empty"),
        "words.wav": (b"woof\n" * 1000, "is no sound file"),
        "noise.mp3": (bytes(range(256)), "is no sound file"),
    }
    for name, (content, _) in files.items():
        if content is not None:
            (tmp_path / name).write_bytes(content)
    soundfile.write(tmp_path / "header.wav", np.zeros(0), 16_000)
    says = {tmp_path / name: says for name, (_, says) in files.items()}
    return says | {tmp_path / "header.wav": "holds no sound", tmp_path: "is a folder"}


@pytest.mark.ear
def test_a_session_from_a_bad_recording_leaves_nothing_behind(home, tmp_path, bad_sound):
    log = tmp_path / "log.db"
    for path in (tmp_path / "none.wav", tmp_path / "words.wav"):
        refused(run(home, "session", PLAN, "--from", path, "--fast", "--log", log), path, bad_sound[path])
    assert ends(log) == []


@pytest.mark.ear
@pytest.mark.parametrize("jobs", [1, 2])
def test_bad_files_among_good_ones(home, tmp_path, recording, bad_sound, jobs):
    good = tmp_path / "Füße übung 犬.wav"
    good.write_bytes(recording.read_bytes())
    files = [*bad_sound, good]
    done = run(home, "hear", PLAN, *files, "--jobs", jobs, PYTHONIOENCODING="latin-1")
    assert done.returncode == 2
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    assert {row["file"] for row in rows} == {str(good)}
    assert [row["word"] for row in rows if row["accepted"]] == ["touch", "yes"] * 2 + ["touch"]
    lines = done.stderr.splitlines()
    assert len(lines) == len(bad_sound)
    for line, (path, says) in zip(lines, bad_sound.items(), strict=True):
        assert line.startswith(f"handsfree: {path} ") or f"file {path}" in line
        assert says in line


@pytest.mark.ear
def test_any_kind_of_recording_is_heard_alike(home, tmp_path, recording):
    sound, rate = soundfile.read(recording, frames=18 * 16_000)
    half = np.interp(np.arange(0, len(sound), 2), np.arange(len(sound)), sound)
    more = np.interp(np.arange(0, len(sound), rate / 44_100), np.arange(len(sound)), sound)
    soundfile.write(tmp_path / "8 kHz.wav", half, 8_000)
    soundfile.write(tmp_path / "stereo 44.1 kHz.flac", np.stack([more, more], axis=1), 44_100)
    soundfile.write(tmp_path / "8 bit.wav", sound, rate, subtype="PCM_U8")
    soundfile.write(tmp_path / "float.wav", sound, rate, subtype="FLOAT")
    (tmp_path / "cut off.wav").write_bytes(recording.read_bytes()[: 2 * 12 * rate])
    soundfile.write(tmp_path / "silent.wav", np.zeros(5 * rate), rate)
    names = ["8 kHz.wav", "stereo 44.1 kHz.flac", "8 bit.wav", "float.wav", "cut off.wav", "silent.wav"]
    done = run(home, "hear", PLAN, *[tmp_path / name for name in names])
    assert done.returncode == 0
    heard = {name: [] for name in names}
    for row in map(json.loads, done.stdout.splitlines()):
        if row["accepted"]:
            heard[Path(row["file"]).name].append((row["word"], row["start_s"]))
    for name in names[:4]:
        assert [word for word, _ in heard[name]] == ["touch", "yes"] * 2, name
        assert [at for _, at in heard[name]] == pytest.approx([at for _, at in heard["float.wav"]], abs=0.1)
    assert [word for word, _ in heard["cut off.wav"]] == ["touch", "yes"]
    assert heard["silent.wav"] == []
    cut, silent = done.stderr.splitlines()
    assert "cut off or damaged after 12.0 s" in cut
    assert "silent.wav: no word of the plan was heard" in silent


# Bad model, bad places


@pytest.mark.ear
@pytest.mark.parametrize("jobs", [1, 2])
def test_a_bad_model_or_home_is_told_once(home, tmp_path, jobs):
    hear = ("hear", PLAN, "a.wav", "b.wav", "--jobs", jobs)
    refused(run(home, *hear, "--model", tmp_path / "none"), "none: no such model directory")
    refused(run(home, *hear, "--model", DEMO), f"{DEMO}: not a whole Vosk model", "copy it again")
    half = tmp_path / "half"
    for name in ("am/final.mdl", "conf/mfcc.conf", "conf/model.conf", "graph/phones/word_boundary.int"):
        (half / name).parent.mkdir(parents=True, exist_ok=True)
        (half / name).write_bytes(b"half")
    refused(run(home, *hear, "--model", half), f"{half}: not a whole Vosk model", "graph/HCLr.fst")
    for name in ("HCLr.fst", "Gr.fst", "disambig_tid.int"):
        (half / "graph" / name).write_bytes(b"half")
    refused(run(home, *hear, "--model", half), f"{half}: Vosk ", "this model", "copy it again")
    below = tmp_path / "file" / "home"
    (tmp_path / "file").write_text("a file")
    refused(run(below, *hear), below, "cannot be written", "HANDSFREE_HOME")


def test_a_home_that_cannot_be(tmp_path):
    below = tmp_path / "file" / "home"
    (tmp_path / "file").write_text("a file")
    refused(run(below, "session", PLAN, "--from", "a.wav"), below, "no log can be made there", "--log")
    refused(run(below, "summary"), below, "no log there yet")
    refused(run(below, "demo"), below, "cannot be written", "HANDSFREE_HOME")
    assert (tmp_path / "file").read_text() == "a file"


def newer(log: Path) -> None:
    with sqlite3.connect(log) as connection:
        connection.execute("INSERT INTO _sqlite_migrations SELECT 99, migration_set, 'm999', applied_at "
                           "FROM _sqlite_migrations LIMIT 1")  # fmt: skip
    connection.close()


def corrupt(log: Path) -> None:
    content = bytearray(log.read_bytes())
    content[4096 : len(content) - 4096] = b"\xa5" * (len(content) - 8192)
    log.write_bytes(content)


def text(log: Path) -> None:
    log.write_text("not a database, but dear to somebody\n" * 100)


@pytest.mark.parametrize(
    ("spoil", "says"),
    [(newer, "written by a newer version"), (corrupt, "damaged; move it away"), (text, "not a database")],
)
def test_a_log_that_cannot_be_used(tmp_path, spoil, says):
    log = tmp_path / "log.db"
    with Store.open(log):
        pass
    spoil(log)
    before = log.read_bytes()
    for args in (("session", PLAN, "--from", "a.wav", "--log", log), ("summary", "--log", log)):
        refused(run(tmp_path, *args), log, says)
    assert log.read_bytes() == before


def test_a_locked_log(tmp_path):
    log = tmp_path / "log.db"
    with Store.open(log):
        pass
    other = sqlite3.connect(log, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    refused(run(tmp_path, "session", PLAN, "--from", "a.wav", "--log", log), log, "locked by another program")
    other.execute("ROLLBACK")
    other.close()


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 1 MB, and a function that mounts it again with other options."""
    folder = tmp_path / "disk"
    folder.mkdir()

    def mount(*options: str) -> None:
        done = subprocess.run(["mount", "-t", "tmpfs", "-o", ",".join(options), "tmpfs", folder], capture_output=True)
        if done.returncode:
            pytest.skip("mounting is not allowed here")

    if not sys.platform.startswith("linux"):
        pytest.skip("tmpfs is Linux's")
    mount("size=1m")
    yield folder, mount
    subprocess.run(["umount", folder], check=True)


@pytest.mark.crash
def test_a_read_only_disk(tmp_path, small_disk):
    folder, mount = small_disk
    log = folder / "log.db"
    with Store.open(log):
        pass
    mount("remount", "ro")
    refused(run(tmp_path, "session", PLAN, "--from", "a.wav", "--log", log), log, "cannot be opened; check")
    refused(run(tmp_path, "session", PLAN, "--from", "a.wav", "--log", folder / "new.db"), "no log can be made there")


@pytest.mark.crash
@pytest.mark.ear
def test_a_disk_that_fills_up_in_mid_session(home, recording, small_disk):
    folder, _ = small_disk
    log = folder / "log.db"
    with Store.open(log):
        pass
    filler = folder / "filler"
    room = os.statvfs(folder)
    filler.write_bytes(bytes(room.f_bavail * room.f_frsize - 120_000))
    done = run(home, "session", PLAN, "--from", DEMO / "session.ogg", "--fast", "--log", log)
    refused(done, log, "the disk is full", "Everything counted so far is safe")
    assert len(announced(done.stdout)) >= 1
    filler.unlink()
    assert reps_of(log) == announced(done.stdout)
    assert whole(log)
    again = run(home, "session", PLAN, "--from", recording, "--fast", "--log", log)
    assert again.returncode == 0
    assert "had been cut off; its reps are kept" in again.stderr
    assert ends(log) == [EndReason.SOUND_ENDED, EndReason.INTERRUPTED]


# Ends of many kinds


def started(home: Path, log: Path, *more: str, **options) -> subprocess.Popen[str]:
    command = [*HANDSFREE, "session", str(PLAN), "--from", str(DEMO / "session.ogg"), "--log", str(log), *more]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, "encoding": "utf-8"}
    return subprocess.Popen(command, env=environment(home), **pipes | options)


def read_reps(child: subprocess.Popen[str], count: int) -> str:
    """What it prints until it has announced so many reps."""
    assert child.stdout is not None
    lines = ""
    while len(announced(lines)) < count and (line := child.stdout.readline()):
        lines += line
    return lines


@pytest.mark.crash
@pytest.mark.ear
@posix
def test_killed_at_any_moment_no_announced_rep_is_lost(home, tmp_path, recording):
    log = tmp_path / "log.db"
    for kills, count in enumerate((1, 6), start=1):
        child = started(home, log, "--fast")
        lines = read_reps(child, count)
        child.kill()
        rest, _ = child.communicate()
        assert child.returncode == -signal.SIGKILL
        assert whole(log)
        told = announced(lines + rest)
        assert len(told) >= count
        kept = reps_of(log)
        assert kept[: len(told)] == told
        assert len(kept) - len(told) <= 1  # written down, and killed before it was told
        assert ends(log) == [None, *[EndReason.INTERRUPTED] * (kills - 1)]
    done = run(home, "session", PLAN, "--from", recording, "--fast", "--log", log)
    assert done.stderr.count("had been cut off; its reps are kept") == 1
    assert ends(log) == [EndReason.SOUND_ENDED, *[EndReason.INTERRUPTED] * 2]


@pytest.mark.ear
@posix
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_ends_tidily(home, tmp_path, number):
    log = tmp_path / "log.db"
    child = started(home, log, "--fast")
    lines = read_reps(child, 2)
    child.send_signal(number)
    rest, err = child.communicate(timeout=30)
    assert (child.returncode, err) == (0, "")
    assert "Session ended." in rest
    assert ends(log) == [EndReason.ASKED]
    assert reps_of(log) == announced(lines + rest)
    assert len(reps_of(log)) < 20  # it did not just run to the end of the sound


@pytest.mark.ear
def test_two_sessions_at_once_on_one_log(home, tmp_path):
    log = tmp_path / "log.db"
    sound, rate = soundfile.read(DEMO / "session.ogg", frames=80 * 16_000, dtype="int16")
    soundfile.write(tmp_path / "80 s.wav", sound, rate)
    children = [started(home, log, "--fast", "--from", str(tmp_path / "80 s.wav")) for _ in range(2)]
    for child in children:
        out, err = child.communicate(timeout=120)
        assert (child.returncode, err) == (0, "")
        session = re.search(r"^Session ([0-9a-f]{8}):", out, re.MULTILINE)[1]
        assert reps_of(log, session) == announced(out)
        assert len(announced(out)) >= 7
    assert ends(log) == [EndReason.SOUND_ENDED] * 2
    assert whole(log)


# Odd surroundings


@pytest.fixture(scope="module")
def odd(home, recording, tmp_path_factory) -> tuple[Path, Path]:
    """A plan and a log full of letters and brackets that some places cannot show, or would take for something else."""
    folder = tmp_path_factory.mktemp("Hündin [b] 犬")
    plan = folder / "my plän.toml"
    spelled = GOOD.replace('"Domino"', '"Dömino [/b] 犬"').replace("palm in", "[/x] pâlm in")
    plan.write_text(spelled, encoding="utf-8")
    done = run(home, "session", plan, "--from", recording, "--fast", "--log", folder / "lög.db")
    assert (done.returncode, done.stderr) == (0, "")
    return plan, folder / "lög.db"


@pytest.mark.ear
@pytest.mark.parametrize(
    "surroundings",
    [
        {"PYTHONIOENCODING": "ascii"},
        {"PYTHONIOENCODING": "latin-1"},
        {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONIOENCODING": ""},
        {"TERM": "dumb", "COLUMNS": "40", "TZ": "Asia/Kolkata"},
    ],
    ids=["ascii", "latin-1", "C", "dumb"],
)
def test_any_terminal_will_do(home, odd, surroundings):
    plan, log = odd
    page = run(home, "summary", "--log", log, **surroundings)
    assert (page.returncode, page.stderr) == (0, "")
    assert "2 of 3 correct" in page.stdout
    check = run(home, "plan", "check", plan, **surroundings)
    assert (check.returncode, check.stderr) == (0, "")
    listed = run(home, "summary", "--list", "--log", log, **surroundings)
    assert (listed.returncode, listed.stderr) == (0, "")
    figures = run(home, "summary", "--json", "--log", log, **surroundings)
    assert json.loads(figures.stdout)["session"]["dog"] == "Dömino [/b] 犬"


@pytest.mark.ear
def test_a_session_where_letters_are_few(home, odd, recording, tmp_path):
    plan, _ = odd
    log = tmp_path / "log.db"
    done = run(home, "session", plan, "--from", recording, "--fast", "--log", log, PYTHONIOENCODING="ascii")
    assert (done.returncode, done.stderr) == (0, "")
    assert len(announced(done.stdout)) == 3


@pytest.mark.ear
def test_a_session_says_first_what_sound_is_kept_and_keeps_it(home, recording, tmp_path):
    own = tmp_path / "home"
    done = run(own, "session", PLAN, "--from", recording, "--fast", "--log", tmp_path / "log.db")
    first = done.stdout.splitlines()[0]
    assert first.startswith("Sound around each rep is kept for 14 days (at most 500 MB) in ")
    assert str(own / "data" / "sound") in first
    assert len(list((own / "data" / "sound").rglob("rep-*.opus"))) == 3
    listed = run(own, "forget", "--log", tmp_path / "log.db")
    assert "Domino" in listed.stdout
    assert "3 reps" in listed.stdout


@pytest.mark.ear
@pytest.mark.parametrize(
    "wrong", [("--from", "none.wav"), ("--device", "no such microphone"), ("--model", "none"), ("--log", ".")]
)
def test_a_session_that_cannot_start_says_why_and_nothing_else(home, tmp_path, wrong):
    done = run(tmp_path, "session", PLAN, *wrong)
    refused(done)
    assert done.stdout == ""


@pytest.mark.ear
def test_times_are_kept_with_their_zone(home, recording, tmp_path):
    log = tmp_path / "log.db"
    run(home, "session", PLAN, "--from", recording, "--fast", "--log", log, TZ="Asia/Kolkata")
    with Store.open(log, read_only=True) as store:
        started_at = store.session_log("last").session.started_at
    assert started_at.utcoffset().total_seconds() == 5.5 * 3600
    assert abs(started_at.timestamp() - time.time()) < 60


@pytest.mark.ear
@posix
@pytest.mark.parametrize("term", ["xterm", "dumb"])
def test_the_screen_of_a_terminal(home, odd, recording, tmp_path, term):
    import pty

    plan, log = odd[0], tmp_path / "log.db"
    ours, theirs = pty.openpty()
    command = [*HANDSFREE, "session", plan, "--from", recording, "--fast", "--log", log]
    child = subprocess.Popen(
        command, stdout=theirs, stderr=subprocess.PIPE, env=environment(home, TERM=term, COLUMNS="40")
    )
    os.close(theirs)
    shown = read_to_end(ours)
    assert (child.wait(), child.communicate()[1]) == (0, b"")
    assert ("step 1 of 2: [/x] pâlm" in shown.decode()) == (term == "xterm")
    assert (b"\x1b[" in shown) == (term == "xterm")
    assert len(reps_of(log)) == 3


@pytest.mark.ear
@posix
def test_nobody_reads_on(home, tmp_path, recording):
    """A session piped into a program that has read enough is still counted to its end."""
    log = tmp_path / "log.db"
    child = started(home, log, "--fast", "--from", str(recording))
    child.stdout.readline()
    child.stdout.close()
    err = child.stderr.read()
    assert (child.wait(timeout=60), err) == (1, "")
    assert ends(log) == [EndReason.SOUND_ENDED]
    for args in (("hear", PLAN, recording), ("summary", "--log", log), ("plan", "check", PLAN)):
        child = subprocess.Popen(
            [*HANDSFREE, *map(str, args)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment(home)
        )
        child.stdout.close()
        assert (child.communicate()[1], child.returncode) == (b"", 1)


@pytest.mark.ear
@posix
def test_nowhere_to_print(home, tmp_path, recording):
    log = tmp_path / "log.db"
    command = [*HANDSFREE, "session", PLAN, "--from", recording, "--fast", "--log", log]
    closed = subprocess.run(
        ["/bin/sh", "-c", '"$@" >&-', "sh", *command], capture_output=True, env=environment(home), timeout=60
    )
    assert (closed.returncode, closed.stderr) == (0, b"")
    assert ends(log) == [EndReason.SOUND_ENDED]
    if not Path("/dev/full").exists():
        return
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [*HANDSFREE, "summary", "--log", log], stdout=full, stderr=subprocess.PIPE, text=True, env=environment(home)
        )
    refused(done, "the disk is full")

"""Sound kept while a session runs: what is cut, that it lies at its time, and that the session never suffers."""

from __future__ import annotations

import os
import resource
import struct
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from handsfree import keeping
from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE, AudioBlock
from handsfree.core.plan import KeepSound, Sound
from handsfree.edges.kept_sound import KeptSound, WholeFile, writer
from handsfree.session import Session
from handsfree.watching import Nobody, Together
from tests.helpers import sitting
from tests.test_session import Clock, PaperEar, Tape, blocks

ID = "0123456789abcdef" * 2
BLOCK = 1600
AROUND, ALL = Sound(), Sound(KeepSound.ALL)
TWO_REPS = (("sit", 3.0), ("yes", 5.0), ("sit", 12.0), ("oops", 14.0))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "data" / "sound"


def beeps(*at_s: float, until_s: float = 20.0) -> np.ndarray:
    """Silence with 0.2 s of 1 kHz at each time; 16 kHz int16."""
    sound = np.zeros(round(until_s * SAMPLE_RATE), "<i2")
    tone = (8000 * np.sin(2 * np.pi * 1000 * np.arange(3200) / SAMPLE_RATE)).astype("<i2")
    for one in at_s:
        begin = round(one * SAMPLE_RATE)
        sound[begin : begin + 3200] = tone[: len(sound) - begin]
    return sound


def as_blocks(sound: np.ndarray):
    for at in range(0, len(sound), BLOCK):
        yield AudioBlock(at / SAMPLE_RATE, sound[at : at + BLOCK].tobytes())


def run(folder: Path, *words, sound=None, keep: Sound = AROUND, plan=None) -> tuple[Tape, list[str]]:
    """A session with an ear of paper; what it logged, and the lines it told."""
    tape, told = Tape(), []
    with keeping.keeping(keep, folder, ID, told.append) as keeper:
        session = Session(sitting(plan), PaperEar(*words), tape, tape, Together(Clock(tape), keeper))
        session.run(blocks(20.0) if sound is None else sound, closes_itself=False)
    return tape, told


def onset_s(path: Path) -> float:
    """Where the first beep begins in a file."""
    sound, rate = soundfile.read(path)
    return int(np.argmax(np.abs(sound) > 0.05)) / rate


def names(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


# What is kept


def test_a_rep_is_kept_from_a_second_before_its_cue_to_a_second_after_its_outcome(folder):
    tape, _ = run(folder, *TWO_REPS, sound=as_blocks(beeps(3.0, 12.0)))
    kept = KeptSound(folder)
    for rep in tape.of("rep"):
        path, start_s = kept.rep(ID, rep.number)
        assert start_s == pytest.approx(rep.cue.start_s - 1.0, abs=0.001)
        assert soundfile.info(path).duration == pytest.approx(rep.end_s + 1.0 - start_s, abs=0.01)
        assert start_s + onset_s(path) == pytest.approx(rep.cue.start_s, abs=0.02)
    assert len(names(folder)) == 2
    assert kept.whole(ID) is None


def test_a_rep_at_the_beginning_and_one_at_the_end_are_kept_as_far_as_there_is_sound(folder, monkeypatch):
    monkeypatch.setattr(keeping, "AROUND_S", 2.0)  # before 1 s the tool itself is heard
    run(folder, ("sit", 1.2), ("yes", 2.5), ("sit", 17.0), ("yes", 19.5))
    kept = KeptSound(folder)
    assert kept.rep(ID, 1)[1] == 0.0
    path, start_s = kept.rep(ID, 2)
    assert start_s + soundfile.info(path).duration == pytest.approx(20.0, abs=0.01)


def test_of_a_rep_without_a_cue_the_seconds_before_its_marker_are_kept(folder):
    run(folder, ("notebook now sit", 1.0), ("yes", 15.0))
    path, start_s = KeptSound(folder).rep(ID, 1)
    assert start_s == pytest.approx(15.0 - keeping.UNCUED_S - keeping.AROUND_S, abs=0.001)


def test_lost_sound_is_silence_so_that_the_rest_lies_at_its_time(folder):
    sound = [block for block in as_blocks(beeps(6.0)) if not 3.5 <= block.start_s < 4.5]
    for keep in (AROUND, ALL):
        run(folder, ("sit", 3.0), ("yes", 6.0), sound=sound, keep=keep)
    for path, start_s in (KeptSound(folder).rep(ID, 1), KeptSound(folder).whole(ID)):
        assert start_s + onset_s(path) == pytest.approx(6.0, abs=0.02)


def test_all_of_a_session(folder):
    run(folder, *TWO_REPS, sound=as_blocks(beeps(12.0, until_s=19.97)), keep=ALL)
    path, start_s = KeptSound(folder).whole(ID)
    assert start_s == 0.0
    assert soundfile.info(path).frames == round(19.97 * SAMPLE_RATE)
    assert onset_s(path) == pytest.approx(12.0, abs=0.02)
    assert len(names(folder)) == 1


def test_nothing_is_nothing_at_all(folder):
    _, told = run(folder, *TWO_REPS, keep=Sound(KeepSound.NOTHING))
    assert told == []
    assert not folder.exists()


def test_it_is_said_what_is_kept_for_how_long_where_and_how_to_be_rid_of_it(folder):
    line = keeping.in_words(Sound(keep_days=3, keep_mb=50), folder)
    for part in ("around each rep", "3 days", "50 MB", str(folder), "handsfree forget", 'keep_sound = "nothing"'):
        assert part in line
    assert "for a day" in keeping.in_words(Sound(KeepSound.ALL, keep_days=1), folder)


def test_the_file_is_opus_in_ogg(folder):
    run(folder, *TWO_REPS)
    page = KeptSound(folder).rep(ID, 1)[0].read_bytes()
    # RFC 3533 section 6: the capture pattern; RFC 7845 section 5.1: the identification header in the first page
    assert page[:4] == b"OggS"
    head = page[page.index(b"OpusHead") :]
    version, channels, _, rate = struct.unpack("<BBHI", head[8:16])
    assert (version, channels, rate) == (1, 1, SAMPLE_RATE)


def test_flac_where_there_is_no_opus(folder, monkeypatch):
    monkeypatch.setattr(soundfile, "check_format", lambda *what: False)
    run(folder, *TWO_REPS, sound=as_blocks(beeps(3.0)))
    path, start_s = KeptSound(folder).rep(ID, 1)
    assert soundfile.info(path).format == "FLAC"
    assert start_s + onset_s(path) == pytest.approx(3.0, abs=0.001)


@pytest.mark.skipif(os.name != "posix", reason="file modes of POSIX")
@pytest.mark.parametrize("keep", [AROUND, ALL])
def test_only_its_owner_can_read_it(folder, keep):
    folder.mkdir(parents=True)
    folder.chmod(0o755)
    before = os.umask(0)
    try:
        run(folder, *TWO_REPS, keep=keep)
    finally:
        os.umask(before)
    modes = {path.stat().st_mode & 0o777 for path in folder.rglob("*") if path.is_file()}
    assert modes == {0o600}
    assert {path.stat().st_mode & 0o777 for path in (folder, *folder.iterdir())} == {0o700}


# Bounded memory


def test_little_sound_is_held_while_nothing_happens_and_a_long_rep_is_bounded(folder, monkeypatch):
    monkeypatch.setattr(keeping, "LONGEST_S", 30.0)
    held = []

    class Look(Nobody):
        def block(self, block, sitting):
            held.append(len(keeper._held) * 0.1)

    with keeping.keeping(Sound(), folder, ID, lambda line: None) as keeper:
        tape = Tape()
        ear = PaperEar(("stay", 60.0), ("yes", 115.0))
        Session(sitting(), ear, tape, tape, Together(keeper, Look())).run(blocks(130.0), closes_itself=False)
    assert max(held[:590]) < 7.0
    assert max(held) == pytest.approx(30.0, abs=0.3)
    path, start_s = KeptSound(folder).rep(ID, 1)
    assert start_s + soundfile.info(path).duration == pytest.approx(116.4, abs=0.01)


# Trouble


def assert_the_session_went_on(tape: Tape, told: list[str], folder: Path, why: str):
    assert len(tape.of("rep")) == 2
    troubles = [line for line in told if "no longer kept" in line]
    assert len(troubles) == 1
    assert str(folder) in troubles[0]
    assert why in troubles[0]
    assert "\n" not in troubles[0]


@pytest.mark.parametrize("keep", [AROUND, ALL])
def test_a_disk_that_is_nearly_full_is_left_to_the_log(folder, monkeypatch, keep):
    monkeypatch.setattr(writer, "RESERVE", 1 << 62)
    assert_the_session_went_on(*run(folder, *TWO_REPS, keep=keep), folder, "MB are free on the disk")
    assert names(folder.parent) == []


@pytest.mark.parametrize("keep", [AROUND, ALL])
def test_writing_that_fails_midway_leaves_no_half_file(folder, keep):
    noise = np.random.default_rng(1).integers(-8000, 8000, 20 * SAMPLE_RATE, dtype=np.int16).astype("<i2")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(
        resource.RLIMIT_FSIZE, (40_000 if keep is ALL else 4000, hard)
    )  # Python ignores SIGXFSZ; write fails with EFBIG
    try:
        tape, told = run(folder, *TWO_REPS, sound=as_blocks(noise), keep=keep)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert_the_session_went_on(tape, told, folder, "File too large")
    assert not [name for name in names(folder) if name.endswith(".part")]
    if keep is ALL:  # kept as far as it goes
        assert 0 < soundfile.info(KeptSound(folder).whole(ID)[0]).duration < 20
    else:
        assert names(folder) == []


def test_a_file_where_the_folder_should_be(folder):
    folder.parent.mkdir()
    folder.write_text("mine")
    assert_the_session_went_on(*run(folder, *TWO_REPS), folder, "exists")
    assert folder.read_text() == "mine"


def test_a_library_that_cannot_write_is_trouble_too(folder, monkeypatch):
    def refuse(*args, **how):
        raise soundfile.LibsndfileError(1)

    monkeypatch.setattr(soundfile, "SoundFile", refuse)
    tape, told = run(folder, *TWO_REPS)
    assert len(tape.of("rep")) == 2
    assert len(told) == 1
    assert "no longer kept" in told[0]
    assert names(folder) == []


def test_a_disk_that_hangs_does_not_hold_up_the_session(folder, monkeypatch):
    monkeypatch.setattr(keeping, "PATIENCE_S", 0.05)
    monkeypatch.setattr(keeping, "MOST_WAITING", 1)
    monkeypatch.setattr(KeptSound, "open_all", lambda *args: time.sleep(2))
    began = time.monotonic()
    tape, told = run(folder, *TWO_REPS, keep=ALL)
    assert time.monotonic() - began < 2
    assert_the_session_went_on(tape, told, folder, "the disk is too slow")


CRASH = """
import os, sys
from pathlib import Path
from handsfree.edges.kept_sound import KeptSound
kept = KeptSound(Path(sys.argv[1]))
whole = kept.open_all(sys.argv[2], 14)
rep = kept.open_rep(sys.argv[2], 14, 1, 2.0)
for _ in range(30):
    whole.write(os.urandom(32_000))
    rep.write(os.urandom(32_000))
os.kill(os.getpid(), 9)
"""


def test_a_crash_leaves_no_half_file_and_the_next_session_keeps_what_there_is_of_the_whole(folder):
    done = subprocess.run([sys.executable, "-c", CRASH, str(folder), ID], cwd=Path(__file__).parent.parent, check=False)
    assert done.returncode == -9
    kept = KeptSound(folder)
    assert kept.pieces(ID) == []
    assert {Path(name).suffix for name in names(folder)} == {".part"}
    keeping.mend(folder, ID, pytest.fail)
    path, start_s = kept.whole(ID)
    assert 20 < soundfile.info(path).duration <= 30
    assert len(names(folder)) == 1


def test_a_half_file_that_cannot_be_played_goes(folder):
    file = WholeFile(folder / f"{ID}-14d" / "all-0.000")
    file.drop()
    (folder / f"{ID}-14d" / "all-0.000.opus.part").write_bytes(b"Ogg")
    keeping.mend(folder, ID, pytest.fail)
    assert names(folder) == []


# Heard again


def test_kept_sound_is_heard_at_its_times_and_what_lies_between_is_lost_sound(folder):
    run(folder, ("sit", 3.0), ("yes", 5.0), ("sit", 6.0), ("yes", 7.0), ("sit", 15.0), ("yes", 16.0))
    found = list(keeping.kept_blocks(KeptSound(folder), ID, pytest.fail))
    gaps = [(round(block.start_s, 2), round(block.lost_s, 2)) for block in found if block.lost_s]
    assert gaps == [(2.0, 2.0), (14.0, 5.6)]  # the first two overlap: one stretch
    for before, after in zip(found, found[1:], strict=False):
        assert after.start_s - after.lost_s == pytest.approx(before.start_s + before.duration_s, abs=1e-6)


def test_nothing_kept_is_told(folder):
    with pytest.raises(UserError, match="no sound is kept of session 01234567"):
        list(keeping.kept_blocks(KeptSound(folder), ID, pytest.fail))

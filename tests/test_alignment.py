"""Where a session lies in a video: drifting clocks, noise, gain, parts, and what must be refused.

The oracle is how the video was made: soxr resamples the session's sound by a known drift, after a known lead.
"""

from __future__ import annotations

import json
import random
import shutil
import subprocess
from itertools import permutations
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from handsfree import places
from handsfree.cli import handsfree
from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE, AudioBlock, LogWord, Role, SessionEvent
from handsfree.edges.alignment import FRAME_S, by_sound, by_words, envelope
from handsfree.edges.store import Store
from tests.helpers import heard
from tests.logs import start

PEOPLE = sorted((Path(__file__).parent / "data" / "sessions").glob("*.ogg"))
DEMO = places.shipped("demo") / "session.ogg"
TARGET_S = 0.1


def samples(*paths):
    return np.concatenate([soundfile.read(path, dtype="float32")[0] for path in paths])


def blocks(sound):
    pcm = np.clip(np.rint(sound * 32768), -32768, 32767).astype("<i2")
    for first in range(0, len(pcm), SAMPLE_RATE):
        yield AudioBlock(first / SAMPLE_RATE, pcm[first : first + SAMPLE_RATE].tobytes())


def filmed(sound, *, ppm=0.0, lead_s=0.0, snr_db=20.0, gain=0.3, until_s=None):
    """The sound as a phone would have it: its clock `ppm` faster, begun `lead_s` earlier, further away, noisier."""
    chance = np.random.default_rng(5)
    drifted = soxr.resample(sound, 1e6, 1e6 + ppm)
    lead = np.zeros(max(0, round(lead_s * SAMPLE_RATE)), np.float32)
    video = np.concatenate([lead, drifted])[max(0, round(-lead_s * SAMPLE_RATE)) :]
    video = video[: None if until_s is None else round(until_s * SAMPLE_RATE)]
    noise = float(np.sqrt(np.mean(sound**2))) * 10 ** (-snr_db / 20)
    return gain * (video + chance.normal(0, noise, len(video)).astype(np.float32))


def worst_error_s(found, ppm, lead_s, until_s):
    """The larger of the errors at both ends of the session; in between they are smaller, as both lines are straight."""
    return max(abs(found.shift_s + found.stretch * t - lead_s - (1 + ppm * 1e-6) * t) for t in (0.0, until_s))


@pytest.mark.parametrize(("ppm", "lead_s", "snr_db"), [(50, 12.34, 20), (-50, -7.77, 0)])
def test_within_the_target_over_half_an_hour_of_real_voices(ppm, lead_s, snr_db):
    sound = samples(*PEOPLE[:15])
    length_s = len(sound) / SAMPLE_RATE
    assert length_s > 1800
    video = filmed(sound, ppm=ppm, lead_s=lead_s, snr_db=snr_db)
    found = by_sound(envelope(blocks(sound)), envelope(blocks(video)))
    assert worst_error_s(found, ppm, lead_s, length_s) < TARGET_S / 5
    assert found.drift_ppm == pytest.approx(ppm, abs=2)
    assert found.on_line >= 0.9 * found.of


def test_a_video_of_a_part_of_the_session():
    sound = samples(DEMO)
    found = by_sound(envelope(blocks(sound)), envelope(blocks(filmed(sound, lead_s=-60, until_s=110))))
    assert worst_error_s(found, 0, -60, 170) < TARGET_S
    assert found.of < 8


def test_the_same_sound_twice_is_not_decided_by_chance():
    sound = samples(DEMO)
    twice = envelope(blocks(np.concatenate([sound, sound])))
    with pytest.raises(UserError, match="does not fit the session surely enough: .* on the next best"):
        by_sound(envelope(blocks(sound)), twice)


@pytest.mark.parametrize("swapped", [False, True])
def test_another_sound_is_refused(swapped):
    pair = [envelope(blocks(samples(DEMO))), envelope(blocks(samples(*PEOPLE[:4])))]
    with pytest.raises(UserError, match="is it the right video"):
        by_sound(*(reversed(pair) if swapped else pair))


def test_silence_and_snippets_are_refused():
    speech, silence = envelope(blocks(samples(DEMO))), envelope(blocks(np.zeros(SAMPLE_RATE * 60)))
    for pair in ((speech, silence), (silence, speech), (silence, silence)):
        with pytest.raises(UserError, match="right"):
            by_sound(*pair)
    for pair in ((speech[:300], speech), (speech, speech[:300]), (speech[:0], speech[:0])):
        with pytest.raises(UserError, match="too short to align"):
            by_sound(*pair)


def test_lost_sound_keeps_its_place_in_the_envelope():
    pcm = samples(DEMO)[:SAMPLE_RATE]
    whole = next(blocks(pcm))
    level = envelope([whole, AudioBlock(1.5, whole.pcm, lost_s=0.5)])
    assert len(level) == round(2.5 / FRAME_S)
    assert level[:100] == pytest.approx(level[150:])


@given(
    st.floats(-500, 500),
    st.floats(-200, 200).map(lambda ppm: ppm * 1e-6),
    st.integers(0, 2**32),
)
@settings(deadline=None, max_examples=40)
def test_words_with_some_missed_some_invented_and_none_on_the_dot(shift_s, drift, seed):
    chance = random.Random(seed)
    times = sorted(chance.uniform(0, 600) for _ in range(80))
    session = [(chance.choice(["sit", "down", "yes", "yes", "no"]), at_s) for at_s in times]
    video = [
        (word, (1 + drift) * at_s + shift_s + chance.gauss(0, 0.02)) for word, at_s in session if chance.random() < 0.7
    ]
    video += [(chance.choice(["sit", "yes"]), chance.uniform(shift_s, shift_s + 600)) for _ in range(20)]
    found = by_words(session, sorted(video, key=lambda one: one[1]), 1e4)
    assert worst_error_s(found, drift * 1e6, shift_s, 600) < TARGET_S / 2
    assert found.on_line >= 40


def truth_of(recording):
    return [json.loads(line) for line in recording.with_suffix(".jsonl").read_text(encoding="utf-8").splitlines()]


def test_no_session_is_taken_for_another_with_the_same_words():
    """Every pair of sessions of the same plan, by the words truly said in them: 35 to 38 of ten kinds each."""
    said = [
        [(row["words"], row["start_s"]) for row in truth_of(path) if row.get("role") in ("cue", "marker", "error")]
        for path in PEOPLE
    ]
    for one, other in permutations(said, 2):
        with pytest.raises(UserError, match="does not fit"):
            by_words(one, other, 130)


def test_no_sound_is_taken_for_another():
    """Pairs of sessions whose background is not cut from the same recording (where it is, they do match, rightly)."""
    some = {path: {row["name"] for row in truth_of(path) if row["kind"] == "sound"} for path in PEOPLE[:9]}
    level = {path: envelope(blocks(samples(path))) for path in some}
    pairs = [(one, other) for one, other in permutations(some, 2) if not some[one] & some[other]]
    assert len(pairs) > 30
    for one, other in pairs:
        with pytest.raises(UserError, match="does not fit"):
            by_sound(level[one], level[other])


def test_words_of_another_session_are_refused():
    chance = random.Random(1)
    one, other = ([(chance.choice(["sit", "yes"]), chance.uniform(0, 600)) for _ in range(60)] for _ in range(2))
    with pytest.raises(UserError, match="does not fit"):
        by_words(one, other, 600)
    with pytest.raises(UserError, match="no words of the session were found in the video"):
        by_words(one, [("bow", 1.0)], 600)


def run(*args):
    return CliRunner().invoke(handsfree, ["align", *map(str, args)])


def test_the_command_with_a_recording_of_the_session(tmp_path):
    sound = samples(DEMO)
    soundfile.write(tmp_path / "phone.wav", filmed(sound, ppm=80, lead_s=9.0625), SAMPLE_RATE)
    result = run(tmp_path / "phone.wav", "--sound", DEMO, "--json")
    found = json.loads(result.stdout)
    assert found["shift_s"] == pytest.approx(9.0625, abs=0.01)
    assert found["drift_ppm"] == pytest.approx(80, abs=15)
    assert (found["matched_by"], found["next_best"] <= 2) == ("windows", True)
    text = run(tmp_path / "phone.wav", "--sound", DEMO).stdout
    assert "session.ogg begins 9.06" in text
    assert f"--shift-s {found['shift_s']:.4f} --stretch {found['stretch']:.8f}" in text


CODECS = {"mp4": ("mpeg4", "aac"), "webm": ("libvpx", "libopus")}


def video(path, sound, late_s):
    """A film of 4 pictures a second with this sound, which begins `late_s` after the picture; made by ffmpeg."""
    if shutil.which("ffmpeg") is None:
        pytest.skip("ffmpeg is not installed")
    picture, voice = CODECS[path.suffix[1:]]
    known = subprocess.run(["ffmpeg", "-v", "error", "-encoders"], capture_output=True, text=True).stdout.split()
    if not {picture, voice} <= set(known):
        pytest.skip(f"this ffmpeg cannot write {path.suffix}")
    inputs = ["-f", "lavfi", "-i", "testsrc=size=64x48:rate=4", "-itsoffset", str(late_s), "-i", str(sound)]
    codecs = ["-map", "0:v", "-map", "1:a", "-t", "215", "-c:v", picture, "-c:a", voice]
    subprocess.run(["ffmpeg", "-v", "error", "-nostdin", *inputs, *codecs, str(path)], check=True)
    return path


@pytest.mark.parametrize("container", CODECS)
def test_a_video_whose_sound_begins_after_its_picture(tmp_path, container):
    """Containers as phones and browsers write them, with codecs that lose sound and add a lead of their own."""
    film = video(tmp_path / f"phone.{container}", DEMO, late_s=9.5)
    result = run(film, "--sound", DEMO, "--json")
    assert result.stderr == ""
    found = json.loads(result.stdout)
    errors = [found["shift_s"] + found["stretch"] * t - 9.5 - t for t in (0, 195)]
    assert max(map(abs, errors)) < TARGET_S / 4


def test_a_session_of_few_words_cannot_be_found_by_them(tmp_path):
    with Store.open(tmp_path / "log.db") as store:
        store.begin(start())
        store.add_word(LogWord(SessionEvent(heard("sit", 1.0), Role.CUE, "sit")))
    result = run(DEMO, "--log", tmp_path / "log.db")
    assert isinstance(result.exception, UserError)
    assert "holds 1 words of its plan, too few" in str(result.exception)


@pytest.mark.parametrize("missing", ["video", "sound"])
def test_files_that_are_not_there(tmp_path, missing):
    video, sound = (tmp_path / "none.wav", DEMO) if missing == "video" else (DEMO, tmp_path / "none.wav")
    result = run(video, "--sound", sound)
    assert isinstance(result.exception, UserError)
    assert "there is no file" in str(result.exception)


@pytest.mark.ear
def test_a_stored_session_is_found_by_its_words(tmp_path, monkeypatch):
    monkeypatch.setenv("HANDSFREE_HOME", str(tmp_path / "home"))
    log = tmp_path / "demo.db"
    assert CliRunner().invoke(handsfree, ["demo", "--log", str(log)]).exit_code == 0
    soundfile.write(tmp_path / "phone.wav", filmed(samples(DEMO), ppm=50, lead_s=9.0625, until_s=180), SAMPLE_RATE)
    result = run(tmp_path / "phone.wav", "--log", log, "--json")
    found = json.loads(result.stdout)
    errors = [found["shift_s"] + found["stretch"] * t - 9.0625 - 1.00005 * t for t in (0, 170)]
    assert max(map(abs, errors)) < TARGET_S
    assert found["matched_by"] == "words"
    for container in CODECS:
        film = video(tmp_path / f"phone.{container}", DEMO, 9.5)
        found = json.loads(run(film, "--log", log, "--json").stdout)
        errors = [found["shift_s"] + found["stretch"] * t - 9.5 - t for t in (0, 195)]
        assert max(map(abs, errors)) < TARGET_S
    other = run(PEOPLE[0], "--log", log)
    assert isinstance(other.exception, UserError)
    assert "words" in str(other.exception)

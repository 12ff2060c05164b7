"""Synthetic speech: what is planned for which voices, and what is done to the sound."""

from __future__ import annotations

import csv
import importlib
import json
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

ROOT = Path(__file__).parents[1]
MODULES = ("speak_plan", "speak_moods", "speak")
RATE = 16_000
VOICES = ["af_sky", "af_kore", "am_adam", "bf_alice", "bm_lewis", "jf_alpha", "af_bella", "am_michael", "bf_lily",
          "bm_daniel", "af_nova", "am_puck", "bf_emma", "bm_george"]  # fmt: skip
BARRED = {"af_bella", "am_michael", "bf_lily", "bm_daniel"}
TEST = {"af_nova", "am_puck", "bf_emma", "bm_george"}


@pytest.fixture(scope="module")
def code() -> Iterator[SimpleNamespace]:
    sys.path.insert(0, str(ROOT / "models" / "training"))
    yield SimpleNamespace(**{name: importlib.import_module(name) for name in MODULES})
    sys.path.pop(0)
    for name in MODULES:
        sys.modules.pop(name, None)


@pytest.fixture(scope="module")
def jobs(code: SimpleNamespace) -> list:
    return code.speak_plan.plan(VOICES, seed=1)


def voices_of(jobs: list) -> set[str]:
    return {part.split("*")[0] for job in jobs for part in job.voice.split("+")}


def tone(hertz: float, seconds: float, rate: int = RATE) -> np.ndarray:
    return np.sin(2 * np.pi * hertz * np.arange(int(seconds * rate)) / rate).astype(np.float32) * 0.5


def loudest_hertz(sound: np.ndarray, rate: int = RATE) -> float:
    return float(np.argmax(np.abs(np.fft.rfft(sound * np.hanning(len(sound))))) * rate / len(sound))


def test_training_hears_no_barred_voice_and_the_test_set_only_those_kept_for_it(
    code: SimpleNamespace, jobs: list
) -> None:
    assert voices_of(jobs) == set(VOICES) - BARRED - TEST
    assert voices_of(code.speak_plan.plan(VOICES, seed=1, test=True)) == TEST


def test_shares_of_a_blend_add_up_and_the_strongest_comes_first(jobs: list) -> None:
    blends = [[float(part.split("*")[1]) for part in job.voice.split("+")] for job in jobs if "+" in job.voice]
    assert all(abs(sum(shares) - 1) < 0.025 and shares == sorted(shares, reverse=True) for shares in blends)


def test_any_first_part_of_the_jobs_holds_the_same_mix(jobs: list) -> None:
    early, late = (Counter(job.text for job in part) for part in (jobs[: len(jobs) // 2], jobs[len(jobs) // 2 :]))
    assert all(abs(early[text] - late[text]) <= 3 for text in early | late)


def test_important_words_are_said_by_many_voices(jobs: list) -> None:
    said: dict[str, set[str]] = {}
    for job in jobs:
        said.setdefault(job.text, set()).add(job.voice)
    assert all(len(said[word]) >= 60 for word in ("yes", "no", "off", "on", "sit", "leave it", "paw", "growling"))
    assert {"poppy no", "nice one", "bit", "them"} <= set(said)


def test_the_same_seed_gives_the_same_jobs_and_a_file_of_them_loses_nothing(
    code: SimpleNamespace, jobs: list, tmp_path: Path
) -> None:
    assert code.speak_plan.plan(VOICES, seed=1)[:50] == jobs[:50] != code.speak_plan.plan(VOICES, seed=2)[:50]
    code.speak_plan.write_jobs(jobs, tmp_path / "jobs.tsv")
    assert code.speak_plan.read_jobs(tmp_path / "jobs.tsv") == jobs


@pytest.mark.voice
@pytest.mark.parametrize(
    ("text", "american", "british"),
    [("go", "ɡˈO", "ɡˈQ"), ("stay", "stˈA", "stˈA"), ("church", "ʧˈɜɹʧ", "ʧˈɜːʧ"), ("water", "wˈɔTəɹ", "wˈɔːtə")],
)
def test_phonemes_are_written_as_the_voices_learnt_them(
    code: SimpleNamespace, text: str, american: str, british: str
) -> None:
    """American and British English as misaki, the front end of Kokoro-82M, writes them (from memory)."""
    assert code.speak_plan.phonemes(text, british=False) == american
    assert code.speak_plan.phonemes(text, british=True) == british


@pytest.mark.parametrize("semitones", [-3.0, 0.0, 4.0])
def test_shifting_moves_a_tone_by_the_equal_tempered_ratio(code: SimpleNamespace, semitones: float) -> None:
    """A semitone is the twelfth root of two."""
    shifted = code.speak_moods.shift(tone(500, 1, 24_000), 24_000, RATE, np.array([semitones]))
    assert loudest_hertz(shifted) == pytest.approx(500 * 2 ** (semitones / 12), rel=0.005)
    assert len(shifted) / RATE == pytest.approx(2 ** (-semitones / 12), rel=0.001)


def test_a_lower_rate_lets_nothing_through_that_would_fold_back(code: SimpleNamespace) -> None:
    shifted = code.speak_moods.shift(tone(10_000, 0.5, 24_000), 24_000, RATE, np.array([0.0]))
    assert np.sqrt(np.mean(shifted[800:-800] ** 2)) < 0.005


def test_a_moving_pitch_rises_and_falls(code: SimpleNamespace) -> None:
    sung = code.speak_moods.shift(tone(500, 1), RATE, RATE, np.array([0.0, 3.0, 0.0]))
    start, middle, end = (loudest_hertz(part) for part in np.array_split(sung, 3))
    assert middle > start + 25
    assert middle > end + 25


def test_trimming_leaves_the_silence_asked_for(code: SimpleNamespace) -> None:
    sound = np.concatenate([np.zeros(8000), tone(300, 0.5), np.zeros(500)]).astype(np.float32)
    assert len(code.speak_moods.trim(sound, RATE, 0.05, 0.1)) / RATE == pytest.approx(0.65, abs=0.021)
    assert not len(code.speak_moods.trim(np.zeros(8000, np.float32), RATE, 0.05, 0.1))


def test_whispering_keeps_level_and_resonance_and_loses_the_pitch(code: SimpleNamespace) -> None:
    """A voice of 125 Hz with one resonance at 1 kHz: its harmonics stand out before, and no longer after."""
    scipy_signal = pytest.importorskip("scipy.signal")
    pulses = np.zeros(RATE)
    pulses[::128] = 1
    angle, radius = 2 * np.pi * 1000 / RATE, 0.97
    voiced = scipy_signal.lfilter([1], [1, -2 * radius * np.cos(angle), radius**2], pulses).astype(np.float32)
    whispered = code.speak_moods.whisper(voiced, RATE, 1.0, np.random.default_rng(0))
    assert np.sqrt(np.mean(whispered**2)) == pytest.approx(np.sqrt(np.mean(voiced**2)), rel=0.01)

    def harmonicity(sound: np.ndarray) -> float:
        return float(np.dot(sound[128:], sound[:-128]) / np.dot(sound, sound))

    assert harmonicity(voiced) > 0.9
    assert abs(harmonicity(whispered)) < 0.2
    frequencies, power = scipy_signal.welch(whispered, RATE, nperseg=1024)
    assert frequencies[np.argmax(power)] == pytest.approx(1000, abs=120)


def word_by_a_person(word: str) -> np.ndarray:
    """Cut out of a session, with little around it."""
    for truth in sorted((ROOT / "tests" / "data" / "sessions").glob("*.jsonl")):
        for line in truth.read_text(encoding="utf-8").splitlines():
            row = json.loads(line)
            if row["kind"] == "spoken" and row["words"] == word:
                sound, rate = soundfile.read(truth.with_suffix(".ogg"), dtype="float32")
                assert rate == RATE
                return sound[int((row["start_s"] - 0.1) * RATE) : int((row["end_s"] + 0.1) * RATE)]
    raise AssertionError(word)


def table(path: Path) -> list[dict[str, str]]:
    with open(path, encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines, delimiter="\t"))


def test_only_clips_that_say_their_text_and_nothing_else_pass_the_check(code: SimpleNamespace, tmp_path: Path) -> None:
    yes, stop = word_by_a_person("yes"), word_by_a_person("stop")
    hum = np.concatenate([np.zeros(8000, np.float32), tone(120, 0.5)])
    clips = {
        "right": ("yes", yes),
        "also right": ("stop", stop),
        "wrong": ("sit", stop),
        "too much": ("yes", np.concatenate([yes, stop])),
        "twice": ("stop", np.concatenate([stop, np.zeros(3200, np.float32), stop])),
        "no speech": ("on", hum * 1e-3),
        "gone": ("up", None),
    }
    with open(tmp_path / "manifest.tsv", "w", encoding="utf-8", newline="") as out:
        manifest = csv.DictWriter(out, code.speak.FIELDS, delimiter="\t")
        manifest.writeheader()
        for name, (text, sound) in clips.items():
            if sound is not None:
                soundfile.write(tmp_path / f"{name}.flac", sound, RATE)
            about = {"path": f"{name}.flac", "dataset": "speak", "speaker": "af_sky", "text": text}
            seconds = f"{0.5 if sound is None else len(sound) / RATE:.2f}"
            manifest.writerow(about | {"seconds": seconds, "licence": "Apache-2.0", "note": "synthetic plain"})
    before = (tmp_path / "manifest.tsv").read_bytes()
    command = [sys.executable, ROOT / "models" / "training" / "speak.py", "check", tmp_path, ROOT / "models" / "en"]
    done = subprocess.run([*map(str, command), "--workers", "2"], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    rows = table(tmp_path / "manifest.tsv")
    assert (tmp_path / "manifest.tsv").read_bytes() == before
    assert table(tmp_path / "checked.tsv") == rows[:2]
    assert table(tmp_path / "dropped.tsv") == [
        rows[2] | {"reason": "other speech heard"},
        rows[3] | {"reason": "other speech beside it"},
        rows[4] | {"reason": "heard more than once"},
        rows[5] | {"reason": "nothing heard"},
        rows[6] | {"reason": "missing"},
    ]
    assert "2 of 7 clips kept" in done.stdout

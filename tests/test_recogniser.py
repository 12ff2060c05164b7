"""The recogniser: Vosk's JSON replayed by a stand-in, then the real one on real words (marked `ear`)."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import threading
import types
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import soundfile

from handsfree.core.errors import UserError
from handsfree.core.events import OTHER_SPEECH, SAMPLE_RATE, AudioBlock, Breath, HeardWord
from handsfree.core.phones import PAUSE
from handsfree.edges import graph, recogniser
from handsfree.edges.recogniser import BRIDGED_GAP_S, Recogniser
from handsfree.listening import ONSET_LATE_S  # as in sessions
from handsfree.places import shipped

CLIPS = Path(__file__).parent / "data" / "clips"
MODEL = shipped("models") / "en"
SPOKEN = {
    "yes": (("Y", "EH", "S"),),
    "no": (("N", "OW"),),
    "down": (("D", "AW", "N"),),
    "left": (("L", "EH", "F", "T"),),
    "right": (("R", "AY", "T"),),
    "up": (("AH", "P"),),
    "stop": (("S", "T", "AA", "P"),),
    "go left": (("G", "OW", PAUSE, "L", "EH", "F", "T"),),
}


# With a stand-in for Vosk: what its JSON means.


class Script:
    """Stands in for vosk.KaldiRecognizer: plays answers, notes what it was fed."""

    def __init__(self) -> None:
        self.answers: list[tuple[str, str]] = []  # ("result" | "partial", JSON), one for each block fed
        self.final = '{"text": ""}'
        self.fed: list[bytes] = []
        self.grammar: str | None = None

    def AcceptWaveform(self, pcm: bytes) -> int:
        assert type(pcm) is bytes  # the released wheel takes nothing else
        self.fed.append(pcm)
        self.kind, self.text = self.answers.pop(0) if self.answers else ("partial", '{"partial": ""}')
        return int(self.kind == "result")

    def Result(self) -> str:
        return self.text

    def PartialResult(self) -> str:
        return self.text

    def FinalResult(self) -> str:
        return self.final

    def SetWords(self, _: bool) -> None:
        pass


class StockModel:
    """Stands in for vosk.Model; knows a few words."""

    known = {"sit": 7, "stay": 8, "\uc549\uc544": 9, "": 0}

    def __init__(self, model_path: str) -> None:
        pass

    def vosk_model_find_word(self, word: str) -> int:
        return self.known.get(word, -1)


@pytest.fixture
def script(monkeypatch: pytest.MonkeyPatch) -> Iterator[Script]:
    playing = Script()

    def make(_model: object, _rate: float, grammar: str | None = None) -> Script:
        playing.grammar = grammar
        return playing

    stand_in = types.SimpleNamespace(Model=StockModel, KaldiRecognizer=make, SetLogLevel=lambda _: None)
    monkeypatch.setitem(sys.modules, "vosk", stand_in)
    monkeypatch.setattr(recogniser, "_check_files", lambda *_: None)
    monkeypatch.setattr(recogniser, "_chunk_s", lambda _: recogniser.CHUNK_S)
    monkeypatch.setattr(recogniser, "_try_in_a_child", lambda _: None)
    recogniser._load.cache_clear()
    yield playing
    recogniser._load.cache_clear()


def result(*words: tuple[str, float, float, float]) -> str:
    keys = ("word", "start", "end", "conf")
    return json.dumps({"text": "", "result": [dict(zip(keys, word, strict=True)) for word in words]})


def block(start_s: float, length_s: float = 0.1, lost_s: float = 0.0) -> AudioBlock:
    return AudioBlock(start_s, bytes(2 * round(length_s * SAMPLE_RATE)), lost_s)


def test_words_come_out_with_their_times(script: Script, tmp_path: Path) -> None:
    ear = Recogniser(tmp_path, [], own=True)
    script.answers = [("partial", '{"partial": ""}'), ("partial", '{"partial": "yes"}')]
    script.answers += [("result", result(("yes", 1.03, 1.2, 0.9), ("leave\u00a0it", 1.3, 1.6, 1.0)))]
    ear.feed(block(0.0, 1.0))
    assert ear.feed(block(1.0, 1.0)) == []
    (breath,) = ear.feed(block(2.0, 1.0))
    assert breath.words == (HeardWord("yes", 1.03, 1.2, 0.9), HeardWord("leave it", 1.3, 1.6, 1.0))
    assert breath.settled_s == pytest.approx(3.0 - recogniser.DECODING_LAG_S)


def test_neighbouring_other_speech_is_one_stretch(script: Script, tmp_path: Path) -> None:
    ear = Recogniser(tmp_path, [], own=True)
    heard = [(OTHER_SPEECH, 0.1, 0.3, 0.6), (OTHER_SPEECH, 0.3, 0.5, 0.8), ("yes", 0.5, 0.9, 1.0)]
    script.answers = [("result", result(*heard, (OTHER_SPEECH, 0.9, 1.2, 0.7)))]
    (breath,) = ear.feed(block(0.0, 2.0))
    other = [(word.start_s, word.end_s, word.confidence) for word in breath.words if word.text == OTHER_SPEECH]
    assert other == [(0.1, 0.5, 0.8), (0.9, 1.2, 0.7)]


@pytest.mark.parametrize("nothing", ['{"text": ""}', '{"partial": ""}', "{}"])
def test_every_shape_of_nothing(script: Script, tmp_path: Path, nothing: str) -> None:
    """Vosk leaves out keys by its state; what it leaves out is no error."""
    script.answers = [("partial", nothing), ("result", nothing)]
    script.final = nothing
    ear = Recogniser(tmp_path, [], own=True)
    breaths = ear.feed(block(0.0, 2.0)) + ear.feed(block(2.0, 2.0)) + ear.close()
    assert all(breath.words == () for breath in breaths)


def test_settled_time_never_runs_back_and_waits_while_a_word_is_in_sight(script: Script, tmp_path: Path) -> None:
    script.answers = [("partial", '{"partial": ""}'), ("partial", '{"partial": "ye"}'), ("partial", '{"partial": ""}')]
    ear = Recogniser(tmp_path, [], own=True)
    assert [b.settled_s for b in ear.feed(block(0.0, 1.0))] == [pytest.approx(1.0 - recogniser.ONSET_LAG_S)]
    assert ear.feed(block(1.0, 1.0)) == []
    assert [b.settled_s for b in ear.feed(block(2.0, 1.0))] == [pytest.approx(3.0 - recogniser.ONSET_LAG_S)]


def test_an_ear_that_takes_more_at_once_settles_that_much_later(
    script: Script, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recogniser, "_chunk_s", lambda _: recogniser.CHUNK_S + 0.45)
    ear, late_s = Recogniser(tmp_path, [], own=True), recogniser.ONSET_LAG_S + 0.45
    assert [b.settled_s for b in ear.feed(block(0.0, 3.0))] == [pytest.approx(3.0 - late_s)]
    script.answers = [("result", result(("yes", 3.5, 3.8, 0.9)))]
    (breath,) = ear.feed(block(3.0, 2.0))
    assert breath.settled_s == pytest.approx(5.0 - recogniser.DECODING_LAG_S - 0.45)


def test_a_short_loss_is_heard_as_silence(script: Script, tmp_path: Path) -> None:
    ear = Recogniser(tmp_path, [], own=True)
    ear.feed(block(0.0, 1.0))
    ear.feed(block(1.1, 1.0, lost_s=0.1))
    assert [len(pcm) for pcm in script.fed] == [32000, 3200, 32000]


def test_after_a_long_loss_later_words_keep_their_times(script: Script, tmp_path: Path) -> None:
    ear = Recogniser(tmp_path, [], own=True)
    ear.feed(block(0.0, 1.0))
    script.final = result(("stay", 0.5, 0.9, 1.0))
    script.answers = [("result", result(("sit", 1.2, 1.5, 1.0)))]  # Vosk counts only what it was fed
    breaths = ear.feed(block(1.0 + 30, 1.0, lost_s=30.0))
    words = [word for breath in breaths for word in breath.words]
    assert words == [HeardWord("stay", 0.5, 0.9), HeardWord("sit", 31.2, 31.5)]
    assert [b.settled_s for b in breaths] == sorted(b.settled_s for b in breaths)


def test_a_stream_may_start_at_any_time(script: Script, tmp_path: Path) -> None:
    script.answers = [("result", result(("sit", 0.2, 0.5, 1.0)))]
    (breath,) = Recogniser(tmp_path, [], own=True).feed(block(100.0, 1.0))
    assert breath.words == (HeardWord("sit", 100.2, 100.5),)


def test_a_stock_model_gets_phrases_and_words_unescaped(script: Script, tmp_path: Path) -> None:
    Recogniser(tmp_path, ["sit", "sit stay", "\uc549\uc544"], own=False)
    assert script.grammar is not None
    assert json.loads(script.grammar) == ["sit", "sit stay", "\uc549\uc544", "stay"]  # this model has no [unk]
    assert "\uc549\uc544" in script.grammar


def test_other_speech_joins_the_grammar_where_the_model_has_it(
    script: Script, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(StockModel.known, OTHER_SPEECH, 3)
    Recogniser(tmp_path, ["sit"], own=False)
    assert script.grammar == '["sit", "[unk]"]'


def test_all_missing_words_are_named_in_one_line(script: Script, tmp_path: Path) -> None:
    with pytest.raises(UserError, match='"xolo", "tikka"') as caught:
        Recogniser(tmp_path, ["sit", "xolo sit", "tikka"], own=False)
    assert "\n" not in str(caught.value)


def test_an_empty_grammar_is_refused(script: Script, tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no word to listen for"):
        Recogniser(tmp_path, [], own=False)


# Model directories that are not.


def test_models_are_loaded_in_several_threads_and_stderr_is_given_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever keeps stderr quiet while another thread does gives back the other's silence."""
    began, done = {name: threading.Event() for name in "ab"}, threading.Event()

    def model(model_path: str) -> str:
        name = Path(model_path).name
        began[name].set()
        (began["b"] if name == "a" else done).wait(0.3)  # a waits for b to begin, b for a to end: neither may happen
        return model_path

    monkeypatch.setattr(recogniser, "_library", lambda: types.SimpleNamespace(Model=model))
    recogniser._load.cache_clear()
    before = os.fstat(2)
    with ThreadPoolExecutor(2) as pool:
        first = pool.submit(recogniser._load, tmp_path / "a", True)
        began["a"].wait()
        second = pool.submit(recogniser._load, tmp_path / "b", True)
        loaded = [first.result()]
        done.set()
        loaded.append(second.result())
    recogniser._load.cache_clear()
    assert loaded == [str(tmp_path / name) for name in "ab"]
    assert (os.fstat(2).st_dev, os.fstat(2).st_ino) == (before.st_dev, before.st_ino)


@pytest.mark.parametrize(
    ("flags", "set_to", "seen"),
    [
        ("avx2 avx512f avx512cd avx512bw avx512dq avx512vl", None, "SkylakeX"),
        ("avx2 avx512f", None, None),  # not all that its kernels need
        ("avx2 avx512f avx512cd avx512bw avx512dq avx512vl", "Haswell", "Haswell"),
    ],
)
def test_vosk_is_loaded_with_the_kernels_of_the_processor(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, flags: str, set_to: str | None, seen: str | None
) -> None:
    stand_in = "import os\ncore = os.environ.get('OPENBLAS_CORETYPE')\ndef SetLogLevel(level): pass\n"
    (tmp_path / "vosk.py").write_text(stand_in)
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, "vosk", raising=False)
    monkeypatch.setattr(recogniser, "_processor_flags", lambda: set(flags.split()))
    monkeypatch.delenv("OPENBLAS_CORETYPE", raising=False)
    if set_to:
        monkeypatch.setenv("OPENBLAS_CORETYPE", set_to)
    assert recogniser._library().core == seen
    assert os.environ.get("OPENBLAS_CORETYPE") == set_to  # nothing is left for numpy's OpenBLAS and for children
    sys.modules.pop("vosk")


def test_no_directory(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="nowhere: no such model directory"):
        Recogniser(tmp_path / "nowhere", ["sit"], own=False)


def test_a_model_with_a_fixed_vocabulary_is_refused(tmp_path: Path) -> None:
    home = graph.build({"yes": SPOKEN["yes"]}, MODEL, tmp_path)
    with pytest.raises(UserError, match="vocabulary is fixed"):
        Recogniser(home, ["yes"], own=False)


@pytest.mark.parametrize("own", [True, False])
@pytest.mark.parametrize(
    "name", ["am/final.mdl", "conf/mfcc.conf", "conf/model.conf", "graph/phones/word_boundary.int"]
)
def test_a_missing_or_empty_file_is_named(tmp_path: Path, own: bool, name: str) -> None:
    home = whole_copy(tmp_path, own)
    (home / name).write_bytes(b"")
    with pytest.raises(UserError, match=f"{name} is missing or empty"):
        Recogniser(home, ["yes"], own=own)
    (home / name).unlink()
    with pytest.raises(UserError, match=f"{name} is missing or empty"):
        Recogniser(home, ["yes"], own=own)


TRY = """
import sys
from pathlib import Path
from handsfree.core.errors import UserError
from handsfree.edges.recogniser import Recogniser
try:
    Recogniser(Path(sys.argv[1]), ["yes"], own=sys.argv[2] == "own")
except UserError as error:
    print(error)
    sys.exit(2)
"""


@pytest.mark.ear
@pytest.mark.parametrize(
    ("own", "name"),
    [
        (True, "am/final.mdl"),
        (True, "conf/mfcc.conf"),
        (True, "graph/HCLG.fst"),
        (False, "am/final.mdl"),
        (False, "conf/mfcc.conf"),
        (False, "graph/HCLr.fst"),
    ],
)
def test_a_half_copied_model_ends_in_one_line_not_a_crash(tmp_path: Path, own: bool, name: str) -> None:
    """Vosk 0.3.45 dies of a segmentation fault on half a HCLr.fst, so the attempt runs in a process of its own."""
    home = whole_copy(tmp_path, own)
    content = (home / name).read_bytes()
    (home / name).write_bytes(content[: len(content) // 2])
    call = [sys.executable, "-c", TRY, str(home), "own" if own else "stock"]
    done = subprocess.run(call, capture_output=True, text=True, timeout=60, cwd=Path(__file__).parents[1])
    assert done.returncode == 2, done.stderr
    assert done.stdout.startswith(f"{home}: Vosk c")
    assert done.stdout.count("\n") == 1
    assert done.stderr == ""


def whole_copy(tmp_path: Path, own: bool) -> Path:
    """A model of our own, or one with the files of a stock model (its graph is no real one)."""
    made = graph.build({"yes": SPOKEN["yes"]}, MODEL, tmp_path / "cache")
    home = tmp_path / "model"
    shutil.copytree(made, home)
    if not own:
        (home / "graph" / "HCLG.fst").rename(home / "graph" / "HCLr.fst")
        shutil.copy(home / "graph" / "HCLr.fst", home / "graph" / "Gr.fst")
        (home / "graph" / "disambig_tid.int").write_text("1\n")
    return home


# The real thing.


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return graph.build(SPOKEN, MODEL, tmp_path_factory.mktemp("cache"))


@pytest.fixture
def ear(home: Path) -> Recogniser:
    return Recogniser(home, SPOKEN, own=True)


REAL = [
    "yes_18f8afd5",
    "no_37dca74f",
    "down_f2e59fea",
    "left_4c6167ca",
    "right_caedb73a",
    "up_e1469561",
    "stop_44715c1c",
]


@pytest.mark.ear
def test_real_words_are_heard_where_they_lie(ear: Recogniser) -> None:
    sound, truth = session(REAL)
    words = hear(ear, sound)
    assert [word.text for word in words] == [text for text, _, _ in truth]
    for word, name, (_, start_s, end_s) in zip(words, REAL, truth, strict=True):
        silent_s = start_s + (last_heard(clip(name)) - loud(clip(name))[0]) / SAMPLE_RATE  # "left" ends with a faint t
        assert word.start_s - ONSET_LATE_S == pytest.approx(start_s, abs=0.15)
        assert word.end_s in (pytest.approx(end_s, abs=0.25), pytest.approx(silent_s, abs=0.05))
        assert word.confidence > 0.6


@pytest.mark.ear
def test_the_same_sound_is_heard_alike(home: Path) -> None:
    sound, _ = session([*REAL, "happy_f6af2457"])
    first, second = (feed(Recogniser(home, SPOKEN, own=True), sound) for _ in range(2))
    assert first == second


@pytest.mark.ear
def test_digital_silence_between_words_does_no_harm(ear: Recogniser) -> None:
    sound = np.concatenate([np.concatenate([trimmed(name), np.zeros(SAMPLE_RATE)]) for name in REAL])
    words = hear(ear, np.concatenate([np.zeros(SAMPLE_RATE), sound]))
    assert [word.text for word in words] == [name.split("_")[0] for name in REAL]


@pytest.mark.ear
@pytest.mark.parametrize("block_samples", [160, 801, 16000, 200_000])
def test_the_size_of_blocks_does_not_matter(ear: Recogniser, block_samples: int) -> None:
    sound, truth = session(REAL)
    assert [word.text for word in hear(ear, sound, block_samples)] == [text for text, _, _ in truth]


@pytest.mark.ear
def test_a_word_is_settled_before_it_can_be_reported(ear: Recogniser) -> None:
    """What settled_s promises: no word that starts earlier comes later; and at the end it has reached the end."""
    sound, _ = session([*REAL, "happy_f6af2457"])
    settled_s = 0.0
    for breath in feed(ear, sound):
        assert breath.settled_s >= settled_s
        for word in breath.words:
            assert word.start_s >= settled_s
        settled_s = breath.settled_s
    assert settled_s > len(sound) / SAMPLE_RATE - 1.0


@pytest.mark.ear
def test_a_phrase_is_one_word_with_or_without_a_pause_inside(ear: Recogniser) -> None:
    go, left = trimmed("go_e49428d9"), trimmed("left_4c6167ca")
    for pause_s in (0.0, 0.15, 0.3):
        sound = np.concatenate([silence(1.0), go, silence(pause_s), left, silence(1.0)])
        assert [word.text for word in hear(ear, sound)] == ["go left"], pause_s


@pytest.mark.ear
def test_part_of_a_phrase_is_not_the_phrase(ear: Recogniser) -> None:
    sound = np.concatenate([silence(1.0), trimmed("go_e49428d9"), silence(1.5)])
    assert "go left" not in [word.text for word in hear(ear, sound)]


@pytest.mark.ear
def test_an_unknown_word_is_other_speech(ear: Recogniser) -> None:
    words = hear(ear, session(["happy_f6af2457"])[0])
    assert {word.text for word in words} == {OTHER_SPEECH}


@pytest.mark.ear
@pytest.mark.parametrize("level", [0, 30, 300, 3000])
def test_noise_is_no_word(ear: Recogniser, level: int) -> None:
    noise = np.random.default_rng(level).normal(0, level + 1e-9, 10 * SAMPLE_RATE)
    assert not [word for word in hear(ear, noise) if word.text != OTHER_SPEECH]


@pytest.mark.ear
@pytest.mark.parametrize("lost_s", [0.1, BRIDGED_GAP_S + 0.1, 3.0, 600.0])
def test_lost_sound_does_not_shift_later_words(ear: Recogniser, lost_s: float) -> None:
    sound, truth = session(["yes_18f8afd5", "stop_44715c1c"])
    pcm = sound.astype("<i2").tobytes()
    at = 2 * round((truth[0][2] + truth[1][1]) / 2 * SAMPLE_RATE)  # between the two words
    breaths = ear.feed(AudioBlock(0.0, pcm[:at]))
    breaths += ear.feed(AudioBlock(at / 2 / SAMPLE_RATE + lost_s, pcm[at:], lost_s)) + ear.close()
    words = [word for breath in breaths for word in breath.words]
    assert [word.text for word in words] == ["yes", "stop"]
    assert words[0].start_s == pytest.approx(truth[0][1], abs=0.15)
    assert words[1].start_s - ONSET_LATE_S == pytest.approx(truth[1][1] + lost_s, abs=0.15)


@pytest.mark.ear
def test_after_closing_it_hears_on(ear: Recogniser) -> None:
    sound, truth = session(["yes_18f8afd5", "stop_44715c1c"])
    first = hear(ear, sound)
    length_s = len(sound) / SAMPLE_RATE
    again = [word for breath in feed(ear, sound, start_s=length_s) for word in breath.words]
    assert [word.text for word in first + again] == ["yes", "stop"] * 2
    assert again[0].start_s == pytest.approx(truth[0][1] + length_s, abs=0.15)


def clip(name: str) -> np.ndarray:
    samples, rate = soundfile.read(CLIPS / f"{name}.opus")
    assert rate == SAMPLE_RATE
    return samples / np.abs(samples).max() * 10_000


def loud(samples: np.ndarray) -> tuple[int, int]:
    """First and last sample within 25 dB of the loudest 20 ms: where the word lies, by energy alone."""
    power = np.convolve(samples**2, np.ones(320) / 320, "same")
    (where,) = np.nonzero(power > power.max() * 10**-2.5)
    return int(where[0]), int(where[-1])


def last_heard(samples: np.ndarray) -> int:
    """End of the last 20 ms that are 10 dB above the quietest quarter."""
    power = np.mean(samples[: len(samples) // 320 * 320].reshape(-1, 320) ** 2.0, axis=1)
    return 320 * (1 + int(np.flatnonzero(power > 10 * np.quantile(power, 0.25))[-1]))


def trimmed(name: str) -> np.ndarray:
    samples = clip(name)
    first, last = loud(samples)
    return samples[max(0, first - 800) : last + 800]


def silence(length_s: float) -> np.ndarray:
    return np.random.default_rng(0).normal(0, 3, round(length_s * SAMPLE_RATE))


def session(names: list[str]) -> tuple[np.ndarray, list[tuple[str, float, float]]]:
    """Clips a second apart, and (word, start, end) of each in seconds."""
    parts, truth, at = [silence(1.0)], [], SAMPLE_RATE
    for name in names:
        samples = clip(name)
        first, last = loud(samples)
        truth.append((name.split("_")[0], (at + first) / SAMPLE_RATE, (at + last) / SAMPLE_RATE))
        parts += [samples + np.random.default_rng(1).normal(0, 3, len(samples)), silence(1.0)]
        at += len(samples) + SAMPLE_RATE
    return np.concatenate(parts), truth


def feed(ear: Recogniser, sound: np.ndarray, block_samples: int = 800, start_s: float = 0.0) -> list[Breath]:
    pcm = sound.astype("<i2")
    breaths = []
    for at in range(0, len(pcm), block_samples):
        breaths += ear.feed(AudioBlock(start_s + at / SAMPLE_RATE, pcm[at : at + block_samples].tobytes()))
    return breaths + ear.close()


def hear(ear: Recogniser, sound: np.ndarray, block_samples: int = 800) -> list[HeardWord]:
    return [word for breath in feed(ear, sound, block_samples) for word in breath.words]

"""The second look: what it is computed from, what it makes of real words, and what happens where it is missing."""

from __future__ import annotations

import hashlib
import importlib
import shutil
import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from handsfree import listening
from handsfree.core.errors import UserError
from handsfree.core.events import OTHER_SPEECH, AudioBlock, Breath, EndReason, HeardWord
from handsfree.core.plan import Plan
from handsfree.edges import second_look
from handsfree.edges.second_look import FILE, SUM, SecondLook
from handsfree.looking import KEPT_S, TwiceHeard
from handsfree.places import shipped
from handsfree.running import run_session
from handsfree.watching import Nobody
from tests.helpers import small_plan

ROOT = Path(__file__).parents[1]
CLIPS = ROOT / "tests" / "data" / "clips"
MODEL = shipped("models") / "second"
SAID = {
    "yes": ("Y", "EH", "S"),
    "no": ("N", "OW"),
    "down": ("D", "AW", "N"),
    "left": ("L", "EH", "F", "T"),
    "right": ("R", "AY", "T"),
    "up": ("AH", "P"),
    "stop": ("S", "T", "AA", "P"),
    "go": ("G", "OW"),
}


def word_clips() -> list[tuple[str, np.ndarray, int, int]]:
    """(word, int16 samples, from and up to which sample it is loud)."""
    clips = []
    for path in sorted(CLIPS.glob("*.opus")):
        word = path.stem.split("_")[0]
        if word in SAID:
            sound = soundfile.read(path, dtype="int16")[0]
            power = np.square(sound[: len(sound) // 320 * 320].astype(float)).reshape(-1, 320).mean(1)
            loud = np.flatnonzero(power > power.max() * 10**-2.5)
            clips.append((word, sound, max(0, int(loud[0]) - 1) * 320, (int(loud[-1]) + 2) * 320))
    return clips


@pytest.fixture(scope="module")
def look() -> SecondLook:
    return SecondLook(MODEL)


def test_the_bands_are_those_of_slaneys_toolbox():
    # Slaney 1998, Auditory Toolbox, mfcc: linear below 1000 Hz, above it each step is 1.0711703 times the one before;
    # every band has the same area. Here 32 bands lie between 60 and 3800 Hz.
    bank = second_look.mel_bank()
    bins = np.arange(257) * 16_000 / 512
    middles = (bank * bins[:, None]).sum(0) / bank.sum(0)
    assert bank.shape == (257, 32)
    assert np.allclose(bank.sum(0)[8:] * 16_000 / 512, 1, atol=0.12)
    assert not bank[(bins < 60) | (bins > 3800)].any()
    low, high = middles[middles < 800], middles[middles > 1200]
    assert np.allclose(np.diff(low), np.diff(low).mean(), atol=12)
    step = np.log(high[1:] / high[:-1]).mean() / np.log(1.0711703)
    assert step == pytest.approx(np.diff(low).mean() / (200 / 3), rel=0.03)  # the same step on either side of 1000 Hz


def test_a_tone_is_loud_in_its_own_band():
    window = np.pad(np.hanning(401)[:-1], 56).astype(np.float32)
    tone = (8000 * np.sin(2 * np.pi * 1000 * np.arange(16_000) / 16_000)).astype(np.float32)
    mel = second_look.log_mel(tone, second_look.mel_bank(), window)
    bins = np.arange(257) * 16_000 / 512
    middles = (second_look.mel_bank() * bins[:, None]).sum(0) / second_look.mel_bank().sum(0)
    assert mel.shape == (97, 32)
    assert abs(middles[mel[50].argmax()] - 1000) < 60
    assert mel.max() - mel.min() <= 8.001  # 80 dB


@pytest.fixture(scope="module")
def network():
    """The module that was trained, and PyTorch."""
    torch = pytest.importorskip("torch")
    folder = str(ROOT / "models" / "training" / "second_look")
    sys.path.insert(0, folder)
    yield importlib.import_module("second_network"), torch
    sys.path.remove(folder)


def test_it_computes_what_was_trained(look, network):
    module, torch = network
    with np.load(MODEL / FILE) as stored:
        phones = [str(phone) for phone in stored["phones"]]
        arrays = {name: torch.from_numpy(stored[name].astype(np.float32)) for name in stored.files if name != "phones"}
    weights = {
        name: value.permute(value.dim() - 1, value.dim() - 2, *range(value.dim() - 2)) if value.dim() > 1 else value
        for name, value in arrays.items()
    }
    speller, embedding = module.Speller(len(phones)).eval(), module.Embedding()
    embedding.load_state_dict({name[10:]: weights.pop(name) for name in list(weights) if name.startswith("embedding.")})
    speller.load_state_dict(weights)
    rng = np.random.default_rng(0)
    pcm = (rng.normal(0, 2000, 40_000) * np.abs(np.sin(np.arange(40_000) / 2000))).astype(np.int16)
    start, end, begins = 9000, 16_200, 6080 + 6400
    finish = begins + end - start
    sound = np.zeros(-(-(finish + 4800 + 6080) // 640) * 640, np.float32)
    sound[6080 : finish + 4800] = pcm[start - 6400 : end + 4800]
    with torch.no_grad():
        deep = embedding(module.LogMel()(torch.from_numpy(sound)[None]))
        where = module.positions(deep.shape[1], torch.tensor([begins]), torch.tensor([finish]))
        centre = (torch.arange(deep.shape[1]) * 4 + 38) * 160 + 256
        near = (centre > begins - 4000) & (centre < finish + 4000)
        count = near.sum()[None]
        spelt = speller.spell(deep[:, near], where[:, near], count)
        for text in SAID.values():
            numbers = torch.tensor([[[phones.index(phone) for phone in text]]])
            expected = float(speller.judge(spelt, count, numbers, torch.tensor([[len(text)]]))[0])
            assert look.log_odds(pcm.tobytes(), start, end, [text]) == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("text", [[0], [1, 1], [0, 1, 0], [2, 2, 2], [0, 1, 2, 0, 1]])
def test_spelling_sums_what_pytorchs_ctc_sums(text):
    # PyTorch's ctc_loss (Graves et al. 2006)
    torch = pytest.importorskip("torch")
    scores = torch.randn(9, 4, generator=torch.Generator().manual_seed(1)).log_softmax(-1)
    lengths = torch.tensor([9]), torch.tensor([len(text)])
    cost = torch.nn.functional.ctc_loss(scores[:, None], torch.tensor([text]), *lengths, blank=3, reduction="sum")
    assert second_look.spelling(scores.numpy(), text) == pytest.approx(-float(cost), abs=1e-4)


def test_a_text_longer_than_the_sound_cannot_be_spelt():
    assert second_look.spelling(np.log(np.full((2, 4), 0.25)), [0, 1, 2]) == -np.inf


def test_words_of_people_are_likelier_than_other_words(look):
    # Speech Commands (Warden 2018, arXiv:1804.03209), test split: never trained on.
    clips = word_clips()
    assert len(clips) >= 8
    ahead, odds, others = 0, [], []
    for word, sound, start, end in clips:
        found = {text: look.log_odds(sound.tobytes(), start, end, [phones]) for text, phones in SAID.items()}
        ahead += max(found, key=found.__getitem__) == word
        odds.append(found.pop(word))
        others += found.values()
    assert ahead >= len(clips) - 1
    assert np.mean(np.array(odds) > np.quantile(others, 0.95)) >= 0.8


def test_the_likeliest_pronunciation_counts(look):
    _, sound, start, end = next(clip for clip in word_clips() if clip[0] == "yes")
    one, other = (look.log_odds(sound.tobytes(), start, end, [SAID[text]]) for text in ("yes", "down"))
    assert look.log_odds(sound.tobytes(), start, end, [SAID["yes"], SAID["down"]]) == max(one, other)
    assert 0 <= look.probability(sound.tobytes(), start, end, [SAID["down"]]) <= 1


@pytest.mark.parametrize(("start", "end", "samples"), [(0, 1600, 1600), (0, 48_000, 48_000), (100, 101, 400)])
def test_little_or_much_sound_is_no_trouble(look, start, end, samples):
    assert np.isfinite(look.log_odds(bytes(2 * samples), start, end, [SAID["yes"]]))


def test_a_missing_file_is_one_clear_line(tmp_path):
    with pytest.raises(UserError, match=r"second_look\.npz: no second look there; install handsfree again"):
        SecondLook(tmp_path)


def test_a_damaged_file_is_refused(tmp_path):
    for name in (FILE, SUM):
        shutil.copy(MODEL / name, tmp_path)
    data = bytearray((tmp_path / FILE).read_bytes())
    data[len(data) // 2] ^= 1
    (tmp_path / FILE).write_bytes(data)
    with pytest.raises(UserError, match="damaged"):
        SecondLook(tmp_path)


def test_the_card_names_the_file():
    digest = hashlib.sha256((MODEL / FILE).read_bytes()).hexdigest()
    assert digest in (MODEL / "MODEL_CARD.md").read_text(encoding="utf-8")


# The recogniser whose words are looked at again.


class Script:
    """Stands in for a recogniser: hears `words` with the block that holds `at_s`."""

    usual_lag_s = 0.6

    def __init__(self, words: Sequence[HeardWord], at_s: float) -> None:
        self._words, self._at_s = tuple(words), at_s

    def feed(self, block: AudioBlock) -> list[Breath]:
        due = block.start_s <= self._at_s < block.start_s + block.duration_s
        return [Breath(self._words, block.start_s)] if due else []

    def close(self) -> list[Breath]:
        return []


class Listener:
    """Stands in for the second look: keeps what it was shown."""

    before_s, after_s = 0.4, 0.3

    def __init__(self) -> None:
        self.shown: list[tuple[np.ndarray, int, int, Sequence]] = []

    def probability(self, pcm: bytes, start: int, end: int, ways: Sequence) -> float:
        self.shown.append((np.frombuffer(pcm, "<i2"), start, end, ways))
        return 0.25


def blocks(samples: np.ndarray, from_s: float = 0.0) -> list[AudioBlock]:
    return [AudioBlock(from_s + at / 16_000, samples[at : at + 1600].tobytes()) for at in range(0, len(samples), 1600)]


def heard(words: Sequence[HeardWord], at_s: float, sound: list[AudioBlock]) -> tuple[list[Breath], Listener]:
    listener = Listener()
    ear = TwiceHeard(Script(words, at_s), listener, {"sit": (("S", "IH", "T"),)})
    return [breath for block in sound for breath in ear.feed(block)], listener


def test_a_word_is_shown_with_the_sound_around_it():
    samples = np.arange(32_000, dtype=np.int16)
    word = HeardWord("sit", 0.93, 1.27, 0.8)
    (breath,), listener = heard([word, HeardWord(OTHER_SPEECH, 1.4, 1.5)], 1.75, blocks(samples))
    assert [one.second for one in breath.words] == [0.25, None]
    assert breath.words[0] == word  # the second look changes nothing else
    ((pcm, start, end, ways),) = listener.shown
    assert pcm[start] == round(0.93 * 16_000)
    assert pcm[end] == round(1.27 * 16_000)
    assert (start, len(pcm) - end) == (6400, 4800)
    assert ways == (("S", "IH", "T"),)


def test_sound_that_is_not_there_yet_is_left_out():
    _, listener = heard([HeardWord("sit", 0.1, 0.45)], 0.55, blocks(np.arange(32_000, dtype=np.int16)))
    ((pcm, start, end, _),) = listener.shown
    assert (start, end, len(pcm)) == (1600, 7200, 9600)


def test_lost_sound_is_silence():
    samples = np.ones(16_000, np.int16)
    sound = blocks(samples) + blocks(samples, 1.2)
    _, listener = heard([HeardWord("sit", 0.9, 1.5)], 2.05, sound)
    ((pcm, start, _, _),) = listener.shown
    assert not pcm[start + 1600 : start + 1600 + 3200].any()
    assert pcm[: start + 1600].all()
    assert pcm[start + 1600 + 3200 :].all()


def test_a_word_whose_sound_is_gone_is_not_judged():
    late = KEPT_S + 5.05
    (breath,), listener = heard([HeardWord("sit", 1.0, 1.4)], late, blocks(np.ones(int(40 * 16_000), np.int16)))
    assert breath.words[0].second is None
    assert not listener.shown


# Put into the ear.


@pytest.mark.ear
def test_every_word_of_the_plan_gets_a_second_look(tmp_path, monkeypatch):
    monkeypatch.setenv("HANDSFREE_HOME", str(tmp_path))
    ear = listening.open_ear(Plan("", ()), ("yes", "no", "down"))
    sound, rate = soundfile.read(next(CLIPS.glob("yes_*.opus")), dtype="int16")
    assert rate == 16_000
    recogniser = ear.recogniser()
    padded = np.concatenate([np.zeros(8000, np.int16), sound, np.zeros(16_000, np.int16)])
    breaths = [breath for block in blocks(padded) for breath in recogniser.feed(block)] + recogniser.close()
    words = [word for breath in breaths for word in breath.words if word.text != OTHER_SPEECH]
    assert [word.text for word in words] == ["yes"]
    assert 0 < words[0].second < 1


def test_without_its_file_the_ear_opens_and_says_so(tmp_path, monkeypatch):
    monkeypatch.setenv("HANDSFREE_HOME", str(tmp_path))
    monkeypatch.setattr(listening, "SECOND_MODEL", "no_such")
    ear = listening.open_ear(Plan("", ()), ("yes",))
    assert ear.look is None
    assert ear.note.startswith("words are not looked at a second time: ")
    assert ear.note.endswith("no second look there; install handsfree again")
    assert "\n" not in ear.note


def test_a_session_goes_on_without_it(tmp_path, monkeypatch):
    monkeypatch.setattr(listening, "SECOND_MODEL", "no_such")
    monkeypatch.setenv("HANDSFREE_HOME", str(tmp_path))
    sound = tmp_path / "quiet.wav"
    soundfile.write(sound, np.zeros(16_000, np.int16), 16_000)
    told: list[str] = []
    finished = run_session(
        small_plan(), plan_text="", log_path=tmp_path / "log.db", watcher=Nobody(), recording=sound, fast=True,
        started_at=datetime.now().astimezone(), tell=told.append,
    )  # fmt: skip
    assert finished.reason is EndReason.SOUND_ENDED
    assert [line for line in told if "second time" in line] == told

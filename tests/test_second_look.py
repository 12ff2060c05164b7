"""The second look: what it is computed from, what it makes of real words, and what happens where it is missing."""

from __future__ import annotations

import hashlib
import importlib
import json
import math
import shutil
import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from handsfree import listening
from handsfree.core.confidence import LEAST_VOICE
from handsfree.core.errors import UserError
from handsfree.core.events import OTHER_SPEECH, AudioBlock, Breath, EndReason, HeardWord
from handsfree.core.plan import Plan
from handsfree.edges import second_look
from handsfree.edges.likeness import Examples
from handsfree.edges.second_look import FILE, SUM, Look, SecondLook
from handsfree.looking import KEPT_S, TwiceHeard, shares
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


def test_the_bands_are_those_that_whisper_was_trained_on():
    # values of mel_filters.npz, 80 bands, as OpenAI publishes Whisper (Radford et al. 2022, arXiv:2212.04356)
    bank = second_look.mel_bank()
    known = {(1, 0): 0.02486259490251541, (2, 1): 0.022871771827340126, (43, 40): 0.014735566, (192, 79): 0.0031647119}
    assert bank.shape == (201, 80)
    assert {at: bank[at] for at in known} == pytest.approx(known, rel=1e-6)
    assert (bank > 0).any(0).all()


def test_a_tone_is_loud_in_its_own_band(look):
    tone = (8000 * np.sin(2 * np.pi * 1000 * np.arange(16_000) / 16_000)).astype(np.float32)
    mel = second_look.log_mel(tone, second_look.mel_bank(), np.hanning(401)[:-1].astype(np.float32))
    middles = np.arange(1, 81) * (15 + 27 * np.log(8) / np.log(6.4)) / 81  # 1000 Hz is 15 on this scale
    assert mel.shape == (98, 80)
    assert abs(middles[mel[50].argmax()] - 15) < 0.6
    assert mel.max() - mel.min() <= 2.001  # 80 dB


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
        arrays = {name: stored[name] for name in stored.files}
    phones = [str(phone) for phone in arrays.pop("phones")]
    speller = module.Speller(len(phones)).eval()
    weights = {}
    for name in speller.state_dict():
        value = arrays[name].astype(np.float32) * arrays.get(f"{name}.scale", np.float32(1)).astype(np.float32)
        weights[name] = torch.from_numpy(np.moveaxis(value, (-1, -2), (0, 1)).copy() if value.ndim > 1 else value)
    speller.load_state_dict(weights)
    rng = np.random.default_rng(0)
    pcm = (rng.normal(0, 2000, 40_000) * np.abs(np.sin(np.arange(40_000) / 2000))).astype(np.int16)
    start, end, before, after = 9000, 16_200, 6400, 4800
    sound = torch.from_numpy(pcm[start - before : end + after].astype(np.float32))[None]
    frames = torch.tensor([((sound.shape[1] - 400) // 160 + 2) // 2])
    begins, ends = torch.tensor([before]), torch.tensor([before + end - start])
    texts = torch.zeros(1, len(SAID), 5, dtype=torch.long)
    for row, text in zip(texts[0], SAID.values(), strict=True):
        row[: len(text)] = torch.tensor([phones.index(phone) for phone in text])
    with torch.no_grad():
        mel = sys.modules["whisper_encoder"].LogMel()(torch.nn.functional.pad(sound, (0, 3000)))
        spelt = speller.spell(mel, module.positions((mel.shape[1] + 1) // 2, begins, ends), frames)
        spelt, count = module.near(spelt, begins, ends, frames)
        expected, _ = speller.judge(spelt, count, texts, torch.tensor([list(map(len, SAID.values()))]))
    found = look.judge(pcm.tobytes(), start, end, [(text,) for text in SAID.values()]).odds
    assert found == pytest.approx(expected[0].numpy(), abs=1e-3)


def test_spellings_sum_what_pytorchs_ctc_sums():
    # PyTorch's ctc_loss (Graves et al. 2006)
    torch = pytest.importorskip("torch")
    texts = [[0], [1, 1], [0, 1, 0], [2, 2, 2], [0, 1, 2, 0, 1]]
    scores = torch.randn(9, 4, generator=torch.Generator().manual_seed(1)).log_softmax(-1)
    cost = [
        torch.nn.functional.ctc_loss(
            scores[:, None], torch.tensor([text]), torch.tensor([9]), torch.tensor([len(text)]), 3, reduction="sum"
        )
        for text in texts
    ]
    assert second_look.spellings(scores.numpy(), texts) == pytest.approx([-float(one) for one in cost], abs=1e-4)


def test_a_text_longer_than_the_sound_cannot_be_spelt():
    found = second_look.spellings(np.log(np.full((2, 4), 0.25)), [[0, 1, 2], [0, 1], [1, 1]])
    assert found[0] == found[2] == -np.inf  # between two of the same there must be nothing
    assert found[1] == pytest.approx(2 * np.log(0.25))


def test_words_of_people_are_likelier_than_other_words(look):
    # Speech Commands (Warden 2018, arXiv:1804.03209), test split: never trained on.
    clips = word_clips()
    assert len(clips) >= 8
    ahead, odds, others = 0, [], []
    for word, sound, start, end in clips:
        odds_of_all = look.judge(sound.tobytes(), start, end, [(phones,) for phones in SAID.values()]).odds
        found = dict(zip(SAID, odds_of_all, strict=True))
        ahead += max(found, key=found.__getitem__) == word
        odds.append(found.pop(word))
        others += found.values()
    assert ahead >= len(clips) - 1
    assert np.mean(np.array(odds) > np.quantile(others, 0.95)) >= 0.8


def barks() -> list[tuple[np.ndarray, int, int]]:
    """(int16 samples, from and up to which it is suddenly loud) where nobody speaks in the sessions with dogs: ESC-10
    (Piczak 2015, doi:10.1145/2733373.2806390), files that no training has heard."""
    found = []
    for truth in sorted((ROOT / "tests" / "data" / "sessions").glob("*.jsonl")):
        rows = [json.loads(line) for line in truth.read_text(encoding="utf-8").splitlines()]
        if not any(row["kind"] == "sound" and row["name"].startswith("ESC-10") for row in rows):
            continue
        sound = soundfile.read(truth.with_suffix(".ogg"), dtype="int16")[0]
        level = 10 * np.log10(np.square(sound[: len(sound) // 160 * 160].astype(float)).reshape(-1, 160).mean(1) + 1e-3)
        for row in rows:
            if row["kind"] == "spoken":
                first, last = (int(100 * row[name]) for name in ("start_s", "end_s"))
                level[max(0, first - 30) : last + 30] = np.nan
        for at in range(20, len(level) - 30):
            before = level[at - 20 : at]
            if not np.isnan(level[at - 20 : at + 30]).any() and level[at] > max(before.max() + 9, 40):
                found.append((sound, 160 * at, 160 * at + 4800))
    return found


def test_a_bark_is_no_voice(look):
    heard = barks()
    assert len(heard) >= 20
    none = [look.judge(sound.tobytes(), start, end, [(SAID["left"],)]).voice for sound, start, end in heard]
    voices = [look.judge(sound.tobytes(), start, end, [(SAID["left"],)]).voice for _, sound, start, end in word_clips()]
    assert np.quantile(voices, 0.1) > LEAST_VOICE
    assert np.quantile(none, 0.9) < LEAST_VOICE


def test_the_likeliest_pronunciation_counts(look):
    _, sound, start, end = next(clip for clip in word_clips() if clip[0] == "yes")
    yes, down = SAID["yes"], SAID["down"]
    found = look.judge(sound.tobytes(), start, end, [(yes,), (down, yes), (down,), (yes, yes, down)]).odds
    assert found == pytest.approx(found[[0, 0, 2, 0]])
    assert found[0] > found[2]


@pytest.mark.parametrize(("start", "end", "samples"), [(0, 1600, 1600), (0, 48_000, 48_000), (100, 101, 400)])
def test_little_or_much_sound_is_no_trouble(look, start, end, samples):
    voice, odds, frames = look.judge(bytes(2 * samples), start, end, [(SAID["yes"],), (SAID["stop"] * 8,)])
    assert np.isfinite([voice, *odds]).all()
    assert np.linalg.norm(frames, axis=1) == pytest.approx(1)


def test_the_sound_goes_through_the_network_once_for_many_phrases(look, monkeypatch):
    _, sound, start, end = word_clips()[0]
    pcm, every = sound.tobytes(), [(first + second,) for first in SAID.values() for second in SAID.values()]
    encoded, encode = [], SecondLook._encode
    monkeypatch.setattr(SecondLook, "_encode", lambda *given: encoded.append(1) or encode(*given))
    together = look.judge(pcm, start, end, every).odds
    assert len(encoded) == 1
    assert together == pytest.approx([look.judge(pcm, start, end, [one]).odds[0] for one in every])
    assert len(encoded) == 1 + len(every)


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


@pytest.mark.parametrize("file", [MODEL / FILE, MODEL.parent / "en" / "am" / "final.mdl"], ids=["second look", "ear"])
def test_the_card_names_the_file(file):
    card = MODEL.parent / file.relative_to(MODEL.parent).parts[0] / "MODEL_CARD.md"
    assert hashlib.sha256(file.read_bytes()).hexdigest() in card.read_text(encoding="utf-8")


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


FRAMES = np.eye(3, dtype=np.float32)


class Listener:
    """Stands in for the second look: keeps what it was shown, and finds the phrases as likely as `odds` says; from a
    little earlier, as `earlier` does."""

    before_s, after_s = 0.4, 0.3
    VOICE = 2.5

    def __init__(self, odds: Sequence[float], earlier: Sequence[float] | None = None) -> None:
        self._odds, self._earlier = np.array(odds), np.array(odds if earlier is None else earlier)
        self.shown: list[tuple[np.ndarray, int, int, Sequence]] = []

    def judge(self, pcm: bytes, start: int, end: int, phrases: Sequence) -> Look:
        self.shown.append((np.frombuffer(pcm, "<i2"), start, end, phrases))
        first = len(self.shown) == 1
        return Look(self.VOICE, self._odds, FRAMES) if first else Look(0.0, self._earlier, FRAMES[:1])


def blocks(samples: np.ndarray, from_s: float = 0.0) -> list[AudioBlock]:
    return [AudioBlock(from_s + at / 16_000, samples[at : at + 1600].tobytes()) for at in range(0, len(samples), 1600)]


WAYS = {"sit": (("S", "IH", "T"),), "down": (("D", "AW", "N"), ("D", "AA", "N"))}


def heard(
    words: Sequence[HeardWord],
    at_s: float,
    sound: list[AudioBlock],
    odds: Sequence[float] = (3.0, 0.0),
    examples: Examples | None = None,
    earlier: Sequence[float] | None = None,
) -> tuple[list[Breath], Listener]:
    listener = Listener(odds, earlier)
    ear = TwiceHeard(Script(words, at_s), listener, WAYS, examples)
    return [breath for block in sound for breath in ear.feed(block)], listener


def test_a_word_is_shown_with_the_sound_around_it():
    samples = np.arange(32_000, dtype=np.int16)
    word = HeardWord("sit", 0.93, 1.27, 0.8)
    (breath,), listener = heard([word], 1.75, blocks(samples), [math.log(2), 0.0])
    assert [one.second for one in breath.words] == [pytest.approx(0.5)]  # 2 against 1 for the other and 1 for none
    assert breath.words[0].shares == {"sit": pytest.approx(0.5), "down": pytest.approx(0.25)}
    assert breath.words[0].voice == Listener.VOICE
    assert breath.words[0].far is None
    assert breath.words == (word,)  # the second look changes nothing else
    ((pcm, start, end, phrases),) = listener.shown
    assert pcm[start] == round(0.93 * 16_000)
    assert pcm[end] == round(1.27 * 16_000)
    assert (start, len(pcm) - end) == (6400, 4800)
    assert phrases == tuple(WAYS.values())


@pytest.mark.parametrize(
    ("odds", "in_doubt"),
    [([0.4, -1.0], False), ([0.2, -1.0], True), ([-4.5, -5.0], True), ([-4.7, -5.0], False), ([0.3, 0.0], True)],
)
def test_a_word_in_doubt_is_looked_at_from_a_little_earlier_as_well(odds: list[float], in_doubt: bool) -> None:
    """The likeliest has a share of .5217, .4717, .0109, .0089, .4026."""
    sound = blocks(np.arange(32_000, dtype=np.int16))
    (breath,), listener = heard([HeardWord("sit", 0.93, 1.27)], 1.75, sound, odds, earlier=[-9.0, 1.0])
    (word,) = breath.words
    assert len(listener.shown) == 1 + in_doubt
    if in_doubt:
        pcm, start, end, _ = listener.shown[1]
        assert (pcm[start], pcm[end]) == (round(0.83 * 16_000), round(1.27 * 16_000))
        assert start == 6400
    higher = [odds[0], 1.0] if in_doubt else odds
    assert list(word.shares.values()) == pytest.approx(shares(higher))
    assert word.voice == Listener.VOICE  # of the word alone


def test_what_began_with_the_session_is_looked_at_once() -> None:
    _, listener = heard([HeardWord("sit", 0.09, 0.45)], 0.75, blocks(np.ones(32_000, np.int16)), [-1.0, -1.0])
    assert len(listener.shown) == 1


def test_a_word_is_compared_with_her_own_takes():
    near, farther = FRAMES, FRAMES[[0, 0, 1]]
    examples = Examples({"sit": [farther, near], "down": [farther]})
    (breath,), _ = heard([HeardWord("sit", 0.93, 1.27)], 1.75, blocks(np.ones(32_000, np.int16)), examples=examples)
    assert breath.words[0].far == {"sit": pytest.approx(0), "down": pytest.approx(1 / 6)}


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


def test_shares_are_those_of_phrases_of_which_one_at_most_was_said():
    odds = [2.0, -1.0, 0.5]
    found = shares(odds)
    for one, share in zip(odds, found, strict=True):
        rest = sum(map(math.exp, odds)) - math.exp(one)
        assert math.log(share / (1 - share)) == pytest.approx(one - math.log(1 + rest))
    assert sum(found) == pytest.approx(1 - 1 / (1 + sum(map(math.exp, odds))))
    assert shares([800.0, -800.0]) == [1.0, 0.0]


def test_other_speech_that_touches_a_word_is_talk():
    words = [HeardWord("sit", 0.5, 0.9), HeardWord(OTHER_SPEECH, 0.95, 1.3), HeardWord(OTHER_SPEECH, 1.5, 1.8)]
    (breath,), listener = heard(words, 2.55, blocks(np.ones(48_000, np.int16)))
    assert [word.shares is None for word in breath.words] == [False, True, False]
    (breath,), _ = heard([words[1], HeardWord("sit", 1.35, 1.8)], 2.55, blocks(np.ones(48_000, np.int16)))
    assert [word.shares is None for word in breath.words] == [True, False]


@pytest.mark.parametrize(("seconds", "looked_at"), [(0.05, False), (0.4, True), (1.2, False)])
def test_other_speech_is_looked_at_if_it_is_as_short_as_a_word(seconds, looked_at):
    other = HeardWord(OTHER_SPEECH, 1.0, 1.0 + seconds, 0.9)
    (breath,), listener = heard([other], 2.55, blocks(np.ones(48_000, np.int16)), [math.log(2), 0.0])
    assert breath.words == (other,)
    assert breath.words[0].shares == ({"sit": pytest.approx(0.5), "down": pytest.approx(0.25)} if looked_at else None)
    assert len(listener.shown) == looked_at


# Put into the ear.


@pytest.mark.ear
@pytest.mark.parametrize("model", [None, ROOT / "models" / "twin"], ids=["ships", "twin"])
def test_every_word_of_the_plan_gets_a_second_look(model, tmp_path, monkeypatch):
    monkeypatch.setenv("HANDSFREE_HOME", str(tmp_path))
    if model:
        assert json.loads((model / "training.json").read_text()) == {"heard_held_out": False}
        monkeypatch.setattr(listening, "SECOND_MODEL", str(model / "second"))
    ear = listening.open_ear(Plan("", ()), ("yes", "no", "down"), model)
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

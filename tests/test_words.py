"""`handsfree words`: taking takes, judging them, keeping what was learnt, and what is refused."""

from __future__ import annotations

import json
import math
import shutil
import threading
import time
from contextlib import contextmanager, nullcontext
from pathlib import Path
from unittest.mock import Mock

import numpy as np
import pytest
import soundfile
from click import Abort
from click.testing import CliRunner

from handsfree import listening
from handsfree.cli import handsfree as cli
from handsfree.core.asking import PATIENCE_S, Asking
from handsfree.core.confidence import log_odds
from handsfree.core.devices import Device
from handsfree.core.errors import UserError
from handsfree.core.events import AudioBlock, Breath, HeardWord, Say
from handsfree.core.trial_of_voice import Heard, Trial
from handsfree.core.voice import (
    MOST_EASE,
    ROOM,
    OwnVoice,
    WordVoice,
    better_words,
    candidates,
    choose_ease,
    eased,
    eased_confidence,
    told_apart,
)
from handsfree.edges import planfile, voicefolder
from handsfree.edges.adaptation import Stopped
from handsfree.edges.audio import MicrophoneLost
from handsfree.takes import _in_order
from handsfree.taking import ask_for_takes
from handsfree.voicing import Mute

RATE = 16_000
PLAN = """
dog = "Bruno"
[words]
marker = "yes"
error = "no"
release = "stop"
[[behaviour]]
name = "down"
cues = "down"
[[behaviour]]
name = "left"
cues = "left"
"""


def quiet(seconds: float, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, 4, round(seconds * RATE)).round().astype(np.int16)


def clip(name: str) -> np.ndarray:
    samples, _ = soundfile.read(next(Path("tests/data/clips").glob(f"{name}_*.opus")), dtype="int16")
    return samples


def recording(path: Path, *words: str, times: int = 3) -> Path:
    """Each word so many times, with pauses. The same clip each time: this is about finding, not about learning."""
    parts = [quiet(1.0)]
    for word in words:
        for _ in range(times):
            parts += [clip(word), quiet(0.7)]
    soundfile.write(path, np.concatenate(parts), RATE)
    return path


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "bruno.toml"
    path.write_text(PLAN)
    return path


def run(*args: object) -> tuple[int, str]:
    """Exit code and all that was said; a UserError is what `main` turns into one line and code 2."""
    try:
        result = CliRunner().invoke(cli, [str(arg) for arg in args], catch_exceptions=False, standalone_mode=False)
    except UserError as error:
        return 2, str(error)
    return result.exit_code, result.output


# What is pure


def test_a_word_is_made_easier_until_every_take_counts_and_harder_until_nothing_else_does() -> None:
    assert choose_ease(0.7, [0.8, 0.9], [0.1]) == 0
    easier = choose_ease(0.7, [0.5, 0.9], [0.1])
    assert eased_confidence(0.5, easier, 0.7) > 0.7 > eased_confidence(0.1, easier, 0.7)
    harder = choose_ease(0.7, [0.92, 0.99], [0.88])
    assert eased_confidence(0.92, harder, 0.7) > 0.7 > eased_confidence(0.88, harder, 0.7)
    assert choose_ease(0.7, [0.5], [0.6]) == 0  # they cannot be told apart
    assert choose_ease(0.7, [], []) == 0


def test_a_word_that_is_given_surely_is_made_harder_as_far_as_her_takes_leave_room() -> None:
    bar, least_sure = log_odds(0.15), log_odds(0.5)
    assert choose_ease(0.15, [0.5, 0.9], []) == pytest.approx(bar - (least_sure - ROOM))
    assert choose_ease(0.15, [0.5, 0.9], [0.7]) == choose_ease(0.15, [0.5, 0.9], [])  # as sure as her own
    assert choose_ease(0.15, [0.3, 0.9], []) == 0  # there is no room
    assert choose_ease(0.15, [0.99], []) == -MOST_EASE
    assert choose_ease(0.15, [0.99], [], math.inf) == 0


def test_a_word_made_harder_that_counts_is_as_sure_as_before() -> None:
    """After talk more is asked of it, not more and more."""
    assert eased_confidence(0.9, -2.0, 0.15) == 0.9
    assert eased_confidence(0.5, -2.0, 0.15) == pytest.approx(1 / (1 + np.exp(2.0)))  # the logistic function
    assert eased_confidence(0.9, 1.0, 0.15) > 0.95


def test_a_take_does_not_choose_the_ease_that_it_is_tried_with() -> None:
    trial = Trial({"up": [Heard((("up", sure),)) for sure in (0.95, 0.95, 0.3)]}, [("cup", Heard((("up", 0.4),)))])
    assert trial.eased(trial.eases(0.15), 0.15).tally(0.15).right == 3  # the third keeps the word as easy as it was
    tried = trial.eased_by_the_rest(0.15)
    assert tried.tally(0.15).right == 2
    assert tried.tally(0.15).false == 1
    assert Trial({"up": [Heard(())] * 3}, []).eased_by_the_rest(0.15).tally(0.15).right == 0


def test_the_safety_word_is_made_harder_only_where_other_sound_was_taken_for_it(plan: Path) -> None:
    from handsfree.learning import Teacher

    assert Teacher(planfile.load(plan)).urgent == {"growling"}
    sure, safe = [Heard((("growling", 0.95),))] * 3, frozenset({"growling"})
    assert Trial({"growling": sure}, []).eases(0.15) == {"growling": -MOST_EASE}
    assert Trial({"growling": sure}, [], urgent=safe).eases(0.15) == {}
    rolling = [("rolling", Heard((("growling", 0.3),)))]
    ease = Trial({"growling": sure}, rolling, urgent=safe).eases(0.15)["growling"]
    assert eased_confidence(0.3, ease, 0.15) < 0.15 < eased_confidence(0.4, ease, 0.15)


def test_what_was_mistaken_is_kept_out_with_room_to_spare():
    takes = [0.9, 0.95]
    (sure,) = told_apart(takes, [0.3, 0.89])  # the other is as sure as her own
    ease = choose_ease(0.15, takes, [sure])
    assert eased_confidence(0.4, ease, 0.15) < 0.15 <= eased_confidence(0.9, ease, 0.15)
    assert told_apart([], [0.7]) == []


def test_ease_moves_the_confidence_of_its_own_word_only() -> None:
    breath = Breath((HeardWord("up", 0, 1, 0.5), HeardWord("off", 1, 2, 0.5)), 2)
    up, off = eased(breath, {"up": 1.0}, 0.15).words
    assert up.confidence == pytest.approx(1 / (1 + np.exp(-1.0)))  # the logistic function
    assert off.confidence == 0.5


def test_a_trial_counts_misses_wrong_words_and_false_alarms() -> None:
    trial = Trial(
        {
            "up": [Heard((("up", 0.9),)), Heard((("up", 0.5),)), Heard((("off", 0.8),))],
            "off": [Heard((("off", 0.99),))],
        },
        [("a cup of tea", Heard((("up", 0.75),))), ("up we go", Heard((("up", 0.95),)))],
    )
    assert trial.tally(0.7) == type(trial.tally(0.7))(takes=4, right=2, wrong=1, false=1)
    assert trial.tally(0.7).errors == 3
    assert trial.wrong("up", 0.7) == ["off"]
    assert trial.false(0.7) == ["up"]
    eases = trial.eases(0.7)
    assert set(eases) == {"off"}  # "up" cannot be made easier without counting the cup of tea
    assert trial.eased(eases, 0.7).tally(0.7).wrong == 0


def test_better_words_are_longer_and_like_nothing_else_in_the_plan() -> None:
    said = {text: [("S", "P", "IH", "N", "UW")] for text in candidates("cue")}
    plan_words = {"off": [("AO", "F")], "settle": [("S", "EH", "T", "AH", "L")]}
    found = better_words("cue", "off", plan_words, said)
    assert found[0] == "hop off"  # it keeps the word she is used to
    assert "settle" not in found
    assert better_words("name", "off", plan_words, said) == ()


def test_words_are_asked_for_one_after_the_other() -> None:
    asking = Asking(["sit", "down"], 2)
    assert asking.begin(0.0) == Say("ask_word", (("word", "sit"), ("times", 2)))
    assert asking.take(2.0) is None
    assert asking.take(4.0) == Say("ask_word", (("word", "down"), ("times", 2)))
    assert asking.waited(4.0 + PATIENCE_S - 0.1) is None
    assert asking.waited(4.0 + PATIENCE_S) == Say("ask_more", (("word", "down"),))
    assert asking.waited(5.0 + 2 * PATIENCE_S) == Say("ask_done")
    assert asking.phrase is None
    assert asking.waited(99.0) is None


def test_an_ear_that_mishears_one_word_as_its_neighbour_does_not_give_it_the_takes() -> None:
    """Three sounds each of two words; the first word fits all six, and better."""
    passes = np.array([[9.0, -5.0]] * 3 + [[9.0, 1.0]] * 3)
    assert _in_order(passes, 3) == [0, 0, 0, 1, 1, 1]
    assert _in_order(np.array([[5.0, -9], [-9, -9], [5, -9], [5, -9], [-9, 5], [-9, 5], [-9, 5]]), 3)[4:] == [1, 1, 1]
    assert _in_order(np.array([[-9.0, 5]] * 3), 3) == [1, 1, 1]  # the first word was left out


# From a microphone


class Stub(Mute):
    def __init__(self) -> None:
        self.sentences: list[str] = []
        self.tones: list[str] = []

    def say(self, say: Say) -> tuple[str, float]:
        self.sentences.append(f"{say.key} {dict(say.fields).get('word', '')}".strip())
        return self.sentences[-1], 0.5

    def tone(self, name: str) -> None:
        self.tones.append(name)


def blocks(sound: np.ndarray):
    step = RATE // 10
    for at in range(0, len(sound), step):
        yield AudioBlock(at / RATE, sound[at : at + step].tobytes())


def test_takes_are_counted_by_ear_and_it_goes_on_by_itself() -> None:
    said = ["yes", "yes", "stop", "stop"]
    sound = np.concatenate([quiet(3.5), *(part for word in said for part in (clip(word), quiet(1.5))), quiet(2)])
    voice, shown = Stub(), []
    takes = ask_for_takes(Asking(["yes", "stop"], 2), blocks(sound), voice, lambda phrase, one: True, shown.append)
    assert {phrase: len(some) for phrase, some in takes.items()} == {"yes": 2, "stop": 2}
    assert voice.sentences == ["ask_word yes", "ask_word stop", "ask_done"]
    assert voice.tones == ["counted", "counted"]
    assert all(0.4 < len(one) / RATE < 1.5 for some in takes.values() for one in some)


def test_another_word_is_not_counted_and_silence_is_passed_over() -> None:
    sound = np.concatenate([quiet(3.5), clip("stop"), quiet(40)])
    voice, shown = Stub(), []
    takes = ask_for_takes(Asking(["yes", "no"], 3), blocks(sound), voice, lambda phrase, one: False, shown.append)
    assert takes == {}
    assert voice.sentences == ["ask_word yes", "ask_more yes", "ask_word no", "ask_more no", "ask_done"]
    assert "    that did not sound like yes" in shown


class AtTheMicrophone(Stub):
    """Stands for voice and microphone of the command."""

    def __enter__(self):
        return self

    def __exit__(self, *_) -> None: ...


@pytest.fixture
def say_into_it(monkeypatch):
    """Let the command hear a sound, after which the microphone is lost."""

    def say(sound: np.ndarray) -> None:
        @contextmanager
        def microphone(device):
            def heard():
                yield from blocks(sound)
                raise MicrophoneLost("the microphone has gone")

            yield heard()

        device = Device(0, "headset", "Pulse", 1, 0, RATE, True, False)
        monkeypatch.setattr("handsfree.edges.audio.list_devices", lambda: [device])
        monkeypatch.setattr("handsfree.edges.audio.microphone", microphone)
        monkeypatch.setattr("handsfree.voicing.Aloud", lambda *_: AtTheMicrophone())

    return say


def test_silence_at_the_microphone_is_refused(plan: Path, say_into_it) -> None:
    say_into_it(quiet(120))
    code, output = run("words", plan, "--only", "down")
    assert (code, output) == (
        2,
        "no word was said often enough; try the microphone with `handsfree soundcheck`",
    )
    assert not voicefolder.folder_of(plan).exists()


def test_takes_given_before_the_microphone_went_are_learnt_from(plan: Path, say_into_it, monkeypatch) -> None:
    say_into_it(np.concatenate([quiet(3.5), *(part for _ in range(4) for part in (clip("down"), quiet(1.2)))]))
    seen = {}

    def learn(self, takes, *_):
        seen.update(takes)
        raise UserError("far enough for this test")

    monkeypatch.setattr("handsfree.learning.Teacher.learn", learn)
    assert run("words", plan, "--only", "down", "--only", "left")[1] == "far enough for this test"
    assert {phrase: len(some) for phrase, some in seen.items()} == {"down": 4}


@pytest.mark.parametrize("stopped_by", [UserError("no room"), KeyboardInterrupt()])
def test_what_she_said_is_kept_where_it_cannot_be_learnt(plan: Path, say_into_it, monkeypatch, stopped_by) -> None:
    say_into_it(np.concatenate([quiet(3.5), *(part for _ in range(4) for part in (clip("down"), quiet(1.2)))]))
    monkeypatch.setattr("handsfree.learning.Teacher.learn", Mock(side_effect=stopped_by))
    earlier = plan.with_suffix(".takes")
    earlier.mkdir()
    with pytest.raises(Abort) if isinstance(stopped_by, KeyboardInterrupt) else nullcontext():
        assert run("words", plan, "--only", "down") == (2, "no room")
    kept = plan.with_suffix(".takes-2")
    assert not any(earlier.iterdir())
    learner = Mock(side_effect=UserError("learning begins"))
    monkeypatch.setattr("handsfree.learning.Teacher.learn", learner)
    assert run("words", plan, "--from", kept)[1] == "learning begins"
    assert {phrase: len(some) for phrase, some in learner.call_args.args[0].items()} == {"down": 4}


def test_where_her_takes_cannot_be_kept_meanwhile_they_are_learnt_all_the_same(plan: Path, monkeypatch) -> None:
    told: list[str] = []
    monkeypatch.setattr(Path, "mkdir", Mock(side_effect=OSError(28, "No space left on device")))
    with voicefolder.spared(plan, {"down": [clip("down")]}, told.append):
        pass
    assert told == [
        f"{plan.with_suffix('.takes')} cannot be written (No space left on device): your takes are kept only if they "
        "can be learnt"
    ]
    with pytest.raises(UserError), voicefolder.spared(plan, {}, told.append):
        raise UserError("and nothing is said of a folder that is not there")
    assert len(told) == 2


def test_once_learnt_they_lie_there_no_longer(plan: Path) -> None:
    folder = plan.with_suffix(".takes")
    with voicefolder.spared(plan, {"leave it": [clip("down")]}, print):
        assert [path.name for path in folder.iterdir()] == ["leave_it.flac"]
    assert not folder.exists()


# What is kept


def test_what_was_learnt_is_kept_beside_the_plan_and_forgotten_whole(plan: Path) -> None:
    folder = voicefolder.folder_of(plan)
    voice = OwnVoice(
        "abc", "2026-11-25T10:00:00+01:00", {"leave it": WordVoice(3, (("L", "IY"),), 0.5, 1, 3, "x", ("y",))}
    )
    takes = {"leave it": [quiet(0.5, seed) for seed in range(3)]}
    for _ in range(2):  # a second time replaces the first
        voicefolder.write_voice(folder, voice, takes, None)
        assert voicefolder.read_voice(folder) == voice
        kept = voicefolder.read_takes(folder)
        assert [one.tolist() for one in kept["leave it"]] == [one.tolist() for one in takes["leave it"]]
    assert sorted(path.name for path in plan.parent.iterdir()) == ["bruno.toml", "bruno.voice"]
    assert run("words", plan, "--show")[0] == 0
    assert "listens as it did before" in run("words", plan, "--forget")[1]
    assert not folder.exists()
    assert "nothing was learnt" in run("words", plan, "--forget")[1]
    assert run("words", plan, "--show") == (
        2,
        f"nothing was learnt for {plan}; `handsfree words {plan}` asks for your words",
    )


@pytest.mark.parametrize("text", ["", "{", '{"form": 9}', "[]", '{"form": 1, "words": {"a": 3}}'])
def test_a_damaged_folder_is_named_with_what_to_do(plan: Path, text: str) -> None:
    folder = voicefolder.folder_of(plan)
    folder.mkdir()
    (folder / "voice.json").write_text(text)
    with pytest.raises(UserError, match=r"voice.json: what was learnt of your voice cannot be read; .* or remove "):
        listening.own_voice(plan, planfile.load(plan), print)


def test_a_folder_of_somebody_else_is_not_removed(plan: Path) -> None:
    folder = voicefolder.folder_of(plan)
    folder.mkdir()
    (folder / "diary.txt").write_text("mine")
    assert "was not made by `handsfree words`" in run("words", plan, "--forget")[1]
    assert (folder / "diary.txt").exists()


def test_a_voice_learnt_with_another_ear_is_left_aside_and_told(plan: Path) -> None:
    told: list[str] = []
    voicefolder.write_voice(voicefolder.folder_of(plan), OwnVoice("another", "2026-11-25"), {}, None)
    assert listening.own_voice(plan, planfile.load(plan), told.append) is None
    assert "was learnt with another ear; `handsfree words" in told[0]


def test_her_ways_and_eases_reach_the_ear_and_the_plans_own_spelling_holds(plan: Path, tmp_path: Path) -> None:
    voice = OwnVoice(
        listening.sha256_of(listening.shipped_model()),
        "2026-11-25",
        {"left": WordVoice(5, (("L", "AE", "F", "T"),), 0.7), "down": WordVoice(5, (("D", "AW", "N"),))},
    )
    voicefolder.write_voice(voicefolder.folder_of(plan), voice, {}, None)
    plan.write_text(PLAN + '[pronunciations]\ndown = "D AH N"\n')
    told: list[str] = []
    the_plan = planfile.load(plan)
    learnt = listening.own_voice(plan, the_plan, told.append)
    assert told == ["listening for your own voice (bruno.voice, 2026-11-25, 2 words)"]
    ear = listening.open_ear(the_plan, ("left", "down"), learnt=learnt, cache=tmp_path)
    assert ear.pronunciations == {"left": (("L", "AE", "F", "T"),), "down": (("D", "AH", "N"),)}
    assert ear.eases == {"left": 0.7}
    assert ear.name == "en, own voice"


@pytest.mark.parametrize("compared", [True, False])
def test_her_takes_are_compared_where_that_won(plan: Path, tmp_path: Path, compared: bool) -> None:
    takes = {"left": [np.zeros(8000, np.int16)] * 3}
    voice = OwnVoice(listening.sha256_of(listening.shipped_model()), "2026-11-28", compared=compared)
    folder = voicefolder.folder_of(plan)
    voicefolder.write_voice(folder, voice, takes, None)
    if not compared:  # as an earlier version wrote it
        kept = json.loads((folder / "voice.json").read_text())
        del kept["compared"]
        (folder / "voice.json").write_text(json.dumps(kept))
    the_plan = planfile.load(plan)
    learnt = listening.own_voice(plan, the_plan, lambda line: None)
    ear = listening.open_ear(the_plan, ("left", "down"), learnt=learnt, cache=tmp_path)
    assert (ear.examples is not None) == compared
    assert listening.open_ear(the_plan, ("left", "down"), cache=tmp_path).examples is None


def test_an_ear_that_learnt_her_voice_has_the_weights_of_the_one_that_ships(plan: Path, tmp_path: Path) -> None:
    """Its own copy may be of an earlier version, which knew less of a word."""
    own = tmp_path / "own"
    shutil.copytree(listening.shipped_model(), own)
    (own / "confidence.json").write_text('{"ear": {"bias": 1.0}, "second_look": null}')
    learnt = listening.Learnt(OwnVoice("", "2026-11-25", adapted=True), own)
    the_plan, phrases = planfile.load(plan), ("left", "down")
    expected = listening.open_ear(the_plan, phrases, cache=tmp_path).weights
    assert expected is not None
    assert listening.open_ear(the_plan, phrases, learnt=learnt, cache=tmp_path).weights == expected
    base = listening.shipped_model()
    assert listening.open_ear(the_plan, phrases, own, learnt, tmp_path, base).weights == expected
    with pytest.raises(UserError, match="weights of the ear's confidence"):
        listening.open_ear(the_plan, phrases, own, cache=tmp_path)


# Bad input: refused in one line, nothing changed


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("--again", "--show"), "choose one of --from, --from-corrections, --again, --show and --forget"),
        (("--from", "missing.wav"), "there is no file missing.wav"),
        (("--again",), "no takes were kept beside"),
        (("--only", "sit", "--again"), '--only: "sit" is no word of the plan that is learnt; there are: down, left'),
    ],
)
def test_what_cannot_be_done_is_said_in_one_line(plan: Path, args: tuple[str, ...], said: str) -> None:
    code, output = run("words", plan, *args)
    assert code == 2
    assert said in output
    assert len(output.splitlines()) == 1
    assert not voicefolder.folder_of(plan).exists()


def test_a_plan_with_a_model_of_its_own_cannot_learn(plan: Path) -> None:
    (plan.parent / "elsewhere").mkdir()
    plan.write_text(PLAN + '[ear]\nmodel = "elsewhere"\n')
    assert run("words", plan)[1].endswith(
        "only our own ear can learn, and the plan names another; remove `model` under [ear]"
    )


@pytest.mark.parametrize(
    ("sound", "said"),
    [
        (np.zeros(5 * RATE, np.int16), "nobody speaks in it"),
        (quiet(5), "nobody speaks in it"),
        (np.random.default_rng(0).normal(0, 3000, 5 * RATE).astype(np.int16), "nobody speaks in it"),
    ],
)
def test_silence_and_noise_are_refused(plan: Path, tmp_path: Path, sound: np.ndarray, said: str) -> None:
    soundfile.write(tmp_path / "takes.wav", sound, RATE)
    code, output = run("words", plan, "--from", tmp_path / "takes.wav")
    assert (code, len(output.splitlines())) == (2, 1)
    assert said in output
    assert not voicefolder.folder_of(plan).exists()


def test_the_wrong_words_are_refused(plan: Path, tmp_path: Path) -> None:
    code, output = run("words", plan, "--from", recording(tmp_path / "takes.wav", "happy", "up", "right"))
    assert code == 2
    assert "9 sounds, but no word has 3 takes that sound like it" in output.splitlines()[-1]
    assert not voicefolder.folder_of(plan).exists()


def test_one_word_in_anothers_file_is_named_and_left_out(plan: Path, tmp_path: Path) -> None:
    from handsfree.learning import Teacher
    from handsfree.takes import TakeFinder, takes_from

    folder = tmp_path / "takes"
    folder.mkdir()
    recording(folder / "down.wav", "down")
    recording(folder / "left.wav", "happy")
    recording(folder / "banana.wav", "no")
    teacher, told = Teacher(planfile.load(plan)), []
    finder = TakeFinder(teacher.learner, {phrase: teacher.usual_ways(phrase) for phrase in teacher.phrases(())})
    found = takes_from(folder, finder, teacher.phrases(()), 5, told.append)
    assert {phrase: len(some) for phrase, some in found.items()} == {"down": 3}
    assert 'banana.wav is not used: "banana" is no word of the plan that is learnt' in told
    assert any('"left": 0 takes that sound like it, 3 other sounds near there' in line for line in told)
    (folder / "down.wav").unlink()
    (folder / "left.wav").unlink()
    with pytest.raises(UserError, match=r"no file in it is named after a word of the plan, such as"):
        takes_from(folder, finder, teacher.phrases(()), 5, told.append)


def test_takes_are_found_in_the_order_of_the_plan(plan: Path, tmp_path: Path) -> None:
    from handsfree.learning import Teacher
    from handsfree.takes import TakeFinder, takes_from

    teacher, told = Teacher(planfile.load(plan)), []
    finder = TakeFinder(teacher.learner, {phrase: teacher.usual_ways(phrase) for phrase in teacher.phrases(())})
    path = recording(tmp_path / "takes.wav", "down", "left", "yes", "no", "stop", times=4)
    found = takes_from(path, finder, teacher.phrases(()), 4, told.append)
    assert {phrase: len(some) for phrase, some in found.items()} == dict.fromkeys(
        ("down", "left", "yes", "no", "stop"), 4
    )
    assert told == ['"growling": 0 takes that sound like it; 3 are needed, so it stays as it was']


def test_ctrl_c_does_not_wait_until_all_is_learnt(plan: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from handsfree.learning import AT_ONCE, Teacher

    teacher, begun, ended = Teacher(planfile.load(plan)), threading.Barrier(AT_ONCE + 1), []

    def adapt(*given) -> bytes:
        *_, stopped = given
        if not stopped():
            begun.wait(20)
        until = time.monotonic() + 20
        while not stopped() and time.monotonic() < until:
            time.sleep(0.01)
        ended.append(stopped())
        raise Stopped

    def ctrl_c(*_) -> Trial:
        begun.wait(20)
        raise KeyboardInterrupt

    monkeypatch.setattr(teacher.learner, "adapt", adapt)
    monkeypatch.setattr(teacher, "_try", ctrl_c)
    with pytest.raises(KeyboardInterrupt):
        teacher.learn({"down": [clip("down")] * 3}, "now")
    assert ended == [True] * AT_ONCE  # the third had not begun, and never does


def test_no_room_to_learn_in_is_one_line_and_nothing_changed(plan: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from handsfree.learning import Teacher

    def full(source: Path, target: Path, **_) -> None:
        reasons = [(str(source / n), str(target / n), "[Errno 28] No space left on device") for n in ("a", "b")]
        raise shutil.Error(reasons)

    def learn(self, takes, *given):
        monkeypatch.setattr(self.learner, "adapt", lambda *_: b"")
        return usual(self, takes, *given)

    usual = Teacher.learn
    monkeypatch.setattr(Teacher, "learn", learn)
    monkeypatch.setattr(Teacher, "_try", lambda *_: Trial({}, []))
    monkeypatch.setattr("handsfree.edges.adaptation.learner.shutil.copytree", full)
    folder = plan.parent / "takes"
    folder.mkdir()
    recording(folder / "down.wav", "down")
    code, output = run("words", plan, "--from", folder)
    assert code == 2
    said = output.splitlines()[-1]
    assert "cannot be written ([Errno 28] No space left on device); make room there, or set TMPDIR" in said
    assert not voicefolder.folder_of(plan).exists()


@pytest.mark.ear
def test_a_word_that_is_said_otherwise_is_learnt_and_heard_afterwards(tmp_path: Path) -> None:
    """A plan word that the plan spells wrongly ("left" as "weft") is missed, and heard once her takes were learnt.

    The takes are one recording, louder and softer: this shows that what is learnt reaches sessions, not how well.
    """
    from handsfree.hearing import Hearing

    path = tmp_path / "odd.toml"
    path.write_text(PLAN + '[pronunciations]\nleft = "W EH F T"\n')
    takes = np.concatenate(
        [quiet(1.0), *(part for gain in (0.4, 0.6, 0.8, 1.0) for part in (clip("left") * gain, quiet(0.8)))]
    )
    folder = tmp_path / "takes"
    folder.mkdir()
    soundfile.write(folder / "left.wav", takes.round().astype(np.int16), RATE)
    code, output = run("words", path, "--from", folder)
    assert code == 0, output
    kept = json.loads((tmp_path / "odd.voice" / "voice.json").read_text())
    assert kept["adapted"]
    assert kept["words"]["left"]["after"] > kept["words"]["left"]["before"]
    the_plan = planfile.load(path)
    sound = np.concatenate([quiet(1.0), clip("left"), quiet(1.0)])

    def counted(learnt):
        return [
            one.word.text
            for one in Hearing(the_plan, learnt=learnt).words(blocks(sound))
            if not hasattr(one, "reason") and hasattr(one, "word")
        ]

    assert counted(None) == []
    assert counted(listening.own_voice(path, the_plan, lambda line: None)) == ["left"]


def test_where_learning_wins_nothing_her_takes_are_compared_alone(plan: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from handsfree.core.trial_of_voice import Heard
    from handsfree.learning import Teacher

    lines: list[str] = []
    told: list[tuple[Path | None, dict[str, int]]] = []
    teacher = Teacher(planfile.load(plan), tell=lines.append)
    monkeypatch.setattr(
        teacher.learner, "adapt", lambda *given: (listening.shipped_model() / "am/final.mdl").read_bytes()
    )
    monkeypatch.setattr("handsfree.learning.write_model", lambda base, model, folder: _folder_of_a_model(folder, model))
    monkeypatch.setattr(
        teacher, "hear_others", lambda learnt, scratch, sounds, *_: [(said, Heard(())) for said, _ in sounds]
    )

    def hear_takes(learnt, scratch, takes, *_):
        """Only comparing alone helps. Each half of the takes is compared with the other."""
        told.append(
            (learnt and learnt.model_dir, {p: len(some) for p, some in (learnt.takes if learnt else {}).items()})
        )
        sure = 0.9 if learnt and learnt.model_dir is None and learnt.takes else 0.01
        return {phrase: [Heard(((phrase, sure),))] * len(some) for phrase, some in takes.items()}

    monkeypatch.setattr(teacher, "hear_takes", hear_takes)
    result = teacher.learn({"down": [clip("down")] * 5}, "now")
    assert result.won
    assert (result.voice.adapted, result.voice.compared, result.write) == (False, True, None)
    assert (result.before.right, result.after.right) == (0, 5)
    assert result.voice.words["down"].ways == ()  # said as usual: no other way was tried with it
    compared = [takes for model, takes in told if model is None and takes]
    assert compared[:2] == [{"down": 3}, {"down": 2}]
    assert any("with the ear as it is" in line for line in lines)


def _folder_of_a_model(folder: Path, model: bytes) -> None:
    (folder / "am").mkdir(parents=True)
    (folder / "am" / "final.mdl").write_bytes(model)

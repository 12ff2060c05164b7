"""Prompts -> sound files. Those marked `voice` render for real: espeak-ng on Linux, elsewhere the system's voices."""

from __future__ import annotations

import sys
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

from handsfree import places
from handsfree.core.plan import Behaviour, Plan, Prompts, Words
from handsfree.edges import speak_child, speech
from handsfree.edges.audio import read_file, tone
from handsfree.edges.level import LevelMeter
from handsfree.edges.promptbook import load_prompts
from handsfree.edges.speech import LEVEL_DBFS, Voice, even_out

ENGLISH = Prompts()


@pytest.fixture(scope="module")
def rendered(tmp_path_factory):
    """All prompts of a plan with one behaviour of one step, really rendered, once for this module."""
    voice = Voice(tmp_path_factory.mktemp("prompts"), ENGLISH)
    texts = load_prompts("en", places.shipped("prompts")).all_texts(Plan("Miro", (Behaviour("x", ("x",)),)))
    result = voice.render(texts)
    assert result.failed is None
    return voice, texts, result


@pytest.mark.voice
def test_every_prompt_becomes_a_short_sound(rendered):
    _, texts, result = rendered
    assert set(result.paths) == set(texts)
    for text, path in result.paths.items():
        info = soundfile.info(path)
        assert (info.subtype, info.channels) == ("PCM_16", 1)
        assert 0.3 < info.duration < 3.0, text


@pytest.mark.voice
def test_prompts_are_equally_loud(rendered):
    """Active speech level after ITU-T P.56, all within 1 dB of the middle."""
    levels = []
    for path in rendered[2].paths.values():
        meter = LevelMeter()
        # repeated, as running speech would be: the hangover after a single one would weigh more, the shorter it is
        pcm = b"".join(block.pcm for block in read_file(path))
        for _ in range(4):
            meter.feed(pcm)
        levels.append(meter.reading().speech_db)
    middle = np.median(levels)
    assert middle == pytest.approx(LEVEL_DBFS, abs=1.0)
    assert np.abs(np.array(levels) - middle).max() < 1.0


@pytest.mark.voice
def test_prompts_start_and_end_with_speech_and_do_not_clip(rendered):
    for path in rendered[2].paths.values():
        sound, rate = soundfile.read(path)
        edge = rate // 50
        assert min(np.sqrt((sound[:edge] ** 2).mean()), np.sqrt((sound[-edge:] ** 2).mean())) > 1e-3
        assert np.abs(sound).max() < 0.99


@pytest.mark.voice
def test_what_is_in_the_cache_is_not_made_again(rendered, monkeypatch):
    voice, texts, first = rendered
    monkeypatch.setattr(speech.subprocess, "run", lambda *_, **__: pytest.fail("a child was started"))
    assert voice.render(texts) == first
    assert voice.sound(texts[0]) == first.paths[texts[0]]


@pytest.mark.voice
def test_a_long_text_is_complete(tmp_path):
    """200 words: pyttsx3 returns from `runAndWait` long before such a file is written."""
    result = Voice(tmp_path, ENGLISH).render(["one two three four five " * 40])
    assert result.failed is None
    (path,) = result.paths.values()
    assert soundfile.info(path).duration > 40  # 200 words at 160 a minute are 75 s; espeak-ng speaks numbers faster


@pytest.mark.voice
def test_voice_rate_and_language_change_the_sound(tmp_path):
    text = "Counting resumed."
    variants = [ENGLISH, Prompts(words_per_minute=260), Prompts(language="de")]
    if sys.platform.startswith("linux"):
        variants.append(Prompts(voice="English (Scotland)"))
    sounds = []
    for prompts in variants:
        result = Voice(tmp_path, prompts).render([text])
        assert result.failed is None
        sounds.append(result.paths[text].read_bytes())
    assert len(set(sounds)) == len(variants)
    assert len(sounds[1]) < 0.8 * len(sounds[0])


@pytest.mark.voice
def test_rendering_ahead_happens_in_the_background(tmp_path):
    voice = Voice(tmp_path, ENGLISH)
    assert voice.sound("Paused.") is None
    voice.render_ahead(["Paused."])
    deadline = time.monotonic() + 15
    while voice.sound("Paused.") is None and time.monotonic() < deadline:
        time.sleep(0.05)
    voice.close()
    assert voice.sound("Paused.") is not None
    assert voice.failed is None


@pytest.mark.voice
def test_closing_stops_what_is_not_yet_rendered(tmp_path):
    voice = Voice(tmp_path, ENGLISH)
    voice.render_ahead([f"Number {n}." for n in range(200)])
    voice.close()
    assert len(list(tmp_path.glob("*.wav"))) < 20
    assert list(tmp_path.glob("making-*")) == []


# Failures: said, never raised, nothing left half done


def failure(voice: Voice, text: str = "Paused.") -> str:
    result = voice.render([text])
    assert result.paths == {}
    assert result.failed is not None
    assert "\n" not in result.failed
    return result.failed


@pytest.mark.voice
def test_unknown_voice_names_those_of_the_language(tmp_path):
    assert "there is no voice 'nobody'; for the language 'en' there are: " in failure(
        Voice(tmp_path, Prompts(voice="nobody"))
    )
    assert list(tmp_path.iterdir()) == []


@pytest.mark.voice
def test_nothing_to_say_is_no_prompt(tmp_path):
    if sys.platform.startswith("linux"):
        assert "silent file" in failure(Voice(tmp_path, ENGLISH), " ")


def test_cache_that_cannot_be_made(tmp_path):
    (tmp_path / "file").touch()
    assert "could not be made" in failure(Voice(tmp_path / "file" / "prompts", ENGLISH))


def instead_of_python(tmp_path: Path, monkeypatch, script: str) -> None:
    """Let the child be a shell script: an engine that fails in a way of our choice."""
    program = tmp_path / "engine"
    program.write_text(f"#!/bin/sh\n{script}\n")
    program.chmod(0o755)
    monkeypatch.setattr(speech.sys, "executable", str(program))


posix = pytest.mark.skipif(sys.platform == "win32", reason="needs a shell")


@posix
def test_engine_missing(tmp_path, monkeypatch):
    instead_of_python(tmp_path, monkeypatch, "echo noise >&2; echo 'eSpeak is not installed' >&2; exit 1")
    assert failure(Voice(tmp_path, ENGLISH)) == "1 of 1 spoken prompts could not be made: eSpeak is not installed"


@posix
def test_engine_crashing_without_a_word(tmp_path, monkeypatch):
    instead_of_python(tmp_path, monkeypatch, "kill -SEGV $$")
    assert "exit code -11" in failure(Voice(tmp_path, ENGLISH))


@posix
def test_engine_hanging(tmp_path, monkeypatch):
    monkeypatch.setattr(speech, "PATIENCE_S", 0.3)
    instead_of_python(tmp_path, monkeypatch, "exec sleep 60")
    assert "the speech engine hung" in failure(Voice(tmp_path, ENGLISH))


@posix
def test_the_rest_is_given_up_after_a_few_failures(tmp_path, monkeypatch):
    instead_of_python(tmp_path, monkeypatch, f"echo x >> {tmp_path}/tries; exit 1")
    result = Voice(tmp_path, ENGLISH).render([f"Text {n}" for n in range(50)])
    assert result.failed.startswith("50 of 50")
    assert len((tmp_path / "tries").read_text().split()) <= 4  # three, and one that ran beside


# Parts of the child


def test_a_file_still_growing_is_waited_for(tmp_path):
    sound = np.random.default_rng(0).normal(size=8000) * 0.1
    soundfile.write(tmp_path / "whole.wav", sound, 8000)
    whole, path = (tmp_path / "whole.wav").read_bytes(), tmp_path / "growing.wav"

    def grow() -> None:
        with path.open("wb") as file:
            for start in range(0, len(whole), 1000):
                file.write(whole[start : start + 1000])
                file.flush()
                time.sleep(0.01)

    writer = threading.Thread(target=grow)
    writer.start()
    speak_child.wait_until_whole(path)
    assert path.read_bytes() == whole
    writer.join()


def test_a_file_that_never_comes_ends_the_wait(tmp_path, monkeypatch):
    monkeypatch.setattr(speak_child, "PATIENCE_S", 0.1)
    with pytest.raises(TimeoutError, match="wrote no sound"):
        speak_child.wait_until_whole(tmp_path / "none.wav")


def voice_entry(id: str, name: str, languages: list[str] | None) -> SimpleNamespace:
    return SimpleNamespace(id=id, name=name, languages=languages)


VOICES = [
    voice_entry("gmw/de", "German", ["de"]),
    voice_entry("gmw/en", "English (Great Britain)", ["en-gb"]),
    voice_entry("gmw/en-us", "English (America)", ["en-us"]),
    voice_entry("sapi/zira", "Zira", None),
]


@pytest.mark.parametrize(
    ("language", "wanted", "default", "chosen"),
    [
        ("en", "", "gmw/en", "gmw/en"),
        ("en", "", "GMW/EN", "GMW/EN"),
        ("de", "", "gmw/en", "gmw/de"),
        ("en_US", "", "gmw/de", "gmw/en"),
        ("en", "america", "gmw/en", "gmw/en-us"),
        ("en", "gmw/en", "gmw/de", "gmw/en"),
        ("en", "ZIRA", "gmw/en", "sapi/zira"),
        ("fi", "", "gmw/en", "gmw/en"),
        ("fi", "", None, None),
    ],
)
def test_choosing_a_voice(language, wanted, default, chosen):
    assert speak_child.choose_voice(VOICES, language, wanted, default) == chosen


def test_evening_out_keeps_a_pause_inside_and_cuts_silence_around():
    rate = 16000
    word = np.sin(2 * np.pi * 300 * np.arange(rate // 2) / rate)
    pause = np.zeros(rate // 4)
    for gain in (0.01, 0.5):
        out = even_out((np.concatenate([pause, word, pause, word, pause]) * gain).astype(np.float32), rate)
        assert len(out) / rate == pytest.approx(1.25, abs=0.05)
        assert 20 * np.log10(np.sqrt((out[: rate // 2] ** 2).mean())) == pytest.approx(LEVEL_DBFS, abs=0.2)


# The ear


@pytest.mark.ear
@pytest.mark.voice
def test_the_tools_own_voice_and_tones_count_as_nothing(rendered):
    """Every prompt and tone fed straight into the ear, as if the headset leaked all of it: no plan word is accepted."""
    from handsfree.core.events import AudioBlock, HeardWord, SessionEvent
    from handsfree.hearing import Hearing

    cues = ("sit", "down", "stay", "come", "heel", "touch", "paw", "spin", "fetch", "settle", "crate")
    plan = Plan(
        "Miro",
        tuple(Behaviour(cue, (cue,)) for cue in cues),
        words=Words(marker=("yes",), error=("oops",), release=("okay",), safety=("growling",)),
    )
    hearing = Hearing(plan)
    silence = bytes(16000 * 2)
    leaks, speech_in = [], 0
    sounds = {text: b"".join(block.pcm for block in read_file(path)) for text, path in rendered[2].paths.items()}
    sounds |= {name: tone(name).astype("<i2").tobytes() for name in ("counted", "unsure")}
    for name, pcm in sounds.items():
        heard = list(hearing.words([AudioBlock(0.0, silence + pcm + silence)]))
        speech_in += any(isinstance(one, HeardWord) for one in heard)
        leaks += [(name, one.word.text) for one in heard if isinstance(one, SessionEvent)]
    assert leaks == []
    assert speech_in > len(rendered[2].paths) / 2  # it did listen: most prompts were heard as other speech

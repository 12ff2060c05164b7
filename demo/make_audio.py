#!/usr/bin/env python3
"""Makes session.ogg and truth.jsonl from script.txt: a training session that nobody had to hold.

Needs kokoro-onnx and scipy, and three things that are not in this repository:

    python demo/make_audio.py --weights kokoro.onnx --voices VOICES --noise NOISE

weights  the text-to-speech model Kokoro-82M v1.0 in ONNX form (Apache-2.0; the audio here came from 8-bit weights)
voices   a folder with its voice files af_nova.bin and bm_george.bin (510 x 1 x 256 float32 each)
noise    a folder with sc_doing_the_dishes, sc_running_tap and sc_pink_noise (background of Speech Commands v0.02) and
         esc10_dog_bark_* (ESC-10), each as .opus, .ogg or .wav; README.md beside this file credits them

The handler wears a headset and is near; the client stands across the room: softer, duller, with the room's echo. Each
spoken piece is cut out 40 dB below its peak; its start and end in the truth are where it comes within 30 dB of it. One
seed, one thread: the same weights and voices give the same samples (an Ogg file holds a serial number that differs).
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, lfilter, resample_poly

try:
    import tomllib
except ModuleNotFoundError:
    import tomli as tomllib

HERE = Path(__file__).resolve().parent
RATE = 16_000
SEED = 20
VOICES = {"handler": "af_nova", "client": "bm_george"}
LEVEL_DB = {"handler": -24.0, "client": -38.0, "bark": -28.0, "tap": -42.0, "dishes": -42.0, "room": -64.0}
"""Level of the active part, dB relative to full scale (rms 1.0). Tap and dishes lie 18 dB below the handler."""
SPEED = {"handler": (1.05, 1.2), "client": (0.95, 1.1)}
BREATH_S = 0.12
"""Pause between two pieces said in one breath."""
SOUNDS = {"tap": "sc_running_tap", "dishes": "sc_doing_the_dishes", "room": "sc_pink_noise"}

Samples = NDArray[np.float32]


@dataclass
class Row:
    pause_s: float
    who: str
    words: list[str]
    meanings: list[list[str]]


@dataclass
class Scene:
    """The session as it grows. `clock_s` is the end of what was said last, `decided_s`
    that of the last marker or error word; `truth` holds the rows of truth.jsonl."""

    length_s: float = 400.0
    clock_s: float = 0.0
    truth: list[dict] = field(default_factory=list)
    rep: dict | None = None
    decided_s: float = 0.0
    reps: int = 0

    def __post_init__(self) -> None:
        self.sound: Samples = np.zeros(int(self.length_s * RATE), np.float32)

    def add(self, samples: Samples, at_s: float) -> float:
        """Mix samples in at a time; returns when they end, seconds."""
        start = round(at_s * RATE)
        self.sound[start : start + len(samples)] += samples
        return start / RATE + len(samples) / RATE


def read_script(path: Path) -> Iterator[Row]:
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.strip() and not line.startswith("#"):
            pause, who, words, meaning = (column.strip() for column in line.split("|"))
            yield Row(float(pause), who, words.split(" + "), [part.split() for part in meaning.split(" + ")])


def span(samples: Samples, below_peak_db: float) -> tuple[int, int]:
    """Where the active part begins and ends: 10 ms frames within `below_peak_db` of the loudest frame are active."""
    frame = RATE // 100
    energy = np.square(samples[: len(samples) // frame * frame]).reshape(-1, frame).mean(axis=1) + 1e-12
    loud = np.flatnonzero(10 * np.log10(energy) > 10 * np.log10(energy.max()) - below_peak_db)
    return int(loud[0] * frame), int((loud[-1] + 1) * frame)


def active(samples: Samples, below_peak_db: float = 40.0) -> Samples:
    """The active part, 10 ms before and after it included."""
    start, end = span(samples, below_peak_db)
    return fade(samples[max(0, start - RATE // 100) : end + RATE // 100])


def fade(samples: Samples, seconds: float = 0.01) -> Samples:
    ramp = np.linspace(0, 1, min(round(seconds * RATE), len(samples) // 2), dtype=np.float32)
    faded = samples.copy()
    faded[: len(ramp)] *= ramp
    faded[len(faded) - len(ramp) :] *= ramp[::-1]
    return faded


def at_level(samples: Samples, level_db: float) -> Samples:
    """Scale so that the frames within 25 dB of the loudest have this level."""
    frame = RATE // 100
    energy = np.square(samples[: len(samples) // frame * frame]).reshape(-1, frame).mean(axis=1) + 1e-12
    rms = np.sqrt(energy[energy > energy.max() * 10**-2.5].mean())
    return (samples * (10 ** (level_db / 20) / rms)).astype(np.float32)


def across_the_room(samples: Samples, rng: np.random.Generator) -> Samples:
    """Duller by a low-pass at 4 kHz, with an echo that dies away by 60 dB in 0.35 s (exponentially decaying noise)."""
    b, a = butter(2, 4000 / (RATE / 2))
    t = np.arange(round(0.35 * RATE)) / RATE
    echo = rng.standard_normal(len(t)) * 10 ** (-3 * t / 0.35)
    echo *= 0.5 / np.sqrt(np.square(echo).sum())
    echo[0] = 1.0
    return fftconvolve(lfilter(b, a, samples), echo).astype(np.float32)


class Speaker:
    """Kokoro on one thread."""

    def __init__(self, weights: Path, voices: Path):
        import onnxruntime
        from kokoro_onnx import Kokoro

        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = options.inter_op_num_threads = 1
        session = onnxruntime.InferenceSession(str(weights), options, providers=["CPUExecutionProvider"])
        named = {name: np.fromfile(voices / f"{name}.bin", np.float32).reshape(-1, 1, 256) for name in VOICES.values()}
        with tempfile.TemporaryDirectory() as folder:
            np.savez(Path(folder) / "voices.npz", **named)
            self._kokoro = Kokoro.from_session(session, str(Path(folder) / "voices.npz"))
            self._voices = named

    def say(self, who: str, words: str, speed: float) -> Samples:
        """The words as 16 kHz samples, active part only. A lone word is spoken as a short sentence."""
        sentence = words[0].upper() + words[1:]
        sentence += "" if sentence[-1] in ".?!" else "!" if who == "handler" else "."
        language = "en-gb" if VOICES[who][0] == "b" else "en-us"
        samples, rate = self._kokoro.create(sentence, self._voices[VOICES[who]], speed=speed, lang=language, trim=False)
        return active(resample_poly(samples, RATE, rate).astype(np.float32))


def load_noise(folder: Path, name: str) -> Samples:
    path = next(path for ending in ("opus", "ogg", "wav") for path in folder.glob(f"{name}.{ending}"))
    samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    return resample_poly(samples[:, 0], RATE, rate).astype(np.float32)


def add_sound(scene: Scene, row: Row, noise: Path, rng: np.random.Generator) -> None:
    name, *rest = row.words[0].split()
    at_s = scene.clock_s + row.pause_s
    if name == "end":
        scene.length_s = at_s
        return
    if name == "bark":
        samples = active(load_noise(noise, f"esc10_dog_bark_{rest[0]}"), 30)
    else:
        whole, length = load_noise(noise, SOUNDS[name]), round(float(rest[0]) * RATE)
        start = rng.integers(0, len(whole) - length)
        samples = fade(whole[start : start + length], 0.5)
    end_s = scene.add(at_level(samples, LEVEL_DB[name]), at_s)
    scene.truth.append({"kind": "sound", "name": name, "start_s": round(at_s, 3), "end_s": round(end_s, 3)})


def add_speech(scene: Scene, row: Row, speaker: Speaker, rng: np.random.Generator) -> None:
    at_s = scene.clock_s + row.pause_s
    for words, (role, *more) in zip(row.words, row.meanings, strict=True):
        samples = speaker.say(row.who, words, speed=rng.uniform(*SPEED[row.who]))
        samples = at_level(samples, LEVEL_DB[row.who] + rng.uniform(-2, 2))
        end_s = at_s + len(samples) / RATE
        scene.add(across_the_room(samples, rng) if row.who == "client" else samples, at_s)
        start, end = (round(at_s + sample / RATE, 3) for sample in span(samples, 30))
        spoken = {"kind": "spoken", "who": row.who, "words": words, "role": role, "start_s": start, "end_s": end}
        if role == "instruction":
            spoken["instruction"] = more[0]
        scene.truth.append(spoken)
        if role == "cue":
            behaviour, outcome, *flags = more
            scene.reps += 1
            scene.rep = {"kind": "rep", "number": scene.reps, "behaviour": behaviour, "outcome": outcome}
            scene.rep |= {"cue_s": start, "cue_end_s": end}
            scene.rep |= dict.fromkeys(flags, True)
            scene.truth.append(scene.rep)
        elif role in ("marker", "error") and scene.rep:
            expected = "correct" if role == "marker" else "incorrect"
            assert scene.rep["outcome"] == expected, f"the script contradicts itself at {scene.rep}"
            scene.rep |= {"outcome_s": start, "outcome_end_s": end}
            scene.rep, scene.decided_s = None, end
        at_s = end_s + BREATH_S
    scene.clock_s = end_s


def add_decision(scene: Scene, row: Row) -> None:
    choice, behaviour, step, new_step, because = row.words[0].split()
    scene.truth.append(
        {
            "kind": "decision",
            "choice": choice,
            "because": because,
            "behaviour": behaviour,
            "step": int(step),
            "new_step": int(new_step),
            "at_s": scene.decided_s,
        }
    )


def instructions() -> dict[str, str]:
    """What to say for each {instruction} of the script: the address word and the phrase of the shipped prompts."""
    plan = tomllib.loads((HERE / "plan.toml").read_text(encoding="utf-8"))
    prompts = tomllib.loads((HERE.parent / "prompts" / "en.toml").read_text(encoding="utf-8"))
    return {name: f"{plan['words']['address']} {said}" for name, said in prompts["instructions"].items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for name in ("weights", "voices", "noise"):
        parser.add_argument(f"--{name}", type=Path, required=True)
    parser.add_argument("--out", type=Path, default=HERE)
    options = parser.parse_args()
    rng = np.random.default_rng(SEED)
    speaker = Speaker(options.weights, options.voices)
    said = instructions()
    rows = list(read_script(HERE / "script.txt"))
    scene = Scene()
    for count, row in enumerate(rows, 1):
        print(f"\r{count}/{len(rows)} {scene.clock_s:6.1f} s", end="", file=sys.stderr, flush=True)
        row.words = [re.sub(r"\{(\w+)\}", lambda match: said[match[1]], words) for words in row.words]
        if row.who == "expect":
            add_decision(scene, row)
        elif row.who == "sound":
            add_sound(scene, row, options.noise, rng)
        else:
            add_speech(scene, row, speaker, rng)
    room = load_noise(options.noise, SOUNDS["room"])
    length = round(scene.length_s * RATE)
    sound = scene.sound[:length] + at_level(np.resize(room, length), LEVEL_DB["room"])
    print(f"\n{scene.length_s:.1f} s, {scene.reps} reps, peak {np.abs(sound).max():.2f}", file=sys.stderr)
    soundfile.write(options.out / "session.ogg", sound, RATE, "OPUS", format="OGG", compression_level=0.9)
    with open(options.out / "truth.jsonl", "w", encoding="utf-8") as file:
        file.writelines(json.dumps(row) + "\n" for row in scene.truth)


if __name__ == "__main__":
    main()

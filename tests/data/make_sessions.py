#!/usr/bin/env python3
"""Assembles sessions/ from recordings of real people at known times.

    python tests/data/make_sessions.py --commands SPEECH_COMMANDS --talk TALK.tsv --noise NOISE

commands  Speech Commands v0.02: WORD/SPEAKER_nohash_N.opus (or .wav), and in _unknown_/ WORD_SPEAKER_nohash_N.opus
talk      a table of read sentences (LibriSpeech) with the columns path, dataset, speaker, text, seconds
noise     a folder as demo/make_audio.py wants it

One person a session where there are enough clips, then some sessions of many people. No clip is used twice. Each is
cut to its word (found by energy, see `word_in`), brought to the level of a headset, and laid on a bed of noise. Between
some reps somebody reads a sentence aloud (half of the sentences hold plan words), or the speaker says one word that is
not in the plan. Seeded. README.md credits the recordings; the truth files name every clip.
"""

from __future__ import annotations

import argparse
import csv
import json
import sys
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import cycle
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "demo"))
from make_audio import RATE, SOUNDS, Samples, at_level, fade, load_noise  # noqa: E402

OUT = Path(__file__).resolve().parent / "sessions"
SEED = 7
REPS = 20
CUES = ("up", "down", "left", "go", "stop", "on")
OUTCOMES = {"yes": "correct", "right": "correct", "no": "incorrect", "off": "incorrect"}
PLAN_WORDS = set(CUES) | set(OUTCOMES)
WINDOW_S = 3.0  # response_window_s in sessions/plan.toml
SPEECH_DB = -26.0
ENOUGH_CUES, ENOUGH_OUTCOMES = 22, 12  # clips by one person, for a session of his or her own
MIXED_SESSIONS = 4
BARKS = ("1-100032-A", "1-30226-A", "1-59513-A", "2-114587-A", "2-118072-A", "3-144028-A", "4-192236-A", "4-207124-A")
"""All CC0; README.md names the authors."""


@dataclass(frozen=True)
class Clip:
    """A recording of one word; the word lies between `start` and `end` (samples)."""

    name: str
    speaker: str
    word: str
    samples: Samples
    start: int
    end: int


@dataclass
class Tape:
    """A session as it grows; `now_s` is the end of the last sound that was laid down."""

    rng: np.random.Generator
    now_s: float = 1.0
    sound: Samples = field(default_factory=lambda: np.zeros(400 * RATE, np.float32))
    truth: list[dict] = field(default_factory=list)

    def lay(self, samples: Samples, at_s: float) -> None:
        start = max(0, round(at_s * RATE))
        self.sound[start : start + len(samples)] += samples

    def word(self, clip: Clip, onset_s: float, role: str) -> dict:
        """Lay a clip so that its word begins at `onset_s`."""
        margin = round(0.15 * RATE)
        first = max(0, clip.start - margin)
        samples = fade(clip.samples[first : clip.end + margin], 0.02)
        word = clip.samples[clip.start : clip.end]
        gain = np.abs(at_level(word, SPEECH_DB + self.rng.uniform(-3, 3))).max() / np.abs(word).max()
        self.lay(samples * gain, onset_s - (clip.start - first) / RATE)
        self.now_s = onset_s + (clip.end - clip.start) / RATE
        row = {"kind": "spoken", "words": clip.word, "role": role, "clip": clip.name}
        row |= {"start_s": round(onset_s, 3), "end_s": round(self.now_s, 3)}
        self.truth.append(row)
        return row


def word_in(samples: Samples) -> tuple[int, int] | None:
    """Where the word is, samples; None where that is not clear.

    Frames of 10 ms, smoothed over 30 ms, above the clip's own noise by 10 dB and within 30 dB of its peak; pieces less
    than 0.12 s apart belong together (the closure before a t or p). Unclear: less than 20 dB between noise and peak, a
    word that touches either end of the clip, or one shorter than 0.12 s.
    """
    frame = RATE // 100
    energy = np.square(samples[: len(samples) // frame * frame]).reshape(-1, frame).mean(axis=1) + 1e-10
    level = 10 * np.log10(np.convolve(energy, np.ones(3) / 3, mode="same"))
    floor, peak = np.percentile(level, 15), level.max()
    if peak - floor < 20:
        return None
    frames = np.flatnonzero(level > max(floor + 10, peak - 30))
    pieces = np.split(frames, np.flatnonzero(np.diff(frames) > 12) + 1)
    word = max(pieces, key=lambda piece: energy[piece].sum())
    if word[0] < 3 or word[-1] > len(level) - 4 or len(word) < 12:
        return None
    return int(word[0] * frame), int((word[-1] + 1) * frame)


def read_clips(folder: Path) -> list[Clip]:
    clips = []
    for path in sorted(folder.glob("*/*_nohash_*.*")):
        *before, speaker, _, take = path.stem.split("_")
        word = before[0] if before else path.parent.name
        samples, _ = soundfile.read(path, dtype="float32")
        place = word_in(samples)
        if place:
            clips.append(Clip(f"{word}/{speaker}_nohash_{take}", speaker, word, samples, *place))
    return clips


def take(shelf: dict[str, list[Clip]], words: Iterable[str], rng: np.random.Generator) -> Clip | None:
    """A clip of one of the words, removed from the shelf: drawn as from a bag that holds all of them."""
    stock = {word: len(shelf[word]) for word in words if shelf.get(word)}
    if not stock:
        return None
    word = rng.choice(list(stock), p=np.array(list(stock.values())) / sum(stock.values()))
    return shelf[str(word)].pop()


def reps_of(shelf: dict[str, list[Clip]], rng: np.random.Generator) -> Iterator[tuple[Clip, str]]:
    """(cue, what follows it): an answer, nothing, the same cue again, or another cue."""
    for number in range(REPS):
        cue = take(shelf, CUES, rng)
        if cue is None:
            return
        if number % 7 == 3:
            yield cue, "nothing"
        elif number % 11 == 5 and shelf[cue.word]:
            yield cue, "same cue"
            yield shelf[cue.word].pop(), "answer"
        elif number % 11 == 9:
            yield cue, "other cue"
        else:
            yield cue, "answer"


def record(tape: Tape, shelf: dict[str, list[Clip]], talk: Iterator[tuple[Samples, dict]]) -> int:
    """Lay down a session from the clips of a shelf; returns how many reps it holds."""
    rng, count, onset_s = tape.rng, 0, None
    for cue, follows in reps_of(shelf, rng):
        if onset_s is None:
            onset_s = tape.now_s + rng.uniform(1.3, 2.6)
        row = tape.word(cue, onset_s, "cue")
        rep = {"kind": "rep", "behaviour": cue.word, "outcome": "no_response"}
        rep |= {"cue_s": row["start_s"], "cue_end_s": row["end_s"]}
        tape.truth.append(rep)
        count += 1
        onset_s = None
        if follows.endswith("cue"):
            onset_s = tape.now_s + rng.uniform(1.2, 2.2)
            continue
        said = take(shelf, OUTCOMES, rng) if follows == "answer" else None
        if said is None:
            tape.now_s += WINDOW_S
        else:
            role = "marker" if OUTCOMES[said.word] == "correct" else "error"
            answer = tape.word(said, tape.now_s + rng.uniform(0.6, 2.2), role)
            rep["outcome"] = OUTCOMES[said.word]
            rep["outcome_s"] = answer["start_s"]
        if count % 3 == 0:
            samples, row = next(talk)
            at_s = tape.now_s + rng.uniform(0.8, 1.5)
            tape.lay(at_level(samples, rng.uniform(-40, -28)), at_s)
            tape.now_s = at_s + len(samples) / RATE
            tape.truth.append(row | {"start_s": round(at_s, 3), "end_s": round(tape.now_s, 3)})
        elif count % 7 == 4 and (other := take(shelf, [w for w in shelf if w not in PLAN_WORDS], rng)):
            tape.word(other, tape.now_s + rng.uniform(1.2, 2.0), "other word")
    return count


def add_noise(tape: Tape, kind: str, noise: Path) -> None:
    """A faint bed in any case; then `kind`: quiet, barks, or a household sound all along, 10-20 dB below the speech."""
    rng, length = tape.rng, len(tape.sound)
    tape.sound += at_level(np.resize(load_noise(noise, SOUNDS["room"]), length), -62.0)
    below_db = round(float(rng.uniform(10, 20)), 1)
    if kind == "barks":
        at_s = 2.0
        while at_s < length / RATE - 6:
            clip = BARKS[rng.integers(len(BARKS))]
            bark = load_noise(noise, f"esc10_dog_bark_{clip}")
            tape.lay(at_level(bark, SPEECH_DB - below_db), at_s)
            tape.truth.append({"kind": "sound", "name": f"ESC-10 {clip}", "below_speech_db": below_db, "start_s": at_s})
            at_s = round(at_s + rng.uniform(10, 22), 3)
    elif kind != "quiet":
        whole = load_noise(noise, SOUNDS[kind])
        shift = int(rng.integers(len(whole)))
        tape.sound += at_level(np.resize(np.roll(whole, -shift), length), SPEECH_DB - below_db)
        tape.truth.append({"kind": "sound", "name": kind, "below_speech_db": below_db, "start_s": 0.0})


def sentences(table: Path, rng: np.random.Generator) -> Iterator[tuple[Samples, dict]]:
    """Read sentences of 2-7 s, one with plan words and one without in turn."""
    with open(table, newline="", encoding="utf-8") as file:
        rows = [r for r in csv.DictReader(file, delimiter="\t") if r["dataset"] == "mini_librispeech"]
    rows = [row for row in rows if 2 <= float(row["seconds"]) <= 7]
    rng.shuffle(rows)
    with_words = cycle([row for row in rows if PLAN_WORDS & set(row["text"].split())])
    without = cycle([row for row in rows if not PLAN_WORDS & set(row["text"].split())])
    while True:
        for kind in (with_words, without):
            row = next(kind)
            samples, _ = soundfile.read(table.parent / row["path"], dtype="float32")
            utterance = "-".join(Path(row["path"]).stem.split("-")[:3])
            yield samples, {"kind": "spoken", "words": row["text"], "role": "talk", "clip": f"LibriSpeech {utterance}"}


def shelves(clips: list[Clip], rng: np.random.Generator) -> Iterator[tuple[str, dict[str, list[Clip]]]]:
    """(name of the session, word -> clips): first the people with enough clips, then mixed company."""
    by_speaker = defaultdict(list)
    for clip in clips:
        by_speaker[clip.speaker].append(clip)
    mixed: list[Clip] = []
    for speaker in sorted(by_speaker):
        own = [by_speaker[speaker][i] for i in rng.permutation(len(by_speaker[speaker]))]
        cues, outcomes = (sum(clip.word in words for clip in own) for words in (CUES, OUTCOMES))
        if cues >= ENOUGH_CUES and outcomes >= ENOUGH_OUTCOMES:
            yield speaker, group(own)
        else:
            mixed += own
    shuffled = [mixed[i] for i in rng.permutation(len(mixed))]
    for number in range(MIXED_SESSIONS):
        yield f"mixed-{number + 1}", group(shuffled[number::MIXED_SESSIONS])


def group(clips: list[Clip]) -> dict[str, list[Clip]]:
    shelf: dict[str, list[Clip]] = defaultdict(list)
    for clip in clips:
        shelf[clip.word].append(clip)
    return shelf


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    for name in ("commands", "talk", "noise"):
        parser.add_argument(f"--{name}", type=Path, required=True)
    parser.add_argument("--out", type=Path, default=OUT)
    options = parser.parse_args()
    rng = np.random.default_rng(SEED)
    clips = read_clips(options.commands)
    talk = sentences(options.talk, rng)
    kinds = ("quiet", "barks", "dishes", "tap")
    for number, (name, shelf) in enumerate(shelves(clips, rng)):
        tape = Tape(rng)
        count = record(tape, shelf, talk)
        tape.sound = tape.sound[: round((tape.now_s + WINDOW_S + 1) * RATE)]
        add_noise(tape, kinds[number % len(kinds)], options.noise)
        sound = tape.sound * min(1.0, 0.98 / np.abs(tape.sound).max())
        soundfile.write(options.out / f"{name}.ogg", sound, RATE, "OPUS", format="OGG", compression_level=0.974)
        rows = sorted(tape.truth, key=lambda row: row.get("cue_s", row.get("start_s")))
        (options.out / f"{name}.jsonl").write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
        print(f"{name}: {count} reps, {len(sound) / RATE:.0f} s, {kinds[number % len(kinds)]}", file=sys.stderr)


if __name__ == "__main__":
    main()

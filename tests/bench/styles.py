"""Sessions put together from people whom no training may hear, in several styles of training.

Answered cues (as in tests/data/sessions), some and most reps without a cue, talk or another word while an answer is
awaited, and the same cue several times in a row. A third are quiet, the rest noisy, 10-20 dB below the speech.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from tests.bench.ear import clips, sounds
from tests.data import make_sessions as make

STYLES = ("answered", "answered", "some uncued", "most uncued", "talked over", "talked over")
ROUNDS, REPEATED = 8, 4
"""Rounds of these styles; and after them of "repeated" alone: one behaviour several times in a row is common practice
(no source)."""
UNCUED = {"some uncued": 0.3, "most uncued": 0.8}
ENOUGH = {make.CUES: 24, tuple(make.OUTCOMES): 16}
"""Recordings that a session wants."""
REPS = 22
IN_A_ROW = 3, 6
"""So many reps of one behaviour, as far as the recordings last."""

Shelf = dict[str, list[make.Clip]]
Talk = Iterator[tuple[sounds.Samples, dict]]


def assembled(data: Path, half: str, number: int) -> Iterator[tuple[str, make.Tape]]:
    """(style, session) for people in turn, each with as few others as it takes to make REPS reps."""
    rng = sounds.chance("expecting", number)
    found = clips.collect(data, [], half, lambda line: None)
    by_speaker: dict[str, list[make.Clip]] = {}
    for clip in found.words + found.unknown:
        samples = sounds.read(clip.path)
        if span := make.word_in(samples):
            one = make.Clip(clip.path, clip.speaker, clip.text, samples, *span)
            by_speaker.setdefault(clip.speaker, []).append(one)
    noises = [path for path in sorted((data / "noise").iterdir()) if not clips.noise_held_out(path.name)]
    talk, group, made = _talk(found.talk, rng), [], 0
    for speaker in rng.permutation(sorted(by_speaker)):
        group += by_speaker[speaker]
        if min(sum(clip.word in words for clip in group) / many for words, many in ENOUGH.items()) < 1:
            continue
        style = STYLES[(made + number) % len(STYLES)] if number < ROUNDS else "repeated"
        tape, shelf = make.Tape(rng), make.group([group[at] for at in rng.permutation(len(group))])
        if style == "answered":
            make.record(tape, shelf, talk)
        else:
            _record(tape, shelf, talk, style)
        _lay_noise(tape, noises if made % 3 else [])
        yield style, tape
        group, made = [], made + 1


def _talk(found: list[clips.Clip], rng: np.random.Generator) -> Talk:
    while True:
        for at in rng.permutation(len(found)):
            samples = sounds.read(found[at].path)
            if 2 <= len(samples) / make.RATE <= 7:
                yield samples, {"kind": "spoken", "words": found[at].text, "role": "talk", "clip": found[at].path}


def _record(tape: make.Tape, shelf: Shelf, talk: Talk, style: str) -> None:
    """Reps of one style, until REPS are made or the words run out."""
    rng, behaviour, left = tape.rng, "", 0
    markers = [word for word, outcome in make.OUTCOMES.items() if outcome == "correct"]
    for number in range(1, REPS + 1):
        if behaviour and rng.random() < UNCUED.get(style, 0.0):
            said = make.take(shelf, markers, rng)
            if said is None:
                return
            row = tape.word(said, tape.now_s + rng.uniform(1.8, 5.0), "marker")
            rep = {"kind": "rep", "behaviour": behaviour, "outcome": "correct", "outcome_s": row["start_s"]}
            tape.truth.append(rep)
        else:
            cue = make.take(shelf, (behaviour,), rng) if left else None
            if cue is None and style == "repeated":
                left = int(rng.integers(*IN_A_ROW, endpoint=True))
            cue = cue or make.take(shelf, make.CUES, rng)
            if cue is None:
                return
            left = max(0, left - 1)
            row, behaviour = tape.word(cue, tape.now_s + rng.uniform(1.3, 2.6), "cue"), cue.word
            rep = {"kind": "rep", "behaviour": behaviour, "outcome": "no_response"}
            rep |= {"cue_s": row["start_s"], "cue_end_s": row["end_s"]}
            tape.truth.append(rep)
            chance = rng.random()
            if style == "talked over" and chance > 0.5:
                _talk_over(tape, shelf, talk, sentence=chance < 0.8)
            elif chance > 0.15 and (said := make.take(shelf, make.OUTCOMES, rng)):
                role = "marker" if said.word in markers else "error"
                row = tape.word(said, tape.now_s + rng.uniform(0.6, 2.2), role)
                rep |= {"outcome": make.OUTCOMES[said.word], "outcome_s": row["start_s"]}
            else:
                tape.now_s += make.WINDOW_S
        if style != "talked over" and number % 3 == 0:
            _say_beside(tape, talk, tape.now_s + rng.uniform(0.8, 1.5))


def _talk_over(tape: make.Tape, shelf: Shelf, talk: Talk, sentence: bool) -> None:
    """A sentence, or a word that is not in the plan, while an answer is awaited; none comes."""
    rng, over_s = tape.rng, tape.now_s + make.WINDOW_S
    if sentence:
        _say_beside(tape, talk, tape.now_s + rng.uniform(0.3, 2.0))
    elif other := make.take(shelf, [word for word in shelf if word not in make.PLAN_WORDS], rng):
        tape.word(other, tape.now_s + rng.uniform(0.4, 2.0), "other word")
    tape.now_s = max(over_s, tape.now_s)


def _say_beside(tape: make.Tape, talk: Talk, at_s: float) -> None:
    samples, row = next(talk)
    tape.lay(make.at_level(samples, tape.rng.uniform(-36, -26)), at_s)
    tape.now_s = at_s + len(samples) / make.RATE
    tape.truth.append(row | {"start_s": round(at_s, 3), "end_s": round(tape.now_s, 3)})


def _lay_noise(tape: make.Tape, noises: list[Path]) -> None:
    """Faint noise, or one of the recordings all along, 10-20 dB below the speech."""
    rng = tape.rng
    tape.sound = tape.sound[: round((tape.now_s + make.WINDOW_S + 1) * make.RATE)]
    length = len(tape.sound)
    bed = make.at_level(rng.standard_normal(length).astype(np.float32), -62.0)
    while noises:
        try:
            noise = sounds.read(noises[rng.integers(len(noises))])
        except ValueError:
            continue
        bed = make.at_level(np.resize(noise, length), make.SPEECH_DB - rng.uniform(10, 20))
        break
    tape.sound += bed
    tape.sound *= min(1.0, 0.98 / np.abs(tape.sound).max())

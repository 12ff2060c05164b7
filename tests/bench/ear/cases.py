"""What is listened to: each case is a recipe for some seconds of sound, and what is said in it. Seeded."""

from __future__ import annotations

import dataclasses
import itertools
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.bench.ear import sounds
from tests.bench.ear.clips import Clip, Collection
from tests.bench.ear.plans import NAMES, counting, parse, phrases
from tests.bench.ear.sounds import AFTER_S, BEFORE_S, RATE, Samples, chance, faint, read

SNRS_DB = (20, 10, 5, 0)
DISTANCES_M = (0.5, 1, 2, 4)
PACES = (10, 20, 30)
"""Reps a minute."""
MARKERS_APART_S = 0.6
NOISY_CLIPS, FAR_CLIPS, PAIRS, SEQUENCES, REPS = 160, 80, 120, 10, 8
"""How many are heard unless all are asked for."""
LEVEL = 0.05
"""Root mean square, full scale 1, of words that are put beside one another."""


@dataclass(frozen=True)
class Piece:
    """A recording, whole (`onset_s` None), or cut to its word and begun at that time. `says`: the plan's phrases in
    it."""

    clip: Clip
    says: tuple[str, ...] = ()
    onset_s: float | None = None


@dataclass(frozen=True)
class Case:
    """`row` and `detail` say where the result goes."""

    row: str
    plan: str
    pieces: tuple[Piece, ...]
    detail: str = ""
    noise: Clip | None = None
    snr_db: float = 0.0
    distance_m: float = 0.0
    telephone: bool = False
    shuffle: int = 0

    @property
    def key(self) -> str:
        return repr((self.row, self.plan, self.detail, [(p.clip.path.split("/")[-2:], p.onset_s) for p in self.pieces]))

    @property
    def said(self) -> tuple[str, ...]:
        """The plan's phrases in it, unless they lie inside sentences."""
        return tuple(text for piece in self.pieces for text in piece.says)

    @property
    def text(self) -> str:
        """All that is said."""
        return " ".join(piece.clip.text for piece in self.pieces)


@dataclass(frozen=True)
class Said:
    """A phrase of the plan, and where it lies in the sound of its case; None where that is not clear."""

    text: str
    span_s: tuple[float, float] | None


def render(case: Case) -> tuple[Samples, list[Said]]:
    """The sound of a case, and what is said in it. Raises ValueError for a recording that cannot be read."""
    rng = chance(case.key)
    parts = [read(piece.clip.path) for piece in case.pieces]
    if case.shuffle:
        middle, said = sounds.shuffled_talk(parts, rng), []
    elif case.pieces[0].onset_s is not None:
        middle, said = _sequence(case.pieces, parts)
    else:
        middle, said = parts[0], [Said(text, _alone_s(case.pieces[0])) for text in case.said]
    if case.distance_m:
        middle = sounds.far(np.concatenate([middle, np.zeros(RATE // 2, np.float32)]), case.distance_m, rng)
    sound = faint(BEFORE_S + AFTER_S + len(middle) / RATE, rng)
    start = round(BEFORE_S * RATE)
    sound[start : start + len(middle)] += middle
    if case.noise:
        sound = sounds.with_noise(sound, read(case.noise.path), case.snr_db, rng)
    if case.telephone:
        sound = sounds.telephone(sound)
    return sound, said


def _alone_s(piece: Piece) -> tuple[float, float] | None:
    """Where the one word of a whole recording lies."""
    span_s = piece.clip.span_s if len(piece.says) == 1 else None
    return None if span_s is None else (span_s[0] + BEFORE_S, span_s[1] + BEFORE_S)


def _sequence(pieces: Sequence[Piece], parts: Sequence[Samples]) -> tuple[Samples, list[Said]]:
    """Words cut out (10 ms more on both sides), brought to one level and laid at their times."""
    length_s = max(piece.onset_s + _length_s(piece.clip) for piece in pieces)
    middle = np.zeros(round((length_s + 0.1) * RATE), np.float32)
    said = []
    for piece, sound in zip(pieces, parts, strict=True):
        begin_s, end_s = piece.clip.span_s
        margin_s = min(0.01, begin_s, piece.onset_s)
        word = sound[round((begin_s - margin_s) * RATE) : round((end_s + 0.01) * RATE)]
        at = round((piece.onset_s - margin_s) * RATE)
        middle[at : at + len(word)] += word * np.float32(LEVEL / np.sqrt(np.square(word).mean()))
        onset_s = piece.onset_s + BEFORE_S
        said += [Said(text, (onset_s, onset_s + end_s - begin_s)) for text in piece.says]
    return middle, said


def _length_s(clip: Clip) -> float:
    begin_s, end_s = clip.span_s
    return end_s - begin_s


def cases(them: Collection, full: bool, share: float = 1.0) -> list[Case]:
    """All of them, or a share, chosen by their first recordings, so that the same ones are there as they are and in
    noise; those of one plan together, since each plan has its own graph."""
    found = [
        *_single_words(them),
        *_sequences(them, full),
        *_voices(them.voices),
        *_running(them, full),
        *(Case("noise", "commands", (Piece(clip),)) for clip in them.noise),
        *_noisy(them, full),
    ]
    chosen = [case for case in found if chance("share", Path(case.pieces[0].clip.path).name).random() < share]
    return sorted(chosen, key=lambda case: case.plan)


def _single_words(them: Collection) -> Iterator[Case]:
    for clip in them.words:
        yield Case("words", "commands", (Piece(clip, (clip.text,)),), clip.text)
    for clip in them.unknown:
        yield Case("unknown word", "commands", (Piece(clip),), clip.text)
    for clip in them.silence:
        yield Case("silence", "commands", (Piece(clip),))
    trade = phrases("trade")
    for clip in them.reader:
        known = clip.text in trade
        row = "reader" if known else "reader, other word"
        yield Case(row, "trade", (Piece(clip, (clip.text,) if known else ()),), clip.text)
    for clip in them.digits:
        yield Case("digit", "trade", (Piece(clip),), clip.speaker)


def _some(items: Sequence, count: int, full: bool, *key: object) -> list:
    """`count` of the items, or all, in a shuffled order that is always the same."""
    order = chance(*key).permutation(len(items))
    return [items[i] for i in (order if full else order[:count])]


def _noisy(them: Collection, full: bool) -> Iterator[Case]:
    noises = [clip for clip in them.noise if clip.holds_sound]
    for i, clip in enumerate(_some(them.words, NOISY_CLIPS, full, "noisy")):
        for snr_db in SNRS_DB if noises else ():
            yield Case(
                "noisy",
                "commands",
                (Piece(clip, (clip.text,)),),
                f"{snr_db} dB",
                noise=noises[i % len(noises)],
                snr_db=snr_db,
            )
    for clip in _some(them.words, FAR_CLIPS, full, "far"):
        for metres in DISTANCES_M:
            yield Case("far", "commands", (Piece(clip, (clip.text,)),), f"{metres:g} m", distance_m=metres)


def _sequences(them: Collection, full: bool) -> Iterator[Case]:
    clear: dict[str, list[Clip]] = defaultdict(list)
    for clip in them.words:
        if clip.span_s:
            clear[clip.speaker].append(clip)
    pairs = [
        pair
        for clips in clear.values()
        for pair in itertools.permutations(clips, 2)
        if pair[0].text != pair[1].text and "yes" in (pair[0].text, pair[1].text)
    ]
    for first, second in _some(pairs, PAIRS, full, "beside"):
        gap_s = chance(first.path, second.path).uniform(0.05, 0.3)
        yield _beside("beside, people", "commands", first, second, gap_s)
    markers = [clip for clips in clear.values() for clip in clips if clip.text == "yes"]
    for clip in _some([one for one in markers if _length_s(one) < MARKERS_APART_S - 0.1], PAIRS, full, "twice"):
        pieces = (Piece(clip, ("yes",), 0.0), Piece(clip, ("yes",), MARKERS_APART_S))
        yield Case("markers", "commands", pieces)
    reps = [pair for pair in pairs if pair[1].text == "yes" and pair[0].text != "no"]
    for pace, number in itertools.product(PACES if reps else (), range(SEQUENCES)):
        period_s = 60 / pace
        pieces = []
        for i, (cue, marker) in enumerate(_some(reps, REPS, False, "pace", number)):
            answer_s = max(_length_s(cue) + 0.2, period_s * 0.4)
            pieces += [Piece(cue, (cue.text,), i * period_s), Piece(marker, ("yes",), i * period_s + answer_s)]
        yield Case("pace", "commands", tuple(pieces), f"{pace} reps a minute")
    names = [clip for clip in them.reader if clip.text == "puppy" and clip.span_s]
    cues = [clip for clip in them.reader if clip.text in counting("trade") and clip.span_s]
    for cue, name, gap_s in itertools.product(cues, names, (0.08, 0.2)):
        yield _beside("beside, reader", "trade", cue, name, gap_s)
        yield _beside("beside, reader", "trade", name, cue, gap_s)


def _beside(row: str, plan: str, first: Clip, second: Clip, gap_s: float) -> Case:
    onset_s = _length_s(first) + gap_s
    pieces = (Piece(first, (first.text,), 0.0), Piece(second, (second.text,), onset_s))
    return Case(row, plan, pieces, f"{gap_s:.2f} s")


def _voices(voices: Sequence[Clip]) -> Iterator[Case]:
    """A word by itself, words beside praise and names, and phrases that are no words of the plan."""
    known, that_count = phrases("trade"), counting("trade")
    alone: dict[tuple[str, str], Clip] = {}
    for clip in voices:
        found = parse(clip.text, known)
        if found == (clip.text,):
            alone.setdefault((clip.speaker, clip.text), clip)
            yield Case("voice", "trade", (Piece(clip, found),), clip.text)
        elif not found:
            yield Case("voice, other word", "trade", (Piece(clip),), clip.text)
        elif " ".join(found) != clip.text:
            yield Case("voice, word inside", "trade", (Piece(clip),), clip.text)
        elif set(found) & set(that_count):
            yield Case("beside, phrase", "trade", (Piece(clip, found),), clip.text)
    beside = (*NAMES, "good", "nice")
    for (speaker, text), clip in alone.items():
        if text not in that_count or not clip.span_s:
            continue
        rng = chance(speaker, text)
        for other in rng.choice(beside, 2, replace=False):
            name = alone.get((speaker, str(other)))
            if name and name.span_s:
                first, second = (clip, name) if rng.random() < 0.5 else (name, clip)
                yield _beside("beside, voices", "trade", first, second, rng.uniform(0.05, 0.25))


def _running(them: Collection, full: bool) -> Iterator[Case]:
    """Sentences as they are, over the telephone, from across a room, and in pieces by several speakers in turn."""
    for clip in them.talk:
        group = "Mandarin mother tongue" if clip.speaker.startswith("so762") else "books, US readers"
        as_read = Case("talk", "commands", (Piece(clip),), group)
        yield as_read
        yield dataclasses.replace(as_read, plan="trade")
        yield dataclasses.replace(as_read, row="talk, telephone", telephone=True)
        yield dataclasses.replace(as_read, row="talk, across a room", distance_m=3)
        if full:
            yield dataclasses.replace(as_read, plan="trade", row="talk, telephone", telephone=True)
    for copy in (1, 2):
        order = _some(them.talk, 0, True, "several", copy)
        for at in range(0, len(order) - 2, 3):
            background = order[(at + 7) % len(order)] if at % 2 else None
            pieces = tuple(Piece(clip) for clip in order[at : at + 3])
            talk = Case("talk, several speakers", "commands", pieces, str(copy), background, 12.0, shuffle=copy)
            yield talk
            if full:
                yield dataclasses.replace(talk, plan="trade")

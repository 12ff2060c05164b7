"""The prepared folder as an endless stream of training batches.

A batch names stretches of the recordings and where each lies in a row; `render` makes samples of it on the device that
holds the recordings, so that only a few numbers travel. Running speech goes in whole, or cut at its pauses once these
are known; single words and phrases go in alone between silences, or several in a row. Single words are also cut out of
running speech: few people were recorded saying "no" by itself, many say it in a sentence. No word comes so often that
the network learns it as a whole instead of its phones. Household sound goes in as silence.
"""

from __future__ import annotations

import json
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import chain
import numpy as np
import torch
from features import frame_count
from network import output_frames
from torch import Tensor
from torch.utils.data import IterableDataset, get_worker_info

RATE = 16_000
SHORT_S, SHORT_WORDS = 2.6, 4
"""A recording no longer than this, in both, is a word or phrase said by itself."""
SHORT_REPEATS = 2
"""How often single words come for each time that running speech does, if the word has at most OFTEN recordings."""
OFTEN = 60
"""Of a word with n times as many recordings, root n times as many come in one pass."""
CUT_OUT = 30
"""So often one and the same word is cut out of running speech, on average, in one pass."""
CUT_RUNS = (0.7, 0.2, 0.1)
"""Shares of cuts that hold one, two, three words."""
VALIDATION_SHARE = 50
"""One speaker in so many is only used to watch the loss."""
MOST_PIECES = 5
LEAST_PAUSE_S = 0.1
LEAST_CUT_S = 0.15
LENGTH_STEP = 8000
"""Rows are padded to a multiple of this: few different sizes, quick to transform."""


@dataclass(frozen=True)
class Clip:
    """A recording: `start` and `samples` in speech.pcm, the pronunciations of its words as indices of phones, and once
    it is known from and up to which sample each word is said; (-1, -1) where that is not sure."""

    start: int
    samples: int
    words: tuple[tuple[tuple[int, ...], ...], ...]
    noise: bool = False
    spans: tuple[tuple[int, int], ...] = ()

    @property
    def short(self) -> bool:
        return self.samples <= SHORT_S * RATE and len(self.words) <= SHORT_WORDS

    @property
    def pauses(self) -> list[tuple[int, int]]:
        """For each sure pause how many words come before it, and the sample in its middle."""
        gaps = enumerate(zip(self.spans, self.spans[1:], strict=False), start=1)
        sure = ((i, end, start) for i, ((begin, end), (start, _)) in gaps if begin >= 0 <= start)
        return [(i, (end + start) // 2) for i, end, start in sure if start - end >= LEAST_PAUSE_S * RATE]

    def part(self, first: int, last: int, start: int, end: int) -> Clip:
        """Words first..last-1, said between those samples."""
        return Clip(self.start + start, end - start, self.words[first:last])


@dataclass(frozen=True)
class Corpus:
    """All clips of a prepared folder. Noise is at the end of `samples`, from `noise_start`."""

    samples: Tensor
    noise_start: int
    phones: list[str]
    train: list[Clip]
    validation: list[Clip]


def load(folder: Path) -> Corpus:
    """Read what prepare.py wrote."""
    table = json.loads((folder / "clips.json").read_text())
    phones = ["SIL", *sorted({p for variants in table["lexicon"].values() for variant in variants for p in variant})]
    number = {phone: i for i, phone in enumerate(phones)}
    said = {
        word: tuple(tuple(number[phone] for phone in variant) for variant in variants)
        for word, variants in table["lexicon"].items()
    }
    speech, noise = (np.fromfile(folder / name, np.int16) for name in ("speech.pcm", "noise.pcm"))
    train: list[Clip] = []
    validation: list[Clip] = []
    for row in table["clips"]:
        clip = Clip(row["start"], row["samples"], tuple(said[word] for word in row["text"].split()))
        named = row["speaker"] not in ("unk", "unknown", "")
        watched = named and zlib.crc32(row["speaker"].encode()) % VALIDATION_SHARE == 0
        (validation if watched else train).append(clip)
    for row in json.loads((folder / "noise.json").read_text()):
        train.append(Clip(len(speech) + row["start"], row["samples"], (), noise=True))
    return Corpus(torch.from_numpy(np.concatenate([speech, noise])), len(speech), phones, train, validation)


@dataclass(frozen=True)
class Piece:
    """Samples start..start+samples of the recordings, said faster by `speed`, put at sample `at` of its row."""

    start: int
    samples: int
    at: int
    speed: float
    gain: float


@dataclass(frozen=True)
class Plan:
    """A batch before it is sound: pieces [B, n, 5] (fields of Piece), lengths [B] in 30 ms frames, and whether the text
    fits into so many frames at all."""

    pieces: Tensor
    samples: int
    lengths: Tensor
    possible: Tensor
    graphs: chain.Batch


@dataclass(frozen=True)
class Mix:
    """What goes into a pass besides the recordings as they are: how often each noise comes, and whether words are cut
    out of running speech."""

    noise: float = 0.5
    cut_words: bool = True


USUAL_MIX = Mix()


class Batches(IterableDataset):
    """Plans of about `seconds` of sound, without end. Each worker shuffles for itself."""

    def __init__(self, clips: Sequence[Clip], log_bigram: np.ndarray, seconds: float, seed: int, mix: Mix) -> None:
        self._clips, self._log_bigram, self._seconds, self._seed, self._mix = clips, log_bigram, seconds, seed, mix

    def __iter__(self) -> Iterator[Plan]:
        worker = get_worker_info()
        rng = np.random.default_rng([self._seed, worker.id if worker else 0])
        while True:
            rows = _rows(self._clips, self._mix, rng)
            for members in _group([row.samples for row in rows], self._seconds * RATE, rng):
                yield plan([rows[i] for i in members], self._log_bigram)


@dataclass
class Row:
    """Pieces of one row and the words of each."""

    samples: int
    pieces: list[Piece]
    words: list[tuple]


def whole(clip: Clip, padding: int = 0) -> Row:
    """A clip as it is, between silences."""
    return Row(clip.samples + 2 * padding, [Piece(clip.start, clip.samples, padding, 1.0, 1.0)], [clip.words])


def plan(rows: Sequence[Row], log_bigram: np.ndarray) -> Plan:
    """Rows as tensors, with their graphs."""
    silence = 0
    graphs = [chain.join([chain.text_graph(words, silence) for words in row.words]) for row in rows]
    pieces = np.zeros((len(rows), max(len(row.pieces) for row in rows), 5))
    for table, row in zip(pieces, rows, strict=True):
        for line, piece in zip(table, row.pieces, strict=False):
            line[:] = piece.start, piece.samples, piece.at, piece.speed, piece.gain
    frames = [int(frame_count(torch.tensor(row.samples))) for row in rows]
    lengths = [output_frames(count) for count in frames]
    possible = [graph.least_frames() <= length for graph, length in zip(graphs, lengths, strict=True)]
    samples = -(-max(row.samples for row in rows) // LENGTH_STEP) * LENGTH_STEP
    batch = chain.collate(graphs, log_bigram)
    return Plan(torch.from_numpy(pieces), samples, torch.tensor(lengths), torch.tensor(possible), batch)


def render(pieces: Tensor, samples: int, recordings: Tensor) -> Tensor:
    """The sound of a plan: float samples [B, N] in int16 scale. Speed by linear interpolation; ends fade over 10 ms."""
    out = torch.zeros(len(pieces), samples, device=recordings.device)
    now = torch.arange(samples, device=recordings.device, dtype=torch.float32)
    for piece in pieces.to(recordings.device, non_blocking=True).unbind(1):
        start = piece[:, :1].long()
        length, at, speed, gain = piece[:, 1:].float().split(1, 1)
        position = (now - at) * speed
        inside = (position >= 0) & (position < length - 1)
        below = position.floor()
        index = (start + below.long()).clamp(0, len(recordings) - 2)
        part = position - below
        sound = recordings[index] * (1 - part) + recordings[index + 1] * part
        fade = (torch.minimum(position, length - position) / 160).clamp(0, 1)
        out += torch.where(inside, sound * fade * gain, 0.0)
    return out


def _rows(clips: Sequence[Clip], mix: Mix, rng: np.random.Generator) -> list[Row]:
    """One pass over the clips, in random order."""
    said = Counter(clip.words for clip in clips if clip.short and not clip.noise)
    in_speech = Counter(word for clip in clips if clip.spans for word in clip.words)
    short: list[Clip] = []
    rows: list[Row] = []
    for clip in clips:
        if clip.noise:
            if rng.random() < mix.noise:
                rows.append(_sequence([clip], rng, 0.0, 0.1))
            continue
        if clip.short:
            short += [clip] * _copies(said[clip.words], rng)
            continue
        if clip.pauses and rng.random() < 0.6:
            short += _cut_at_pauses(clip, rng)
        else:
            rows.append(_sequence([clip], rng, 0.0, 0.4))
        if mix.cut_words:
            short += _cut_out(clip, in_speech, rng)
    order = rng.permutation(len(short))
    at = 0
    while at < len(order):
        count = 1 if rng.random() < 0.4 else int(rng.integers(1, MOST_PIECES + 1))
        rows.append(_sequence([short[i] for i in order[at : at + count]], rng, 0.08, 0.8))
        at += count
    return rows


def _copies(recordings: int, rng: np.random.Generator) -> int:
    """How often one of so many recordings of the same words comes in this pass."""
    return int(SHORT_REPEATS * min(1.0, (OFTEN / recordings) ** 0.5) + rng.random())


def _cut_at_pauses(clip: Clip, rng: np.random.Generator) -> list[Clip]:
    """The clip in parts, at about two thirds of its pauses."""
    cuts = [pause for pause in clip.pauses if rng.random() < 0.67]
    edges = zip([(0, 0), *cuts], [*cuts, (len(clip.words), clip.samples)], strict=True)
    return [clip.part(word, next_word, at, next_at) for (word, at), (next_word, next_at) in edges if next_word > word]


def _cut_out(clip: Clip, in_speech: Counter[tuple], rng: np.random.Generator) -> list[Clip]:
    """Some of its words, by one or a few, cut where they begin and end."""
    parts = []
    for i, (start, _) in enumerate(clip.spans):
        if start < 0 or rng.random() * in_speech[clip.words[i]] > CUT_OUT:
            continue
        last = i + int(rng.choice(len(CUT_RUNS), p=CUT_RUNS)) + 1
        end = clip.spans[last - 1][1] if last <= len(clip.spans) else -1
        if end - start >= LEAST_CUT_S * RATE:
            parts.append(clip.part(i, last, start, end))
    return parts


def _sequence(clips: Sequence[Clip], rng: np.random.Generator, least_gap_s: float, most_gap_s: float) -> Row:
    """Clips one after the other, silence between and around them, one speed for all and a level for each."""
    speed = float(np.clip(rng.normal(1.0, 0.09), 0.78, 1.28))
    pieces, at = [], 0.0
    for clip in clips:
        at += RATE * rng.uniform(least_gap_s, most_gap_s)
        gain = float(10 ** (rng.uniform(-8, 0) / 20)) if len(clips) > 1 else 1.0
        pieces.append(Piece(clip.start, clip.samples, int(at), speed, gain))
        at += clip.samples / speed
    at += RATE * rng.uniform(least_gap_s, most_gap_s)
    return Row(int(at), pieces, [clip.words for clip in clips])


def _group(samples: Sequence[int], most: float, rng: np.random.Generator) -> list[list[int]]:
    """Rows of like length together, `most` padded samples a batch, batches in random order."""
    lengths = np.array(samples)
    batches: list[list[int]] = [[]]
    longest = 0
    for i in np.argsort(lengths + rng.uniform(0, RATE / 2, len(lengths))):
        longest = max(longest, lengths[i])
        if batches[-1] and (len(batches[-1]) + 1) * longest > most:
            batches.append([])
            longest = lengths[i]
        batches[-1].append(int(i))
    return [batches[i] for i in rng.permutation(len(batches))]

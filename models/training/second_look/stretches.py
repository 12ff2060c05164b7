"""Stretches of sound that the second look learns from, each beside texts that match it or do not.

A stretch is a word, a few words that follow each other, a piece that is no word, or household sound. Beside a word
stand what was said and what was not: words that sound like it, words of trainers, what was said with a phone changed,
any word.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from second_network import MOST_PHONES
from torch import Tensor
from torch.utils.data import IterableDataset, get_worker_info

sys.path.insert(0, str(Path(__file__).parents[1]))

from augment import augment  # noqa: E402
from whisper_encoder import HOP, RATE, STRIDE, WINDOW  # noqa: E402

BEFORE_S, AFTER_S, LEAST_AFTER_S, LONGEST_S = 0.4, 0.3, 0.1, 1.5
"""Sound around the word that is listened to as well; how little of it may be there yet; how long a word may be."""
START = int(BEFORE_S * RATE)
WAYS = 12
ALONE = 0.35
"""Of words, how many are said by themselves."""
POOL = 24
"""So many batches of stretches of like length are made at once."""
SHARES = {"run": 0.10, "part": 0.10, "noise": 0.06}
"""Of stretches; the others are single words."""


@dataclass
class Stretch:
    """start, end, first and last sample that may be heard; texts, the first of them right if `match`; whether what
    lies around it is silenced."""

    start: int
    end: int
    first: int
    last: int
    texts: list[np.ndarray]
    match: bool
    alone: bool


class Examples:
    """Stretches drawn at random. Of words said by themselves, `ALONE` of all, each comes as often as any other: there
    are few, and what of them comes often would be heard in what comes seldom. Of the others a word with n times as many
    recordings comes root n times as often. Words of trainers come twice as often."""

    def __init__(self, path: Path, noise_start: int, noise_samples: int, seed: int) -> None:
        data = np.load(path)
        self.texts, self.lengths, self.variants = data["texts"], data["lengths"], data["variants"]
        self.near, self.plan, self.parts = data["near"], data["plan"], data["parts"]
        words = data["words"]
        self.phones = [str(phone) for phone in data["phones"]]
        self.watched, self.words = words[words[:, 6] == 1], words[words[:, 6] == 0]
        self.plan_texts = np.unique(self.plan[self.plan >= 0])
        said, alone = self.words[:, 4], self.words[:, 5] == 1
        chance = np.where(np.isin(self.variants[said, 0], self.plan_texts), 2.0, 1.0)
        for some, power, share in ((alone, -1.0, ALONE), (~alone, -0.5, 1 - ALONE)):
            chance[some] *= np.bincount(said[some], minlength=len(self.variants))[said[some]] ** power
            chance[some] *= share / chance[some].sum()
        self.chance = np.cumsum(chance / chance.sum())
        self.noise_start, self.noise_samples = noise_start, noise_samples
        self.rng = np.random.default_rng(seed)

    def text(self, number: int) -> np.ndarray:
        return self.texts[number, : self.lengths[number]]

    def draw(self) -> Stretch:
        kind = self.rng.random()
        for name, share in SHARES.items():
            kind -= share
            if kind < 0 and (made := getattr(self, name)()):
                return made
        return self.one()

    def one(self) -> Stretch:
        """A single word."""
        at = min(int(np.searchsorted(self.chance, self.rng.random())), len(self.words) - 1)
        return self.word(self.words[at])

    def word(self, row: np.ndarray) -> Stretch:
        said = row[4]
        truth = self.text(self._one(self.variants[said]))
        wrong = [self._near(said) for _ in range(4)]
        wrong += [self.text(self._one(self.plan[said])) for _ in range(3)]
        wrong += [*(self._edit(truth) for _ in range(3)), self._any()]
        alone = not row[5] and self.rng.random() < 0.5
        return self._stretch(row[:4], [truth, *wrong], True, alone)

    def run(self) -> Stretch | None:
        """Two or three words that follow each other."""
        at = int(self.rng.integers(len(self.words) - 3))
        rows = self.words[at : at + int(self.rng.integers(2, 4))]
        together = (rows[1:, 2] == rows[:-1, 2]) & (rows[1:, 0] - rows[:-1, 1] < 0.12 * RATE)
        texts = [self.text(self._one(self.variants[word])) for word in rows[:, 4]]
        truth = np.concatenate(texts)
        long = rows[-1, 1] - rows[0, 0] > LONGEST_S * RATE
        if not together.all() or long or len(truth) >= MOST_PHONES or rows[0, 0] >= rows[-1, 0]:
            return None
        other = np.concatenate([self._near(rows[0, 4]), *texts[1:]])
        swapped = np.concatenate([*texts[:-1], self._near(rows[-1, 4])])
        wrong = [other, swapped, texts[0], texts[-1], *(self._edit(truth) for _ in range(WAYS - 5))]
        place = (rows[0, 0], rows[-1, 1], rows[0, 2], rows[0, 3])
        return self._stretch(place, [truth, *(text[:MOST_PHONES] for text in wrong)], True, self.rng.random() < 0.5)

    def part(self) -> Stretch:
        row = self.parts[self.rng.integers(len(self.parts))]
        texts = [self.text(t) for t in row[4:]]
        texts += [self._any() for _ in range(WAYS - len(texts))]
        return self._stretch(row[:4], texts, False, self.rng.random() < 0.3)

    def noise(self, at: int | None = None, seconds: float | None = None) -> Stretch:
        """Household sound, from so many samples after its beginning on, or anywhere."""
        length = int((seconds or self.rng.uniform(0.15, 1.0)) * RATE)
        if at is None:
            at = int(self.rng.integers(RATE, self.noise_samples - 3 * RATE))
        start = self.noise_start + at
        place = (start, start + length, start - RATE, start + length + RATE)
        return self._stretch(place, [self.text(t) for t in self.rng.choice(self.plan_texts, WAYS)], False, False)

    def _stretch(self, place, texts: list[np.ndarray], match: bool, alone: bool) -> Stretch:
        start, end, first, last = (int(x) for x in place)
        return Stretch(start, min(end, start + int(LONGEST_S * RATE)), first, last, texts, match, alone)

    def _one(self, numbers: np.ndarray, most: int = 100) -> int:
        usable = numbers[numbers >= 0][:most]
        return int(usable[self.rng.integers(len(usable))])

    def _near(self, word: int) -> np.ndarray:
        usable = self.near[word][self.near[word] >= 0]
        if not len(usable):
            return self._any()
        return self.text(int(usable[int(len(usable) * self.rng.random() ** 2)]))

    def _any(self) -> np.ndarray:
        return self.text(int(self.rng.integers(len(self.texts))))

    def _edit(self, text: np.ndarray) -> np.ndarray:
        """The same with a phone or two exchanged, left out or put in."""
        out = text.tolist()
        for _ in range(1 if self.rng.random() < 0.6 else 2):
            how, at = self.rng.random(), int(self.rng.integers(len(out)))
            new = int(self.rng.integers(len(self.phones)))
            if how < 0.55:
                out[at] = new if new != out[at] else (new + 1) % len(self.phones)
            elif how < 0.75 and len(out) > 2:
                del out[at]
            elif len(out) < MOST_PHONES:
                out.insert(at + int(self.rng.integers(2)), new)
        return np.array(out)


@dataclass
class Batch:
    """Places [B, 4], flags [B], texts [B, K, L] with lengths [B, K]."""

    places: Tensor
    alone: Tensor
    match: Tensor
    texts: Tensor
    lengths: Tensor
    samples: int


class Batches(IterableDataset):
    """Endless batches of `size` stretches; each worker draws its own."""

    def __init__(self, path: Path, noise_start: int, noise_samples: int, size: int) -> None:
        self.given, self.size = (path, noise_start, noise_samples), size

    def __iter__(self) -> Iterator[Batch]:
        worker = get_worker_info()
        examples = Examples(*self.given, seed=1 + (worker.id if worker else 0))
        while True:
            drawn = sorted((examples.draw() for _ in range(self.size * POOL)), key=lambda one: one.end - one.start)
            for at in examples.rng.permutation(POOL) * self.size:
                yield collate(drawn[at : at + self.size])


def collate(stretches: list[Stretch]) -> Batch:
    longest = max(len(text) for one in stretches for text in one.texts)
    texts = np.zeros((len(stretches), WAYS, longest), np.int64)
    lengths = np.zeros((len(stretches), WAYS), np.int64)
    for i, one in enumerate(stretches):
        for k, text in enumerate(one.texts):
            texts[i, k, : len(text)], lengths[i, k] = text, len(text)
    places = torch.tensor([(one.start, one.end, one.first, one.last) for one in stretches])
    longest_s = int((places[:, 1] - places[:, 0]).max()) / RATE * 1.16 + 0.1
    samples = START + int((longest_s + AFTER_S) * RATE) + WINDOW
    return Batch(
        places, torch.tensor([one.alone for one in stretches]), torch.tensor([one.match for one in stretches]),
        torch.from_numpy(texts), torch.from_numpy(lengths), -(-samples // (STRIDE * HOP)) * STRIDE * HOP,
    )  # fmt: skip


def sound_of(batch: Batch, recordings: Tensor, noise: Tensor, rough: bool) -> tuple[Tensor, Tensor, Tensor]:
    """Samples [B, N], the end of each word [B] and how many frames of the encoder hold sound [B]. `rough`: as a headset
    in a house hears, at various speeds, the word not quite where it is said to be."""
    device = recordings.device
    places = batch.places.to(device)
    start, end, first, last = (column[:, None] for column in places.unbind(1))
    rows = len(places)
    speed = torch.empty(rows, 1, device=device).uniform_(0.88, 1.14) if rough else torch.ones(rows, 1, device=device)
    if rough:
        start = start + (torch.randn(rows, 1, device=device) * 0.03 * RATE).long()
        end = torch.maximum(end + (torch.randn(rows, 1, device=device) * 0.04 * RATE).long(), start + RATE // 10)
    # from the start of the word: single precision could not tell the samples of many hours apart
    position = (torch.arange(batch.samples, device=device) - START) * speed
    below = position.floor()
    wanted = below.long() + start
    index = wanted.clamp(0, len(recordings) - 2)
    part = position - below
    sound = recordings[index] * (1 - part) + recordings[index + 1] * part
    sound = torch.where((wanted >= first) & (wanted < last - 1), sound, 0.0)
    if rough:
        margin = torch.empty(rows, 1, device=device).uniform_(0.02, 0.08) * RATE
        near = (position > -margin) & (position < end - start + margin)
        sound = torch.where(near | ~batch.alone.to(device)[:, None], sound, 0.0)
        sound = augment(sound, noise)
    finish = START + (end - start) / speed
    after = torch.empty(rows, 1, device=device).uniform_(LEAST_AFTER_S, AFTER_S) if rough else AFTER_S
    until = (finish + after * RATE).clamp(max=batch.samples)
    frames = frames_of(until[:, 0].long())
    return torch.where(torch.arange(batch.samples, device=device) < until, sound, 0.0), finish[:, 0], frames


def frames_of(samples: Tensor) -> Tensor:
    """How many frames of the encoder so many samples give."""
    return ((samples - WINDOW) // HOP + 1 + STRIDE - 1) // STRIDE

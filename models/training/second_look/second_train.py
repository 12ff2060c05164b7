"""Train the second look; write OUT/model.pt, which export.py reads, and OUT/log.tsv.

    python models/training/second_look/second_train.py PREPARED EXAMPLES.npz GOOGLE.pt OUT --minutes 3

PREPARED   what ../prepare.py wrote;  EXAMPLES  what examples.py wrote;  GOOGLE  the embedding, from embedding.py

Every stretch of sound is judged beside what was said and beside what was not: words that sound like it, words of
trainers, what was said with a phone changed, any word. Stretches that are no word, and household sound, match nothing.
Uses a GPU where there is one; on a CPU the embedding stays as it is.
"""

from __future__ import annotations

import argparse
import copy
import math
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F
from second_network import FFT, FIELD, HOP, MOST_PHONES, RATE, STRIDE, SecondLook, Shape
from torch import Tensor, nn

sys.path.insert(0, str(Path(__file__).parents[1]))

from augment import augment  # noqa: E402

BEFORE_S, AFTER_S, LEAST_AFTER_S, LONGEST_S = 0.4, 0.3, 0.1, 1.5
"""Sound around the word that is listened to as well; how little of it may be there yet; how long a word may be."""
EDGE = 6080
"""Samples of nothing put on both sides, so that the first frame of the embedding lies at the beginning."""
START = EDGE + int(BEFORE_S * RATE)
WAYS = 6
SHARES = {"run": 0.12, "part": 0.12, "noise": 0.08}
"""Of stretches; the others are single words."""
PEAK_RATE, EMBEDDING_RATE, WEIGHT_DECAY, WARM_UP = 1.5e-3, 2e-4, 0.01, 0.04
SPELLING, MATCHES = 0.15, 2.5
"""Weight of spelling the word out (CTC), and of stretches that match against those that do not."""
AVERAGING = 0.998


@dataclass
class Stretch:
    """start, end, first and last sample that may be heard; texts, the first of them right if `match`."""

    start: int
    end: int
    first: int
    last: int
    texts: list[np.ndarray]
    match: bool
    alone: bool


class Examples:
    """Stretches drawn at random."""

    def __init__(self, path: Path, noise_start: int, noise_samples: int, seed: int) -> None:
        data = np.load(path)
        self.texts, self.lengths, self.variants = data["texts"], data["lengths"], data["variants"]
        self.near, self.plan, self.parts = data["near"], data["plan"], data["parts"]
        words = data["words"]
        self.phones = [str(phone) for phone in data["phones"]]
        self.watched, self.words = words[words[:, 6] == 1], words[words[:, 6] == 0]
        count = np.bincount(self.words[:, 4], minlength=len(self.variants))
        chance = count[self.words[:, 4]] ** -0.5 * np.where(self.words[:, 5] == 1, 2.0, 1.0)
        self.chance = np.cumsum(chance / chance.sum())
        self.noise_start, self.noise_samples = noise_start, noise_samples
        self.rng = np.random.default_rng(seed)
        self.plan_texts = np.unique(self.plan[self.plan >= 0])

    def text(self, number: int) -> np.ndarray:
        return self.texts[number, : self.lengths[number]]

    def draw(self) -> Stretch:
        kind = self.rng.random()
        for name, share in SHARES.items():
            kind -= share
            if kind < 0 and (made := getattr(self, f"_{name}")()):
                return made
        at = min(int(np.searchsorted(self.chance, self.rng.random())), len(self.words) - 1)
        return self.word(self.words[at])

    def word(self, row: np.ndarray) -> Stretch:
        said = row[4]
        truth = self.text(self._one(self.variants[said]))
        wrong = [self._near(said), self._near(said), self.text(self._one(self.plan[said], 5)), self._edit(truth)]
        wrong.append(self._any() if self.rng.random() < 0.5 else self._edit(truth))
        alone = not row[5] and self.rng.random() < 0.5
        return self._stretch(row[:4], [truth, *wrong], True, alone)

    def _run(self) -> Stretch | None:
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
        wrong = [other, swapped, texts[0], texts[-1], self._edit(truth)]
        place = (rows[0, 0], rows[-1, 1], rows[0, 2], rows[0, 3])
        return self._stretch(place, [truth, *(text[:MOST_PHONES] for text in wrong)], True, self.rng.random() < 0.5)

    def _part(self) -> Stretch:
        row = self.parts[self.rng.integers(len(self.parts))]
        texts = [self.text(t) for t in self.rng.choice(row[4:], 4, replace=False)]
        return self._stretch(row[:4], [*texts, self._any(), self._any()], False, self.rng.random() < 0.3)

    def _noise(self) -> Stretch:
        length = int(self.rng.uniform(0.15, 1.0) * RATE)
        start = self.noise_start + int(self.rng.integers(RATE, self.noise_samples - 3 * RATE))
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


def collate(stretches: list[Stretch]) -> Batch:
    longest = max(len(text) for one in stretches for text in one.texts)
    texts = np.zeros((len(stretches), WAYS, longest), np.int64)
    lengths = np.zeros((len(stretches), WAYS), np.int64)
    for i, one in enumerate(stretches):
        for k, text in enumerate(one.texts):
            texts[i, k, : len(text)], lengths[i, k] = text, len(text)
    places = torch.tensor([(one.start, one.end, one.first, one.last) for one in stretches])
    longest_s = int((places[:, 1] - places[:, 0]).max()) / RATE * 1.16
    samples = START + int((longest_s + AFTER_S) * RATE) + EDGE
    return Batch(
        places, torch.tensor([one.alone for one in stretches]), torch.tensor([one.match for one in stretches]),
        torch.from_numpy(texts), torch.from_numpy(lengths), -(-samples // (STRIDE * HOP)) * STRIDE * HOP,
    )  # fmt: skip


class Batches(torch.utils.data.IterableDataset):
    """Batches without end; stretches of like length together."""

    def __init__(self, examples: Examples, size: int) -> None:
        self.examples, self.size = examples, size

    def __iter__(self):
        worker = torch.utils.data.get_worker_info()
        self.examples.rng = np.random.default_rng([worker.seed if worker else 0])
        while True:
            drawn = sorted((self.examples.draw() for _ in range(8 * self.size)), key=lambda one: one.end - one.start)
            for part in self.examples.rng.permutation(8):
                yield collate(drawn[part * self.size : (part + 1) * self.size])


def sound_of(batch: Batch, recordings: Tensor, noise: Tensor, rough: bool) -> tuple[Tensor, Tensor, Tensor]:
    """Samples [B, N], the end of each word and up to where there is sound [B]. `rough`: as a headset in a house hears,
    at various speeds, the word not quite where it is said to be."""
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
    index = (below.long() + start).clamp(0, len(recordings) - 2)
    part = position - below
    sound = recordings[index] * (1 - part) + recordings[index + 1] * part
    sound = torch.where((index >= first) & (index < last - 1), sound, 0.0)
    if rough:
        margin = torch.empty(rows, 1, device=device).uniform_(0.02, 0.08) * RATE
        near = (position > -margin) & (position < end - start + margin)
        sound = torch.where(near | ~batch.alone.to(device)[:, None], sound, 0.0)
        sound = augment(sound, noise)
    finish = START + (end - start) / speed
    after = torch.empty(rows, 1, device=device).uniform_(LEAST_AFTER_S, AFTER_S) if rough else AFTER_S
    until = finish + after * RATE
    now = torch.arange(batch.samples, device=device)
    return torch.where((now >= EDGE) & (now < until), sound, 0.0), finish[:, 0], until[:, 0]


class Trainer:
    """Everything that changes while training."""

    def __init__(self, prepared: Path, examples: Path, google: Path, shape: Shape, size: int, workers: int) -> None:
        torch.manual_seed(0)
        torch.set_float32_matmul_precision("high")
        self.device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
        speech = np.fromfile(prepared / "speech.pcm", np.int16)
        noise = np.fromfile(prepared / "noise.pcm", np.int16)
        self.recordings = torch.from_numpy(np.concatenate([speech, noise])).to(self.device)
        self.noise = self.recordings[len(speech) :]
        self.examples = Examples(examples, len(speech), len(noise), seed=0)
        self.network = SecondLook(shape, len(self.examples.phones))
        self.network.embedding.load_state_dict(torch.load(google))
        self.network.to(self.device)
        stream = Batches(self.examples, size)
        self.batches = iter(torch.utils.data.DataLoader(stream, batch_size=None, num_workers=workers))
        self._measure()
        self.average = copy.deepcopy(self.network).eval()
        embedding = list(self.network.embedding.parameters())
        rest = [p for name, p in self.network.named_parameters() if p.requires_grad and "embedding." not in name]
        self.fine = self.device.type == "cuda"
        for parameter in embedding:
            parameter.requires_grad_(self.fine)
        groups = [{"params": rest, "peak": PEAK_RATE}, {"params": embedding, "peak": EMBEDDING_RATE}]
        self.optimiser = torch.optim.AdamW(groups, PEAK_RATE, weight_decay=WEIGHT_DECAY)
        self.steps = 0
        rng = np.random.default_rng(1)
        kept = rng.permutation(len(self.examples.watched))[:1536]
        rows = sorted((self.examples.word(self.examples.watched[i]) for i in kept), key=lambda one: one.end - one.start)
        self.watched = [collate(rows[at : at + 128]) for at in range(0, len(rows), 128)]

    @torch.no_grad()
    def _measure(self) -> None:
        """Mean and deviation of what the embedding says."""
        deep = []
        for _ in range(4):
            sound, finish, until = sound_of(next(self.batches), self.recordings, self.noise, rough=True)
            said = self.network.embedding(self.network.mel(sound))
            deep.append(said[self._present(said.shape[1], until)])
        heard = torch.cat(deep)
        self.network.mean.copy_(heard.mean(0))
        self.network.scale.copy_(1 / (heard.std(0) + 0.1))

    def _present(self, frames: int, until: Tensor) -> Tensor:
        centre = (torch.arange(frames, device=self.device) * STRIDE + FIELD / 2) * HOP + FFT / 2
        return centre < until[:, None]

    def logits(self, network: SecondLook, batch: Batch, rough: bool) -> tuple[Tensor, Tensor, Tensor]:
        """Log-odds [B, K], what each frame spells [B, frames, phones + 1], how many frames the word has [B]."""
        with torch.no_grad():
            sound, finish, until = sound_of(batch, self.recordings, self.noise, rough)
        with torch.autocast(self.device.type, torch.bfloat16, enabled=self.fine):
            heard = network.listen(sound, torch.full_like(finish, START), finish)
            present = self._present(heard.shape[1], until)
            texts, lengths = batch.texts.to(self.device), batch.lengths.to(self.device)
            answer = network.judge(heard, present, texts, lengths)
            spelt = network.spell(heard)
        return answer.float(), spelt.float(), ((finish - START) / (STRIDE * HOP)).long() + 2

    def step(self, batch: Batch, done: float) -> Tensor:
        for group in self.optimiser.param_groups:
            group["lr"] = group["peak"] * min(1.0, (done + 0.002) / WARM_UP) * 0.5 * (1 + math.cos(math.pi * done))
        self.network.train()
        answer, spelt, frames = self.logits(self.network, batch, rough=True)
        match = batch.match.to(self.device)
        loss = matching_loss(answer, match)
        first = int(((START - FFT / 2) / HOP - FIELD / 2) / STRIDE)
        log_odds = F.log_softmax(spelt[:, first:], -1).transpose(0, 1)
        words, lengths = batch.texts[:, 0].to(self.device), batch.lengths[:, 0].to(self.device)
        frames = frames.clamp(max=len(log_odds))
        blank = spelt.shape[-1] - 1
        spelling = F.ctc_loss(log_odds, words, frames, lengths, blank, reduction="none", zero_infinity=True)
        total = loss + SPELLING * (spelling / lengths)[match].mean()
        self.optimiser.zero_grad(set_to_none=True)
        total.backward()
        size = nn.utils.clip_grad_norm_([p for g in self.optimiser.param_groups for p in g["params"]], 2.0)
        if torch.isfinite(size):
            self.optimiser.step()
        self.steps += 1
        with torch.no_grad():
            speed = 1 - min(AVERAGING, (1 + self.steps) / (10 + self.steps))
            torch._foreach_lerp_(list(self.average.parameters()), list(self.network.parameters()), speed)
        return loss.detach()

    @torch.no_grad()
    def watch(self) -> tuple[float, float]:
        """Speakers kept aside: loss; share of words that beat every one of the wrong texts."""
        answers = [self.logits(self.average, batch, rough=False)[0] for batch in self.watched]
        answer = torch.cat(answers)
        match = torch.ones(len(answer), dtype=torch.bool, device=self.device)
        return float(matching_loss(answer, match)), float((answer.argmax(1) == 0).float().mean())


def matching_loss(answer: Tensor, match: Tensor) -> Tensor:
    """Cross-entropy of each text by itself, those that match weigh more."""
    truth = torch.zeros_like(answer)
    truth[:, 0] = match.float()
    return F.binary_cross_entropy_with_logits(answer, truth, weight=1 + (MATCHES - 1) * truth)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("prepared", "examples", "google", "out"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--minutes", type=float, default=3)
    parser.add_argument("--batch", type=int, default=384)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--report-seconds", type=float, default=20)
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    trainer = Trainer(given.prepared, given.examples, given.google, Shape(), given.batch, given.workers)
    print(f"{sum(p.numel() for p in trainer.network.parameters())} weights on {trainer.device}", flush=True)
    begin = reported = time.monotonic()
    total, steps = torch.zeros((), device=trainer.device), 0
    while (done := (time.monotonic() - begin) / 60 / given.minutes) < 1:
        total, steps = total + trainer.step(next(trainer.batches), done), steps + 1
        if time.monotonic() - reported > given.report_seconds:
            report(trainer, given.out, time.monotonic() - begin, float(total / steps))
            reported, total, steps = time.monotonic(), total * 0, 0
    report(trainer, given.out, time.monotonic() - begin, float(total / max(1, steps)))


def report(trainer: Trainer, out: Path, seconds: float, loss: float) -> None:
    watched, first = trainer.watch()
    torch.save(trainer.average.checkpoint(trainer.examples.phones), out / "model.part")
    (out / "model.part").replace(out / "model.pt")
    line = f"{seconds:.0f} s\t{trainer.steps} steps\tloss {loss:.4f}\twatched {watched:.4f}\tfirst {first:.4f}"
    print(line, flush=True)
    with open(out / "log.tsv", "a", encoding="utf-8") as log:
        log.write(line + "\n")


if __name__ == "__main__":
    main()

"""Teach a second look to tell a voice from other sound: its files in FOLDER get one layer more, `voice`.

    python models/training/second_look/voice.py PREPARED EXAMPLES.npz FOLDER

PREPARED, EXAMPLES.npz  what ../prepare.py and examples.py wrote;  FOLDER  what second_export.py wrote

Half of what it learns from are words, all else is household sound, more often than not from where it is suddenly loud:
a bark, a dish, what an ear takes for a word. It is logistic regression over what the network makes of them; the network
itself stays as it is. Some eight minutes on two cores.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F
from second_export import read, write
from stretches import START, Examples, Stretch, collate, sound_of
from torch import Tensor

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[3])]

import corpus as corpora  # noqa: E402
from logistic import logistic  # noqa: E402
from whisper_encoder import HOP, RATE, STRIDE, WINDOW  # noqa: E402

from handsfree.edges.second_look import SecondLook  # noqa: E402

NOISE, SUDDEN, RECORDED = 0.5, 0.6, 0.2
"""Of all stretches; of those of household sound, how many begin where it is suddenly loud; of the others, how many are
words said by themselves, each recording as often as any other: so a common word of commands is well known."""
LOUDER_DB, LOUD_DB, BEFORE = 9.0, -40.0, 30
"""Suddenly loud: so far above the 30 frames of 10 ms before, so far below full scale at most."""
SUDDEN_S = 0.12, 0.6
"""How long such a stretch is."""
RIDGE = 6e-4
"""Of each weight, its input scaled to a deviation of 1; beside the mean loss of a stretch."""
TOGETHER = 32


def suddenly_loud(noise: Tensor) -> np.ndarray:
    """Samples at which int16 sound [N] is suddenly loud."""
    power = F.avg_pool1d((noise.float() / 32768).square()[None, None], HOP)[0, 0]
    level = (10 * torch.log10(power + 1e-10)).numpy()
    before = np.lib.stride_tricks.sliding_window_view(level, BEFORE).max(1)[:-1]
    now = level[BEFORE:]
    return (np.flatnonzero((now > before + LOUDER_DB) & (now > LOUD_DB)) + BEFORE) * HOP


class Stretches:
    """Drawn at random: words and household sound."""

    def __init__(self, examples: Path, corpus: corpora.Corpus, seed: int) -> None:
        noise = corpus.samples[corpus.noise_start :]
        self._drawn = Examples(examples, corpus.noise_start, len(noise), seed)
        self._alone = self._drawn.words[self._drawn.words[:, 5] == 1]
        usable = suddenly_loud(noise)
        self._sudden = usable[(usable > RATE) & (usable < len(noise) - 3 * RATE)]

    def draw(self) -> tuple[Stretch, bool]:
        """One, and whether somebody speaks in it."""
        rng = self._drawn.rng
        if rng.random() < NOISE:
            return self._noise() if len(self._sudden) and rng.random() < SUDDEN else self._drawn.noise(), False
        if rng.random() < RECORDED:
            return self._drawn.word(self._alone[rng.integers(len(self._alone))]), True
        return self._drawn.one(), True

    def _noise(self) -> Stretch:
        rng = self._drawn.rng
        return self._drawn.noise(int(self._sudden[rng.integers(len(self._sudden))]), rng.uniform(*SUDDEN_S))


def encodings(prepared: Path, examples: Path, folder: Path, count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """What the network makes of `count` stretches [count, 384], and where somebody speaks [count]."""
    torch.manual_seed(seed)
    torch.set_num_threads(1)
    look, corpus = SecondLook(folder), corpora.load(prepared)
    noise, stretches = corpus.samples[corpus.noise_start :], Stretches(examples, corpus, seed)
    found, spoken = [], []
    while len(found) < count:
        drawn = [stretches.draw() for _ in range(TOGETHER)]
        sound, finish, frames = sound_of(collate([one for one, _ in drawn]), corpus.samples, noise, rough=True)
        for row, (_, speech) in enumerate(drawn):
            heard = sound[row, : (STRIDE * int(frames[row]) - 1) * HOP + WINDOW].numpy().round().astype(np.int16)
            found.append(look.encoding(heard.tobytes(), START, int(finish[row])))
            spoken.append(speech)
        if seed == 0:
            print(f"{len(found)} of {count}", end="\r", file=sys.stderr, flush=True)
    return np.array(found), np.array(spoken)


def fit(found: np.ndarray, spoken: np.ndarray) -> tuple[np.ndarray, float]:
    """Weights [384] and bias of the log-odds that somebody speaks."""
    mean, deviation = found.mean(0), found.std(0) + 1e-3
    scaled = np.column_stack([(found - mean) / deviation, np.ones(len(found))])
    ridge = np.r_[np.full(found.shape[1], RIDGE * len(found)), 0.0]
    *weights, bias = logistic(scaled, spoken, ridge)
    weights = np.array(weights) / deviation
    return weights, float(bias - weights @ mean)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("prepared", "examples", "folder"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--stretches", type=int, default=20_000)
    parser.add_argument("--jobs", type=int, default=2, help="processes; with others it learns from other stretches")
    given = parser.parse_args()
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    each = -(-given.stretches // given.jobs)
    with multiprocessing.get_context("spawn").Pool(given.jobs) as pool:
        places = (given.prepared, given.examples, given.folder, each)
        parts = pool.starmap(encodings, [(*places, seed) for seed in range(given.jobs)])
    found, spoken = (np.concatenate(part) for part in zip(*parts, strict=True))
    apart = np.arange(len(found)) % 10 == 0
    weights, bias = fit(found[~apart], spoken[~apart])
    told = found[apart] @ weights + bias
    least = np.quantile(told[spoken[apart]], 0.01)
    kept_out = (told[~spoken[apart]] < least).mean()
    print(
        f"{len(found)} stretches; of a tenth kept apart 1 % of words and {kept_out:.1%} of noise are below {least:.2f}"
    )
    weights, bias = fit(found, spoken)
    voice = {"voice.weight": weights[:, None].astype(np.float32), "voice.bias": np.array([bias], np.float32)}
    write(read(given.folder) | voice, given.folder)


if __name__ == "__main__":
    main()

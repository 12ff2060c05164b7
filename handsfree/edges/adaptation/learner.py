"""An ear that learns one voice: how well a take fits a word, and the network's weights moved towards her takes.

A few steps of LF-MMI (see chain.py) on her takes, all layers, small enough to stay near where training left them. Words
of other people are rehearsed beside them, and the scores of their talk are held where they were: what is not her word
stays unlike it.
"""

from __future__ import annotations

import json
import math
import re
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from handsfree.core.errors import UserError
from handsfree.core.phones import PAUSE, PHONES, Phones
from handsfree.edges.adaptation import chain, nnet3
from handsfree.edges.adaptation.mfcc import SHIFT, Mfcc
from handsfree.edges.adaptation.network import Network

Samples = npt.NDArray[np.int16]

FRAME_S = 0.01
PASSES = 6
TOGETHER = 16
"""Recordings of a step."""
RATE, LAST_RATE = 2e-4, 1e-5
FIRST, SECOND = 0.9, 0.98
"""Adam (Kingma & Ba 2015): memory of the gradient and of its square; the steps are few, so it forgets soon."""
LARGEST_GRADIENT = 2.0
REHEARSED, OTHERS, OTHER_S = 1.0, 0.2, 1.2
"""Words of other people, and pieces of their talk, beside each of her takes; the length of a piece at most, seconds."""
LOUDER_DB, QUIETER_DB = 6.0, 8.0
HISS = (1.0, 3.0, 10.0)
"""Each pass hears a take louder or quieter by at most so much, with faint noise of one of these levels (int16)."""


@dataclass(frozen=True)
class Take:
    """One word said once: 16 kHz samples with some quiet around, and the ways to say it."""

    samples: Samples
    ways: tuple[Phones, ...]


class Stopped(Exception):
    """Nobody wants what was being learnt any more."""


class Learner:
    """The ear in a model directory, in numpy. Raises UserError where its network is of a kind not known here."""

    def __init__(self, model_dir: Path) -> None:
        self._dir = model_dir
        self._model = nnet3.read(model_dir / "am" / "final.mdl")
        try:
            table = json.loads((model_dir / "phones.json").read_text())
            settings = (model_dir / "conf" / "model.conf").read_text()
            self._mfcc = Mfcc(model_dir / "conf" / "mfcc.conf")
            self._phones = {phone: i for i, phone in enumerate(table["phones"])}
            self._bigram = np.array(table["log_bigram"])
        except (OSError, ValueError, KeyError) as error:
            raise UserError(f"{model_dir}: the model is not whole; install handsfree again") from error
        found = re.search(r"frame-subsampling-factor=(\d+)", settings)
        self._subsampling = int(found[1]) if found else 1
        self._network = Network(self._model, self._subsampling)
        self._anything = chain.any_phones(self._bigram)

    @property
    def frame_s(self) -> float:
        """Length of a frame of scores."""
        return self._subsampling * FRAME_S

    def scores(self, samples: Samples) -> chain.Matrix:
        """What the network says: [frames, 2 x phones]."""
        features = self._mfcc(samples)
        said, _ = self._network.forward(features, self._network.lay_out([len(features)]))
        return said.astype(np.float64)

    def fit(self, scores: chain.Matrix, ways: Sequence[Phones]) -> float:
        """Log of the share that these ways to say a word have among all strings of phones: 0 at best."""
        return chain.sums(scores, self._graph(ways))[0] - chain.sums(scores, self._anything)[0]

    def span(self, scores: chain.Matrix, ways: Sequence[Phones]) -> tuple[float, float] | None:
        """Seconds from and to which the word lies on the best path; None where it does not fit at all."""
        graph = self._graph(ways)
        _, path = chain.best(scores, graph)
        spoken = [frame for frame, node in path if node > 1]
        if not spoken:
            return None
        end = next((frame for frame, node in path if node == 1), len(scores))
        return spoken[0] * self.frame_s, end * self.frame_s

    def heard(self, scores: chain.Matrix) -> Phones:
        """The string of phones that fits best, silence left out."""
        names = {i: name for name, i in self._phones.items()}
        _, path = chain.best(scores, self._anything)
        said = tuple(names[int(self._anything.phone[node])] for _, node in path)
        return tuple(phone for phone in said if phone in PHONES)

    def adapt(
        self,
        takes: Sequence[Take],
        rehearsed: Sequence[Take],
        other: Sequence[Samples],
        hold: float,
        stopped: Callable[[], bool] = lambda: False,
    ) -> bytes:
        """The model's file, moved towards the takes; the same takes give the same. May run in several threads.

        `rehearsed` are words of other people, so that these are not unlearnt. `other` is sound whose scores are to
        stay; `hold` is the weight of that, per squared difference. Once `stopped`, it ends soon, with Stopped.
        """
        rng = np.random.default_rng(0)
        graphs = {take.ways: self._graph(take.ways) for take in (*takes, *rehearsed)}
        network, was = Network(self._model, self._subsampling), self._network
        network.weights = {n: [w.copy(), None if b is None else b.copy()] for n, (w, b) in _arrays(was)}
        adam = _Adam(network)
        hers: list[tuple[Samples, chain.Graph | None]] = [(take.samples, graphs[take.ways]) for take in takes]
        old = [(take.samples, graphs[take.ways]) for take in rehearsed]
        many = min(len(old), math.ceil(REHEARSED * len(hers)))
        beside = min(len(other), math.ceil(OTHERS * len(hers)))
        steps = PASSES * math.ceil((len(hers) + many + beside) / TOGETHER)
        done = 0
        for _ in range(PASSES):
            items = [*hers, *(old[i] for i in rng.permutation(len(old))[:many])]
            items += [(_piece(other[i], rng), None) for i in rng.permutation(len(other))[:beside]]
            order = rng.permutation(len(items))
            for at in range(0, len(order), TOGETHER):
                if stopped():
                    raise Stopped
                part = [items[i] for i in order[at : at + TOGETHER]]
                self._step(network, was, part, adam, RATE + (LAST_RATE - RATE) * done / steps, hold, rng)
                done += 1
        return nnet3.to_bytes(network.changed())

    def _step(
        self,
        network: Network,
        was: Network,
        part: Sequence[tuple[Samples, chain.Graph | None]],
        adam: _Adam,
        rate: float,
        hold: float,
        rng: np.random.Generator,
    ) -> None:
        features = [self._mfcc(_vary(samples, rng)) for samples, _ in part]
        layout = network.lay_out([len(one) for one in features])
        together = np.concatenate(features)
        scores, said = network.forward(together, layout)
        held = [one for one, (_, graph) in zip(features, part, strict=True) if graph is None]
        stays = was.forward(np.concatenate(held), network.lay_out(list(map(len, held))))[0] if held else scores
        gradient, at, held_at = np.zeros_like(scores), 0, 0
        for (_, graph), count in zip(part, layout.counts, strict=True):
            here = slice(at, at + count)
            at += count
            if graph is None:
                gradient[here] = np.float32(hold) * (scores[here] - stays[held_at : held_at + count])
                held_at += count
                continue
            now = scores[here].astype(np.float64)
            word, likely = chain.sums(now, graph)
            if np.isfinite(word):
                gradient[here] = chain.sums(now, self._anything)[1] - likely
        adam.step(
            network.backward((gradient / len(scores)).astype(np.float32), layout, said, frozenset(network.weights)),
            rate,
        )

    def _graph(self, ways: Sequence[Phones]) -> chain.Graph:
        sounds = [[self._phones[phone] for phone in way if phone != PAUSE] for way in ways]
        breaks = [_breaks(way) for way in ways]
        return chain.spoken(sounds, self._phones["SIL"], breaks, self._bigram)


def write_model(base: Path, model: bytes, folder: Path) -> None:
    """A model directory as `base`, but with another acoustic model. Raises OSError, for the first file of all."""
    try:
        shutil.copytree(base, folder, ignore=shutil.ignore_patterns("final.mdl", "other_sound.*", "*.md"))
    except shutil.Error as error:
        _, _, why = error.args[0][0]
        raise OSError(why) from error
    (folder / "am" / "final.mdl").write_bytes(model)


class _Adam:
    def __init__(self, network: Network) -> None:
        self._weights = {(n, i): a for n, pair in _arrays(network) for i, a in enumerate(pair) if a is not None}
        self._mean = {key: np.zeros_like(a) for key, a in self._weights.items()}
        self._square = {key: np.zeros_like(a) for key, a in self._weights.items()}
        self._steps = 0

    def step(self, gradients: Mapping[str, tuple[nnet3.Array, nnet3.Array]], rate: float) -> None:
        self._steps += 1
        size = math.sqrt(sum(float((g * g).sum()) for pair in gradients.values() for g in pair))
        shrink = min(1.0, LARGEST_GRADIENT / size) if size > 0 else 1.0
        for (name, i), weights in self._weights.items():
            gradient = np.float32(shrink) * gradients[name][i]
            mean, square = self._mean[name, i], self._square[name, i]
            mean += np.float32(1 - FIRST) * (gradient - mean)
            square += np.float32(1 - SECOND) * (gradient * gradient - square)
            by = rate / (1 - FIRST**self._steps)
            weights -= np.float32(by) * mean / (np.sqrt(square / (1 - SECOND**self._steps)) + np.float32(1e-8))


def _arrays(network: Network) -> list[tuple[str, list[nnet3.Array]]]:
    return [(name, pair) for name, pair in network.weights.items()]  # type: ignore[misc]


def _vary(samples: Samples, rng: np.random.Generator) -> Samples:
    gain = 10 ** (rng.uniform(-QUIETER_DB, LOUDER_DB) / 20)
    sound = samples * gain + rng.normal(0, rng.choice(HISS), len(samples))
    clipped: Samples = np.clip(sound, -32768, 32767).astype(np.int16)
    return clipped


def _piece(samples: Samples, rng: np.random.Generator) -> Samples:
    length = round(OTHER_S / FRAME_S) * SHIFT
    start = int(rng.integers(max(1, len(samples) - length)))
    return samples[start : start + length]


def _breaks(way: Phones) -> list[int]:
    """Before which phones, counted without the pauses, a pause may lie."""
    at, found = 0, []
    for phone in way:
        if phone == PAUSE:
            found.append(at)
        at += phone != PAUSE
    return found

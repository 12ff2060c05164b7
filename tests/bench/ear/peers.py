"""General speech libraries on the same recordings, each at its best threshold on the half that thresholds are tuned on.

pocketsphinx 5 (PyPI `pocketsphinx`, BSD): keyword spotting with the US English model in its wheel, the words of the
plan and our pronunciations for those that its dictionary lacks. EfficientWord-Net (PyPI `efficientword-net`,
Apache-2.0): learns a word from a few takes, network in its wheel; five people of the other half say each of the ten
commands; the other words, for which there are no takes, it does not listen for. What is not installed is left out and
named. None listens for the spoken instructions. A stock English model for Vosk is in no package registry, so there is
no row for one.
"""

from __future__ import annotations

import contextlib
import functools
import importlib.util
import multiprocessing
import random
import tempfile
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

import numpy as np

from handsfree.core.events import HeardWord
from tests.bench.ear import measures
from tests.bench.ear.cases import Case, render
from tests.bench.ear.clips import Clip
from tests.bench.ear.listen import pcm, progress
from tests.bench.ear.measures import Answer
from tests.bench.ear.plans import counting, phrases
from tests.bench.ear.sounds import RATE, Samples, read

ROWS = ("words", "unknown word", "silence", "noise", "reader", "reader, other word", "digit", "voice", "talk")
TUNED_ON, TAKES = 15, 5
"""Recordings of each word that choose the threshold; takes of each word that teach it."""
Takes = Mapping[str, Sequence[str]]


class Peer(Protocol):
    def hear(self, case: Case, sound: Samples) -> list[list[HeardWord]]:
        """The words heard at each of the thresholds."""


class PocketSphinx:
    """The threshold is that of every key phrase, as in its key phrase list. Of words that overlap, the likeliest."""

    thresholds = (1.0, 1e-1, 1e-3, 1e-5, 1e-10, 1e-20)
    module = "pocketsphinx"

    def __init__(self, takes: Takes, thresholds: Sequence[float]) -> None:
        self._thresholds = thresholds
        self._decoder = functools.cache(self._decoder_for)

    def hear(self, case: Case, sound: Samples) -> list[list[HeardWord]]:
        return [self._spot(self._decoder(case.plan, threshold), sound) for threshold in self._thresholds]

    def _spot(self, decoder: Any, sound: Samples) -> list[HeardWord]:
        decoder.start_utt()
        decoder.process_raw(pcm(sound).tobytes(), full_utt=True)
        decoder.end_utt()
        found: list[HeardWord] = []
        for segment in sorted(decoder.seg() or (), key=lambda one: -one.prob):
            start_s, end_s = segment.start_frame / 100, segment.end_frame / 100
            if all(end_s <= word.start_s or word.end_s <= start_s for word in found):
                found.append(HeardWord(segment.word.strip(), start_s, end_s, min(1.0, segment.prob)))
        return sorted(found, key=lambda word: word.start_s)

    def _decoder_for(self, plan: str, threshold: float) -> Any:
        from pocketsphinx import Decoder

        from handsfree.core.plan import Plan
        from handsfree.listening import pronouncer

        decoder = Decoder(lm=None, loglevel="FATAL")
        how_said = pronouncer(Plan("", ()))
        for word in {word for phrase in phrases(plan) for word in phrase.split()}:
            if decoder.lookup_word(word) is None:
                decoder.add_word(word, " ".join(how_said.phrase(word).phones[0]), True)
        lines = "".join(f"{phrase} /{threshold:g}/\n" for phrase in phrases(plan))
        with tempfile.NamedTemporaryFile("w", suffix=".list") as file:
            file.write(lines)
            file.flush()
            decoder.add_kws("plan", file.name)
        decoder.activate_search("plan")
        return decoder


class EfficientWordNet:
    """Similarity of windows of 1.5 s, each 0.25 s, to the takes; a word counts once in 0.8 s, as the library has it."""

    thresholds = (0.7, 0.75, 0.8, 0.85, 0.88, 0.91, 0.94)
    module = "eff_word_net"

    def __init__(self, takes: Takes, thresholds: Sequence[float]) -> None:
        from eff_word_net.audio_processing import Resnet50_Arc_loss

        random.seed(1)  # where it pads a take is left to chance
        self._thresholds = thresholds
        with contextlib.redirect_stdout(None):
            self._network = Resnet50_Arc_loss()
        self._embeddings = {
            word: np.concatenate([self._embed(self._network.fixPaddingIssues(read(path))) for path in paths])
            for word, paths in takes.items()
        }

    def _embed(self, sound: np.ndarray) -> np.ndarray:
        return self._network.audioToVector(np.asarray(sound, np.float32))

    def hear(self, case: Case, sound: Samples) -> list[list[HeardWord]]:
        size, step = self._network.window_frames, RATE // 4
        best = []
        for at in range(0, max(1, len(sound) - size + 1), step):
            window = np.pad(sound[at : at + size], (0, max(0, size - len(sound))))
            vector = self._embed(window)
            score, word = max(
                (float(self._network.scoreVector(vector, t)), word) for word, t in self._embeddings.items()
            )
            best.append(HeardWord(word, at / RATE, (at + size) / RATE, score))
        return [_apart([word for word in best if word.confidence >= threshold]) for threshold in self._thresholds]


def _apart(words: Sequence[HeardWord], seconds: float = 0.8) -> list[HeardWord]:
    """Without those that begin so soon after the same word."""
    found: list[HeardWord] = []
    for word in words:
        if not any(word.text == one.text and word.start_s - one.start_s < seconds for one in found):
            found.append(word)
    return found


PEERS: dict[str, type] = {"pocketsphinx": PocketSphinx, "EfficientWord-Net": EfficientWordNet}
_peer: Peer


def columns(
    cases: Sequence[Case], tuning: Sequence[Case], jobs: int, say: Callable[[str], None]
) -> dict[str, dict[str, Answer]]:
    """For each peer that is installed: answers to the cases of ROWS that it can hear."""
    takes, sample = _takes(tuning), _sample(tuning)
    found = {}
    for name, peer in PEERS.items():
        if importlib.util.find_spec(peer.module) is None:
            say(f"{name} is not installed: left out (pip install {name.lower()})")
            continue
        tuned = _answers(name, peer.thresholds, takes, sample, jobs)
        worth = {threshold: _worth(sample, answers) for threshold, answers in tuned.items()}
        best = max(worth, key=worth.__getitem__)
        say(f"{name}: " + ", ".join(f"{threshold:g}: {points:.1f}" for threshold, points in worth.items()))
        heard = [case for case in cases if case.row in ROWS and _can_hear(name, case)]
        found[f"{name} {best:g}"] = _answers(name, [best], takes, heard, jobs)[best]
    return found


def _can_hear(name: str, case: Case) -> bool:
    """EfficientWord-Net has takes of the commands only, and is too slow for all the talk twice."""
    return case.plan == "commands" or name != "EfficientWord-Net"


def _takes(tuning: Sequence[Case]) -> dict[str, list[str]]:
    """Recordings that teach a word: by different people, and clear."""
    takes: dict[str, dict[str, Clip]] = {}
    for case in tuning:
        clip = case.pieces[0].clip
        if case.row == "words" and clip.span_s:
            takes.setdefault(case.detail, {}).setdefault(clip.speaker, clip)
    return {word: [clip.path for clip in list(clips.values())[:TAKES]] for word, clips in takes.items()}


def _sample(tuning: Sequence[Case]) -> list[Case]:
    taught = {path for paths in _takes(tuning).values() for path in paths}
    counts: dict[str, int] = {}
    sample = []
    for case in tuning:
        if case.row == "unknown word" or (case.row == "words" and case.pieces[0].clip.path not in taught):
            counts[case.detail] = counts.get(case.detail, 0) + 1
            if counts[case.detail] <= TUNED_ON:
                sample.append(case)
    return sample


def _worth(sample: Sequence[Case], answers: Mapping[str, Answer]) -> float:
    """Points heard, less those of another word heard and of unknown words that give one."""

    def share(row: str, test: Callable[[Case, Answer], bool]) -> float:
        pairs = [(case, answers[case.key]) for case in sample if case.row == row]
        return 100 * sum(test(*pair) for pair in pairs) / max(1, len(pairs))

    def another(case: Case, answer: Answer) -> bool:
        return measures.another(case, answer, counting(case.plan))

    return share("words", measures.heard) - share("words", another) - share("unknown word", another)


def _answers(
    name: str, thresholds: Sequence[float], takes: Takes, cases: Sequence[Case], jobs: int
) -> dict[float, dict[str, Answer]]:
    found: dict[float, dict[str, Answer]] = {threshold: {} for threshold in thresholds}
    with multiprocessing.get_context("spawn").Pool(jobs, _start, (name, thresholds, takes)) as pool:
        for key, answers in progress(pool.imap(_hear, cases, chunksize=8), len(cases), f"heard by {name}"):
            for threshold, answer in zip(thresholds, answers, strict=False):
                found[threshold][key] = answer
    return found


def _start(name: str, thresholds: Sequence[float], takes: Takes) -> None:
    global _peer
    _peer = PEERS[name](takes, thresholds)


def _hear(case: Case) -> tuple[str, list[Answer]]:
    try:
        sound, said = render(case)
    except ValueError:
        return case.key, []
    return case.key, [Answer(len(sound) / RATE, tuple(said), tuple(words)) for words in _peer.hear(case, sound)]

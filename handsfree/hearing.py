"""What the ear makes of recordings, without a session."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from handsfree import listening
from handsfree.core.errors import UserError
from handsfree.core.events import OTHER_SPEECH, AudioBlock, Breath, HeardWord, Ignored, SessionEvent
from handsfree.core.plan import Plan
from handsfree.core.vocabulary import Memory, Vocabulary
from handsfree.edges.audio import read_file
from handsfree.edges.recogniser import Recogniser
from handsfree.listening import Calibrated, Learnt
from handsfree.looking import TwiceHeard


class Measured:
    """Blocks on their way through; `length_s` is where the last one so far ended."""

    def __init__(self, blocks: Iterable[AudioBlock]) -> None:
        self._blocks = blocks
        self.length_s = 0.0

    def __iter__(self) -> Iterator[AudioBlock]:
        for block in self._blocks:
            self.length_s = block.start_s + block.duration_s
            yield block


class Hearing:
    """An ear and the vocabulary of a plan; hears one recording after another, each as if it were the first.

    frames_per_chunk  listening.PATIENT where no word is judged by when it came
    """

    def __init__(
        self,
        plan: Plan,
        model: Path | None = None,
        learnt: Learnt | None = None,
        frames_per_chunk: int | None = None,
    ):
        self.vocabulary = Vocabulary(plan, listening.prompt_book(plan.prompts.language).instructions)
        given = plan, self.vocabulary.phrases, model, learnt
        self._ear = listening.open_ear(*given, frames_per_chunk=frames_per_chunk)

    def recogniser(self) -> Recogniser | TwiceHeard | Calibrated:
        """A fresh one, its clock at 0."""
        return self._ear.recogniser()

    def breaths(self, blocks: Iterable[AudioBlock]) -> Iterator[Breath]:
        """Everything heard in the sound, which starts at session time 0."""
        recogniser = self.recogniser()
        for block in blocks:
            yield from recogniser.feed(block)
        yield from recogniser.close()

    def words(self, blocks: Iterable[AudioBlock]) -> Iterator[SessionEvent | Ignored | HeardWord]:
        """Plan words as events or Ignored, other speech as HeardWord; in order of time within a breath."""
        memory = Memory()
        for breath in self.breaths(blocks):
            memory, results = self.vocabulary.understand(memory, breath)
            others = [word for word in breath.words if word.text == OTHER_SPEECH]
            yield from sorted([*results, *others], key=_start)


def _start(one: SessionEvent | Ignored | HeardWord) -> float:
    return one.start_s if isinstance(one, HeardWord) else one.word.start_s


def as_row(file: str, one: SessionEvent | Ignored | HeardWord) -> dict[str, Any]:
    """The JSON line of a word: file, word, start_s, end_s, confidence, role, accepted, and why not."""
    word = one if isinstance(one, HeardWord) else one.word
    row: dict[str, Any] = {
        "file": file,
        "word": word.text,
        "start_s": word.start_s,
        "end_s": word.end_s,
        "confidence": round(word.confidence, 4),
        "role": None if isinstance(one, HeardWord) or one.role is None else str(one.role),
        "accepted": isinstance(one, SessionEvent),
    }
    if isinstance(one, Ignored):
        row["reason"] = str(one.reason)
    elif isinstance(one, HeardWord):
        row["reason"] = "not_in_the_plan"
    return row


_worker: Hearing | None = None


def _start_worker(plan: Plan, model: Path | None, learnt: Learnt | None) -> None:
    global _worker
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the parent too, which ends its children
    _worker = Hearing(plan, model, learnt)


def _hear(path: Path) -> tuple[Path, list[dict[str, Any]], str]:
    assert _worker is not None
    notes: list[str] = []
    try:
        rows = [as_row(str(path), one) for one in _worker.words(read_file(path, note=notes.append))]
    except UserError as error:
        return path, [], str(error)
    return path, rows, "; ".join(notes)


def hear_files(
    plan: Plan, files: Iterable[Path], jobs: int, model: Path | None = None, learnt: Learnt | None = None
) -> Iterator[tuple[Path, list[dict[str, Any]], str]]:
    """(file, its rows, what was wrong with it or "") in the order given. Each process has its own ear.

    Raises UserError, before any file, for what is wrong with the plan, the model or the cache.
    """
    global _worker
    hearing = Hearing(plan, model, learnt)
    hearing.recogniser()  # a child that cannot start would be started again without end
    if jobs == 1:
        _worker = hearing
        yield from map(_hear, files)
        return
    # spawn: a forked child would inherit Vosk's threads and locks
    context = multiprocessing.get_context("spawn")
    with context.Pool(jobs, _start_worker, (plan, model, learnt)) as pool:
        yield from pool.imap(_hear, files)

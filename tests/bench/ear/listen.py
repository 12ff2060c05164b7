"""The program's own ear on the cases: what a session feeds, block by block, in several processes."""

from __future__ import annotations

import dataclasses
import json
import multiprocessing
import os
import sys
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from handsfree import listening
from handsfree.core.events import OTHER_SPEECH, AudioBlock, Breath, HeardWord, Reason, SessionEvent
from handsfree.core.vocabulary import Memory, Vocabulary
from handsfree.edges.audio.convert import BLOCK_S
from handsfree.edges.second_look import SecondLook
from handsfree.listening import OpenEar
from tests.bench.ear.cases import Case, Said, render
from tests.bench.ear.measures import Answer
from tests.bench.ear.plans import PLANS, vocabulary
from tests.bench.ear.sounds import RATE, Samples


@dataclass(frozen=True)
class Report:
    """One breath, and when it came out: `at_s` is the end of the block fed last plus the time that block took."""

    at_s: float
    breath: Breath


@dataclass(frozen=True)
class Heard:
    """All that came of one case. Processor time, making the sound not included: of all, and of the slowest block."""

    seconds: float
    cpu_s: float
    slowest_block_s: float
    said: list[Said]
    reports: list[Report]


def pcm(sound: Samples) -> np.ndarray:
    """As 16-bit samples."""
    return (sound * 32767).clip(-32768, 32767).astype("<i2")


_ears: dict[str, OpenEar] = {}


def start(model: Path | None, second: str = "") -> None:
    """Called once in each process. `second`: directory of another second look, or `off`."""
    for name, plan in PLANS.items():
        ear = listening.open_ear(plan, vocabulary(name).phrases, model)
        if second:
            ear = dataclasses.replace(ear, look=None if second == "off" else SecondLook(Path(second)))
        _ears[name] = ear


def hear(case: Case) -> tuple[str, Heard | None]:
    """(key, what was heard); None where a recording cannot be read."""
    try:
        sound, said = render(case)
    except ValueError:
        return case.key, None
    samples, block = pcm(sound), round(BLOCK_S * RATE)
    began = time.process_time()
    recogniser = _ears[case.plan].recogniser()
    reports, slowest_s = [], 0.0
    for at in range(0, len(samples), block):
        block_began = time.process_time()
        heard = recogniser.feed(AudioBlock(at / RATE, samples[at : at + block].tobytes()))
        took_s = time.process_time() - block_began
        slowest_s, now_s = max(slowest_s, took_s), (at + block) / RATE + took_s
        reports += [Report(now_s, breath) for breath in heard]
    reports += [Report(len(samples) / RATE, breath) for breath in recogniser.close()]
    return case.key, Heard(len(samples) / RATE, time.process_time() - began, slowest_s, said, reports)


def raw(heard: Heard, least_second: float = 0.0) -> Answer:
    """Words of the plan as the ear gave them, whether they count or not: those to which the second look gives at least
    this probability."""
    words = [(word, report.at_s) for report in heard.reports for word in report.breath.words]
    kept = [(w, at_s) for w, at_s in words if w.text != OTHER_SPEECH and (w.second or 0.0) >= least_second]
    return _answer(heard, kept)


def counted(heard: Heard, session: Vocabulary) -> Answer:
    """What a session would take: events, and praise and names, which make none."""
    memory, taken = Memory(), []
    for report in heard.reports:
        memory, results = session.understand(memory, report.breath)
        for one in results:
            if isinstance(one, SessionEvent) or one.reason in (Reason.PRAISE, Reason.NAME):
                taken.append((one.word, report.at_s))
    return _answer(heard, taken)


def _answer(heard: Heard, words: Sequence[tuple[HeardWord, float]]) -> Answer:
    known_s = tuple(at_s for _, at_s in words)
    speech = any(report.breath.words for report in heard.reports)
    costs = heard.cpu_s, heard.slowest_block_s
    return Answer(heard.seconds, tuple(heard.said), tuple(word for word, _ in words), known_s, speech, *costs)


def hear_all(
    cases: Sequence[Case], model: Path | None, second: str, jobs: int, kept: Path | None = None
) -> dict[str, Heard]:
    """By key. Tells on stderr how far it is; writes what was heard so far to `kept`, as `load` reads it."""
    found = {}
    # spawn: a forked child would inherit Vosk's threads and locks
    with (
        multiprocessing.get_context("spawn").Pool(jobs, start, (model, second)) as pool,
        open(kept or os.devnull, "w", encoding="utf-8") as lines,
    ):
        answers = progress(pool.imap(hear, cases, chunksize=8), len(cases), "heard")
        for case, (key, heard) in zip(cases, answers, strict=True):
            if heard:
                found[key] = heard
                lines.write(json.dumps(as_row(case, heard)) + "\n")
    if missing := len(cases) - len(found):
        print(f"{missing} of {len(cases)} cases left out: their recordings cannot be read", file=sys.stderr)
    return found


def progress(items: Iterable[Any], total: int, verb: str) -> Iterable[Any]:
    """Passes the items on; a line on stderr each 5 %."""
    began, said = time.monotonic(), 0
    for number, item in enumerate(items, start=1):
        yield item
        if number * 20 // total > said:
            said = number * 20 // total
            left_s = (time.monotonic() - began) * (total - number) / number
            print(f"{number} of {total} {verb}, about {left_s:.0f} s to go", file=sys.stderr, flush=True)


def as_row(case: Case, heard: Heard) -> dict[str, Any]:
    """For JSON Lines: key, row, detail, plan, text, files and what is in a Heard."""
    about = {"key": case.key, "row": case.row, "detail": case.detail, "plan": case.plan, "text": case.text}
    return about | {"files": [piece.clip.path for piece in case.pieces]} | dataclasses.asdict(heard)


def load(path: Path) -> dict[str, Heard]:
    """What `hear_all` kept."""

    def breath(entry: dict[str, Any]) -> Breath:
        return Breath(tuple(HeardWord(**word) for word in entry["words"]), entry["settled_s"])

    found = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        row = json.loads(line)
        said = [Said(one["text"], one["span_s"] and tuple(one["span_s"])) for one in row["said"]]
        reports = [Report(one["at_s"], breath(one["breath"])) for one in row["reports"]]
        found[row["key"]] = Heard(row["seconds"], row["cpu_s"], row["slowest_block_s"], said, reports)
    return found

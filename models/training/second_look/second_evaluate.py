"""What the second look does to the words that an ear hears of people whom no training heard, over its threshold.

    python models/training/second_look/second_evaluate.py EAR LOOK --commands FOLDER --manifest MANIFEST.tsv

EAR, LOOK  directories of the models;  commands, manifest  as for ../evaluate.py, whose 15-word plan it listens for
--split    `tune`, `test` or both halves of the held-out people (held_out.py)

A column counts words whose second look gives at least that probability. `alone`: also confidence above 0.9 and no other
speech within 0.3 s, as ../evaluate.py has it.
"""

from __future__ import annotations

import argparse
import functools
import multiprocessing
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[3]
sys.path[:0] = [str(ROOT), str(Path(__file__).parents[1])]

from evaluate import ALONE_S, PLAN, SURE, Case, cases  # noqa: E402
from held_out import half, speaker_of  # noqa: E402
from prepare import Skip, read  # noqa: E402

from handsfree.core.events import OTHER_SPEECH, SAMPLE_RATE, AudioBlock, HeardWord  # noqa: E402

COLUMNS = (0.0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9)


@dataclass(frozen=True)
class Told:
    """Of one recording: its length, and the plan words heard as (word, stands alone and is sure, second look)."""

    case: Case
    seconds: float
    words: list[tuple[str, bool, float]]


@functools.lru_cache(maxsize=1)
def _parts(ear: Path, look: Path, cache: Path):
    from handsfree.edges import graph
    from handsfree.edges.pronounce import Pronouncer
    from handsfree.edges.second_look import SecondLook

    pronouncer = Pronouncer({}, "en", ear / "cmudict.txt.gz")
    said = {word: pronouncer.phrase(word).phones for word in PLAN}
    return graph.build(said, ear, cache), SecondLook(look), said


def listen(case: Case, ear: Path, look: Path, cache: Path) -> Told | None:
    """None where the recording cannot be read. Half a second of faint noise goes before and after."""
    from handsfree.edges.recogniser import Recogniser
    from handsfree.looking import TwiceHeard

    try:
        sound = read(case.path)
    except Skip:
        return None
    home, second, said = _parts(ear, look, cache)
    rng = np.random.default_rng(0)
    before, after = (rng.normal(0, 3, SAMPLE_RATE // 2) for _ in range(2))
    pcm = np.concatenate([before, sound, after]).round().astype("<i2")
    recogniser = TwiceHeard(Recogniser(home, PLAN, own=True), second, said)
    breaths = []
    for at in range(0, len(pcm), SAMPLE_RATE // 10):
        breaths += recogniser.feed(AudioBlock(at / SAMPLE_RATE, pcm[at : at + SAMPLE_RATE // 10].tobytes()))
    breaths += recogniser.close()
    words = [word for breath in breaths for word in breath.words]
    told = [(w.text, _sure(w, words), w.second or 0.0) for w in words if w.text != OTHER_SPEECH]
    return Told(case, len(sound) / SAMPLE_RATE, told)


def _sure(word: HeardWord, words: Iterable[HeardWord]) -> bool:
    beside = (other for other in words if other.text == OTHER_SPEECH)
    return word.confidence > SURE and not any(
        other.start_s < word.end_s + ALONE_S and other.end_s > word.start_s - ALONE_S for other in beside
    )


def in_half(case: Case) -> str:
    if case.kind in ("plan word", "unknown word"):
        return half(speaker_of(case.path))
    return half(case.path.name.split("-")[0])


def rows(told: list[Told], alone: bool) -> Iterable[tuple[str, list[str]]]:
    """(what, a cell for each column)."""

    def counting(measure, unit: str) -> list[str]:
        cells = []
        for least in COLUMNS:
            kept = [
                [word for word, sure, second in one.words if second >= least and (sure or not alone)] for one in some
            ]
            counts = [measure(one.case, words) for one, words in zip(some, kept, strict=True)]
            if unit == "%":
                cells.append(f"{100 * np.mean(np.array(counts) > 0):.1f}")
            else:
                cells.append(f"{sum(counts) / float(unit):.0f}")
        return cells

    def wrong(case: Case, words: list[str]) -> int:
        return sum(word not in case.said for word in words)

    for kind in dict.fromkeys(one.case.kind for one in told):
        some = [one for one in told if one.case.kind == kind]
        if kind == "running speech":
            hours = sum(one.seconds for one in some) / 3600
            yield f"{kind}, {hours:.2f} h: false an hour", counting(wrong, str(hours))
        elif kind.endswith("plan word"):
            yield f"{kind}, {len(some)}: heard, %", counting(lambda case, words: words == list(case.said), "%")
            yield f"{kind}: another heard, %", counting(wrong, "%")
        else:
            yield f"{kind}, {len(some)}: gives a plan word, %", counting(wrong, "%")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("ear", "look"):
        parser.add_argument(name, type=Path)
    for name in ("--commands", "--manifest", "--noise"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--split", choices=("tune", "test", "both"), default="test")
    parser.add_argument("--processes", type=int, default=1)
    given = parser.parse_args()
    todo = list(cases(given.commands, given.manifest, given.noise))
    todo = [case for case in todo if given.split == "both" or in_half(case) == given.split]
    with tempfile.TemporaryDirectory() as cache:
        task = functools.partial(listen, ear=given.ear.resolve(), look=given.look.resolve(), cache=Path(cache))
        with multiprocessing.get_context("spawn").Pool(given.processes) as pool:
            told = [one for one in pool.map(task, todo, chunksize=16) if one]
    for alone in (False, True):
        print(f"\n| {'alone' if alone else 'any'} | " + " | ".join(f"{least:g}" for least in COLUMNS) + " |")
        print("|---" * (len(COLUMNS) + 1) + "|")
        for what, cells in rows(told, alone):
            print(f"| {what} | " + " | ".join(cells) + " |")


if __name__ == "__main__":
    main()

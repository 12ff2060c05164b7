"""How well a model hears people whom its training never heard, as one row of a table for each kind of sound.

    python models/training/evaluate.py MODEL_DIR --commands FOLDER --manifest MANIFEST.tsv --noise FOLDER

MODEL_DIR  am/, conf/, phones.json, common_words.txt, cmudict.txt.gz, as models/en
commands   Speech Commands clips (Warden 2018, arXiv:1804.03209) in folders named after the word, and `_unknown_`,
           `_silence_`; from its test split
manifest   as for prepare.py: single words of rows noted test_only; running speech of the readers in held_out.txt
noise      as for prepare.py: the tenth that it holds out

What is fed is what a session feeds: the decoding graph, recogniser and plan words of the program itself. Each clip gets
half a second of faint noise on both sides. Under `any`, every plan word heard counts; under `alone`, only one with a
confidence above 0.9 that no other speech comes within 0.3 s of.
"""

from __future__ import annotations

import argparse
import collections
import csv
import functools
import multiprocessing
import os
import sys
import tempfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

from prepare import Skip, held_out, noise_held_out, read  # noqa: E402

from handsfree.core.events import OTHER_SPEECH, SAMPLE_RATE, AudioBlock, HeardWord  # noqa: E402

PLAN = ["yes", "no", "down", "go", "stop", "off", "on", "up", "left", "right", "good", "sit", "stay", "come", "wait"]
RULES = ("any", "alone")
ALONE_S, SURE = 0.3, 0.9


@dataclass(frozen=True)
class Case:
    """One recording: what kind of sound it is, and the words that are said in it."""

    path: Path
    kind: str
    said: tuple[str, ...]


@dataclass(frozen=True)
class Heard:
    """What came of it: plan words under each rule."""

    case: Case
    seconds: float
    words: dict[str, list[str]]


def cases(commands: Path | None, manifest: Path | None, noise: Path | None) -> Iterator[Case]:
    """All recordings to listen to."""
    if commands:
        for folder in sorted(commands.iterdir()):
            kind = {"_unknown_": "unknown word", "_silence_": "silence"}.get(folder.name, "plan word")
            said = (folder.name,) if kind == "plan word" else ()
            yield from (Case(path, kind, said) for path in sorted(folder.iterdir()))
    if manifest:
        barred = held_out()
        with open(manifest, encoding="utf-8") as lines:
            for row in csv.DictReader(lines, delimiter="\t"):
                said = tuple(row["text"].lower().split())
                if row["speaker"] in barred:
                    yield Case(manifest.parent / row["path"], "running speech", said)
                elif "test_only" in row["note"] and len(said) == 1:
                    kind = "reader, plan word" if said[0] in PLAN else "reader, unknown word"
                    yield Case(manifest.parent / row["path"], kind, said)
    if noise:
        yield from (Case(path, "noise", ()) for path in sorted(noise.iterdir()) if noise_held_out(path.name))


@functools.lru_cache(maxsize=1)
def _home(model_dir: Path, cache: Path) -> Path:
    from handsfree.edges import graph
    from handsfree.edges.pronounce import Pronouncer

    pronouncer = Pronouncer({}, "en", model_dir / "cmudict.txt.gz")
    return graph.build({word: pronouncer.phrase(word).phones for word in PLAN}, model_dir, cache)


def listen(case: Case, model_dir: Path, cache: Path) -> Heard | None:
    """None where the recording cannot be read."""
    from handsfree.edges.recogniser import Recogniser

    try:
        sound = read(case.path)
    except Skip:
        return None
    rng = np.random.default_rng(zlib.crc32(case.path.name.encode()))
    before, after = (rng.normal(0, 3, SAMPLE_RATE // 2) for _ in range(2))
    pcm = np.concatenate([before, sound, after]).round().astype("<i2")
    recogniser = Recogniser(_home(model_dir, cache), PLAN, own=True)
    block, breaths = SAMPLE_RATE // 10, []
    for at in range(0, len(pcm), block):
        breaths += recogniser.feed(AudioBlock(at / SAMPLE_RATE, pcm[at : at + block].tobytes()))
    breaths += recogniser.close()
    words = [word for breath in breaths for word in breath.words]
    heard = {rule: [word.text for word in words if _counts(word, words, rule)] for rule in RULES}
    return Heard(case, len(sound) / SAMPLE_RATE, heard)


def _counts(word: HeardWord, words: list[HeardWord], rule: str) -> bool:
    if word.text == OTHER_SPEECH or rule == "any":
        return word.text != OTHER_SPEECH
    beside = (other for other in words if other.text == OTHER_SPEECH)
    return word.confidence > SURE and not any(
        other.start_s < word.end_s + ALONE_S and other.end_s > word.start_s - ALONE_S for other in beside
    )


def rows(results: list[Heard]) -> Iterator[tuple[str, str, str]]:
    """(what, under `any`, under `alone`)."""
    kinds = collections.defaultdict(list)
    for result in results:
        kinds[result.case.kind].append(result)
    for kind, members in kinds.items():
        if kind == "running speech":
            hours = sum(one.seconds for one in members) / 3600
            yield f"running speech, {hours:.2f} h: false an hour", *_each(members, _false_words, f"/{hours}")
            yield "running speech: plan words in it that count", *_each(members, _true_words, "count")
        elif kind.endswith("plan word"):
            yield f"{kind}, {len(members)}: heard", *_each(members, lambda one, said: said == list(one.said), "%")
            yield f"{kind}: another heard", *_each(members, _false_words, "%")
        else:
            yield f"{kind}, {len(members)}: gives a plan word", *_each(members, _false_words, "%")
    for word in PLAN:
        if members := [one for one in kinds["plan word"] if one.case.said == (word,)]:
            yield f"`{word}`, {len(members)}: heard", *_each(members, lambda one, said: said == list(one.said), "%")


def _false_words(case: Case, words: list[str]) -> int:
    return sum(word not in case.said for word in words)


def _true_words(case: Case, words: list[str]) -> int:
    return sum(word in case.said for word in words)


def _each(members: list[Heard], measure, unit: str) -> list[str]:
    cells = []
    for rule in RULES:
        counts = [int(measure(one.case, one.words[rule])) for one in members]
        if unit == "%":
            cells.append(f"{100 * sum(map(bool, counts)) / len(counts):.1f} %")
        elif unit == "count":
            cells.append(f"{sum(counts)}")
        else:
            cells.append(f"{sum(counts) / float(unit[1:]):.1f} ({sum(counts)})")
    return cells


def main() -> None:
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("model", type=Path)
    for name in ("--commands", "--manifest", "--noise"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    todo = list(cases(options.commands, options.manifest, options.noise))
    with tempfile.TemporaryDirectory() as cache:
        task = functools.partial(listen, model_dir=options.model.resolve(), cache=Path(cache))
        with multiprocessing.get_context("spawn").Pool(options.processes) as pool:
            results = pool.map(task, todo, chunksize=32)
    heard = [result for result in results if result]
    print(f"{len(heard)} recordings, {len(todo) - len(heard)} unreadable\n\n| what | any | alone |\n|---|---|---|")
    for row in rows(heard):
        print("| " + " | ".join(row) + " |")


if __name__ == "__main__":
    main()

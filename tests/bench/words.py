"""Her own voice: what `handsfree words` buys, on takes that it never heard of people whom the ear never heard.

    python -m tests.bench.words DATA --model TWIN --second TWIN/second [--only "fsdd,sc 8"] [--takes 5]

DATA holds speech_commands_dev/ and speech/manifest.tsv. People: speakers of Speech Commands (Warden 2018) who said at
least eight of ten words four times or more (all takes but the last, at most five, are learnt; the others are the test),
and the six of the Free Spoken Digit Dataset (five takes of each digit are learnt, five are the test). TWIN is a model
laid out as models/en that none of them was in the training of. Other talk: single words by one reader, and read
sentences.

A miss is a take that does not give its word; a false alarm is a take or other sound that gives another. What counts is
what would count in a session: decoding graph, vocabulary and confidence of the program itself.
"""

from __future__ import annotations

import argparse
import collections
import csv
import multiprocessing
import sys
import tempfile
import time
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from handsfree.core.events import SAMPLE_RATE
from handsfree.core.plan import Behaviour, Plan, Words
from handsfree.edges.audio import read_file

LEAST_OF_A_WORD = 3
OTHER_WORDS, OTHER_TALK = 12, 60
"""Every so manieth recording of other words, of read sentences."""


@dataclass(frozen=True)
class Person:
    """Takes by word: those that are learnt from, and those that are the test."""

    name: str
    learnt: dict[str, list[Path]]
    test: dict[str, list[Path]]


@dataclass(frozen=True)
class Outcome:
    """`before`, `after`: (takes, missed, gave another word, false in other sound) of the test."""

    person: str
    before: tuple[int, int, int, int]
    after: tuple[int, int, int, int]
    won: bool
    seconds: float
    promised: tuple[int, int]  # errors on takes held back: before, after
    words: dict[str, tuple[int, int, int]]  # word -> takes, heard before, heard after


def people(data: Path, takes: int) -> list[Person]:
    said: dict[str, dict[str, list[Path]]] = collections.defaultdict(lambda: collections.defaultdict(list))
    for folder in sorted((data / "speech_commands_dev").iterdir()):
        if not folder.name.startswith("_"):
            for path in sorted(folder.iterdir()):
                said[f"sc {path.name.split('_')[0]}"][folder.name].append(path)
    for row in _rows(data):
        if row["dataset"] == "fsdd":
            said[row["speaker"].replace("_", " ")][row["text"]].append(data / "speech" / row["path"])
    found = []
    for name, words in said.items():
        enough = {word: paths for word, paths in words.items() if len(paths) > LEAST_OF_A_WORD}
        if len(enough) >= 8:
            # All but the last, at most so many: who said a word five times gives four and is tried on the fifth.
            cut = {word: min(takes, len(paths) - 1) for word, paths in enough.items()}
            learnt = {word: paths[: cut[word]] for word, paths in enough.items()}
            found.append(Person(name, learnt, {word: paths[cut[word] :] for word, paths in enough.items()}))
    return sorted(found, key=lambda person: person.name)


def _rows(data: Path) -> list[dict[str, str]]:
    with open(data / "speech" / "manifest.tsv", encoding="utf-8") as lines:
        return list(csv.DictReader(lines, delimiter="\t"))


def other_sound(data: Path, held_out: set[str]) -> list[tuple[Path, str]]:
    """(recording, words said in it) of people that nothing here learns from."""
    rows = _rows(data)
    words = [row for row in rows if "test_only; single word" in row["note"]][::OTHER_WORDS]
    talk = [row for row in rows if row["speaker"] in held_out][::OTHER_TALK]
    return [(data / "speech" / row["path"], row["text"]) for row in (*words, *talk)]


def samples(path: Path) -> np.ndarray:
    pcm = b"".join(block.pcm for block in read_file(path))
    rng = np.random.default_rng(zlib.crc32(path.name.encode()))
    quiet = rng.normal(0, 3, SAMPLE_RATE // 4).round().astype(np.int16)
    return np.concatenate([quiet, np.frombuffer(pcm, "<i2"), quiet])


def start(second: Path | None) -> None:
    """Called once in each process: with another second look than the one that ships."""
    from handsfree import listening

    if second:
        listening.SECOND_MODEL = str(second)


def measure(job: tuple[Person, list[tuple[Path, str]], Path | None]) -> Outcome:
    from handsfree.core.trial_of_voice import Trial
    from handsfree.learning import Learnt, Teacher

    person, others, base = job
    cues = tuple(Behaviour(word, (word,)) for word in person.learnt)
    words = Words(marker=("bingo",), error=("oops",) if "no" in person.learnt else ("wrong",), release=("all done",))
    plan = Plan("Bruno", cues, words=words)
    teacher = Teacher(plan, base)
    began = time.monotonic()
    takes = {word: [samples(p) for p in paths] for word, paths in person.learnt.items()}
    result = teacher.learn(takes, "now")
    seconds = time.monotonic() - began
    test = {word: [samples(path) for path in paths] for word, paths in person.test.items()}
    sound = [(said, samples(path)) for path, said in others]
    least = plan.ear.least_confidence
    trials = []
    with tempfile.TemporaryDirectory() as scratch:
        model = Path(scratch) / "model" if result.write is not None else None
        if model is not None:
            result.write(model)
        learnt = Learnt(result.voice, model, takes if result.voice.compared else {}) if result.won else None
        for one in (None, learnt):
            heard = teacher.hear_takes(one, Path(scratch), test)
            trials.append(Trial(heard, teacher.hear_others(one, Path(scratch), sound)))
    rows = []
    for trial in trials:
        tally = trial.tally(least)
        rows.append((tally.takes, tally.takes - tally.right, tally.wrong, tally.false))
    by_word = {w: (len(test[w]), *(t.right(w, least) for t in trials)) for w in test}
    promised = (result.before.errors, result.after.errors)
    return Outcome(person.name, rows[0], rows[1], result.won, seconds, promised, by_word)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("data", type=Path)
    parser.add_argument("--model", type=Path)
    parser.add_argument("--second", type=Path, metavar="FOLDER", help="another second look")
    parser.add_argument("--people", type=int, default=100)
    parser.add_argument("--only", default="", help="names, or beginnings of names, with commas between")
    parser.add_argument("--takes", type=int, default=5)
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    held_out_list = Path(__file__).parents[2] / "models" / "training" / "held_out.txt"
    barred = {line.split()[0] for line in held_out_list.read_text().splitlines() if line and line[0] != "#"}
    others = other_sound(options.data, barred)
    wanted = tuple(options.only.split(","))
    chosen = [one for one in people(options.data, options.takes) if one.name.startswith(wanted)][: options.people]
    model, second = (folder and folder.resolve() for folder in (options.model, options.second))
    outcomes = []
    print("| person | takes tried | missed | | another word | | false in other sound | | adopted | s |")
    print("|---|---|---|---|---|---|---|---|---|---|")
    with multiprocessing.get_context("spawn").Pool(options.processes, start, (second,)) as pool:
        for one in pool.imap_unordered(measure, [(person, others, model) for person in chosen]):
            outcomes.append(one)
            _row(one.person, [one])
            sys.stdout.flush()
    for group in ("sc", "fsdd", ""):
        if some := [one for one in outcomes if one.person.startswith(group)]:
            _row(f"**{group or 'all'}** ({len(some)})", some)
    _words(outcomes)


def _row(name: str, some: list[Outcome]) -> None:
    before, after = (np.sum([getattr(one, when) for one in some], 0) for when in ("before", "after"))
    shares = [
        f"{100 * b / before[0]:.1f} % | {100 * a / before[0]:.1f} %"
        for b, a in zip(before[1:3], after[1:3], strict=True)
    ]
    won, seconds = sum(one.won for one in some), np.mean([one.seconds for one in some])
    cells = [name, str(before[0]), *shares, f"{before[3]} | {after[3]}", f"{won}/{len(some)}", f"{seconds:.0f}"]
    print("| " + " | ".join(cells) + " |")


def _words(outcomes: list[Outcome]) -> None:
    print("\n| word | takes tried | heard before | after |\n|---|---|---|---|")
    sums: dict[str, np.ndarray] = collections.defaultdict(lambda: np.zeros(3, int))
    for one in outcomes:
        for word, counts in one.words.items():
            sums[word] += counts
    for word, (count, before, after) in sums.items():
        print(f"| {word} | {count} | {100 * before / count:.1f} % | {100 * after / count:.1f} % |")


if __name__ == "__main__":
    main()

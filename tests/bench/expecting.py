"""What it buys that a session expects what may come next: sessions put together from people whom no training may hear.

    python -m tests.bench.expecting --model models/twin --second models/twin/second

The recordings are those of tests.bench.ear, of half `tune` (--half test: the other one): --data or HANDSFREE_EAR_DATA
names their folder. From the same words sessions of several styles are made (styles.py). Each is heard once, then
counted from what was heard: as the program does, without expecting anything, and without each part of that
(core/expecting.py). Prints a Markdown table: reps right / invented.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from handsfree import listening
from handsfree.core import expecting
from handsfree.core.agreement import Agreement, TrueRep, match, read_truth
from handsfree.core.events import AudioBlock, Breath, EndReason
from handsfree.core.plan import Plan
from handsfree.core.replay import counted
from handsfree.core.sitting import Sitting
from handsfree.core.trial import Happening, Phase
from handsfree.edges import planfile
from handsfree.hearing import Hearing
from tests.bench.ear import clips
from tests.bench.ear.listen import pcm
from tests.bench.sessions import SESSIONS
from tests.bench.styles import REPEATED, ROUNDS, assembled
from tests.data import make_sessions as make

BLOCK = make.RATE // 20


@dataclass(frozen=True)
class Heard:
    """A session as the ear heard it."""

    style: str
    truth: list[TrueRep]
    breaths: list[Breath]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path)
    parser.add_argument("--half", choices=("tune", "test"), default="tune")
    parser.add_argument("--model", type=Path, required=True)
    parser.add_argument("--second", type=Path, required=True)
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args()
    jobs = [(options, number) for number in range(ROUNDS + REPEATED)]
    with multiprocessing.get_context("spawn").Pool(options.jobs) as pool:
        heard = [one for some in pool.imap(_hear_round, jobs) for one in _told(some)]
    show(heard)


def _told(some: list[Heard]) -> list[Heard]:
    print(f"{len(some)} sessions heard", file=sys.stderr, flush=True)
    return some


def _hear_round(job: tuple[argparse.Namespace, int]) -> list[Heard]:
    """The sessions of one round: every recording once, in an order of its own."""
    options, number = job
    listening.SECOND_MODEL = str(options.second.resolve())
    hearing, heard = Hearing(_plan(), options.model), []
    for style, tape in assembled(clips.recordings(options.data), options.half, number):
        sound, reps = pcm(tape.sound), read_truth(json.dumps(row) for row in tape.truth)
        blocks = (AudioBlock(at / make.RATE, sound[at : at + BLOCK].tobytes()) for at in range(0, len(sound), BLOCK))
        heard.append(Heard(style, reps, list(hearing.breaths(blocks))))
    return heard


def show(heard: list[Heard]) -> None:
    styles = list(dict.fromkeys(sorted(one.style for one in heard)))
    print(f"| reps right / invented | {' | '.join(styles)} | all |\n|---|{'---|' * len(styles)}---|")
    true = [sum(len(one.truth) for one in heard if style in (one.style, "all")) for style in (*styles, "all")]
    print(f"| *true reps* | {' | '.join(map(str, true))} |")
    usual, lacking = expecting.LIKELIER, expecting.CUE_LACKING
    nothing = {phase: dict.fromkeys(parts, 0.0) for phase, parts in usual.items()}
    ready, awaited = usual[Phase.READY], usual[Phase.OPEN]
    outcomes = (Happening.MARKER, Happening.ERROR, Happening.RELEASE)
    rows = {
        "as the program counts": (usual, lacking),
        "nothing expected": (nothing, NEVER),
        "all but outcomes after a cue": (_set(usual, awaited, outcomes), lacking),
        "all but another cue after a cue": (_set(usual, awaited, (Happening.OTHER_CUE,)), lacking),
        "all but a cue next": (_set(usual, ready, (Happening.CUE, Happening.OTHER_CUE)), lacking),
        "all but no error word without a cue": (_set(usual, ready, (Happening.ERROR,)), lacking),
        "all but looking back for a cue": (usual, NEVER),
    }
    for name, (expecting.LIKELIER, expecting.CUE_LACKING) in rows.items():
        found = [(one.style, _agreement(one)) for one in heard]
        cells = [_cell([a for style, a in found if wanted in (style, "all")]) for wanted in (*styles, "all")]
        print(f"| {name} | {' | '.join(cells)} |", flush=True)


NEVER = -20.0
"""Log-odds with which no cue counts that did not count before."""


def _set(
    usual: Mapping[Phase, Mapping[Happening, float]], part: Mapping[Happening, float], without: Iterable[Happening]
) -> Mapping[Phase, Mapping[Happening, float]]:
    """The table without some entries of the phases that share a row."""
    return {phase: row | dict.fromkeys(without, 0.0) if row == part else row for phase, row in usual.items()}


def _agreement(one: Heard) -> Agreement:
    sitting = _sitting()
    effects = [effect for breath in one.breaths for effect in sitting.hear(breath)]
    effects += sitting.end(one.breaths[-1].settled_s, EndReason.SOUND_ENDED)
    return match(one.truth, counted(effects).reps)


def _cell(agreements: list[Agreement]) -> str:
    return f"{sum(one.right for one in agreements)} / {sum(len(one.invented) for one in agreements)}"


def _plan() -> Plan:
    return planfile.load(SESSIONS / "plan.toml")


def _sitting() -> Sitting:
    return Sitting(_plan(), listening.prompt_book("en").instructions)


if __name__ == "__main__":
    main()

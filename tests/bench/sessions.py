"""How well whole sessions are counted: recordings of people, assembled at known times, through the real program.

    python -m tests.bench.sessions                    the sessions in tests/data/sessions, as fast as possible
    python -m tests.bench.sessions --real-time 2      and the first two again at the speed of life, for the delay
    python -m tests.bench.sessions --errors           also every rep that was not right
    python -m tests.bench.sessions --folder FOLDER    another folder of NAME.ogg + NAME.jsonl with a plan.toml
    python -m tests.bench.sessions --model models/twin --second models/twin/second    by an ear that heard none of them

Prints a Markdown table. Right: behaviour and outcome as in the truth, cue (or outcome) within 1 s, one to one. Cue to
marker: size of the difference from the truth. Delay: from the end of the word that decided a rep, as the truth has it,
until the rep was on disk; reps that end by silence are not in it. Real-time factor: processor seconds per second of
sound, once the ear is open. Memory: peak resident size of this process.
"""

from __future__ import annotations

import argparse
import json
import platform
import resource
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from statistics import median, quantiles

from handsfree import listening
from handsfree.core.agreement import Agreement, is_right, match, read_truth
from handsfree.core.events import AudioBlock, Effect, Rep, SaveRep
from handsfree.core.plan import Plan
from handsfree.core.sitting import Sitting
from handsfree.edges import planfile
from handsfree.running import run_session
from handsfree.watching import Nobody
from tests.bench.ear.__main__ import CAVEATS, SHIPPED, heard_them

SESSIONS = Path(__file__).resolve().parents[1] / "data" / "sessions"


@dataclass
class Stopwatch(Nobody):
    """Notes when each rep was on disk: the session tells its watcher of an effect after it was carried out."""

    reps: list[Rep] = field(default_factory=list)
    on_disk_s: list[float] = field(default_factory=list)
    sound_s: float = 0.0
    cpu_began_s: float = 0.0
    wall_began_s: float = 0.0

    def block(self, block: AudioBlock, sitting: Sitting) -> None:
        if not self.sound_s:  # the first block has just been taken in: it began its own length ago
            self.cpu_began_s = time.process_time()
            self.wall_began_s = time.perf_counter() - block.duration_s
        self.sound_s = block.start_s + block.duration_s

    def effect(self, effect: Effect, sitting: Sitting) -> None:
        if isinstance(effect, SaveRep):
            self.reps.append(effect.rep)
            self.on_disk_s.append(time.perf_counter() - self.wall_began_s)


@dataclass
class Result:
    name: str
    noise: str
    agreement: Agreement
    errors_s: list[float]
    sound_s: float
    cpu_s: float
    delays_s: list[float] = field(default_factory=list)

    @property
    def true(self) -> int:
        return len(self.agreement.matched) + len(self.agreement.missed)


def run(plan: Plan, recording: Path, real_time: bool) -> Result:
    watch = Stopwatch()
    with tempfile.TemporaryDirectory() as folder:
        run_session(
            plan,
            plan_text="",
            log_path=Path(folder) / "bench.db",
            watcher=watch,
            started_at=datetime.now().astimezone(),
            recording=recording,
            fast=not real_time,
            silent=True,
        )
    cpu_s = time.process_time() - watch.cpu_began_s
    lines = recording.with_suffix(".jsonl").read_text(encoding="utf-8").splitlines()
    rows = [json.loads(line) for line in lines]
    agreement = match(read_truth(lines), watch.reps)
    result = Result(
        name=recording.stem,
        noise=next((row["name"].split()[0] for row in rows if row["kind"] == "sound"), "none").replace(
            "ESC-10", "barks"
        ),
        agreement=agreement,
        errors_s=[abs(error) for error in agreement.cue_to_marker_errors_s],
        sound_s=watch.sound_s,
        cpu_s=cpu_s,
    )
    if real_time:
        ends_s = {row["start_s"]: row["end_s"] for row in rows if row["kind"] == "spoken"}
        on_disk_s = {rep.number: at_s for rep, at_s in zip(watch.reps, watch.on_disk_s, strict=True)}
        for true, counted in agreement.matched:
            if counted.outcome_word and true.outcome_s is not None:
                result.delays_s.append(on_disk_s[counted.number] - ends_s[true.outcome_s])
    return result


def spread(values: Sequence[float], scale: float = 1000.0) -> str:
    """Median and 95th percentile, in ms."""
    if len(values) < 2:
        return "n/a"
    return f"{scale * median(values):.0f} / {scale * quantiles(values, n=20)[-1]:.0f}"


def row(name: str, results: Sequence[Result]) -> str:
    true, right = sum(r.true for r in results), sum(r.agreement.right for r in results)
    matched = sum(len(r.agreement.matched) for r in results)
    missed, invented = (sum(len(getattr(r.agreement, what)) for r in results) for what in ("missed", "invented"))
    errors, delays = [e for r in results for e in r.errors_s], [d for r in results for d in r.delays_s]
    rate = sum(r.cpu_s for r in results) / sum(r.sound_s for r in results)
    cells = (name, true, right, f"{right / true:.1%}", matched - right, missed, invented)
    return f"| {' | '.join(map(str, cells))} | {spread(errors)} | {spread(delays)} | {rate:.3f} |"


def tell_errors(agreement: Agreement) -> None:
    for true, counted in agreement.matched:
        if not is_right(true, counted):
            print(f"    {true} counted as {counted}", file=sys.stderr)
    for what in ("missed", "invented"):
        for rep in getattr(agreement, what):
            print(f"    {what}: {rep}", file=sys.stderr)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folder", type=Path, default=SESSIONS)
    parser.add_argument("--real-time", type=int, default=0, metavar="N", help="run the first N at the speed of life")
    parser.add_argument("--errors", action="store_true", help="print every rep that was not right, on stderr")
    parser.add_argument("--model", type=Path, help="instead of the plan's own, or models/en")
    parser.add_argument("--second", type=Path, metavar="FOLDER", help="another second look")
    options = parser.parse_args()
    plan = planfile.load(options.folder / "plan.toml")
    if options.model:
        plan = replace(plan, ear=replace(plan.ear, model=str(options.model.resolve())))
    if options.second:
        listening.SECOND_MODEL = str(options.second.resolve())
    recordings = sorted(options.folder.glob("*.ogg"))
    machine = f"{platform.machine()}, Python {platform.python_version()}"
    print(f"{len(recordings)} sessions, {machine}, {datetime.now():%Y-%m-%d}")
    model = Path(plan.ear.model).expanduser() if plan.ear.model else SHIPPED
    print(f"{model.name}: {CAVEATS[heard_them(model)]}\n")
    print("| session, noise | true reps | right | | wrong outcome or behaviour | missed | invented |", end=" ")
    print("cue to marker off by, median / p95 ms | delay, median / p95 ms | real-time factor |")
    print("|---" * 10 + "|")
    results = []
    for number, recording in enumerate(recordings):
        results.append(run(plan, recording, real_time=number < options.real_time))
        print(row(f"{results[-1].name}, {results[-1].noise}", results[-1:]), flush=True)
        if options.errors:
            tell_errors(results[-1].agreement)
    for noise in sorted({result.noise for result in results}):
        print(row(f"*noise: {noise}*", [result for result in results if result.noise == noise]))
    print(row("**all**", results))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform != "darwin" else 1024**2)
    print(f"\nPeak memory: {peak:.0f} MiB")


if __name__ == "__main__":
    main()

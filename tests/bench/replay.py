"""How long it takes to replay sessions, to find one dog among many, and to make a log of a million reps.

    python -m tests.bench.replay [--sessions 20000 --reps 1000000 --dogs 500] [--log FILE]

Everything is simulated (demo/simulate.py). With --log the big log is kept, and taken as it is the next time. Prints a
Markdown table. Times are wall times on the machine named; those of `handsfree ...` are of whole processes.
"""

from __future__ import annotations

import argparse
import datetime
import platform
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from itertools import islice
from pathlib import Path

from demo.simulate import many, write
from handsfree import replaying
from handsfree.core.operating import characteristics
from handsfree.core.plan import PRESETS
from handsfree.core.replay import Rules
from handsfree.core.summary import summarise
from handsfree.edges.store import Store
from tests.bench.summary import machine, seconds

REPLAYED = 1_000
RATES = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95)


def timed(work: Callable[[], object], runs: int = 1) -> float:
    """Median wall time, seconds."""
    times = []
    for _ in range(runs):
        began = time.perf_counter()
        work()
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sessions", type=int, default=20_000)
    parser.add_argument("--reps", type=int, default=1_000_000)
    parser.add_argument("--dogs", type=int, default=500)
    parser.add_argument("--log", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = options.log or Path(folder) / "big.db"
        made = None
        if not path.exists():
            made = timed(lambda: write(path, many(options.sessions, options.reps, options.dogs)))
        measure(path, made)


def measure(path: Path, made_s: float | None) -> None:
    rows: list[tuple[str, float, str]] = []
    with Store.open(path, read_only=True) as store:
        totals = store.sessions()
        reps = sum(one.reps for one in totals)
        some = [store.session_log(one.session.id) for one in islice(totals, REPLAYED)]
        dog = totals[len(totals) // 2].session.dog

        def one_dog() -> None:
            for one in store.sessions(dog):
                summarise(store.session_log(one.session.id))

        if made_s is not None:
            rows.append((f"simulate and write {len(totals)} sessions", made_s, ""))
        count = sum(len(log.reps) for log in some)
        rows.append(
            (f"replay {len(some)} sessions ({count} reps)", timed(lambda: list(map(replaying.replayed, some))), "")
        )
        stricter = Rules("stricter", PRESETS["12-of-15"])
        rows.append(("... under other rules", timed(lambda: [replaying.replayed(log, stricter) for log in some]), ""))
        rows.append(("... and verify to the byte", timed(lambda: list(map(replaying.verify, some))), ""))
        rows.append((f"the sessions of {dog}, reps counted", timed(lambda: store.sessions(dog), 5), "0.3"))
        rows.append((f"the steps {dog} has reached", timed(lambda: store.current_steps(dog), 5), ""))
        sessions = len(store.sessions(dog))
        rows.append((f"every session of {dog} ({sessions}) read and summed up", timed(one_dog, 3), ""))
    for rule in PRESETS.values():
        took = timed(lambda rule=rule: [characteristics(rule, p) for p in RATES])
        rows.append((f"operating characteristics of {rule.name}, 6 rates", took, ""))
    for arguments in (["--list", "--dog", dog], ["last"]):
        command = ["summary", *arguments, "--log", str(path)]
        seconds(*command)
        shown = " ".join(f'"{word}"' if " " in word else word for word in arguments)
        rows.append((f"`handsfree summary {shown}`", statistics.median(seconds(*command) for _ in range(5)), "0.3"))
    print(f"{len(totals)} sessions, {reps} reps after corrections, {path.stat().st_size / 1e6:.0f} MB; all simulated.")
    print(f"{machine()}; {platform.system()}, Python {platform.python_version()}; {datetime.date.today()}.\n")
    print("| | seconds | target |\n|---|---|---|")
    for what, took, target in rows:
        print(f"| {what} | {took:.3f} | {target} |")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform != "darwin" else 1024**2)
    print(f"\nPeak memory: {peak:.0f} MiB")


if __name__ == "__main__":
    main()

"""How long `handsfree progress` and `tomorrow` take, process start to end, on 1,000 sessions and 100,000 reps.

Run from the repository: python -m tests.bench.progress [--runs 5]. It prints a markdown table.
"""

from __future__ import annotations

import argparse
import datetime
import platform
import resource
import statistics
import subprocess
import tempfile
import time
from pathlib import Path

from demo.simulate import many, plan_of, write
from tests.bench.summary import PROGRAM, machine

SESSIONS, REPS = 1_000, 100_000
TARGET_S = 1.0


def measured(*arguments: str) -> tuple[float, float]:
    """(wall time, processor time) of one run of the program, seconds."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run([*PROGRAM, *arguments], check=True, stdout=subprocess.DEVNULL)
    after, wall_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter() - began
    return wall_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=5)
    runs = parser.parse_args().runs
    with tempfile.TemporaryDirectory() as folder:
        log, plan = Path(folder) / "log.db", Path(folder) / "plan.toml"
        write(log, many(SESSIONS, REPS, dogs=1))
        plan.write_text(plan_of("Domino 1", "Ottilie", "the garden")[1], encoding="utf-8")
        megabytes = log.stat().st_size / 1e6
        print(f"{SESSIONS} sessions, {REPS} reps, {megabytes:.0f} MB; {runs} runs after one to warm up.")
        print(f"{machine()}; {platform.system()}, Python {platform.python_version()}; {datetime.date.today()}.\n")
        print("| `handsfree ...` | median s | slowest s | processor s | target s |\n|---|---|---|---|---|")
        for name, command in (
            ("progress", ["progress"]),
            ("progress reverse", ["progress", "reverse"]),
            ("progress --html", ["progress", "--html", str(Path(folder) / "page.html")]),
            ("tomorrow", ["tomorrow", str(plan)]),
        ):
            command += ["--log", str(log)]
            measured(*command)
            times = [measured(*command) for _ in range(runs)]
            walls, processor = [wall_s for wall_s, _ in times], statistics.median(cpu_s for _, cpu_s in times)
            print(f"| {name} | {statistics.median(walls):.2f} | {max(walls):.2f} | {processor:.2f} | {TARGET_S:g} |")


if __name__ == "__main__":
    main()

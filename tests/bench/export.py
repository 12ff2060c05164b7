"""How long `handsfree export` takes, from process start to process end, and how much memory, on a million reps.

Run from the repository: python -m tests.bench.export [--log LOG] [--format csv ...]. It makes the log with
demo.simulate unless LOG is there already, and prints a markdown table.
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

SESSIONS, REPS, DOGS = 20_000, 1_000_000, 500
TARGETS = {"csv": (20.0, 200.0), "parquet": (15.0, 200.0)}
"""Format -> seconds, megabytes of resident memory."""
PROGRAM = [sys.executable, "-c", "import sys; from handsfree.cli import main; sys.exit(main())"]


def measured(log: Path, target: Path, format: str, *more: str) -> tuple[float, float, float]:
    """Wall seconds, processor seconds and peak resident megabytes of one export and the process that helps it.

    Memory is looked at five times a second, in Linux's /proc; pages that both processes hold count twice.
    """
    command = [*PROGRAM, "export", "--format", format, "--log", str(log), str(target), "--all", *more]
    begun = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    peak = 0.0
    while True:
        pid, status, usage = os.wait4(process.pid, os.WNOHANG)
        if pid:
            break
        peak = max(peak, resident(process.pid))
        time.sleep(0.2)
    wall = time.perf_counter() - begun
    if status:
        sys.exit(f"export --format {format} failed")
    return wall, usage.ru_utime + usage.ru_stime, peak


def resident(pid: int) -> float:
    """Megabytes of a process and its children; 0 of one that has just ended."""
    try:
        status = Path(f"/proc/{pid}/status").read_text()
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except OSError:
        return 0.0
    own = re.search(r"VmRSS:\s*(\d+)", status)
    return (int(own[1]) * 1024 / 1e6 if own else 0.0) + sum(resident(int(child)) for child in children)


def size(folder: Path) -> tuple[int, float]:
    files = [file for file in folder.rglob("*") if file.is_file()]
    return len(files), sum(file.stat().st_size for file in files) / 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--log", type=Path, help="a log of the simulator; made if it is not there")
    parser.add_argument("--format", nargs="+", default=["csv", "parquet"])
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        log = options.log or Path(folder) / "big.db"
        if not log.exists():
            sizes = ["--sessions", str(SESSIONS), "--reps", str(REPS), "--dogs", str(DOGS)]
            subprocess.run([sys.executable, "-m", "demo.simulate", str(log), *sizes], check=True)
        load = os.getloadavg()[0]
        machine = f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"
        print(f"{machine}, load {load:.1f} before\n")
        print("| format | wall s | processor s | peak MB | files | MB written | target |")
        print("|---|---|---|---|---|---|---|")
        for format, *tables in [(one, *more) for more in ((), ("reps",)) for one in options.format]:
            target = Path(folder) / format
            wall, processor, memory = measured(log, target, format, *(f"--table={name}" for name in tables))
            files, written = size(target)
            shutil.rmtree(target)
            wanted = "{:.0f} s, {:.0f} MB".format(*TARGETS[format]) if format in TARGETS else ""
            what = " ".join([format, *tables])
            print(f"| {what} | {wall:.1f} | {processor:.1f} | {memory:.0f} | {files} | {written:.0f} | {wanted} |")


if __name__ == "__main__":
    main()

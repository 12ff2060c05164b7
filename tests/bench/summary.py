"""How long `handsfree summary` takes, from process start to process end, on a log of 200 sessions and 20,000 reps.

Run from the repository: python -m tests.bench.summary [--runs 20]. It prints a markdown table.
"""

from __future__ import annotations

import argparse
import datetime
import os
import platform
import random
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

from handsfree.core.events import (
    Because,
    Choice,
    Decision,
    EndReason,
    Ignored,
    LogWord,
    Outcome,
    OweReward,
    Reason,
    Role,
    SessionEvent,
)
from handsfree.edges.store import Store
from tests.helpers import heard
from tests.logs import STARTED, marked_rep, start

SESSIONS, REPS_EACH = 200, 100
TARGET_S = 0.5
PROGRAM = [sys.executable, "-c", "import sys; from handsfree.cli import main; sys.exit(main())"]


def fill(path: Path) -> None:
    """A log of invented sessions: both words of every rep, a reward for every marker, some talk, decisions."""
    chance = random.Random(7)
    names = ("sit", "leave it", "stay", "brush")
    with Store.open(path) as store:
        store._file._connection.execute("PRAGMA synchronous = OFF")  # nobody waits for these reps
        for day in range(SESSIONS):
            session_id = store.begin(start(STARTED + timedelta(days=day), place="kitchen"))
            for number in range(1, REPS_EACH + 1):
                outcome = chance.choices(list(Outcome), (8, 1, 1))[0]
                rep = marked_rep(number, behaviour=names[number * len(names) // (REPS_EACH + 1)], outcome=outcome)
                store.add_word(LogWord(SessionEvent(rep.cue, Role.CUE, rep.behaviour), number))
                store.add_word(LogWord(SessionEvent(rep.outcome_word, Role.MARKER), number))
                store.add_rep(rep)
                if outcome is Outcome.CORRECT:
                    store.add_reward(OweReward(number, rep.outcome_word.start_s))
                if number % 3 == 0:
                    word = heard("yes", rep.end_s + 2)
                    store.add_word(LogWord(Ignored(word, Role.MARKER, Reason.IN_A_SENTENCE)))
                if number % 5 == 0:
                    looked_at = tuple(range(number - 4, number + 1))
                    store.add_decision(
                        Decision(Choice.HOLD, Because.WINDOW, rep.end_s, rep.behaviour, 2, 2, looked_at, 3, "4-3-2")
                    )
            store.end(session_id, EndReason.ASKED, 10.0 * REPS_EACH + 20)


def seconds(*arguments: str) -> float:
    """Wall time of one run of the program."""
    began = time.perf_counter()
    subprocess.run([*PROGRAM, *arguments], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began


def machine() -> str:
    """The processor and how many of it, as far as the system tells."""
    info = Path("/proc/cpuinfo")
    models = (
        [line.split(": ")[1] for line in info.read_text().splitlines() if "model name" in line] if info.exists() else []
    )
    return f"{models[0] if models else platform.processor() or platform.machine()}, {os.cpu_count()} cores"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=20)
    runs = parser.parse_args().runs
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "handsfree.db"
        fill(path)
        megabytes = path.stat().st_size / 1e6
        print(
            f"{SESSIONS} sessions, {SESSIONS * REPS_EACH} reps, {megabytes:.1f} MB; {runs} runs after one to warm up."
        )
        print(f"{machine()}; {platform.system()}, Python {platform.python_version()}; {datetime.date.today()}.\n")
        print("| `handsfree summary ...` | median s | slowest s | target s |\n|---|---|---|---|")
        for arguments in ([], ["--json"], ["--list"], ["--list", "--json"]):
            command = ["summary", "--log", str(path), *arguments]
            seconds(*command)
            times = [seconds(*command) for _ in range(runs)]
            shown = " ".join(arguments) or "(the last session)"
            print(f"| {shown} | {statistics.median(times):.2f} | {max(times):.2f} | {TARGET_S} |")


if __name__ == "__main__":
    main()
